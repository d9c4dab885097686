"""The tester's side: what it hears over the bus is what the modules hold, and nothing of those it cannot reach.

Requests and answers are udsoncan's, an independent library. Wording of codes: SAE J2012. Status bits: ISO 14229-1:2020,
table D.2. The faults' patterns: common practice, no source.
"""

from __future__ import annotations

import json

import pytest

import faults
from lab.command import main
from lab.tester import (
    Diagnosis,
    NoService,
    clear_codes,
    codes_from_json,
    compare_codes,
    load_codes,
    read_codes,
    read_configuration,
    read_value,
    read_values,
    save_codes,
    who_misses_whom,
)
from lab.tester.show import code_lines
from simulator.diagnostics import code_text
from simulator.errors import BadRequest, UnknownName
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation

STUB = 'open line=both run="gearbox stub"'
#: As silent, and far quicker to run: nobody is in trouble on the bus.
FUSE = "power_dropout fuse=F7"


def running(name, *texts, seconds=5.0):
    vehicle = load_vehicle(find_vehicle(name))
    simulation = Simulation(vehicle, faults=[faults.parse(text).canonical(vehicle) for text in texts])
    simulation.advance(seconds)
    return simulation


@pytest.fixture(scope="module")
def stub():
    simulation = running("pipkin", STUB)
    with Diagnosis(simulation) as diagnosis:
        found = read_codes(diagnosis)
    return simulation, found


def test_what_is_read_is_what_the_modules_hold(stub):
    simulation, found = stub
    for memory in found.modules:
        entries = simulation.modules[memory.module].unit.memory.stored()
        held = [(code_text(each.number), each.status, each.occurrences) for each in entries]
        if memory.module == "GBX":  # it has stored everybody's loss, and nobody can ask it
            assert held
            assert not memory.answering
            assert memory.codes == ()
        else:
            assert [(code.code, code.status, code.occurrences) for code in memory.codes] == held
            for code, entry in zip(memory.codes, entries, strict=True):
                assert [shot.clock_s for shot in code.snapshots] == [entry.first.t_ns // 10**8 / 10] * 2
                assert code.snapshots[0].supply_volt == pytest.approx(entry.first.supply_volt, abs=0.006)


def test_codes_in_words(stub):
    _, found = stub
    code = found.of("ENG").codes[0]
    assert (code.code, code.words, code.failure_type) == (
        "U0101-87", "Lost communication with Gearbox (GBX)", "missing message",
    )  # fmt: skip
    assert (code.when, code.pending, code.confirmed, code.misses) == ("now", True, True, "GBX")
    assert code.snapshots[0].message == "GbxGear (0x0C0)"
    lines = code_lines(found)
    assert "Silent, cannot be asked: GBX" in lines
    assert "  U0101-87 now (pending, confirmed, 0x2F; 1 time)" in lines


def test_who_misses_whom(stub):
    grid = who_misses_whom(stub[1])
    assert grid.missed_by("GBX") == ("ENG", "BRK", "BDY", "CLU")  # those whose database entry receives from it
    assert grid.silent == ("GBX",)
    rows = {row[0]: row[1:] for row in grid.table()}
    assert rows["ENG"] == (".", "N", "-", "-", "-", "-")
    assert rows["GBX"] == ("?", ".", "?", "?", "?", "?")
    assert rows["now by"] == ("0", "4", "0", "0", "0", "0")


def test_now_becomes_earlier_and_a_file_tells_the_difference(tmp_path):
    simulation = running("pipkin", f"{FUSE} until_s=5", seconds=3.5)
    with Diagnosis(simulation) as diagnosis:
        before = read_codes(diagnosis)
    simulation.advance(4)
    with Diagnosis(simulation) as diagnosis:
        after = read_codes(diagnosis)
    assert {code.when for code in before.of("ENG").codes} == {"now"}
    assert {code.when for code in after.of("ENG").codes} == {"earlier"}
    save_codes(before, tmp_path / "a.json")
    kept = load_codes(tmp_path / "a.json")
    assert kept == before == codes_from_json(json.loads(json.dumps(before.as_json())))
    changes = compare_codes(kept, after)
    assert {"module": "ENG", "code": "U0101-87", "change": "earlier, was now"} in changes
    assert {"module": "GBX", "code": "", "change": "answers now"} in changes
    assert compare_codes(after, after) == []


def test_clearing_leaves_what_was_not_tested_and_what_fails_comes_back(stub):
    simulation, _ = stub
    with Diagnosis(simulation) as diagnosis:
        cleared = clear_codes(diagnosis)
        at_once = read_codes(diagnosis)
        simulation.advance(2.5)
        later = read_codes(diagnosis)
    assert (cleared.cleared, cleared.silent) == (("ENG", "BRK", "STA", "BDY", "CLU"), ("GBX",))
    assert at_once.count == 0
    assert at_once.of("CLU").untested > 0  # 0x50 is not "passed"
    assert [code.code for code in later.of("CLU").codes] == ["U0101-87"]


def test_through_a_gateway(stub):
    simulation = running("haulvey", "ground_dropout ground=G5")
    with Diagnosis(simulation) as diagnosis:
        found = read_codes(diagnosis)
        volts = read_values(diagnosis, ["*.supply"])
    assert [each.module for each in found.modules if not each.answering] == ["GBX", "PMP"]
    assert set(who_misses_whom(found).missed_by("GBX")) >= {"ENG", "BRK", "SEL", "GWY", "CLU"}
    by_name = {value.name: value for value in volts}
    assert by_name["GBX.supply"].shown() == "GBX does not answer"
    assert by_name["CLU.supply"].value == pytest.approx(simulation._volts["CLU"], abs=0.006)


def test_values_by_name():
    with Diagnosis(running("pipkin", seconds=1)) as diagnosis:
        found = {value.name: value for value in read_values(diagnosis, ["gbx.supply", "EngSpeed.*"])}
        assert found["GBX.supply"].by == "asked"
        assert found["EngSpeed.EngSpeed_Crank"].unit == "1/min"
        assert found["EngSpeed.EngSpeed_Crank"].by == "heard"
        with pytest.raises(UnknownName, match=r"did you mean 'GBX\.supply'"):
            read_values(diagnosis, ["GBX.suply"])


def test_a_refusal_has_its_name():
    with Diagnosis(running("pipkin", seconds=1)) as diagnosis:
        with pytest.raises(NoService, match=r"GBX refuses: requestOutOfRange \(0x31\)"):
            read_value(diagnosis, "GBX", 0xF1F0)
        identity = {item.name: item for item in read_configuration(diagnosis, ["GBX"])[0].items}
    assert identity["vehicle number"].word == "as it should be"
    assert len(identity["vehicle number"].value) == 17  # ISO 3779


def test_a_vehicle_as_built_knows_what_it_was_told():
    with Diagnosis(running("pipkin", seconds=1)) as diagnosis:
        found = read_configuration(diagnosis)
        assert [item.name for each in found for item in each.wrong] == []
        assert {item.name: item.value for item in found[1].items}["axle ratio"] == "4.06"  # the vehicle file
    with Diagnosis(running("pipkin", "not_configured module=GBX", seconds=1)) as diagnosis:
        wrong = read_configuration(diagnosis, ["GBX"])[0].wrong
    assert [(item.name, item.word) for item in wrong] == [("axle ratio", "missing"), ("tyre size", "missing")]


def test_the_same_questions_give_the_same_answers():
    one, other = (running("pipkin", FUSE) for _ in range(2))
    with Diagnosis(one) as first, Diagnosis(other) as second:
        assert read_codes(first) == read_codes(second)
        assert one.t_ns == other.t_ns


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["codes", "pipkin", "save"], "add --file FILE"),
        (["codes", "pipkin", "read", "--file", "x"], "read writes no file"),
        (["codes", "pipkin", "clear", "--against", "x"], "--against goes with read"),
        (["codes", "pipkin", "read", "--against", "/nowhere"], "cannot be read"),
        (["codes", "pipkin", "erase"], "is not one of"),
        (["values", "pipkin", "GBX.suply"], "did you mean 'GBX.supply'"),
        (["values", "pipkin", "--drive", "idl"], "nothing a driver does is called 'idl'"),
        (["config", "pipkin", "GBY"], "did you mean 'GBX'"),
        (["codes", "pipkin", "read", "--fault", "opne at=GBX"], "did you mean 'open'"),
    ],
)
def test_bad_input_is_told(words, told, capsys):
    assert main(words) == 2
    assert told in " ".join(capsys.readouterr().err.split())


def test_another_vehicles_codes_and_no_codes_are_refused(stub, tmp_path):
    _, found = stub
    save_codes(found, tmp_path / "a.json")
    (tmp_path / "b.json").write_text((tmp_path / "a.json").read_text().replace("Pipkin", "Haulvey"))
    with pytest.raises(BadRequest, match="those of Haulvey, not of Pipkin"):
        compare_codes(load_codes(tmp_path / "b.json"), found)
    for text in ("[]", "{}", "nonsense", '{"codes": 9}', '{"codes": 1, "vehicle": "x", "modules": [{}]}'):
        (tmp_path / "c.json").write_text(text)
        with pytest.raises(BadRequest, match="holds no saved codes"):
            load_codes(tmp_path / "c.json")


def test_the_commands_print_one_json_value(capsys, tmp_path):
    path = str(tmp_path / "codes.json")
    common = ["--fault", FUSE, "--seconds", "5", "--json"]
    shapes = {
        ("codes", "pipkin", "read"): {"codes", "vehicle", "modules", "changing"},
        ("codes", "pipkin", "misses"): {"vehicle", "misses", "silent", "changing"},
        ("codes", "pipkin", "save", "--file", path): {"vehicle", "file", "count"},
        ("codes", "pipkin", "read", "--against", path): {"codes", "vehicle", "modules", "changing", "changes"},
        ("codes", "pipkin", "clear"): {
            "vehicle", "cleared", "silent", "refused", "file", "after", "changes", "warnings",
        },
        ("values", "pipkin", "ENG.*"): {"vehicle", "values"},
        ("config", "pipkin", "ENG", "GBX"): {"vehicle", "modules"},
    }  # fmt: skip
    for words, keys in shapes.items():
        assert main([*words, *common]) == 0
        assert set(json.loads(capsys.readouterr().out)) == keys, words
