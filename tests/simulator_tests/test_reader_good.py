"""What the reader makes of good files; sources: the project's own file format, YAML 1.2 where named."""

from __future__ import annotations

import importlib
import json
import logging
import pickle
import subprocess
import sys
from pathlib import Path

import pytest

import simulator.reader
from simulator.errors import BadFile, UnknownName
from simulator.reader import check_database, check_vehicle, demo_names, find_vehicle, json_schema, load_vehicle
from simulator.reader.checking import check_tree, nearest_key
from simulator.reader.schema import VehiclePart
from simulator.reader.textfile import Leaf, node_at, parse_tree
from simulator.vehicle import Feed, Fuse, GroundPoint, Module, Parting, Run, Terminator, Transceiver

FILES = Path(__file__).parent.parent / "files"
TWO = FILES / "vehicles" / "two_networks.yaml"
SMALL = FILES / "broken" / "good.yaml"


def test_every_key_of_the_format_arrives_in_the_description() -> None:
    vehicle = load_vehicle(TWO)
    assert (vehicle.name, vehicle.maker, vehicle.about) == (
        "Twinfold",
        "Fennimarrow Works",
        "Test carrier for the reader.",
    )
    assert (vehicle.battery.open_circuit_volt, vehicle.battery.internal_ohm) == (12.6, 0.010)
    assert list(vehicle.fuses.values()) == [
        Fuse("F1", 0.005, 15),
        Fuse("F2", 0.0077, 10),
        Fuse("K15", 0.002, 30, switched=True),
    ]
    assert list(vehicle.grounds.values()) == [GroundPoint("G1", 0.001, "front left"), GroundPoint("G2", 0.001)]
    assert list(vehicle.modules) == ["GTW", "ENG", "SEAT"]
    assert vehicle.modules["ENG"].wake == Feed("K15", 0.10)
    assert vehicle.modules["SEAT"].transceiver == Transceiver(common_mode_volt=(-2.0, 7.0))
    assert vehicle.minutes == {"call": 2, "battery": 4.5}
    assert vehicle.path == str(TWO)
    drive, comfort = vehicle.networks.values()
    assert drive.runs[1] == Run("socket stub", "S1", "DLC", 0.4)
    assert drive.terminators[0] == Terminator("ENG", 120, inside=True)
    assert drive.testers == ("TESTER",)
    assert (comfort.data_bit_rate, comfort.data_sample_point) == (2_000_000, 0.7)
    assert (comfort.pair.common_impedance_ohm, comfort.pair.common_delay_ns_per_m) == (50, 5.1)
    assert drive.socket == "DLC"
    assert comfort.socket is None


def test_defaults_are_those_of_the_description() -> None:
    gateway = load_vehicle(TWO).modules["GTW"]
    fresh = Module("X", gateway.feed, gateway.ground, 1, 0, 1, "U0100")
    seat = load_vehicle(TWO).modules["SEAT"]
    for key in ("wake", "sleep_ohm", "sleep_s", "title", "reach_minutes"):
        assert getattr(seat, key) == getattr(fresh, key)
    assert gateway.transceiver == fresh.transceiver
    pair = load_vehicle(SMALL).network().pair
    assert (pair.common_impedance_ohm, pair.common_delay_ns_per_m) == (45, 5)


def test_a_reversed_run_name_is_kept_as_written_in_the_runs() -> None:
    assert load_vehicle(TWO).networks["DRIVE"].parting == (Parting("S1", ("socket stub", "S1-GTW")),)


def test_messages_come_with_cycle_sender_receivers_ranges_and_a_codec() -> None:
    drive, comfort = load_vehicle(TWO).networks.values()
    state, gateway, request, response, long = drive.messages
    assert (state.frame_id, state.length, state.cycle_ms, state.sender) == (256, 8, 10, "ENG")
    assert state.receivers == ("GTW", "TESTER")
    assert (state.signals[1].minimum, state.signals[1].maximum, state.signals[1].unit) == (-200, 600, "Nm")
    assert gateway.signals[1].minimum is None
    assert request.sender == "TESTER"
    assert request.cycle_ms is None
    assert response.sender == "ENG"
    assert (long.frame_id, long.extended, long.sender) == (419361278, True, None)
    assert comfort.messages[1].is_fd
    assert not comfort.messages[0].is_fd
    assert state.codec is not None
    data = state.codec.encode({"EngState_Speed": 1000, "EngState_Torque": -5})
    assert state.codec.decode(data) == {"EngState_Speed": 1000, "EngState_Torque": -5}


def test_a_vehicle_survives_pickling_without_its_file() -> None:
    vehicle = load_vehicle(TWO)
    assert pickle.loads(pickle.dumps(vehicle)) == vehicle


def test_reading_is_quiet(caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]) -> None:
    with caplog.at_level(logging.DEBUG):
        check_vehicle(TWO)
        check_database(FILES / "broken" / "identifier_twice.dbc")
    assert not caplog.records
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("written", "value"),
    [("1e-6", 1e-6), ("1E3", 1000), (".5", 0.5), ("5.", 5), ("+2", 2), ("0x10", 16), ("2e+1", 20), ("0.50", 0.5)],
)
def test_numbers_as_people_write_them(written: str, value: float, tmp_path: Path) -> None:
    file = changed(tmp_path, "draw_ohm: 24", f"draw_ohm: {written}")
    assert load_vehicle(file).modules["ENG"].draw_ohm == value


def test_words_that_yaml_takes_for_truth_stay_names(tmp_path: Path) -> None:
    """YAML 1.1 reads no, on, yes as truth; here they are names."""
    text = SMALL.read_text().replace("S1", "no").replace("title: Engine", "title: off").replace("Stubbin", "2026-01-01")
    vehicle = load_vehicle(written_to(tmp_path, text))
    assert "no" in vehicle.network().places
    assert vehicle.modules["ENG"].title == "off"
    assert vehicle.name == "2026-01-01"


def test_a_harmless_alias_is_read(tmp_path: Path) -> None:
    text = SMALL.read_text().replace("feed: {fuse: F1, ohm: 0.08}", "feed: &f {fuse: F1, ohm: 0.08}", 1)
    text = text.replace("feed: {fuse: F1, ohm: 0.08}", "feed: *f", 1)
    assert load_vehicle(written_to(tmp_path, text)).modules["GBX"].feed == Feed("F1", 0.08)


def test_byte_order_mark_and_foreign_line_ends_are_read(tmp_path: Path) -> None:
    text = SMALL.read_text().replace("draw_ohm: 24", "draw_ohm: x", 1).replace("\n", "\r\n")
    file = written_to(tmp_path, "")
    file.write_bytes(b"\xef\xbb\xbf" + text.encode())
    errors, _ = check_vehicle(file)
    assert [each.line for each in errors] == [18]


def test_two_networks_may_share_a_database_and_each_keeps_what_can_be_sent_there(tmp_path: Path) -> None:
    text = TWO.read_text().replace("comfort.dbc", "drive.dbc")
    (tmp_path / "drive.dbc").write_bytes((TWO.parent / "drive.dbc").read_bytes())
    text = text.replace("data_sample_point: 0.7", "data_sample_point: 0.7\n    testers: [TESTER]")
    file = tmp_path / "vehicle.yaml"
    file.write_text(text)
    errors, warnings = check_vehicle(file)
    assert not errors
    assert [(each.line, each.text.partition(":")[0]) for each in warnings] == [(13, "EngState"), (25, "EngResponse")]
    assert [message.name for message in load_vehicle(file).networks["COMFORT"].messages] == [
        "GtwState",
        "EngRequest",
        "GtwLong",
    ]


@pytest.mark.parametrize(
    ("content", "line", "fragment"),
    [
        (b"a: \xff\n", 1, "byte 0xFF is not UTF-8; save the file as UTF-8"),
        (b"a: 1\nb: \x00\n", 2, "character U+0000"),
        (b"a: 1\n" * 300_000, 1, "larger than 1 MiB"),
        ("a: 1\nb: \u2028\n".encode(), 2, "character U+2028"),
        (b"[" * 500_000, 1, "close the brackets"),
        (b"%YAML 9.9\n---\na: 1\n", 1, "not YAML"),
        (b"- " * 400_000, 1, "nested more than 50 deep"),
    ],
)
def test_files_that_are_no_text_of_ours(content: bytes, line: int, fragment: str, tmp_path: Path) -> None:
    file = tmp_path / "vehicle.yaml"
    file.write_bytes(content)
    with pytest.raises(BadFile, match=r".") as caught:
        load_vehicle(file)
    assert caught.value.mistakes[0].line in (line, 1)
    assert any(fragment in each.text for each in caught.value.mistakes)


def test_a_large_file_of_very_many_values_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "vehicle.yaml"
    file.write_text("a: [" + "x," * 200_000 + "]\n")
    errors, _ = check_vehicle(file)
    assert "more than 100000 values" in errors[0].text


@pytest.mark.parametrize("name", ["nowhere.yaml", ".", "a\0b", "x" * 5000])
def test_a_path_that_is_no_file_is_a_mistake_of_line_1(name: str, tmp_path: Path) -> None:
    with pytest.raises(BadFile, match="give the path of a vehicle file"):
        load_vehicle(str(tmp_path) + "/" + name)


def test_find_vehicle_takes_demo_names_files_and_folders(tmp_path: Path) -> None:
    for name in demo_names():
        assert find_vehicle(name).parent.name == name
        assert find_vehicle(name).is_file()
    assert find_vehicle(str(TWO)) == TWO
    file = written_to(tmp_path, "format: 1\n")
    assert find_vehicle(tmp_path) == file
    for wrong in ("pipkn", "", "a\0b", "x" * 5000):
        with pytest.raises(UnknownName, match="no vehicle file or demo called"):
            find_vehicle(wrong)


def test_every_demo_is_without_mistake_or_remark() -> None:
    for name in demo_names():
        assert check_vehicle(find_vehicle(name)) == ([], [])


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("length", "length_m"),
        ("Length_M", "length_m"),
        ("length_cm", "length_m"),
        ("form", "from"),
        ("too", "to"),
        ("nmae", "name"),
        ("start", "from"),
        ("common_impedanceohm", "common_impedance_ohm"),
        ("colour", None),
    ],
)
def test_the_nearest_known_key(written: str, meant: str | None) -> None:
    known = ["common_delay_ns_per_m", "common_impedance_ohm", "from", "length_m", "name", "to"]
    assert nearest_key(written, known) == meant


def test_a_repaired_key_is_checked_further() -> None:
    tree, _ = parse_tree("supplies: {battery: 3}\n", "x.yaml")
    assert tree is not None
    _, mistakes = check_tree(VehiclePart, tree, "x.yaml")
    assert any(each.text == "unknown key 'supplies'; write supply" for each in mistakes)
    assert any(each.text.startswith("fuses is missing in supply; write fuses: ") for each in mistakes)
    node = node_at(tree, ("supply", "battery"))
    assert isinstance(node, Leaf)
    assert any(each.text.startswith("battery: '3' stands where a mapping belongs") for each in mistakes)


def test_the_json_schema_is_closed_described_and_says_what_is_required() -> None:
    schema = json_schema()
    json.dumps(schema)
    assert schema["$schema"].startswith("https://json-schema.org/")
    assert schema["required"] == ["format", "vehicle", "supply", "modules", "networks"]
    parts = schema["$defs"]
    for part in [schema, *parts.values()]:
        assert part["additionalProperties"] is False
        assert part["description"]
    assert parts["ModulePart"]["required"] == [
        "feed",
        "ground",
        "draw_ohm",
        "request_id",
        "response_id",
        "lost_code",
    ]
    assert parts["RunPart"]["required"] == ["from", "to", "length_m"]
    assert parts["NetworkPart"]["required"] == ["bit_rate", "sample_point", "database", "pair", "runs"]
    assert "null" not in json.dumps(schema)


def test_the_door_of_the_reader() -> None:
    for name in simulator.reader.__all__:
        assert hasattr(simulator.reader, name)
    assert simulator.reader.__all__ == sorted(simulator.reader.__all__)


def test_the_database_parser_is_loaded_only_when_a_database_is_read() -> None:
    importlib.import_module("simulator.reader")
    code = "import sys, simulator.reader; sys.exit('cantools' in sys.modules)"
    root = Path(simulator.__file__).resolve().parent.parent
    assert subprocess.run([sys.executable, "-c", code], cwd=root, check=False).returncode == 0


def changed(folder: Path, old: str, new: str) -> Path:
    """The small good vehicle with its first ``old`` replaced, in a folder with its database."""
    return written_to(folder, SMALL.read_text().replace(old, new, 1))


def written_to(folder: Path, text: str) -> Path:
    """A vehicle file of this text, beside the small good database."""
    (folder / "good.dbc").write_bytes((SMALL.parent / "good.dbc").read_bytes())
    file = folder / "vehicle.yaml"
    file.write_text(text)
    return file


def test_a_vehicle_is_not_changed_in_place() -> None:
    """Own rule: what is worked out from a vehicle is kept, so nobody changes it under the kept answer."""
    vehicle = pickle.loads(pickle.dumps(load_vehicle(TWO)))
    with pytest.raises(TypeError, match=r"dataclasses\.replace"):
        vehicle.modules["ENG"] = vehicle.modules["GTW"]
    with pytest.raises(TypeError, match="never changed in place"):
        vehicle.fuses.clear()
    assert vehicle.deviating().drawing_key == vehicle.drawing_key
