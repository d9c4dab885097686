"""A job until the vehicle is handed back: codes, lamp, proof sheet, order, repair, the way back; and ways to fail it.

Refusal codes: ISO 14229-1:2020, annex A. Limits of the proof sheet and the order of the work: common practice, no
source.
"""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import pytest
from job_hands import do, steps, words

import lab.job
import lab.journal
from lab.handback import asked_module, final_record
from lab.hands import State
from lab.job import resume_job, start_job
from lab.looks import LOOKS
from lab.proofsheet import proof_sheet
from lab.telling import service_of
from lab.verdict import Verdict
from simulator.errors import BadRequest
from simulator.reader import find_vehicle, load_vehicle

CASES = find_vehicle("pipkin").parent / "cases"
VANS = find_vehicle("haulvey").parent / "cases"

PROVE = (
    "call", "codes save", "read volts battery.positive battery.negative", "read volts GBX.high battery.negative",
    "read volts GBX.low battery.negative", "read volts GBX.wake battery.negative", "read volts GBX.supply GBX.ground",
    "ignition off", "unplug GBX", "pins GBX", "ignition on", "lamp GBX.supply GBX.ground", "call", "ignition off",
    "battery off", "zero", "read ohms GBX.high GBX.low", "read ohms GBX.high battery.negative",
    "read ohms GBX.low battery.negative", "read ohms GBX.high battery.positive", "read ohms GBX.low battery.positive",
    "plug GBX",
)  # fmt: skip
TELL = {
    "pipkin": ("write axle-ratio 4.06", "write tyre-size 1.93"),
    "haulvey": ("write axle-ratio 3.92", "write tyre-size 2.14", "write tail-lift 1"),
}
FIT = ("order GBX", "finding dead_module module=GBX", "replace GBX", "battery on", "ignition on", "supply on 13.5 70")
CONFIRM = ("ignition off", "ignition on", "config GBX", "engine start", "brake hold")
POSITIONS = ("select reverse", "select neutral", "select drive", "select park")


@pytest.fixture
def judged(monkeypatch):
    """The finding is judged right without holding it against the catalogue, which other tests do and takes long."""
    verdict = Verdict("sound", "right", ("hidden",), ("said",), (), (), (), (), (), "", "", (), "none.png")
    monkeypatch.setattr(lab.job, "judge_finding", lambda attempt, claims, picture: verdict)


def job_on(path, tmp_path):
    return start_job(path, journal_path=tmp_path / "a.job")


# ---------------------------------------------------------------------- before the finding


def test_codes_of_ones_own_making_and_clearing_before_saving(tmp_path):
    job = job_on(CASES / "dead_unit.yaml", tmp_path)
    do(job, "call")
    (unplugged,) = do(job, "unplug STA")
    assert "of your own making" in unplugged.lines[0]
    told = words(job, "codes read")
    assert "Lost communication with Gearbox (GBX): missing message first and latest: before this job" in " ".join(
        told.split()
    )
    own = [code for memory in job.slips[-1].codes["modules"] for code in memory["codes"] if code["misses"] == "STA"]
    assert own
    assert {code["when"] for code in own} == {"now"}
    assert "minute 24.0" in told or "minute 24.1" in told  # 3 for the call, 21 to the plug on the column and off
    told = words(job, "codes clear")
    assert "They were not saved" in told
    assert "0x50" in told
    assert any("cleared before they were saved" in line for line in final_record(job))


def test_codes_that_were_saved_may_be_cleared(tmp_path):
    job = job_on(CASES / "dead_unit.yaml", tmp_path)
    path = tmp_path / "codes.json"
    do(job, f"codes save {path}")
    assert "not saved" not in words(job, "codes clear")
    assert json.loads(path.read_text())["codes"] == 1
    assert not any("before they were saved" in line for line in final_record(job))
    with pytest.raises(BadRequest, match="cannot be written; name a file"):
        job.do("codes save /nowhere/x.json")


def test_the_lamp_shows_what_10_megohm_cannot(tmp_path):
    """A feed of 10 kohm: 12 V without load, nothing with it; a ground of 2 ohm. Common practice, no source."""
    text = (CASES / "blown_fuse.yaml").read_text().replace("fuse: F7}", "module: GBX, ohm: 10000}")
    (tmp_path / "c.yaml").write_text(text)
    job = job_on(tmp_path / "c.yaml", tmp_path)
    do(job, "ignition off", "unplug GBX", "ignition on")
    volts, lamp = do(job, "read volts GBX.supply battery.negative", "lamp GBX.supply battery.negative")
    assert volts.slip.value > 12
    assert lamp.slip.value < 0.1
    assert lamp.slip.display.startswith("dark")
    assert lamp.slip.lost[0] > 12
    assert 7 in lamp.cautions
    line = proof_sheet(job, "GBX")[1]
    assert (line.word, line.slips) == ("proved bad", (2,))
    with pytest.raises(BadRequest, match="never on a bus line"):
        job.do("lamp GBX.high battery.negative")


def test_a_bad_pin_is_felt(tmp_path):
    job = job_on(VANS / "wet_plug.yaml", tmp_path)
    with pytest.raises(BadRequest, match="unplug GBX first"):
        job.do("pins GBX")
    do(job, "ignition off", "unplug GBX")
    assert job.do("pins GBX").slip.display == "bad: high"
    assert proof_sheet(job, "GBX")[7].word == "proved bad"


def test_the_proof_sheet_fills_from_the_readings(tmp_path):
    job = job_on(CASES / "dead_unit.yaml", tmp_path)
    assert {line.word for line in proof_sheet(job, "GBX")} == {"open"}
    assert "read volts GBX.wake battery.negative" in proof_sheet(job, "GBX")[3].missing
    do(job, *PROVE)
    sheet = proof_sheet(job, "GBX")
    assert [line.word for line in sheet] == ["proved good"] * 10
    assert sheet[5].slips == (12, 13, 14, 15)
    assert LOOKS["proof"](job, "")[0] == "Proof sheet of GBX: 10 of 10 proved good"
    assert "Marked" not in words(job, "order GBX")


def test_traffic_is_proved_at_the_plug_that_is_on(tmp_path):
    """With the plug off, a pair crossed behind it reads the right way round. Common practice, no source."""
    text = (CASES / "dead_unit.yaml").read_text().replace("dead_module, module: GBX", "crossed, at: GBX")
    (tmp_path / "c.yaml").write_text(text)
    job = job_on(tmp_path / "c.yaml", tmp_path)
    read = ("read volts GBX.high battery.negative", "read volts GBX.low battery.negative")
    do(job, "ignition off", "unplug GBX", "ignition on", *read)
    line = proof_sheet(job, "GBX")[6]
    assert (line.word, line.slips) == ("open", ())
    assert "GBX plugged in" in line.missing
    do(job, "ignition off", "plug GBX", "ignition on", *read)
    assert proof_sheet(job, "GBX")[6].word == "proved bad"


def test_ordering_before_ten_greens_is_possible_and_marked(tmp_path):
    job = job_on(CASES / "dead_unit.yaml", tmp_path)
    do(job, "call", "read volts battery.positive battery.negative")
    assert "Marked: ordered with 1 of 10 lines" in words(job, "order GBX")
    assert any("GBX ordered with 1 of 10" in line for line in final_record(job))
    assert [line["word"] for line in job.journal.records[-1]["proof"]].count("proved good") == 1


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("codes", "write: codes read"),
        ("codes erase", "write: codes read"),
        ("lamp GBX.supply", "write: lamp RED BLACK"),
        ("values GBX.suply", "did you mean 'GBX.supply'"),
        ("config GBY", "did you mean 'GBX'"),
        ("order GBY", "did you mean 'GBX'"),
        ("replace GBX", "replace comes after the finding"),
        ("repair dead_module module=GBX", "repair comes after the finding"),
        ("write axle-ratio 4", "write comes after the finding"),
        ("engine start", "engine comes after the finding"),
        ("supply on 99", "is no voltage of a support supply"),
        ("supply maybe", "write: supply on"),
        ("hand-back", "hand in your finding first"),
    ],
)
def test_a_wrong_line_changes_nothing(tmp_path, line, told):
    job = job_on(CASES / "dead_unit.yaml", tmp_path)
    before = job.journal.path.read_bytes(), job.state
    with pytest.raises(BadRequest, match=told):
        job.do(line)
    assert (job.journal.path.read_bytes(), job.state) == before


def test_a_wrong_name_of_a_value_costs_the_running_vehicle_no_time(tmp_path):
    """Own rule: else a job that goes on from its journal would not be the same job."""
    job = job_on(CASES / "dead_unit.yaml", tmp_path)
    before_ns = job.car.now(lambda car: car.simulation.t_ns)
    with pytest.raises(BadRequest, match=r"did you mean 'GBX.supply'"):
        job.do("values GBX.suply")
    assert job.car.now(lambda car: car.simulation.t_ns) == before_ns


def test_codes_that_cannot_be_written_into_a_file_are_saved_in_the_journal(tmp_path):
    job = job_on(CASES / "dead_unit.yaml", tmp_path)
    (kept,) = do(job, "codes save /dev/full")
    assert "Not written: /dev/full cannot be written" in " ".join(kept.lines)
    assert "Saved in the journal of this job." in kept.lines
    assert job.slips[-1].codes == kept.slip.codes
    assert "They were not saved" not in words(job, "codes clear")


def test_the_unit_replaced_last_is_the_one_that_is_worked_on():
    """Own rule; by name ENG would come first, and a set of names has no order from one run to the next."""
    vehicle = load_vehicle(find_vehicle("pipkin"))
    own = vehicle.road.service["GBX"]
    road = replace(vehicle.road, service={"GBX": own, "ENG": replace(own, unit="ENG")})
    job = SimpleNamespace(vehicle=replace(vehicle, road=road), slips=[])
    for order in (("ENG", "GBX"), ("GBX", "ENG"), ("GBX", "ENG", "BRK")):
        job.state = State(replaced=order)
        assert service_of(job, job.state).unit == [name for name in order if name != "BRK"][-1]
        assert asked_module(job) == order[-1]


def test_a_journal_of_format_1_ends_with_the_finding(tmp_path, judged, monkeypatch):
    monkeypatch.setattr(lab.journal, "FORMAT", 1)
    job = job_on(CASES / "dead_unit.yaml", tmp_path)
    assert job.journal.records[0]["journal"] == 1
    do(job, "call", "finding dead_module module=GBX")
    job.journal.close()
    monkeypatch.undo()
    again = resume_job(job.journal.path)
    assert again.ends_with_finding
    with pytest.raises(BadRequest, match="this job is over"):
        again.do("hand-back")


# ---------------------------------------------------------------------- mending, and handing back


def test_a_harness_fault_is_mended_and_the_car_handed_back(tmp_path, judged):
    job = job_on(CASES / "blown_fuse.yaml", tmp_path)
    do(job, "call", "codes save", "finding power_dropout fuse=F7")
    with pytest.raises(BadRequest, match="turn the ignition off"):
        job.do("repair power_dropout fuse=F7")
    do(job, "ignition off")
    assert "Nothing was wrong there" in words(job, "repair wake_dropout module=GBX")
    mended = job.do("repair power_dropout fuse=F7")
    assert mended.cautions == (11,)  # find the cause of a blown fuse
    do(job, "ignition on")
    assert job.do("call").slip.silent == ()
    assert "earlier" in words(job, "codes read")
    do(job, "codes clear")
    assert "Since the codes were read last" in words(job, "codes read")
    lines = job.do("hand-back").lines
    assert lines[0] == "Handed back in order."
    assert any("worked on a healthy part: wake_dropout module=GBX" in line for line in lines)
    assert job.handed_back == {"word": "in order", "wrong": []}
    with pytest.raises(BadRequest, match="the vehicle is handed back; this job is over"):
        job.do("call")


def test_handed_back_as_it_came(tmp_path, judged):
    job = job_on(CASES / "blown_fuse.yaml", tmp_path)
    do(job, "finding power_dropout fuse=F7", "ignition off", "unplug CLU", "battery off")
    lines = job.do("hand-back").lines
    assert lines[0] == "Handed back not in order."
    for wrong in ("CLU is unplugged", "the battery is off", "not mended: power_dropout fuse=F7", "ENG still stores"):
        assert any(wrong in line for line in lines), wrong


def test_what_is_inside_a_unit_is_not_mended_in_the_harness(tmp_path, judged):
    job = job_on(CASES / "dead_unit.yaml", tmp_path)
    do(job, "finding dead_module module=GBX", "ignition off")
    with pytest.raises(BadRequest, match="that is inside GBX: order GBX, then replace GBX"):
        job.do("repair dead_module module=GBX")
    with pytest.raises(BadRequest, match="order it first: order GBX"):
        job.do("replace GBX")
    do(job, "order CLU")
    (swapped,) = do(job, "replace CLU")
    assert "The new CLU is in" in swapped.lines[0]
    assert any("CLU replaced, and nothing was wrong inside it" in line for line in final_record(job))


def test_a_case_may_end_with_the_finding(tmp_path, judged):
    (tmp_path / "c.yaml").write_text((CASES / "dead_unit.yaml").read_text() + "ends: finding\n")
    job = job_on(tmp_path / "c.yaml", tmp_path)
    with pytest.raises(BadRequest, match="this job ends with the finding"):
        job.do("hand-back")
    do(job, "finding dead_module module=GBX")
    with pytest.raises(BadRequest, match="the finding is handed in; this job is over"):
        job.do("call")


# ---------------------------------------------------------------------- the way back


def new_unit(tmp_path, car="pipkin", *lines):
    folder = find_vehicle(car).parent / "cases"
    job = job_on(folder / "whole_job.yaml", tmp_path)
    do(job, "codes save", "ignition off", *FIT[:3], "ignition on", *lines)
    return job


@pytest.mark.slow
def test_each_refusal_by_name_and_what_helps(tmp_path, judged):
    job = new_unit(tmp_path)
    assert steps(job)["write"].word == "ready"
    assert "not configured" in words(job, "codes read")
    assert "GBX refuses: conditionsNotCorrect" not in words(job, "write axle-ratio 4.06")
    told = words(job, "routine start")
    assert "requestSequenceError (0x24)" in told  # written, but not all, and not in force
    do(job, "write tyre-size 1.93", "ignition off", "ignition on")
    assert "voltageTooLow (0x93)" in words(job, "routine start")  # 12.4 V without a support supply, 12.5 V wanted
    do(job, "supply on")
    assert "engineIsNotRunning (0x84)" in words(job, "routine start")
    do(job, "engine start", "wait 1")
    assert "engineIsRunning (0x83)" in words(job, "write axle-ratio 4")
    assert "brakeSwitchNotClosed (0x8F)" in words(job, "routine start")
    do(job, "brake hold", "select drive")
    assert "shifterLeverNotInPark (0x90)" in words(job, "routine start")
    do(job, "select park")
    assert "temperatureTooLow (0x87)" in words(job, "routine start")
    assert "the fluid has" in steps(job)["routine"].why
    with pytest.raises(BadRequest, match="the engine runs; engine stop"):
        job.do("battery off")
    assert any("written without a support supply" in line for line in final_record(job))


@pytest.mark.slow
def test_the_brake_let_go_is_lost_at_its_percent(tmp_path, judged):
    job = new_unit(tmp_path, "pipkin", "supply on", *TELL["pipkin"], *CONFIRM, *POSITIONS, "fill 0.4", "wait 5")
    assert "running" in words(job, "routine start")
    do(job, "wait 0.2", "brake release", "wait 0.2")
    told = words(job, "routine results")
    assert "not complete at" in told
    assert "the brake is not held, at" in told
    assert any("the brake was let go while the routine ran" in line for line in final_record(job))
    do(job, "brake hold", "routine start", "wait 0.6")
    assert "Routine: done" in words(job, "routine results")
    assert steps(job)["routine"].word == "done"


def test_a_weak_battery_cannot_be_written_with_and_a_support_supply_helps(tmp_path, judged):
    """Below 12 V the unit does not begin (its writing window in the vehicle file)."""
    text = (CASES / "whole_job.yaml").read_text().replace(
        "module: GBX}", "module: GBX}\n  - {kind: weak_battery, open_circuit_volt: 11.45, internal_ohm: 0.05}"
    )  # fmt: skip
    (tmp_path / "c.yaml").write_text(text)
    job = job_on(tmp_path / "c.yaml", tmp_path)
    do(job, "ignition off", *FIT[:3], "ignition on")
    assert "voltageTooLow (0x93)" in words(job, "write axle-ratio 4.06")
    assert steps(job)["write"].word == "not ready"
    do(job, "supply on")
    assert "has taken axle ratio" in words(job, "write axle-ratio 4.06")


@pytest.mark.slow
def test_resuming_after_each_action_gives_the_same_job(tmp_path, judged):
    lines = ("codes save", "ignition off", *FIT[:3], "ignition on", "supply on", *TELL["pipkin"], "config GBX")
    job = job_on(CASES / "whole_job.yaml", tmp_path)
    for line in lines:
        job.do(line)
        job.journal.close()
        again = resume_job(job.journal.path)
        for name in ("minute", "condition", "slips", "verdict", "handed_back", "state"):
            assert getattr(again, name) == getattr(job, name), (line, name)
        job = again
    assert steps(job)["write"].why == "written, but not in force"
    told = job.do("codes read").slip.codes
    straight = start_job(CASES / "whole_job.yaml", journal_path=tmp_path / "b.job")
    do(straight, *lines)
    assert straight.do("codes read").slip.codes == told
    assert straight.minute == job.minute


@pytest.mark.slow
@pytest.mark.parametrize("car", ["pipkin", "haulvey"])
def test_the_whole_way(tmp_path, car):
    """From the complaint to the hand-back, nothing left out, nothing to mend in the method."""
    job = job_on(find_vehicle(car).parent / "cases" / "whole_job.yaml", tmp_path)
    do(job, *PROVE, *FIT)
    assert job.verdict["word"] == "sound"
    do(job, *TELL[car], *CONFIRM, *POSITIONS, "fill 1", "wait 4", "level open")
    for _ in range(8):
        if "drops" in words(job, "level look"):
            break
        do(job, "wait 0.3")
    do(job, "level close", "routine start", "wait 0.8")
    assert "done" in words(job, "routine results")
    do(job, "brake release", "codes clear", "supply off")
    do(job, *(["drive hot idle"] if car == "pipkin" else []), "drive", "call", "codes read", "engine stop")
    answer = job.do("hand-back")
    assert answer.lines[0] == "Handed back in order.", answer.lines
    assert answer.lines[-1] == "Reread: nothing to mend in the method."
    assert job.minute <= job.minutes_allowed
    job.journal.close()
    assert resume_job(job.journal.path).handed_back == job.handed_back


@pytest.mark.slow
def test_ways_to_fail_the_level_and_the_drive(tmp_path, judged):
    job = new_unit(tmp_path, "pipkin", "supply on", *TELL["pipkin"], *CONFIRM, *POSITIONS, "fill 1", "wait 12")
    assert "set between 35 and 45 Celsius: it has to cool first" in words(job, "level open")
    do(job, "wait 3", "level close")
    assert steps(job)["level"].word == "stopped"
    assert any("level closed at" in line and "too low" in line for line in final_record(job))
    do(job, "codes clear")
    assert steps(job)["drive"].word in ("ready", "running")
    lines = job.do("hand-back").lines
    assert lines[0] == "Handed back not in order."
    assert any("No road test after the unit was replaced" in line for line in lines)
    assert any("Not looked at again after the work: no roll call" in line for line in lines)
