"""``bits``: one moment of a network bit by bit, as text, as JSON and as a picture.

Rules of the bus: Bosch CAN Specification 2.0 (1991), part B; the rest are rules of this project.
"""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import pytest
from command_line import good, sixtyohm
from writing import misplaced, writing_of

from lab.bitcodes import CODES
from lab.bitpicture import moment_figure
from lab.bitview import look
from simulator.datalink.frame import encode
from simulator.datalink.trouble import FIELDS, STATES
from simulator.reader import find_vehicle, load_vehicle

LONE = [f"dead_module module={name}" for name in ("GBX", "BRK", "STA", "BDY", "CLU")]
OPEN_MIDDLE = "open line=both run=S2-DLC"


def asked(faults: list[str]) -> list[str]:
    return [word for text in faults for word in ("--fault", text)]


def test_a_frame_is_what_the_encoder_makes_of_it() -> None:
    """Bosch CAN 2.0, 10.3: every bit on the wire and the field it belongs to, from the frame in the record."""
    for at in ("0.1", "0.2031", "0.35"):
        moment = good("bits", "pipkin", "--at", at)
        (part,) = moment["parts"]
        (record,) = moment["frames"]
        frame = encode(record["frame_id"], bytes.fromhex(record["data"]))
        shown = [bit for bit in part["bits"] if 0 <= bit["bit"] < frame.length]
        assert [0 if bit["driving"] else 1 for bit in shown] == list(frame.bits)
        assert shown[0]["t_ns"] == record["t_start_ns"]
        assert shown[-1]["until_ns"] == record["t_end_ns"]
        names = {"r0": "FDF", "SOF": "SOF"}
        sender = record["transmitter"]
        for field in frame.fields:
            for position in range(field.start, field.end + 1):
                assert shown[position]["places"][sender] == names.get(field.name, field.name)
        slot = shown[frame.field("ACK slot").start]
        assert set(slot["driving"]) == set(record["acknowledged_by"])
        # nobody misses anything on a healthy bus
        assert all(bool(bit["driving"]) == (len(bit["dominant"]) == 6) for bit in part["bits"])
        assert part["noticed"] == []


def test_the_first_frame_is_the_one_that_begins_first(tmp_path: Path) -> None:
    """Own rule. At a plug with the pair crossed another attempt begins, and breaks off, inside it."""
    log, crossed = tmp_path / "run.jsonl", ["crossed at=BRK"]
    good("run", "haulvey", "--seconds", "0.01", "--log", str(log), *asked(crossed))
    events = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    attempts = [one for one in events if one["kind"] == "frame" and one["network"] == "DRIVE"]
    moment = good("bits", "haulvey", "--network", "DRIVE", "--first", "frame", *asked(crossed))
    assert moment["t_ns"] == min(one["t_start_ns"] for one in attempts) < attempts[0]["t_start_ns"]


def test_the_lone_node_sees_no_acknowledgement() -> None:
    """Bosch CAN 2.0, 11.1.5: recessive in the ACK slot; its flag of six dominant bits starts in the next bit."""
    moment = good("bits", "pipkin", "--first", "error", *asked(LONE))
    (part,) = moment["parts"]
    assert part["modules"] == ["ENG"]
    assert set(moment["quiet"]) == {"GBX", "BRK", "STA", "BDY", "CLU"}
    (noticed,) = part["noticed"]
    assert (noticed["kind"], noticed["place"], noticed["transmit_errors"]) == ("ack", "ACK slot", 8)
    after = [bit for bit in part["bits"] if bit["bit"] > noticed["bit"]]
    assert [bit["places"]["ENG"] for bit in after[:6]] == ["error flag"] * 6
    assert [bool(bit["driving"]) for bit in after[:7]] == [True] * 6 + [False]


def test_the_first_passive_and_off_controller() -> None:
    """Rules 9 and 10: the moment is the bit whose error brings a counter to 128, and to 256."""
    passive = good("bits", "pipkin", "--first", "passive", *asked(LONE))
    (noticed,) = passive["parts"][0]["noticed"]
    assert noticed["transmit_errors"] == 128
    shorted = ["--fault", "short between=high-low at=S1 ohm=0.05"]
    off = good("bits", "pipkin", "--first", "off", *shorted)
    last = max(part["noticed"][-1]["transmit_errors"] for part in off["parts"] if part["noticed"])
    assert last >= 256
    places = {place for part in off["parts"] for bit in part["bits"] for place in bit["places"].values()}
    assert "bus off" in places


def test_the_two_sides_of_an_open_line_are_two_parts() -> None:
    """A partitioned bus is two buses: each side has bits of its own."""
    moment = look(load_vehicle(find_vehicle("pipkin")), first="frame", fault_texts=[OPEN_MIDDLE])
    members = [set(part.modules) for part in moment.parts] + [{name} for name in moment.quiet]
    assert sum(len(some) for some in members) == 6
    assert len(members) > 1
    for part in moment.parts:
        for bit in part.bits:
            assert {*bit.driving, *bit.dominant} <= set(part.modules)


def test_a_module_at_half_the_rate_reads_every_field_at_half_the_rate() -> None:
    """Own rule: bits of the network's rate are shown; in them its fields and flags are twice as long as the others'."""
    faults = ["--fault", "wrong_bit_rate module=GBX bit_rate=250000"]
    moment = good("bits", "pipkin", "--first", "error", *faults)
    assert moment["out_of_step"]
    (part,) = moment["parts"]
    ends = [(bit["t_ns"], bit["until_ns"]) for bit in part["bits"]]
    assert all(until_ns - t_ns == 2000 for t_ns, until_ns in ends)
    assert all(before[1] == after[0] for before, after in itertools.pairwise(ends))
    sender = moment["frames"][0]["transmitter"] if moment["frames"] else "ENG"

    def length(module: str, place: str) -> int:
        return sum(bit["places"][module] == place for bit in part["bits"])

    # eleven bits and the stuff bits among them, which are not the same ones
    assert 11 <= length(sender, "ID") <= 13
    assert 22 <= length("GBX", "ID") <= 26
    assert length("GBX", "error flag") == 2 * 6
    assert "out of step" in sixtyohm("bits", "pipkin", "--first", "error", *faults).out


def test_every_place_has_a_sign() -> None:
    assert set(CODES) >= {*FIELDS, *STATES} - {"frame"}
    assert all(len(sign) == 1 for sign in CODES.values())


def test_the_text_fits_a_terminal() -> None:
    answer = sixtyohm("bits", "pipkin", "--first", "error", *asked(LONE))
    assert answer.status == 0
    assert max(map(len, answer.out.splitlines())) <= 80
    assert "ENG: no acknowledgement, ACK slot; TEC 8, REC 0" in answer.out
    assert "sends 0: drives dominant" in answer.out


@pytest.mark.parametrize(
    "faults", [[], LONE, [OPEN_MIDDLE], ["open line=high at=GBX"]], ids=["healthy", "lone", "parted", "open"]
)
def test_writing_of_the_picture_is_inside_and_apart(faults: list[str]) -> None:
    moment = look(load_vehicle(find_vehicle("pipkin")), first="frame", fault_texts=faults)
    figure = moment_figure(moment)
    assert misplaced(figure) == []
    shown = [text for text, _ in writing_of(figure)]
    assert any("sends 0x" in text for text in shown)
    assert all(any(name in text for text in shown) for name in ("ENG", "GBX", "BRK", "STA", "BDY", "CLU"))


def test_a_picture_is_written(tmp_path: Path) -> None:
    file = tmp_path / "moment.png"
    assert sixtyohm("bits", "pipkin", "--png", file).status == 0
    assert file.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--at", "1", "--first", "error"], "leave one out"),
        (["--first", "error", "--within", "0.2"], "no error on LINE-1 within 0.2 s"),
        (["--png", "moment.txt"], ".png"),
        (["--network", "LINE-9"], "LINE-1"),
    ],
)
def test_refusals(arguments: list[str], words: str) -> None:
    answer = sixtyohm("bits", "pipkin", *arguments)
    assert answer.status == 2
    assert words in answer.err
