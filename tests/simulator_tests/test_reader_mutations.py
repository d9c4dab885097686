"""Good files with one thing changed: a wrong value is named with its own line, and never a traceback.

Source: the project's own file format; there is no outside one.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simulator.errors import BadFile, Mistake
from simulator.reader import check_vehicle, demo_names, find_vehicle, load_vehicle
from simulator.reader.checking import check_tree, schema_at
from simulator.reader.findings import Findings
from simulator.reader.meaning import check_meaning
from simulator.reader.schema import VehiclePart
from simulator.reader.textfile import Branch, Leaf, Node, Row, parse_tree, read_tree

FILES = Path(__file__).parent.parent / "files" / "vehicles"
TWO = FILES / "two_networks.yaml"
VEHICLES = [TWO, *(find_vehicle(name) for name in demo_names())]
#: Some changes of a good file by lot, and for the sweep many.
QUICK = settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
MANY = settings(QUICK, max_examples=200)

Change = Callable[[st.DataObject, Path], None]

#: Keys whose text must name something defined elsewhere in the file or the folder.
REFERENCES = {"fuse", "point", "at", "off", "socket", "from", "to", "database"}


class Written:
    """A vehicle file written out with one value per line, so that each value has a line of its own."""

    def __init__(self, file: Path) -> None:
        tree, mistakes = read_tree(file)
        assert tree is not None
        assert not mistakes
        self.lines: list[str] = []
        self.values: list[tuple[tuple[int | str, ...], int, str]] = []
        self.keys: list[tuple[tuple[int | str, ...], int, str]] = []
        self._write(tree, (), 0)

    def _write(self, node: Node, where: tuple[int | str, ...], depth: int) -> None:
        steps: Iterator[tuple[int | str, Node, str]]
        if isinstance(node, Branch):
            steps = ((key, value, f"{key}:") for key, value in node.items.items())
        else:
            assert isinstance(node, Row)
            steps = ((index, value, "-") for index, value in enumerate(node.items))
        for step, value, label in steps:
            here = (*where, step)
            if isinstance(step, str):
                self.keys.append((here, len(self.lines), step))
            if isinstance(value, Leaf):
                text = json.dumps(value.text) if "\n" in value.text else value.text
                self.values.append((here, len(self.lines), text))
                self.lines.append("  " * depth + f"{label} {text}")
            else:
                self.lines.append("  " * depth + label)
                self._write(value, here, depth + 1)

    def with_line(self, index: int, line: str | None) -> str:
        """The text with one line replaced or, for None, left out."""
        lines = list(self.lines)
        lines[index : index + 1] = [] if line is None else [line]
        return "\n".join(lines) + "\n"


WRITTEN = [Written(file) for file in VEHICLES]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the databases of all vehicles."""
    path = tmp_path_factory.mktemp("mutations")
    for file in VEHICLES:
        for database in file.parent.glob("*.dbc"):
            shutil.copy(database, path)
    return path


def judged(folder: Path, text: str | bytes) -> tuple[list[Mistake], list[Mistake]]:
    """Errors and warnings of a text; loading it agrees with them and raises nothing but BadFile."""
    file = folder / "vehicle.yaml"
    file.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))
    errors, warnings = check_vehicle(file)
    for each in errors + warnings:
        assert each.line >= 1
        assert each.text
        assert "\n" not in each.text
    if errors:
        with pytest.raises(BadFile) as caught:
            load_vehicle(file)
        assert list(caught.value.mistakes) == errors
    else:
        load_vehicle(file)
    return errors, warnings


def wrong_values(where: tuple[int | str, ...], text: str) -> list[str]:
    """Values that do not belong at a place of the file: another type, a unit, out of range, a name nobody defined."""
    schema: dict[str, Any] = schema_at(VehiclePart, where)
    wrong = ["[1, 2]", "{a: 1}", "", "[]"]
    if schema.get("type") in ("number", "integer"):
        wrong += [
            "heavy",
            f'"{text}"',
            f"{text} ohm",
            f"{text}m",
            f"{text} kV",
            ".nan",
            "-.inf",
            "1e13",
            "-1e9",
            "0" + "17",
        ]
        wrong += ["1_000", "1,5", "true", "1.5" if schema["type"] == "integer" else "0x", "9" * 5000, "1e99999"]
    elif schema.get("type") == "boolean" or "enum" in schema:
        wrong += ["maybe", "yes", "1", '"true"' if schema.get("type") == "boolean" else "true"]
    elif "const" in schema:
        wrong += ["2", "one", '"1"', "1.5"]
    elif "pattern" in schema:
        wrong += ['"a b', 'it\'s "x"'] if where[-1] == "name" else ["7 up", "a.b", "ä"]
    key = next(step for step in reversed(where) if isinstance(step, str))
    if key in REFERENCES:
        wrong += ["NOWHERE9"]
    return wrong


def every_wrong_value(written: Written) -> Iterator[tuple[Written, tuple[int | str, ...], int, str]]:
    for where, line, text in written.values:
        for wrong in wrong_values(where, text):
            # a quote that never ends is seen where the next one begins
            if wrong != '"a b' or not any('"' in later for later in written.lines[line + 1 :]):
                yield written, where, line, wrong


@QUICK
@given(change=st.sampled_from([one for written in WRITTEN for one in every_wrong_value(written)]))
def test_a_wrong_value_is_named_with_its_own_line(change: tuple[Written, Any, int, str], folder: Path) -> None:
    written, where, index, wrong = change
    errors, warnings = judged(folder, changed_value(written, where, index, wrong))
    assert_named(where, index, wrong, errors, warnings)


@pytest.mark.slow
@pytest.mark.parametrize("written", WRITTEN, ids=[file.parent.name for file in VEHICLES])
def test_every_wrong_value_of_every_vehicle_is_named_with_its_own_line(written: Written, folder: Path) -> None:
    """Without the databases, which the quick test above reads and this one would read thousands of times."""
    for _, where, index, wrong in every_wrong_value(written):
        if where[-1] == "database":
            continue
        tree, mistakes = parse_tree(changed_value(written, where, index, wrong), "x.yaml")
        findings = Findings("x.yaml", mistakes)
        if tree is not None:
            findings.errors += check_tree(VehiclePart, tree, "x.yaml")[1]
            check_meaning(tree, findings)
        assert_named(where, index, wrong, findings.errors, findings.warnings)


def changed_value(written: Written, where: tuple[int | str, ...], index: int, wrong: str) -> str:
    """The text with another value on one line."""
    label = written.lines[index].partition("- " if isinstance(where[-1], int) else ": ")
    return written.with_line(index, label[0] + label[1] + wrong)


def assert_named(
    where: tuple[int | str, ...], index: int, wrong: str, errors: list[Mistake], warnings: list[Mistake]
) -> None:
    # A run that ends at a new place is not wrong by itself: the place is remarked on.
    lines = [each.line for each in errors + (warnings if where[-1] in ("from", "to") else [])]
    assert index + 1 in lines, f"{where}: {wrong!r} is not named on line {index + 1}:\n" + "\n".join(map(str, errors))


def misspelt_key(data: st.DataObject, folder: Path) -> None:
    """A misspelt key is named with its own line."""
    written = data.draw(st.sampled_from(WRITTEN))
    fixed = [each for each in written.keys if each[2] in schema_at(VehiclePart, each[0][:-1]).get("properties", {})]
    _, index, key = data.draw(st.sampled_from(fixed))
    at = data.draw(st.integers(0, len(key) - 1))
    letter = data.draw(st.sampled_from("abcxyzXYZ_9"))
    kind = data.draw(st.sampled_from(["drop", "double", "replace", "swap", "capital"]))
    misspelt = {
        "drop": key[:at] + key[at + 1 :],
        "double": key[:at] + letter + key[at:],
        "replace": key[:at] + letter + key[at + 1 :],
        "swap": key[:at] + key[at : at + 2][::-1] + key[at + 2 :],
        "capital": key[:at] + key[at].upper() + key[at + 1 :],
    }[kind]
    if misspelt == key:
        return
    line = written.lines[index].replace(f"{key}:", f"{misspelt}:", 1)
    errors, _ = judged(folder, written.with_line(index, line))
    assert index + 1 in [each.line for each in errors]
    if len(misspelt) >= 4 and kind != "replace":
        assert any(each.line == index + 1 and "write" in each.text for each in errors)


def lines_moved(data: st.DataObject, folder: Path) -> None:
    """A line lost, doubled or moved is no traceback."""
    lines = data.draw(st.sampled_from(VEHICLES)).read_text().splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        index = data.draw(st.integers(0, len(lines) - 1))
        kind = data.draw(st.sampled_from(["lose", "double", "move", "indent", "outdent"]))
        line = lines.pop(index)
        if kind == "double":
            lines[index:index] = [line, line]
        elif kind == "move":
            lines.insert(data.draw(st.integers(0, len(lines))), line)
        elif kind != "lose":
            lines.insert(index, " " + line if kind == "indent" else line[1:])
        if not lines:
            return
    judged(folder, "\n".join(lines))


def bytes_of_a_vehicle_changed(data: st.DataObject, folder: Path) -> None:
    """Changed bytes of a vehicle file are no traceback."""
    judged(folder, edited(data, TWO.read_bytes()))


def bytes_of_a_database_changed(data: st.DataObject, folder: Path) -> None:
    """Changed bytes of a database are no traceback."""
    content = edited(data, (FILES / "drive.dbc").read_bytes())
    (folder / "changed.dbc").write_bytes(content)
    judged(folder, TWO.read_text().replace("drive.dbc", "changed.dbc"))


def edited(data: st.DataObject, content: bytes) -> bytes:
    """Bytes with one to four places changed, lost, doubled or filled with something nasty."""
    nasty = [
        b"",
        b"\0",
        b"\xff",
        b"\n",
        b"\t",
        b'"',
        b"'",
        b"{",
        b"]",
        b": ",
        b"- ",
        b"&a ",
        b"*a ",
        b"!!x ",
        b"<<: ",
        b"9" * 400,
    ]
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content)))
        width = data.draw(st.integers(0, 6))
        filling = data.draw(st.sampled_from(nasty) | st.binary(max_size=3) | st.just(content[at : at + width] * 2))
        content = content[:at] + filling + content[at + width :]
    return content


STATEMENTS = st.sampled_from(
    [
        "BO_ 256 A: 8 ENG",
        "BO_ 2566844926 B: 8 Vector__XXX",
        "BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX",
        "BO_ 99999999999 C: 8 GTW",
        "BO_ 1.5 D: 1.5 GTW",
        ' SG_ s : 0|8@1+ (1,0) [0|1] "" GTW',
        ' SG_ t M : 0|8@0- (0,0) [2|1] "" GTW , ENG',
        ' SG_ u m1M : 70|99@1+ (1e400,0) [0|1e999] "" Nobody',
        ' SG_ v m1 : 0|0@7+ (1,0) [0|0] "" Vector__XXX',
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10;',
        'BA_DEF_ BO_ "GenMsgCycleTime" ENUM "a","b";',
        'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","StandardCAN_FD";',
        'BA_DEF_DEF_ "GenMsgCycleTime" 1e999;',
        'BA_DEF_DEF_ "VFrameFormat" "x";',
        'BA_ "GenMsgCycleTime" BO_ 256 1e999;',
        'BA_ "GenMsgCycleTime" BO_ 256 "x";',
        'BA_ "GenMsgCycleTime" 5;',
        'BA_ "VFrameFormat" BO_ 256 7;',
        'BA_ "Nothing" SG_ 256 s 1;',
        'BA_ "SystemMessageLongSymbol" BO_ 256 "Long";',
        "BO_TX_BU_ 256 : ENG,Nobody;",
        "BO_TX_BU_ 1.5 : ENG;",
        "SG_MUL_VAL_ 256 u t 1-3, 5-4;",
        "SIG_VALTYPE_ 256 s : 1;",
        "SIG_VALTYPE_ 256 x : 9;",
        'VAL_ 256 s 0 "a" 1.5 "b" ;',
        'CM_ SG_ 256 s "BO_ 1 x";',
        "SIG_GROUP_ 256 g 1 : s;",
        'EV_ e: 0 [0|1] "" 0 0 DUMMY_NODE_VECTOR0 Vector__XXX;',
        'VAL_TABLE_ t 0 "a" ;',
        "NS_ : CM_ BA_",
        "BU_: ENG",
    ]
)


def any_statements_in_a_database(data: st.DataObject, folder: Path) -> None:
    """Any statements in a database are no traceback."""
    statements = data.draw(st.lists(STATEMENTS, max_size=12))
    (folder / "changed.dbc").write_text("\n".join(["BU_: ENG GTW", *statements]) + "\n")
    judged(folder, TWO.read_text().replace("drive.dbc", "changed.dbc"))


CHANGES = [
    misspelt_key, lines_moved, bytes_of_a_vehicle_changed, bytes_of_a_database_changed, any_statements_in_a_database,
]  # fmt: skip


@pytest.mark.parametrize("change", CHANGES)
@QUICK
@given(data=st.data())
def test_a_changed_file_is_no_traceback(change: Change, data: st.DataObject, folder: Path) -> None:
    change(data, folder)


@pytest.mark.slow
@pytest.mark.parametrize("change", CHANGES)
@MANY
@given(data=st.data())
def test_many_changed_files_are_no_traceback(change: Change, data: st.DataObject, folder: Path) -> None:
    change(data, folder)


YAML_PARTS = st.sampled_from(
    ["a", "b: ", ": ", "- ", "\n", "\n  ", "{", "}", "[", "]", ",", "'", '"', "&x ", "*x ", "<<: ", "? ", "! "]
) | st.sampled_from(
    ["!!map ", "|\n", ">\n", "#", "---\n", "...\n", "%YAML 1.2\n", "\t", "0x1", "~", "\\", "\r\n", "é", "@", "`"]
)


@settings(QUICK, max_examples=150)
@given(parts=st.lists(YAML_PARTS, max_size=30))
def test_any_yaml_gives_a_tree_or_mistakes(parts: list[str]) -> None:
    text = "".join(parts)
    tree, mistakes = parse_tree(text, "x.yaml")
    assert tree is not None or mistakes
    for each in mistakes:
        assert 1 <= each.line <= text.count("\n") + text.count("\r") + 2
        assert "; " in each.text


@settings(QUICK, max_examples=20)
@given(content=st.text(max_size=60) | st.binary(max_size=60))
def test_any_text_is_no_traceback(content: str | bytes, folder: Path) -> None:
    errors, _ = judged(folder, content)
    assert errors
