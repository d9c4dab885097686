"""The job: minutes, slips, what counts, the journal after a crash, and the four verdicts.

Rules of measuring (ohms on a dead circuit, zeroed leads): workshop practice, no published source.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

import faults
from lab.case import load_case
from lab.job import resume_job, start_job
from lab.journal import Journal, seal, unseal
from lab.slip import slip_from_json
from simulator.condition import AtBattery
from simulator.errors import BadFile, BadRequest, UnknownName
from simulator.reader import find_vehicle

CASES = find_vehicle("pipkin").parent / "cases"
ROOT = find_vehicle("pipkin").parents[2]


def job_on(case: str, tmp_path: Path):
    return start_job(CASES / f"{case}.yaml", journal_path=tmp_path / f"{case}.job")


def do(job, *lines):
    return [job.do(line) for line in lines]


def test_actions_cost_the_minutes_of_the_vehicle(tmp_path):
    """Pipkin's file: call 3, read 1, battery 4, unplug 1, 15 minutes to the gearbox plug, once; the rest by default."""
    job = job_on("open_stub", tmp_path)
    minutes = [answer.minutes for answer in do(
        job, "call", "ignition off", "battery off", "read ohms DLC.high DLC.low", "unplug GBX",
        "read ohms GBX.high GBX.low", "read ohms GBX.high battery.negative", "plug GBX", "zero", "covers off",
        "read ohms S1.high S1.low", "wait 2.5",
    )]  # fmt: skip
    assert minutes == [3, 0.5, 4, 1, 16, 1, 1, 1, 0.5, 10, 1, 2.5]
    assert job.minute == sum(minutes)
    assert job.torn_open == {"GBX"}


def test_what_counts_and_what_does_not(tmp_path):
    job = job_on("open_stub", tmp_path)
    (awake,) = do(job, "read ohms DLC.high DLC.low")
    assert (awake.slip.state, awake.slip.why) == ("void", "the network is awake; ohms only on a dead circuit")
    assert awake.cautions == (4,)
    do(job, "battery off")
    assert job.do("zero").minutes == 0.5  # 30 s: the modules' time to fall asleep
    do(job, "battery on", "ignition off", "wait 1")
    (asleep,) = do(job, "read ohms DLC.high DLC.low")
    assert (asleep.slip.state, "battery is still connected" in asleep.slip.why) == ("void", True)
    do(job, "battery off")
    (good,) = do(job, "read ohms DLC.high DLC.low")
    assert good.slip.state == "valid"
    assert good.slip.value == pytest.approx(59.8, abs=0.5)
    (volts,) = do(job, "read volts battery.positive battery.negative")
    assert volts.slip.state == "doubtful"


def test_leads_that_were_not_zeroed_matter_below_5_ohm(tmp_path):
    job = job_on("shorted_pair", tmp_path)
    do(job, "ignition off", "battery off")
    first, _, second = do(job, "read ohms DLC.high DLC.low", "zero", "read ohms DLC.high DLC.low")
    assert first.slip.state == "doubtful"
    assert second.slip.state == "valid"
    assert first.slip.value - second.slip.value == pytest.approx(0.2)  # the leads of the format's meter


def test_a_network_not_asleep_yet_makes_readings_doubtful(tmp_path):
    for name in ("vehicle.yaml", "pipkin.dbc"):
        text = (CASES.parent / name).read_text().replace("sleep_s: 30", "sleep_s: 600")
        (tmp_path / name).write_text(text)
    job = start_job(tmp_path / "vehicle.yaml", 1, tmp_path / "x.job")
    do(job, "ignition off", "battery off")
    early, _, late = do(job, "read ohms DLC.high DLC.low", "wait 10", "read ohms DLC.high DLC.low")
    assert (early.slip.state, "not asleep" in early.slip.why) == ("doubtful", True)
    assert late.slip.state == "valid" or "leads" in late.slip.why


def test_cautions_stand_where_they_belong(tmp_path):
    job = job_on("dead_unit", tmp_path)
    assert job.do("unplug GBX").cautions == (10,)
    assert job.do("plug GBX").cautions == ()
    assert job.do("unplug GBX").cautions == (10,)  # with the key on, every time
    assert job.do("read volts GBX.supply battery.negative").cautions == (9,)
    assert job.do("read volts GBX.supply battery.negative").cautions == ()
    assert job.do("battery off").cautions == (5, 6)


@pytest.mark.parametrize(
    ("line", "error", "told"),
    [
        ("frobnicate", BadRequest, "no action called 'frobnicate'"),
        ("read ohms DLC.high", BadRequest, "write: read ohms RED BLACK"),
        ("read ohms DLC.high DLC.high", BadRequest, "both leads are on one point"),
        ("read ohms DLC.hgh DLC.low", BadRequest, "did you mean 'DLC.high'"),
        ("read ohms S1.high S1.low", BadRequest, "S1 is behind trim; take the covers off first"),
        ("part S2", BadRequest, "behind trim"),
        ("part DLC", UnknownName, "no connector that parts called 'DLC'"),
        ("plug GBX", BadRequest, "GBX is plugged in"),
        ("unplug GBY", UnknownName, "did you mean 'GBX'"),
        ("battery on", BadRequest, "the battery is on already"),
        ("battery maybe", BadRequest, "write: battery on, or: battery off"),
        ("shake X9", UnknownName, "no place called 'X9'"),
        ("wait long", BadRequest, "no number of minutes"),
        ("finding", BadRequest, "write what is wrong"),
        ("finding opne at=GBX", UnknownName, "did you mean 'open'"),
    ],
)  # fmt: skip
def test_a_wrong_line_is_told_and_changes_nothing(tmp_path, line, error, told):
    job = job_on("open_stub", tmp_path)
    before = job.journal.path.read_bytes()
    with pytest.raises(error, match=told):
        job.do(line)
    assert (job.minute, job.slips, job.torn_open) == (0.0, [], frozenset())
    assert job.journal.path.read_bytes() == before


def test_a_case_may_forbid(tmp_path):
    text = (CASES / "open_stub.yaml").read_text().replace("[ohms, volts, call]", "[volts]")
    (tmp_path / "c.yaml").write_text(text + "actions: [ignition]\n")
    job = start_job(tmp_path / "c.yaml", journal_path=tmp_path / "c.job")
    refused = {"call": "no roll call", "read ohms DLC.high DLC.low": "no ohms", "unplug GBX": "not allow unplug"}
    for line, told in refused.items():
        with pytest.raises(BadRequest, match=told):
            job.do(line)


# ---------------------------------------------------------------------- verdicts

MEASURED_STUB = (
    "call", "ignition off", "battery off", "unplug GBX", "read ohms GBX.high GBX.low", "covers off", "zero",
    "read ohms S1.high GBX.high", "read ohms S1.low GBX.low",
)  # fmt: skip


def test_sound(tmp_path):
    job = job_on("open_stub", tmp_path)
    do(job, *MEASURED_STUB)
    verdict = job.do('finding open line=both run="gearbox stub"').verdict
    assert verdict.word == "sound"
    assert verdict.fits_too == ""
    assert all(faults.parse(name).kind == "open" for name in verdict.still)
    assert Path(verdict.picture).read_bytes().startswith(b"\x89PNG")
    assert next(row.healthy for row in verdict.rows) == "silent nobody"
    with pytest.raises(BadRequest, match="the finding is handed in; mend what you found"):
        job.do("finding healthy")
    assert job.do("battery on").minutes == 4  # the job goes on until the vehicle is handed back


@pytest.mark.slow
def test_lucky_and_what_fits_too(tmp_path):
    job = job_on("open_stub", tmp_path)
    do(job, "call")
    answer = job.do('finding open line=both run="gearbox stub"')
    assert answer.verdict.word == "lucky"
    assert answer.verdict.fits_too in answer.verdict.still
    assert any(line.startswith("This fits too: ") for line in answer.lines)
    assert answer.verdict.told_apart_by


@pytest.mark.slow
def test_unproven(tmp_path):
    job = job_on("open_stub", tmp_path)
    do(job, "call")
    assert job.do("finding dead_module module=GBX").verdict.word == "unproven"


@pytest.mark.slow
def test_wrong(tmp_path):
    job = job_on("open_stub", tmp_path)
    do(job, "call")
    verdict = job.do("finding missing_terminator at=CLU").verdict
    assert verdict.word == "wrong"
    assert verdict.hidden == ('open line=both run="gearbox stub"',)


@pytest.mark.slow
def test_healthy_is_a_finding_too(tmp_path):
    job = job_on("open_stub", tmp_path)
    do(job, "call")
    assert job.do("finding healthy").verdict.word == "wrong"


@pytest.mark.slow
def test_two_faults_must_both_be_found(tmp_path):
    text = (CASES / "blown_fuse.yaml").read_text()
    text = text.replace("fuse: F7}", "fuse: F7}\n  - {kind: missing_terminator, at: CLU}")
    (tmp_path / "two.yaml").write_text(text)
    for words, wanted in (("power_dropout fuse=F7 + missing_terminator at=CLU", ("sound", "lucky")),
                          ("power_dropout fuse=F7", ("unproven", "wrong"))):  # fmt: skip
        job = start_job(tmp_path / "two.yaml", journal_path=tmp_path / f"{len(words)}.job")
        do(job, "call", "read volts GBX.supply battery.negative")
        do(job, "ignition off", "battery off", "read ohms DLC.high DLC.low")
        assert job.do(f"finding {words}").verdict.word in wanted


@pytest.mark.slow
def test_a_fault_that_waits_for_shaking(tmp_path):
    text = (CASES / "open_stub.yaml").read_text().replace("gearbox stub}", "gearbox stub, when: {shaken: S1}}")
    (tmp_path / "c.yaml").write_text(text)
    job = start_job(tmp_path / "c.yaml", journal_path=tmp_path / "c.job")
    (still,) = do(job, "call")
    assert still.slip.silent == ()
    do(job, "shake S1")
    (shaken,) = do(job, "call")
    assert shaken.slip.silent == ("GBX",)
    do(job, "shake nothing")
    assert job.do("call").slip.silent == ()
    assert job.do('finding open line=both run="gearbox stub"').verdict.word in ("sound", "lucky")


def test_a_fault_follows_the_jobs_own_clock(tmp_path):
    text = (CASES / "blown_fuse.yaml").read_text().replace("fuse: F7}", "fuse: F7, when: {from_s: 600}}")
    (tmp_path / "c.yaml").write_text(text)
    job = start_job(tmp_path / "c.yaml", journal_path=tmp_path / "c.job")
    assert job.do("call").slip.silent == ()
    do(job, "wait 10")
    assert job.do("call").slip.silent == ("GBX",)


# ---------------------------------------------------------------------- seeds


@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(n, marks=pytest.mark.slow) for n in range(2, 6))])
def test_a_seed_hides_a_fault_that_can_be_found_and_does_not_tell(tmp_path, seed):
    job = start_job("pipkin", seed, tmp_path / "a.job")
    again = start_job("pipkin", seed, tmp_path / "b.job")
    assert job.card() == again.card()
    hidden = job._hidden[0]
    assert hidden == again._hidden[0]
    told = " ".join(job.card())
    assert hidden.kind not in told.split()
    assert not any(word in told for word in ("short", "terminator", "ground", "fuse", "open "))
    clear = job.journal.path.read_text()
    assert hidden.kind not in clear
    assert str(hidden) not in clear


# ---------------------------------------------------------------------- the journal


def test_resuming_gives_the_same_job(tmp_path):
    job = job_on("open_stub", tmp_path)
    do(job, *MEASURED_STUB, "shake S1")
    job.journal.close()
    again = resume_job(job.journal.path)
    for name in ("minute", "condition", "zeroed", "torn_open", "slips"):
        assert getattr(again, name) == getattr(job, name), name
    assert again._state == job._state
    assert again.do("call").slip.number == len(job.slips) + 1


def test_half_a_line_is_cut_off(tmp_path):
    job = job_on("open_stub", tmp_path)
    do(job, "call")
    job.journal.close()
    whole = job.journal.path.read_bytes()
    job.journal.path.write_bytes(whole + b'{"record":{"do":["cal')
    assert resume_job(job.journal.path).minute == 3
    assert job.journal.path.read_bytes() == whole


@pytest.mark.parametrize("line", [1, 2, 3])
def test_a_changed_line_shows(tmp_path, line):
    job = job_on("open_stub", tmp_path)
    do(job, "call", "zero")
    job.journal.close()
    lines = job.journal.path.read_text().splitlines()
    lines[line - 1] = lines[line - 1].replace("3.5", "2.5").replace("GBX", "BRK").replace('"seed":0', '"seed":1')
    job.journal.path.write_text("\n".join(lines) + "\n")
    with pytest.raises(BadFile, match=rf"open_stub\.job:{line}: this line was changed"):
        resume_job(job.journal.path)


def test_a_journal_is_used_once_at_a_time_and_never_overwritten(tmp_path):
    job = job_on("open_stub", tmp_path)
    with pytest.raises(BadRequest, match="in use by another job"):
        resume_job(job.journal.path)
    with pytest.raises(BadRequest, match="exists already"):
        job_on("open_stub", tmp_path)
    with pytest.raises(BadRequest, match="cannot be opened"):
        resume_job(tmp_path / "nothing.job")
    (tmp_path / "text.job").write_text("hello\n")
    with pytest.raises(BadFile, match="is no line of a journal"):
        resume_job(tmp_path / "text.job")


def test_a_changed_vehicle_is_told(tmp_path):
    for name in ("vehicle.yaml", "pipkin.dbc"):
        (tmp_path / name).write_bytes((CASES.parent / name).read_bytes())
    job = start_job(tmp_path / "vehicle.yaml", 1, tmp_path / "x.job")
    job.journal.close()
    with (tmp_path / "vehicle.yaml").open("a") as file:
        file.write("# later\n")
    with pytest.raises(BadRequest, match="is not what it was when this job began"):
        resume_job(tmp_path / "x.job")


def test_slips_and_seals_come_back(tmp_path):
    job = job_on("open_stub", tmp_path)
    do(job, "call", "unplug GBX", "read volts GBX.supply battery.negative")
    lamps = replace(job.slips[-1].condition, at_battery=(AtBattery("lamps", 1.1),), sag_volt=0.4)
    slips = [*job.slips, replace(job.slips[-1], condition=lamps)]
    assert [slip_from_json(json.loads(json.dumps(slip.as_json()))) for slip in slips] == slips
    assert unseal(seal("open line=high")) == "open line=high"
    with pytest.raises(ValueError, match=r"."):
        unseal("bm90IHNlYWxlZA==")


def test_after_kill_9_the_job_goes_on_where_it_was(tmp_path):
    """A real process, killed without warning right after an answer; what was shown is on the disk."""
    path = tmp_path / "killed.job"
    code = (
        "import sys\nfrom lab.job import start_job\nfrom lab.shell import run_shell\n"
        f"run_shell(start_job({str(CASES / 'open_stub.yaml')!r}, None, {str(path)!r}))\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write("call\nunplug GBX\nread volts GBX.supply battery.negative\n")
    process.stdin.flush()
    shown = ""
    deadline = time.monotonic() + 120
    while "minute 20 (+1)" not in shown and time.monotonic() < deadline:
        shown += process.stdout.readline()
    os.kill(process.pid, signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    assert "Slip 2" in shown
    job = resume_job(path)
    assert job.minute == 20
    assert [slip.kind for slip in job.slips] == ["call", "volts"]
    assert job.condition.unplugged == {"GBX"}


def test_every_record_is_synced_before_it_counts(tmp_path, monkeypatch):
    synced = []
    monkeypatch.setattr(os, "fsync", lambda number: synced.append(number))
    journal = Journal.create(tmp_path / "x.job", {"seed": 1})
    count = len(synced)
    journal.append({"do": ["call"]})
    assert len(synced) == count + 1
    assert load_case(CASES / "open_stub.yaml").minutes == 60
