"""Every file of tests/files/broken is refused with its mistakes, each on its own line.

Source: the project's own file format; there is no outside one.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from simulator.errors import BadFile, Mistake
from simulator.reader import check_vehicle, load_vehicle

FILES = Path(__file__).parent.parent / "files" / "broken"
VEHICLES = sorted(file for file in FILES.glob("*.yaml") if file.name != "good.yaml")
DATABASES = sorted(file for file in FILES.glob("*.dbc") if file.name != "good.dbc")


def wanted(lines: list[str], word: str) -> list[tuple[int, str]]:
    """(line, fragment) of each expectation; ``word`` is what stands before the number."""
    found = (re.fullmatch(rf"{word}(\d+): (.*)", line) for line in lines)
    return [(int(match[1]), match[2]) for match in found if match]


def assert_matches(mistakes: list[Mistake], expected: list[tuple[int, str]]) -> None:
    """Each expectation is met by its own mistake, and no mistake is left over."""
    left = list(mistakes)
    for line, fragment in expected:
        match = next((each for each in left if each.line == line and fragment in each.text), None)
        assert match, f"no '{line}: {fragment}' among\n" + "\n".join(map(str, mistakes))
        left.remove(match)
    assert not left, "not expected:\n" + "\n".join(map(str, left))


def test_the_corpus_is_large_enough_and_the_file_it_starts_from_is_good() -> None:
    assert len(VEHICLES) + len(DATABASES) >= 45
    assert check_vehicle(FILES / "good.yaml") == ([], [])
    assert load_vehicle(FILES / "good.yaml").name == "Stubbin"


@pytest.mark.parametrize("file", VEHICLES, ids=lambda file: file.stem)
def test_a_broken_vehicle_file_names_each_mistake_on_its_line(file: Path) -> None:
    lines = file.read_text().splitlines()
    expected, remarks = wanted(lines, "# expect "), wanted(lines, "# warn ")
    assert expected or remarks
    errors, warnings = check_vehicle(file)
    assert_matches(errors, expected)
    assert_matches(warnings, remarks)
    assert all(each.path == str(file) for each in errors + warnings)
    if expected:
        with pytest.raises(BadFile) as caught:
            load_vehicle(file)
        assert list(caught.value.mistakes) == errors
        assert str(caught.value).splitlines()[0].startswith(f"{file}:{errors[0].line}: ")


@pytest.mark.parametrize("file", DATABASES, ids=lambda file: file.stem)
def test_a_broken_database_names_each_mistake_on_its_line(file: Path, tmp_path: Path) -> None:
    vehicle = tmp_path / "vehicle.yaml"
    vehicle.write_text((FILES / "good.yaml").read_text().replace("good.dbc", file.name))
    shutil.copy(file, tmp_path)
    errors, warnings = check_vehicle(vehicle)
    assert_matches(errors, wanted(file.with_suffix(".expect").read_text().splitlines(), ""))
    assert not warnings
    assert all(each.path == str(tmp_path / file.name) for each in errors)


@pytest.mark.parametrize("file", VEHICLES + DATABASES, ids=lambda file: file.name)
def test_every_message_says_what_to_write_instead(file: Path, tmp_path: Path) -> None:
    if file.suffix == ".dbc":
        shutil.copy(file, tmp_path)
        vehicle = tmp_path / "vehicle.yaml"
        vehicle.write_text((FILES / "good.yaml").read_text().replace("good.dbc", file.name))
    else:
        vehicle = file
    errors, warnings = check_vehicle(vehicle)
    remedies = ("write", "delete", "give", "close", "indent", "check", "put", "save")
    for each in errors + warnings:
        assert any(word in each.text.partition("; ")[2] for word in remedies), str(each)
        assert "\n" not in each.text


ROUND = """VERSION ""

NS_ :

BS_:

BU_: ENG GBX

BO_ 256 Round: 8 {sender}
 SG_ Round_Value : 0|8@1+ (1,0) [0|255] "" {receiver}
"""


@pytest.mark.parametrize(
    ("back", "told"),
    [
        (
            "{from: LINE-2, to: LINE-1, messages: [Round]}",
            "messages: 'Round' comes to LINE-1 from LINE-2 already, over ENG",
        ),
        ("{from: LINE-2, to: LINE-1, diagnostics: true}", "diagnosis goes between LINE-1 and LINE-2 already, over ENG"),
    ],
)
def test_two_gateways_that_hand_each_other_the_same_are_refused(tmp_path: Path, back: str, told: str) -> None:
    """Each has it from the other: a frame that once came would go round for ever."""
    text = (FILES / "routes_round.yaml").read_text().partition("  LINE-3:")[0]
    kept = [line for line in text.splitlines() if "LINE-3" not in line]
    lines = [line.replace("diagnostics: true", "diagnostics: true, messages: [Round]") for line in kept]
    lines[lines.index("    routes:") + 1 : lines.index("    routes:") + 1] = [f"      - {back}"]
    file = tmp_path / "vehicle.yaml"
    file.write_text("\n".join(lines).replace("good.dbc", "one.dbc", 1).replace("good.dbc", "two.dbc") + "\n")
    (tmp_path / "one.dbc").write_text(ROUND.format(sender="ENG", receiver="GBX"))
    (tmp_path / "two.dbc").write_text(ROUND.format(sender="GBX", receiver="ENG"))
    (mistake,) = check_vehicle(file)[0]
    assert mistake.line == next(n for n, line in enumerate(lines, 1) if "LINE-1, to: LINE-2" in line)
    assert told in mistake.text
    assert "(line 22), and would" in mistake.text


def test_one_gateway_may_join_networks_as_it_likes(tmp_path: Path) -> None:
    """It does not hear what it sends itself."""
    text = (FILES / "routes_round.yaml").read_text().replace("  GBX:\n", "  GBY:\n")
    text = text.replace("    routes:\n      - {from: LINE-1, to: LINE-2", "    reach_minutes: 5\n    #   {from: LINE-1")
    text = text.replace("to: LINE-3, diagnostics: true}\n", "to: LINE-3, diagnostics: true}\n", 1)
    added = (
        "      - {from: LINE-1, to: LINE-2, diagnostics: true}\n      - {from: LINE-2, to: LINE-1, diagnostics: true}\n"
    )
    text = text.replace("    routes:\n", f"    routes:\n{added}", 1).replace("GBY", "GBX")
    file = tmp_path / "vehicle.yaml"
    file.write_text(text)
    shutil.copy(FILES / "good.dbc", tmp_path)
    assert check_vehicle(file) == ([], [])
