"""The commands: the shape of their JSON, what people see, and what happens to bad input.

Source of every shape: DEVELOPERS.md, "Commands", this project's own contract.
"""

from __future__ import annotations

import json
import math
import os
import re
import subprocess
import sys
from pathlib import Path

import can
import pytest
from command_line import good, sixtyohm
from reference_circuit import ReferenceCircuit

from lab.should import parse_got
from simulator.errors import BadRequest
from simulator.reader import find_vehicle

ROOT = Path(__file__).resolve().parents[2]
PIPKIN = find_vehicle("pipkin")
THREE_VOLTS = {"high_volt", "low_volt", "difference_volt"}


def start(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The console script in a process of its own."""
    code = "import sys; from pytest_sixtyohm import main; sys.exit(main())"
    return subprocess.run(
        [sys.executable, "-c", code, *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        cwd="/",
    )


# ---------------------------------------------------------------------- should


def test_should_has_its_shape() -> None:
    found = good("should", "pipkin")
    assert list(found) == ["vehicle", "network", "faults", "resistance", "levels"]
    assert (found["vehicle"], found["network"], found["faults"]) == ("Pipkin", "LINE-1", [])
    assert {row["place"] for row in found["resistance"]} >= {"ENG", "DLC", "S1", "GBX"}
    for row in found["resistance"]:
        assert set(row) == {"place", "ohm", "min_ohm", "max_ohm"}
        assert row["min_ohm"] < row["ohm"] < row["max_ohm"]
    for level in found["levels"]:
        assert set(level) == {"transmitter", "place", "dominant", "recessive", "reads"}
        assert set(level["dominant"]) == set(level["recessive"]) == THREE_VOLTS
        assert level["reads"] == "dominant"


def test_should_agrees_with_an_independent_solver() -> None:
    fault = "open line=high at=GBX"
    found = good("should", "pipkin", "--fault", fault)
    assert found["faults"] == [fault]
    faults = [{"kind": "open", "line": "high", "at": "GBX"}]
    text = PIPKIN.read_text(encoding="utf-8")
    dead = ReferenceCircuit(text, faults, battery=False, ignition=False)
    for row in found["resistance"]:
        place = row["place"]
        assert row["ohm"] == pytest.approx(dead.resistance_ohm(f"{place}.high", f"{place}.low"), rel=1e-9)
    live = ReferenceCircuit(text, faults)
    rest = live.volts()
    for level in found["levels"]:
        sent = live.volts([(level["transmitter"], "LINE-1")])
        for state, solved in (("dominant", sent), ("recessive", rest)):
            high, low = (solved.between(f"{level['place']}.{line}", "battery.negative") for line in ("high", "low"))
            assert level[state]["high_volt"] == pytest.approx(high, abs=1e-6)
            assert level[state]["low_volt"] == pytest.approx(low, abs=1e-6)


def test_should_writes_an_open_as_null() -> None:
    found = good("should", "pipkin", "--fault", 'open line=high run="gearbox stub"', "--unplug", "GBX")
    row = next(row for row in found["resistance"] if row["place"] == "GBX")
    assert (row["ohm"], row["min_ohm"], row["max_ohm"]) == (None, None, None)


@pytest.mark.parametrize(
    ("got", "word"), [("DLC 60", "inside"), ("DLC 66", "edge"), ("DLC 54.5 ohm", "edge"), ("DLC 120", "outside")]
)
def test_should_judges_a_reading(got: str, word: str) -> None:
    # accepted: 54 to 69 where 60 is expected; common practice, no source
    found = good("should", "pipkin", "--got", got)
    assert found["word"] == word
    assert "DLC" in found["reason"]


def test_a_reading_outside_names_single_faults_that_read_so() -> None:
    reason = good("should", "pipkin", "--got", "DLC 118.5")["reason"]
    assert "missing_terminator at=ENG" in reason
    assert "missing_terminator at=CLU" in reason
    assert "open line=" in reason
    reason = good("should", "pipkin", "--got", "DLC 40")["reason"]
    assert "extra_terminator at=" in reason
    reason = good("should", "pipkin", "--got", "DLC OL")["reason"]
    assert "No single fault" in reason


def test_a_reading_at_the_edge_says_that_many_buses_run_on_it() -> None:
    assert "many buses run on it" in good("should", "pipkin", "--got", "DLC 66")["reason"]


def test_several_readings_give_the_worst_word_and_a_list() -> None:
    found = good("should", "pipkin", "--got", "DLC 60", "--got", "ENG 66")
    assert found["word"] == "edge"
    assert [item["word"] for item in found["got"]] == ["inside", "edge"]


@pytest.mark.parametrize(
    ("text", "place", "ohm"),
    [
        ("DLC 58", "DLC", 58), ("DLC 60.2 ohm", "DLC", 60.2), ("DLC 60.2ohm", "DLC", 60.2),
        (" S1  1.2 kohm", "S1", 1200),
        ("S1 1.2k", "S1", 1200), ("S1 3 Mohm", "S1", 3e6), ("DLC OL", "DLC", math.inf), ("DLC .5", "DLC", 0.5),
    ],
)  # fmt: skip
def test_readings_as_people_write_them(text: str, place: str, ohm: float) -> None:
    assert parse_got(text) == (place, pytest.approx(ohm))


@pytest.mark.parametrize("text", ["", "DLC", "58", "DLC sixty", "DLC 5 8", "DLC -3", "DLC 3 mohm", "DLC 3 volt"])
def test_readings_that_are_none(text: str) -> None:
    with pytest.raises(BadRequest, match="DLC 58"):
        parse_got(text)


def test_should_of_all_networks_is_a_list() -> None:
    assert [found["network"] for found in good("should", "pipkin", "--network", "all")] == ["LINE-1"]


def test_should_shows_the_other_side_of_a_parted_connector() -> None:
    # half a line with one terminator of 120 ohm; by hand
    rows = {row["place"]: row["ohm"] for row in good("should", "pipkin", "--part", "S2")["resistance"]}
    assert rows["S2"] == pytest.approx(120, abs=3)
    assert rows["S2.off"] == pytest.approx(120, abs=3)


def test_should_for_people() -> None:
    answer = sixtyohm("should", "pipkin", "--fault", "resistance line=high at=GBX ohm=100", "--got", "DLC 66")
    assert answer.status == 0
    assert "DLC 66.0 ohm: edge" in answer.out
    assert "with fault: resistance line=high" in answer.out
    assert "GBX at" in answer.out, "the module whose levels are off, with a reason"


# ---------------------------------------------------------------------- read, call


def test_read_has_its_shape() -> None:
    found = good("read", "pipkin", "ohms", "DLC.high", "DLC.low")
    assert found == {"value": found["value"], "unit": "ohm", "display": "59.8 ohm", "warnings": []}
    found = good("read", "pipkin", "volts", "DLC.high", "battery.negative", "--quiet")
    assert (found["unit"], found["warnings"]) == ("volt", [])


def test_read_defaults() -> None:
    """Battery off for ohms and on for volts; the ignition follows the battery."""
    same = [("--battery", "on", "--ignition", "on"), ("--battery", "on"), ()]
    readings = [good("read", "pipkin", "volts", "ENG.wake", "battery.negative", "--quiet", *extra) for extra in same]
    assert readings[0] == readings[1] == readings[2]
    assert readings[0]["value"] > 12
    off = good("read", "pipkin", "volts", "ENG.wake", "battery.negative", "--quiet", "--ignition", "off")
    assert off["value"] == pytest.approx(0, abs=0.01)
    assert good("read", "pipkin", "ohms", "DLC.high", "DLC.low")["warnings"] == []
    assert good("read", "pipkin", "ohms", "DLC.high", "DLC.low", "--battery", "on", "--quiet")["warnings"] != []


def test_read_shows_what_is_at_the_other_side_of_a_parted_connector() -> None:
    found = good("read", "pipkin", "ohms", "S2.high", "S2.off.high", "--part", "S2", "--zeroed")
    assert found["value"] is None or found["value"] > 60
    assert good("read", "pipkin", "ohms", "S2.high", "S2.off.high", "--zeroed")["value"] == pytest.approx(0, abs=1e-9)


def test_read_prints_the_warning() -> None:
    answer = sixtyohm("read", "pipkin", "ohms", "DLC.high", "DLC.low", "--battery", "on", "--quiet")
    assert answer.out.splitlines()[1].startswith("void: the battery is connected")


def test_call_has_its_shape() -> None:
    modules = ["ENG", "GBX", "BRK", "STA", "BDY", "CLU"]
    assert good("call", "pipkin") == {"answering": modules, "silent": []}
    found = good("call", "pipkin", "--unplug", "GBX", "--fault", "ground_dropout module=STA", "--truth")
    assert found["silent"] == ["GBX", "STA"]
    assert found["states"]["STA"] in ("starved", "unpowered")
    asleep = good("call", "pipkin", "--ignition", "off")
    assert set(asleep["silent"]) >= {"ENG", "GBX", "BRK", "STA", "CLU"}, "all that a wake pin wakes"


# ---------------------------------------------------------------------- frame, run


def test_frame_has_its_shape() -> None:
    found = good("frame", "--id", "0x222", "--data", "00 11 22")
    assert list(found) == ["bits", "fields", "crc", "stuff_bits", "length"]
    assert len(found["bits"]) == found["length"]
    assert set(found["bits"]) == {"0", "1"}
    assert all(set(field) == {"name", "from", "to"} for field in found["fields"])
    assert found == good("frame", "--id", "546", "--data", "001122")


def test_frame_kinds() -> None:
    remote = good("frame", "--id", "0x222", "--remote", "--length", "3")
    assert remote["length"] == 44 + len(remote["stuff_bits"]), "Bosch CAN 2.0: 44 bits without data"
    assert good("frame", "--id", "0x18DAF110", "--extended")["length"] > 64
    assert good("frame", "--id", "1", "--fd", "--brs", "--data", "00" * 9)["length"] > 100
    out = sixtyohm("frame", "--id", "0x222", "--data", "00 11 22").out
    assert "CRC delimiter" in out
    assert "[1]" in out


@pytest.mark.parametrize("ending", [".asc", ".blf", ".log", ".csv", ".mf4"])
def test_run_writes_logs_that_python_can_reads(tmp_path: Path, ending: str) -> None:
    log = tmp_path / f"run{ending}"
    found = good("run", "pipkin", "--seconds", "0.5", "--log", log)
    (network,) = found["networks"]
    assert network["frames"] == sum(network["by_sender"].values()) > 100
    with can.LogReader(log) as reader:
        assert sum(1 for message in reader if not message.is_error_frame) == network["frames"]


def test_run_is_the_same_for_one_seed(tmp_path: Path) -> None:
    logs = [tmp_path / f"{number}.csv" for number in range(3)]
    for log, seed in zip(logs, (1, 1, 2), strict=True):
        good("run", "pipkin", "--seconds", "0.2", "--seed", seed, "--log", log)
    one, again, other = (log.read_bytes() for log in logs)
    assert one == again != other


def test_run_follows_the_timelines_of_faults() -> None:
    whole = good("run", "pipkin", "--seconds", "1")["networks"][0]["by_sender"]["GBX"]
    found = good("run", "pipkin", "--seconds", "1", "--fault", "dead_module module=GBX from_s=0.5")
    assert found["networks"][0]["by_sender"]["GBX"] == pytest.approx(whole / 2, rel=0.1)


# ---------------------------------------------------------------------- spice, check, lists


def test_spice_prints_a_netlist() -> None:
    answer = sixtyohm("spice", "pipkin", "--dominant", "GBX")
    assert answer.status == 0
    assert "dlc_high" in answer.out
    assert answer.out.rstrip().endswith(".end")
    assert good("spice", "pipkin", "--dominant", "GBX.LINE-1")["netlist"].rstrip() == answer.out.rstrip()


def test_check_names_every_mistake(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.yaml"
    text = PIPKIN.read_text(encoding="utf-8").replace("length_m: 1.6", "length: 1.6").replace("amp: 10", "amp: ten")
    wrong.write_text(text, encoding="utf-8")
    (tmp_path / "pipkin.dbc").write_bytes((PIPKIN.parent / "pipkin.dbc").read_bytes())
    answer = sixtyohm("check", PIPKIN, wrong)
    assert answer.status == 2
    assert answer.out == f"{PIPKIN}: good\n"
    lines = answer.err.splitlines()
    assert any(line.startswith(f"{wrong}:") and "length_m" in line for line in lines)
    assert any("ten" in line for line in lines)
    assert len(lines) >= 3, "amp: ten twice, length once"


def test_check_sees_the_kind_of_file_by_its_content(tmp_path: Path) -> None:
    for source, name in ((PIPKIN.parent / "pipkin.dbc", "messages.txt"), (PIPKIN, "car.txt")):
        copy = tmp_path / name
        copy.write_bytes(source.read_bytes().replace(b"database: pipkin.dbc", b"database: messages.txt"))
        assert sixtyohm("check", copy) == (0, f"{copy}: good\n", "")
    for case in sorted((PIPKIN.parent / "cases").glob("*.yaml")):
        assert sixtyohm("check", case) == (0, f"{case}: good\n", "")


def test_warnings_alone_are_no_mistake(tmp_path: Path) -> None:
    text = PIPKIN.read_text(encoding="utf-8").replace(
        "    terminators:\n", "      - {from: S3, to: SPARE, length_m: 0.5}\n    terminators:\n"
    )
    (tmp_path / "pipkin.dbc").write_bytes((PIPKIN.parent / "pipkin.dbc").read_bytes())
    car = tmp_path / "car.yaml"
    car.write_text(text, encoding="utf-8")
    answer = sixtyohm("check", car)
    assert answer.status == 0, answer
    assert "SPARE" in answer.err
    found = good("check", car)
    assert found[0]["mistakes"] == []
    assert "SPARE" in found[0]["warnings"][0]


def test_lists() -> None:
    assert "pipkin" in [item["name"] for item in good("vehicles")]
    kinds = {item["kind"]: item for item in good("faults")}
    assert {"open", "short", "crossed", "wrong_bit_rate"} <= set(kinds)
    assert kinds["extra_terminator"]["fields"][:2] == ["at", "ohm=120.0"]
    assert good("schema")["title"]
    assert "title" in good("schema", "--case")["properties"]
    for command in ("vehicles", "faults"):
        assert sixtyohm(command).status == 0


# ---------------------------------------------------------------------- bad input


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["should", "pipkn"], "did you mean 'pipkin'"),
        (["should", "pipkin", "--network", "LINE-2"], "LINE-1"),
        (["should", "pipkin", "--fault", "opn line=high at=GBX"], "did you mean 'open'"),
        (["should", "pipkin", "--fault", "open line=high at=GBY"], "GBX"),
        (["should", "pipkin", "--unplug", "GBY"], "GBX"),
        (["should", "pipkin", "--part", "S1"], "S2"),
        (["should", "pipkin", "--got", "DLC sixty"], "DLC 58"),
        (["should", "pipkin", "--got", "DLX 60"], "did you mean 'DLC'"),
        (["read", "pipkin", "ohms", "DLC.hihg", "DLC.low"], "DLC.high"),
        (["read", "pipkin", "volts", "BDY.wake", "battery.negative"], "no wake pin"),
        (["frame", "--id", "0x800"], "extended"),
        (["frame", "--id", "1", "--length", "3"], "--remote"),
        (["frame", "--id", "1", "--brs"], "fd"),
        (["frame", "--id", "1", "--remote", "--length", "99"], "0 to 8 bytes"),
        (["fits", "pipkin", "--reading", "ohms DLC.high DLC.low -5"], "'-5' ohm is no resistance"),
        (["run", "pipkin", "--seconds", "1", "--log", "run.doc"], ".asc"),
        (["spice", "pipkin", "--dominant", "GBX.LINE-9"], "LINE-1"),
        (["spice", "pipkin", "--dominant", "GBY"], "GBX"),
    ],
)
def test_bad_input_is_one_line_and_status_2(arguments: list[str], says: str) -> None:
    status, out, err = sixtyohm(*arguments)
    assert (status, out) == (2, "")
    assert err.startswith("sixtyohm: ")
    assert err.count("\n") == 1
    assert says in err


@pytest.mark.slow
def test_a_file_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "nowhere" / "picture.png"
    status, out, err = sixtyohm("picture", "pipkin", "--at", "DLC", "--from", "ENG", "--png", path)
    assert (status, out) == (2, "")
    assert err == f"sixtyohm: {path}: No such file or directory; name another file\n"


def test_a_full_disk_is_one_line() -> None:
    with open("/dev/full", "w") as full:
        code = "import sys; from pytest_sixtyohm import main; sys.exit(main())"
        done = subprocess.run(
            [sys.executable, "-c", code, "frame", "--id", "1"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
    assert done.returncode == 1
    assert done.stderr == "sixtyohm: the output cannot be written: No space left on device\n"


def test_in_a_narrow_terminal_tables_fold_between_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    for arguments in (["should", "pipkin"], ["faults"], ["call", "pipkin"], ["reach", "pipkin"]):
        narrow = sixtyohm(*arguments).out.split()
        monkeypatch.setenv("COLUMNS", "300")
        wide = set(sixtyohm(*arguments).out.split())
        monkeypatch.setenv("COLUMNS", "30")
        assert {word for word in narrow if not set(word) <= {"─"}} <= wide


@pytest.mark.parametrize(
    "arguments",
    [
        ["no-such-command"], ["should"], ["read", "pipkin", "amps", "DLC.high", "DLC.low"], ["frame"],
        ["frame", "--id", "zz"], ["frame", "--id", "1", "--data", "0"], ["run", "pipkin"],
        ["run", "pipkin", "--seconds", "-1"],
        ["call", "pipkin", "--ignition", "maybe"], ["check"],
    ],
)  # fmt: skip
def test_wrong_usage_is_status_2(arguments: list[str]) -> None:
    status, out, err = sixtyohm(*arguments)
    assert (status, out) == (2, "")
    assert "Traceback" not in err
    assert err


def test_a_wrong_vehicle_file_is_told_by_every_command(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text("format: 1\nvehicle: [\n", encoding="utf-8")
    for command in (["should"], ["call"], ["spice"], ["run", "--seconds", "1"]):
        status, out, err = sixtyohm(command[0], wrong, *command[1:])
        assert (status, out) == (2, "")
        assert err.startswith(f"{wrong}:")


def test_an_unexpected_error_is_one_line_and_status_1(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ArithmeticError("two\nlines")

    monkeypatch.setattr("simulator.rollcall.roll_call", broken)
    assert sixtyohm("call", "pipkin") == (1, "", "sixtyohm: ArithmeticError: two lines\n")
    monkeypatch.setenv("SIXTYOHM_TRACEBACK", "1")
    assert "Traceback" in sixtyohm("call", "pipkin").err


def test_a_reader_that_goes_away_is_no_error() -> None:
    code = "import sys; from pytest_sixtyohm import main; sys.exit(main())"
    command = f"{sys.executable} -c '{code}' schema | head -c 10"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, shell=True, capture_output=True, text=True, env=environment)
    assert done.stderr == ""
    assert len(done.stdout) == 10


# ---------------------------------------------------------------------- the start


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom lab.command import main\nmain(['--help'])\n"
        "heavy = {'numpy', 'numba', 'can', 'cantools', 'pydantic', 'matplotlib', 'rich', 'yaml', 'pytest', 'faults'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment)
    assert done.stderr.strip() == "[]"
    assert "Commands:" in done.stdout


def test_every_command_explains_itself_and_takes_json() -> None:
    listed = sixtyohm("--help").out.split("Commands:")[1].split("Simulation only")[0]
    names = re.findall(r"^  (\w+)", listed, re.MULTILINE)
    assert {"should", "read", "call", "frame", "run", "spice", "check", "schema", "demo"} <= set(names)
    for name in names:
        answer = sixtyohm(name, "--help")
        assert answer.status == 0
        if "COMMAND" not in answer.out.splitlines()[0]:
            assert "--json" in answer.out, name


@pytest.mark.parametrize("name", ["lab", "simulator", "faults"])
def test_another_package_of_our_name_is_told_in_one_line(tmp_path: Path, name: str) -> None:
    (tmp_path / name).mkdir()
    (tmp_path / name / "__init__.py").write_text("", encoding="utf-8")
    done = start("vehicles", PYTHONPATH=f"{tmp_path}{os.pathsep}{ROOT}")
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith(f"sixtyohm: another '{name}' ({tmp_path / name}) hides")
    assert "PYTHONPATH" in done.stderr


def test_json_is_all_there_is_on_stdout() -> None:
    done = start("should", "pipkin", "--json")
    assert json.loads(done.stdout)["vehicle"] == "Pipkin"
    assert done.stderr == ""
