"""Fair check: each case of the Pipkin can be solved with what it allows. Tried, not claimed: a path of readings is
taken, and the faults of the catalogue that still fit are reported.

The paths are workshop practice (halve the line, prove the circuits of the silent unit); no published source.
"""

from __future__ import annotations

import pytest

import faults
from lab.case import same_fault
from lab.job import start_job
from simulator.reader import find_vehicle

pytestmark = pytest.mark.slow

CASES = find_vehicle("pipkin").parent / "cases"
DEAD = ("ignition off", "battery off")

#: The readings of a good student, and how many faults, the hidden one and its like included, may be left.
PATHS = {
    "open_stub": ("call", *DEAD, "unplug GBX", "read ohms GBX.high GBX.low", "covers off", "zero",
                  "read ohms S1.high GBX.high", "read ohms S1.low GBX.low"),
    "lost_terminator": ("call", *DEAD, "read ohms DLC.high DLC.low", "zero", "unplug ENG", "read ohms DLC.high DLC.low",
                        "plug ENG", "unplug CLU", "read ohms DLC.high DLC.low", "plug CLU",
                        "read ohms CLU.high CLU.low", "read ohms CLU.high DLC.high", "read ohms CLU.low DLC.low"),
    "shorted_pair": ("call", *DEAD, "zero", "covers off", "read ohms DLC.high DLC.low", "read ohms S3.high S3.low",
                     "read ohms BDY.high BDY.low", "read ohms STA.high STA.low", "unplug STA",
                     "read ohms S3.high S3.low",
                     "read ohms STA.high S3.high", "read ohms STA.high STA.low"),
    "blown_fuse": ("call", "read volts GBX.supply battery.negative", "read volts GBX.ground battery.negative",
                   "read volts GBX.wake battery.negative", *DEAD, "zero", "read ohms GBX.supply battery.positive"),
    "rusty_ground": ("call", "read volts GBX.ground battery.negative", "read volts GBX.supply battery.negative",
                     "read volts BRK.ground battery.negative", *DEAD, "zero", "read ohms GBX.ground battery.negative",
                     "read ohms BRK.ground battery.negative", "read ohms GBX.ground BRK.ground"),
    "dead_unit": ("call", "read volts GBX.supply GBX.ground", "read volts GBX.wake battery.negative",
                  "read volts GBX.high battery.negative", "read volts GBX.low battery.negative", *DEAD, "zero",
                  "unplug ENG", "unplug CLU", "read ohms GBX.high GBX.low", "read ohms GBX.high battery.negative",
                  "read ohms GBX.low battery.negative", "unplug GBX", "read ohms GBX.high GBX.low"),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(PATHS))
def test_the_case_can_be_solved_with_what_it_allows(name, tmp_path):
    job = start_job(CASES / f"{name}.yaml", journal_path=tmp_path / "a.job")
    for line in PATHS[name]:
        job.do(line)
    wanted = job.case.find
    verdict = job.do("finding " + " + ".join(map(str, wanted))).verdict
    print(f"{name}: {job.minute:g} minutes, still possible: {verdict.still}; fits too: {verdict.fits_too}")
    assert verdict.word == "sound", (verdict.still, verdict.fits_too, verdict.told_apart_by)
    assert any(same_fault(faults.parse(left), wanted[0]) for left in verdict.still)
    assert job.minute <= job.minutes_allowed
