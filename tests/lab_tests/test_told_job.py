"""Jobs on a unit that was told something wrong, up to the hand-back; and what breaks off in the middle.

Refusal codes: ISO 14229-1:2020, annex A. That such faults show in what a unit says of itself, and not in a reading with
a meter, is common practice, no source.
"""

from __future__ import annotations

import pytest
from job_hands import do, steps, words

import lab.job
from lab.job import resume_job, start_job
from lab.verdict import Verdict
from simulator.errors import BadRequest
from simulator.reader import find_vehicle

CASES = {name: find_vehicle(name).parent / "cases" for name in ("pipkin", "haulvey")}
WHOLE = CASES["pipkin"] / "whole_job.yaml"
RATIO = "wrong_value module=GBX name=axle-ratio value=3.7"
AXLE, TYRE = "write axle-ratio 4.06", "write tyre-size 1.93"


@pytest.fixture
def judged(monkeypatch):
    """The finding is judged right without holding it against the catalogue, which takes long."""
    verdict = Verdict("sound", "right", ("hidden",), ("said",), (), (), (), (), (), "", "", (), "none.png")
    monkeypatch.setattr(lab.job, "judge_finding", lambda attempt, claims, picture: verdict)


def job_with(tmp_path, *faults):
    lines = "\n".join(f"  - '{fault}'" for fault in faults)
    (tmp_path / "c.yaml").write_text(
        f"case: 1\ntitle: T\nstory: S\nvehicle: pipkin\nfaults:\n{lines}\ninstruments: [call]\nminutes: 200\n"
    )
    return start_job(tmp_path / "c.yaml", journal_path=tmp_path / "a.job")


# ---------------------------------------------------------------------- whole jobs


@pytest.mark.slow
@pytest.mark.parametrize(
    ("case", "found", "write"),
    [
        ("pipkin/winter_tyres", "wrong_value module=GBX name=tyre-size value=2.08", "write tyre-size 1.93"),
        ("haulvey/other_axle", "wrong_value module=GBX name=axle-ratio value=3.7", "write axle-ratio 3.92"),
    ],
)
def test_a_wrong_value_from_the_complaint_to_the_hand_back(tmp_path, case, found, write):
    car, _, name = case.partition("/")
    job = start_job(CASES[car] / f"{name}.yaml", journal_path=tmp_path / "a.job")
    assert job.do("call").slip.silent == ()
    assert "P0720-00" in words(job, "codes save")
    assert found.split("value=")[1] in job.do("config GBX").slip.display
    answer = job.do(f"finding {found}")
    assert answer.verdict.word == "sound", answer.lines
    do(job, "supply on", write, "ignition off", "ignition on", "config GBX", "codes clear", "supply off")
    do(job, *(["drive hot idle"] if car == "pipkin" else []), "drive", "call", "codes read", "engine stop")
    answer = job.do("hand-back")
    assert answer.lines[0] == "Handed back in order.", answer.lines
    assert answer.lines[-1] == "Reread: nothing to mend in the method."
    assert job.minute <= job.minutes_allowed
    job.journal.close()
    assert resume_job(job.journal.path).handed_back == job.handed_back


@pytest.mark.slow
def test_a_writing_that_broke_off_from_the_complaint_to_the_hand_back(tmp_path):
    job = start_job(CASES["haulvey"] / "half_written.yaml", journal_path=tmp_path / "a.job")
    assert job.do("call").slip.silent == ()
    assert "U0300-51" in words(job, "codes save")
    battery = job.do("read volts battery.positive battery.negative").slip.value
    assert battery < 11.9
    assert "requestOutOfRange" in words(job, "config GBX")
    found = "half_written module=GBX + weak_battery open_circuit_volt=11.9 internal_ohm=0.05"
    assert job.do(f"finding {found}").verdict.word in ("sound", "lucky")
    do(job, "ignition off", "repair weak_battery open_circuit_volt=11.9 internal_ohm=0.05", "ignition on", "supply on")
    assert "requestOutOfRange (0x31)" in words(job, "write axle-ratio 3.92")
    assert steps(job)["write"].why == "it broke off at 40 %; the unit is in start-up mode"
    do(job, *(f"write {item} programming" for item in ("axle-ratio 3.92", "tyre-size 2.14", "tail-lift 1")))
    do(job, "ignition off", "ignition on", "config GBX")
    assert (steps(job)["read back"].word, steps(job)["level"].word) == ("done", "done")
    do(job, "engine start", "brake hold")
    for _ in range(12):
        if "running" in words(job, "routine start"):
            break
        do(job, "wait 2")
    do(job, "wait 0.8")
    assert "done" in words(job, "routine results")
    do(job, "brake release", "codes clear", "supply off", "drive", "call", "codes read", "engine stop")
    answer = job.do("hand-back")
    assert answer.lines[0] == "Handed back in order.", answer.lines
    assert job.minute <= job.minutes_allowed


def test_a_unit_of_another_car_is_not_mended_by_writing(tmp_path, judged):
    job = start_job(CASES["pipkin"] / "second_hand.yaml", journal_path=tmp_path / "a.job")
    assert "U0300-00" in words(job, "codes save")
    assert "GBX-S41902" in job.do("config GBX").slip.display
    do(job, "finding wrong_unit module=GBX software_number=GBX-S41902", "ignition off")
    with pytest.raises(BadRequest, match="that is inside GBX: order GBX, then replace GBX"):
        job.do("repair wrong_unit module=GBX software_number=GBX-S41902")
    with pytest.raises(BadRequest, match="no unit was replaced"):
        job.do(AXLE)
    do(job, "order GBX", "replace GBX", "ignition on", "supply on", AXLE)
    assert "GBX-S41902" not in job.do("config GBX").slip.display
    assert (steps(job)["identity"].word, steps(job)["level"].word) == ("done", "not ready")


# ---------------------------------------------------------------------- the finding


@pytest.mark.slow
def test_what_config_shows_counts_for_a_finding(tmp_path):
    """The right value is sound by config alone; without it nothing tells it from a good car."""
    job = job_with(tmp_path, RATIO)
    do(job, "call", "config")
    answer = job.do("finding wrong_value module=GBX name=axle-ratio value=3.7")
    assert answer.verdict.word == "sound"
    assert answer.verdict.still == ('wrong_value module=GBX name="axle ratio" value=3.7',)
    assert any("config: not as it should be: GBX axle ratio 3.7" in line for line in answer.lines)
    assert any("healthy: as it should be; with the fault: GBX axle ratio 3.7" in line for line in answer.lines)


@pytest.mark.slow
def test_without_config_the_right_value_is_lucky_and_another_is_wrong_with_it(tmp_path):
    job = job_with(tmp_path, RATIO)
    verdict = do(job, "call", f"finding {RATIO}")[-1].verdict
    assert (verdict.word, verdict.told_apart_by.split(" (")[0]) == ("lucky", "config")
    (tmp_path / "b").mkdir()
    job = job_with(tmp_path / "b", RATIO)
    verdict = do(job, "config GBX", "finding wrong_value module=GBX name=axle-ratio value=3.6")[-1].verdict
    assert verdict.word == "wrong"
    assert "with your finding it would read GBX axle ratio 3.6" in verdict.against[0]


# ---------------------------------------------------------------------- mending


def test_the_way_back_begins_with_what_the_fault_has_left(tmp_path, judged):
    job = job_with(tmp_path, RATIO)
    do(job, f"finding {RATIO}")
    with pytest.raises(BadRequest, match="that is what GBX was told: write ITEM VALUE tells it anew"):
        job.do(f"repair {RATIO}")
    do(job, "supply on")
    assert "written, but not in force; helps: cycle the key" not in words(job, "write tyre-size 1.93")
    told = words(job, f"{AXLE} programming")
    assert "securityAccessDenied (0x33)" in told
    assert "It is not in start-up mode: write ITEM VALUE, without programming." in told
    told = words(job, f"{AXLE} meanwhile supply off")  # a good battery holds without it
    assert told.startswith("Halfway through: supply off. GBX has taken axle ratio: 4.06.")
    assert "written, but not in force" in told
    assert steps(job)["read back"].word == "not ready"
    do(job, "ignition off", "ignition on")
    assert job.do("config GBX").slip.display == "as it should be"
    assert {name: step.word for name, step in steps(job).items()} == {
        "supply": "ready", "identity": "done", "write": "done", "read back": "done", "level": "done",
        "routine": "done", "clear": "ready", "drive": "not ready", "roll call": "not ready",
    }  # fmt: skip
    lines = job.do("hand-back").lines
    assert lines[0] == "Handed back not in order."
    assert not any("not mended" in line for line in lines)
    assert any("GBX still stores 1 code" in line for line in lines)
    assert "  No road test after the unit was told something else." in lines


def test_replacing_a_unit_that_was_only_told_wrong_is_remarked(tmp_path, judged):
    job = job_with(tmp_path, "not_configured module=GBX")
    do(job, "order GBX", "finding not_configured module=GBX", "ignition off", "replace GBX")
    lines = job.do("hand-back").lines
    assert any("GBX replaced: only what it was told was wrong, and could be written anew." in line for line in lines)


def test_nothing_written_is_not_mended(tmp_path, judged):
    job = job_with(tmp_path, RATIO)
    assert f"  not mended: {job.hidden[0]}" in do(job, f"finding {RATIO}", "hand-back")[-1].lines


def test_a_unit_that_lost_all_is_told_anew(tmp_path, judged):
    job = job_with(tmp_path, "not_configured module=GBX")
    do(job, "finding not_configured module=GBX", "supply on", AXLE, TYRE)
    assert steps(job)["write"].why == "written, but not in force"
    do(job, "ignition off", "ignition on")
    assert (steps(job)["write"].word, steps(job)["routine"].word) == ("done", "not ready")


# ---------------------------------------------------------------------- a writing that breaks off in the job


@pytest.mark.slow
@pytest.mark.parametrize(
    ("battery", "before", "meanwhile"),
    [
        ((), (), "ignition off"),
        (("weak_battery open_circuit_volt=11.2 internal_ohm=0.05",), ("supply on",), "supply off"),
        (("weak_battery open_circuit_volt=12.55 internal_ohm=0.028",), (), "lamps on"),
    ],
)
def test_a_writing_breaks_off_and_what_then_helps(tmp_path, judged, battery, before, meanwhile):
    """Key, support supply or a load in the middle of it: start-up mode, and the programming session out of it."""
    job = job_with(tmp_path, RATIO, *battery)
    do(job, f"finding {RATIO}", *before)
    told = words(job, f"{AXLE} meanwhile {meanwhile}")
    assert "Not written" in told
    assert "it broke off at" in told
    assert "write ITEM VALUE programming" in told
    assert job.condition.ignition_on is (meanwhile != "ignition off")
    assert job.state.supply_on is False
    if meanwhile == "ignition off":
        do(job, "ignition on")
    assert "lamps" not in meanwhile or job.do("lamps off")
    do(job, "supply on")
    assert "requestOutOfRange (0x31)" in words(job, AXLE)
    assert "U0300-51" in words(job, "codes read")
    do(job, f"{AXLE} programming", f"{TYRE} programming", "ignition off", "ignition on")
    assert job.do("config GBX").slip.display == "as it should be"
    assert steps(job)["write"].word == "done"
    job.journal.close()
    again = resume_job(job.journal.path)
    assert (again.state, again.slips) == (job.state, job.slips)
    assert steps(again)["write"].word == "done"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("write axle-ratio", "the items are axle-ratio, tyre-size"),
        ("write axle-ratio 4 programing", "write ITEM VALUE meanwhile ignition off / supply off / lamps on"),
        ("write axle-ratio 4 meanwhile lamps of", "did you mean 'lamps on'"),
        ("write axle-ratio 4 meanwhile supply off", "the support supply is off already"),
        ("write axle 4", "no value to write called 'axle'"),
        ("track", "no action called 'track'"),
    ],
)
def test_a_wrong_line_begins_no_work(tmp_path, judged, line, told):
    job = job_with(tmp_path, RATIO)
    do(job, f"finding {RATIO}")
    before = job.journal.path.read_bytes(), job.state
    with pytest.raises(BadRequest, match=told):
        job.do(line)
    assert (job.journal.path.read_bytes(), job.state) == before
    assert not job.state.taken


# ---------------------------------------------------------------------- what breaks off in the middle


def life(job):
    """What the running vehicle remembers, and where its clock is."""

    def look(car):
        memories = {
            name: [(entry.number, entry.status, entry.occurrences) for entry in module.unit.memory.entries.values()]
            for name, module in car.simulation.modules.items()
        }
        return car.simulation.t_ns, memories, [str(each) for track in car.tracks.values() for each in track.steps()]

    return job.car.now(look)


@pytest.mark.parametrize(
    ("where", "error"),
    [
        ("effect", KeyboardInterrupt),
        pytest.param("journal", RuntimeError, marks=pytest.mark.slow),
        pytest.param("effect", RuntimeError, marks=pytest.mark.slow),
        pytest.param("journal", KeyboardInterrupt, marks=pytest.mark.slow),
    ],
)
def test_an_action_that_raises_in_the_middle_has_not_happened(tmp_path, judged, monkeypatch, where, error):
    """Own rule: the running vehicle is never ahead of the journal, else a job that goes on is not the same job."""
    job = job_with(tmp_path, RATIO)
    do(job, "call", "codes read", f"finding {RATIO}", "supply on", AXLE)
    kept, state, records = life(job), job.state, list(job.journal.records)

    def breaks(*args, **kwargs):
        raise error("in the middle")

    with monkeypatch.context() as patched:
        if where == "effect":  # the value has been written by then
            patched.setattr("lab.telling._what_helps", breaks)
        else:
            patched.setattr(job.journal, "append", breaks)
        with pytest.raises(error, match="in the middle"):
            job.do(TYRE)
    assert (life(job), job.state, job.journal.records) == (kept, state, records)
    do(job, TYRE, "ignition off", "ignition on")
    job.journal.close()
    assert life(resume_job(job.journal.path)) == life(job)


def test_a_reading_that_raises_leaves_no_minutes_behind(tmp_path, monkeypatch):
    job = job_with(tmp_path, RATIO)
    do(job, "codes read")
    kept = life(job)

    def breaks(*args, **kwargs):
        raise RuntimeError("in the middle")

    with monkeypatch.context() as patched:
        patched.setattr(job.journal, "append", breaks)
        with pytest.raises(RuntimeError):
            job.do("unplug CLU")
    assert life(job) == kept
