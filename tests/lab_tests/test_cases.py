"""Case files: the demo cases are good, every broken one is refused with its line; the format is its own source."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import faults
from lab.case import ACTIONS, INSTRUMENTS, case_schema, check_case, load_case, same_fault
from simulator.errors import BadFile
from simulator.reader import find_vehicle

BROKEN = sorted((Path(__file__).parent.parent / "files" / "broken_cases").glob("*.yaml"))
CASES = sorted((find_vehicle("pipkin").parent / "cases").glob("*.yaml"))
DEMO_CASES = [*CASES, *sorted((find_vehicle("haulvey").parent / "cases").glob("*.yaml"))]


def test_there_are_enough_of_both():
    assert len(BROKEN) >= 12
    assert [path.stem for path in CASES] == [
        "blown_fuse", "dead_unit", "lost_terminator", "open_stub", "rusty_ground", "second_hand",
        "shorted_pair", "whole_job", "winter_tyres",
    ]  # fmt: skip
    assert [path.stem for path in DEMO_CASES[len(CASES):]] == [
        "door_sill", "frame_bolt", "glowing_lever", "half_written", "other_axle", "two_at_once", "wet_plug",
        "whole_job",
    ]  # fmt: skip


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.stem)
def test_a_broken_case_names_each_mistake_on_its_line(path):
    wanted = [(int(m[1]), m[2]) for m in re.finditer(r"^# expect (\d+): (.*)$", path.read_text(), re.M)]
    errors, warnings = check_case(path)
    left = list(errors)
    for line, fragment in wanted:
        match = next((each for each in left if each.line == line and fragment in each.text), None)
        assert match, f"no '{line}: {fragment}' among\n" + "\n".join(map(str, errors))
        left.remove(match)
    assert not left, "not expected:\n" + "\n".join(map(str, left))
    assert warnings == []
    with pytest.raises(BadFile) as caught:
        load_case(path)
    assert str(caught.value).startswith(f"{path}:{errors[0].line}: ")


@pytest.mark.parametrize("path", DEMO_CASES, ids=lambda path: path.stem)
def test_the_demo_cases_are_good(path):
    case = load_case(path)
    assert check_case(path) == ([], [])
    assert case.vehicle.name.lower() == path.parent.parent.name
    assert case.find == case.faults
    assert case.instruments == INSTRUMENTS
    assert case.actions == ACTIONS
    for fault in case.faults:
        told = f"{case.title} {case.story}".lower()
        assert fault.kind not in told
        assert not any(str(value).lower() in told.split() for value in fault.given().values())


def test_a_case_may_name_a_vehicle_file_beside_it(tmp_path):
    for name in ("vehicle.yaml", "pipkin.dbc"):
        (tmp_path / name).write_bytes((find_vehicle("pipkin").parent / name).read_bytes())
    text = CASES[0].read_text().replace("vehicle: pipkin", "vehicle: vehicle.yaml")
    (tmp_path / "case.yaml").write_text(text)
    assert load_case(tmp_path / "case.yaml").vehicle.path == str(tmp_path / "vehicle.yaml")


def test_mistakes_of_the_vehicle_are_told_with_its_own_lines(tmp_path):
    (tmp_path / "vehicle.yaml").write_text("format: 1\nvehicle: X\n")
    (tmp_path / "case.yaml").write_text(CASES[0].read_text().replace("vehicle: pipkin", "vehicle: vehicle.yaml"))
    errors, _ = check_case(tmp_path / "case.yaml")
    assert {Path(mistake.path).name for mistake in errors} == {"vehicle.yaml", "case.yaml"}
    assert any("mend that file first" in mistake.text for mistake in errors)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("open line=high at=GBX", "open line=high at=GBX", True),
        ("open line=high at=GBX", "open line=low at=GBX", False),
        ("open line=high at=GBX", "open line=high at=BRK", False),
        ("open line=high run=ENG-S1", "open line=high run=ENG-S1 along=0.2", True),
        ("open line=high at=GBX", "open line=high at=GBX shaken=S1", True),
        ("ground_dropout ground=G2 ohm=10", "ground_dropout ground=G2 ohm=5", True),
        ("ground_dropout ground=G2 ohm=10", "ground_dropout ground=G2 ohm=100", False),
        ("ground_dropout ground=G2 ohm=10", "ground_dropout ground=G2", False),
        ("power_dropout fuse=F7", "power_dropout module=GBX", False),
        ("dead_module module=GBX", "wake_dropout module=GBX", False),
    ],
)
def test_when_two_faults_count_as_the_same(one, other, same):
    assert same_fault(faults.parse(one), faults.parse(other)) is same
    assert same_fault(faults.parse(other), faults.parse(one)) is same


def test_the_schema_knows_every_key():
    assert set(case_schema()["properties"]) == {
        "case", "title", "story", "vehicle", "faults", "instruments", "actions", "minutes", "find", "tags",
        "cautions", "ends", "seed",
    }  # fmt: skip
