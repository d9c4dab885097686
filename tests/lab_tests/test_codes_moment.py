"""Fault memories read beside faults that come and go: one moment, or it is said whose is another. Own rules."""

from __future__ import annotations

import json

from click.testing import CliRunner

import faults
from lab.command import sixtyohm
from lab.tester import Codes, Diagnosis, codes_from_json, read_codes
from lab.tester.show import code_lines
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import Event
from simulator.simulation import Simulation

PIPKIN = load_vehicle(find_vehicle("pipkin"))
#: Half a second after the gearbox is back, at 10 s, everybody's test of its messages passes.
BACK = "open line=high at=GBX from_s=2 until_s=9.55"
#: Quicker than it takes to ask all modules.
FLAPPING = "open line=both at=GBX on_s=0.05 off_s=0.05"
NOT_ONE = "Not one moment, since codes or answers came and went while all were asked: "


def read(fault: str, begin_s: float) -> tuple[Codes, list[Event], int]:
    """The codes of a vehicle asked from an instant on; the codes that changed meanwhile; when it was over, in ns."""
    simulation = Simulation(PIPKIN, faults=[faults.parse(fault)])
    simulation.advance(begin_s)
    changed: list[Event] = []
    simulation.notice(lambda event: changed.append(event) if event.kind == "code" else None)
    with Diagnosis(simulation) as diagnosis:
        return read_codes(diagnosis), changed, simulation.t_ns


def test_codes_that_change_while_they_are_read_are_read_anew() -> None:
    found, changed, end_ns = read(BACK, 9.95)
    assert {event.t_ns for event in changed} == {10_000_000_000}
    assert end_ns > 10_000_000_000
    lost = {each.module: code.when for each in found.modules for code in each.codes if code.misses == "GBX"}
    assert lost == dict.fromkeys(("ENG", "BRK", "BDY", "CLU"), "earlier"), "all of the moment after the change"
    assert found.changing == ()
    assert not any(line.startswith(NOT_ONE) for line in code_lines(found))


def test_codes_that_hold_still_are_read_once() -> None:
    found, changed, end_ns = read("dead_module module=GBX", 9.05)
    assert (found.changing, changed) == ((), [])
    assert found.count > 0
    assert end_ns < 10_000_000_000, "twice the silent one is waited for, not four times"


def test_what_never_holds_still_is_said() -> None:
    found, _, end_ns = read(FLAPPING, 3.0)
    assert "GBX" in found.changing
    assert code_lines(found)[-1] == NOT_ONE + ", ".join(found.changing)
    assert codes_from_json(json.loads(json.dumps(found.as_json()))) == found
    assert end_ns < 10_000_000_000, "it does not go on for ever"


def test_a_file_from_before_is_read() -> None:
    kept = read(FLAPPING, 3.0)[0].as_json()
    del kept["changing"]
    assert codes_from_json(kept).changing == ()


def test_on_the_command_line() -> None:
    asked = ["codes", "pipkin", "misses", "--seconds", "3", "--fault", FLAPPING]
    shown = CliRunner().invoke(sixtyohm, asked).output
    mapping = json.loads(CliRunner().invoke(sixtyohm, [*asked, "--json"]).output)
    assert "GBX" in mapping["changing"]
    assert shown.rstrip().splitlines()[-1] == NOT_ONE + ", ".join(mapping["changing"])
