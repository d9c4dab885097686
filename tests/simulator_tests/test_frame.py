"""Frames bit by bit against published captures, published checksums and two independent CRC libraries."""

from __future__ import annotations

import json
from pathlib import Path

import anycrc
import numpy as np
import pytest
from crccheck.crc import Crc15Can, Crc17CanFd, Crc21CanFd
from hypothesis import given
from hypothesis import strategies as st

from simulator.datalink.crc import CRC_15, CRC_17, CRC_21, Crc
from simulator.datalink.frame import FD_LENGTHS, STUFF_COUNTS, Frame, encode, frame_json
from simulator.errors import BadRequest
from simulator.kernels.layout import EXTENDED, FD, REMOTE, SWITCHED
from simulator.kernels.reading import checksum
from simulator.kernels.sending import LONGEST_BITS, write_bits

VECTORS = json.loads((Path(__file__).parents[1] / "files" / "frames.json").read_text())
ANYCRC = {15: anycrc.Model("CRC15-CAN"), 17: anycrc.Model("CRC17-CAN-FD"), 21: anycrc.Model("CRC21-CAN-FD")}
CRCCHECK = {15: Crc15Can, 17: Crc17CanFd, 21: Crc21CanFd}


def bits_of(data: bytes) -> list[int]:
    return [byte >> shift & 1 for byte in data for shift in range(7, -1, -1)]


@pytest.mark.parametrize("vector", VECTORS["frames"], ids=lambda vector: vector["name"])
def test_frame_bit_for_bit(vector: dict) -> None:
    """Sources stand beside each frame in tests/files/frames.json (logic-analyser captures, test-bench stimuli)."""
    fd = vector["fd"]
    frame = encode(
        int(vector["id"], 16),
        bytes.fromhex(vector["data"]),
        extended=vector["extended"],
        remote=vector["remote"],
        dlc=vector["dlc"],
        fd=fd,
        brs=vector["brs"],
        esi=vector["esi"],
    )
    assert "".join(map(str, frame.bits)) == vector["bits"]
    assert frame.crc == int(vector["crc"], 16)
    fixed = 0 if not fd else 6 if len(frame.data) <= 16 else 7
    assert len(frame.stuff_bits) == vector["dynamic_stuff_bits"] + fixed


@pytest.mark.parametrize("vector", VECTORS["crcs"], ids=lambda vector: f"{vector['id']}-{vector['data']}")
def test_published_crc(vector: dict) -> None:
    """Source beside each in tests/files/frames.json: OpenCores CAN test bench."""
    frame = encode(int(vector["id"], 16), bytes.fromhex(vector["data"]), extended=vector["extended"])
    assert (frame.crc, len(frame.stuff_bits), frame.length) == (
        int(vector["crc"], 16),
        vector["stuff_bits"],
        vector["length"],
    )


@pytest.mark.parametrize(
    ("crc", "check"),
    [
        (CRC_15, 0x059E),  # catalogue of parametrised CRC algorithms: CRC-15/CAN
        (Crc(17, CRC_17.polynomial, 0), 0x04F03),  # the same: CRC-17/CAN-FD
        (Crc(21, CRC_21.polynomial, 0), 0x0ED841),  # the same: CRC-21/CAN-FD
        (CRC_17, 0x09D9B),  # computed with crccheck and anycrc, start value of ISO 11898-1:2015
        (CRC_21, 0x1323D8),  # computed with crccheck and anycrc, start value of ISO 11898-1:2015
    ],
)
def test_crc_check_value(crc: Crc, check: int) -> None:
    assert crc.of(bits_of(b"123456789")) == check


@given(st.binary(max_size=20))
def test_crc_of_the_kernel(data: bytes) -> None:
    """Source: crccheck and anycrc, two independent libraries."""
    ours = 0
    for byte in data:
        for shift in range(7, -1, -1):
            ours = checksum.plain(ours, byte >> shift & 1, 15, 0x4599)
    assert ours == CRC_15.of(bits_of(data)) == Crc15Can.calc(data) == ANYCRC[15].calc(data)


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    """Any frame that CAN allows."""
    extended = draw(st.booleans())
    frame_id = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    # long runs of one value are what stuffing is about
    byte = st.one_of(st.integers(0, 255), st.sampled_from([0x00, 0xFF, 0x0F, 0xF0, 0x1F, 0xE0, 0x78, 0x3C]))
    if draw(st.booleans()):
        data = bytes(draw(st.lists(byte, max_size=64)))
        return encode(frame_id, data, extended=extended, fd=True, brs=draw(st.booleans()), esi=draw(st.booleans()))
    if draw(st.integers(0, 4)) == 0:
        return encode(frame_id, extended=extended, remote=True, dlc=draw(st.integers(0, 15)))
    return encode(frame_id, bytes(draw(st.lists(byte, max_size=8))), extended=extended)


@given(frames())
def test_crc_against_two_libraries(frame: Frame) -> None:
    """Source: crccheck and anycrc; what each CRC covers: Bosch CAN 2.0, 10.3.1.5, and ISO 11898-1:2015 for FD."""
    stuffed = set(frame.stuff_bits)
    last = frame.field("data" if any(f.name == "data" for f in frame.fields) else "DLC").end
    if frame.fd:
        count = frame.field("stuff count")
        covered = [*frame.bits[: last + 1], *frame.bits[count.start : count.end + 1]]
        # a start value of only the top bit is a start value of zero with SOF inverted
        covered[0] = 1
        width = 17 if len(frame.data) <= 16 else 21
    else:
        covered = [bit for position, bit in enumerate(frame.bits[: last + 1]) if position not in stuffed]
        width = 15
    covered = [0] * (-len(covered) % 8) + covered
    data = bytes(int("".join(map(str, covered[i : i + 8])), 2) for i in range(0, len(covered), 8))
    assert frame.crc == CRCCHECK[width].calc(data) == ANYCRC[width].calc(data)


@given(frames())
def test_stuffing_rules(frame: Frame) -> None:
    """Bosch CAN 2.0, 10.7: never six equal bits in the stuffed region; CAN FD 1.0, 5: fixed stuff bits invert."""
    end = frame.field("data" if any(f.name == "data" for f in frame.fields) else "DLC").end if frame.fd else None
    region = frame.bits[: frame.field("CRC").end + 1] if end is None else frame.bits[: end + 1]
    assert b"\x00" * 6 not in region
    assert b"\x01" * 6 not in region
    for position in frame.stuff_bits:
        assert frame.bits[position] != frame.bits[position - 1]
    assert frame.bits[-7:] == b"\x01" * 7
    assert frame.length == len(frame.bits) == frame.fields[-1].end + 1


@given(frames())
def test_fields_hold_the_values(frame: Frame) -> None:
    """Bosch CAN 2.0, 10.3.1: every field most significant bit first; positions here count stuff bits."""
    stuffed = set(frame.stuff_bits)

    def value(name: str) -> int:
        field = frame.field(name)
        own = [frame.bits[i] for i in range(field.start, field.end + 1) if i not in stuffed]
        return int("".join(map(str, own)), 2)

    assert value("SOF") == 0
    assert value("DLC") == frame.dlc
    assert value("CRC") == frame.crc
    assert (value("ID") << 18 | value("ID extension") if frame.extended else value("ID")) == frame.frame_id
    if frame.data:
        assert value("data") == int.from_bytes(frame.data, "big")
    names = {field.name for field in frame.fields}
    assert {"SOF", "ID", "IDE", "DLC", "CRC", "CRC delimiter", "ACK slot", "ACK delimiter", "EOF"} <= names
    assert ("stuff count" in names) is frame.fd


@given(frames())
def test_length_without_stuff_bits(frame: Frame) -> None:
    """Bosch CAN 2.0, figures 10-12 and 10-13: 44 + 8n and 64 + 8n; CAN FD from the Linux kernel's can/length.h."""
    size = len(frame.data)
    if not frame.fd:
        bare = (64 if frame.extended else 44) + 8 * size
        assert frame.length - len(frame.stuff_bits) == bare
        return
    fixed = 6 if size <= 16 else 7
    bare = (78 if frame.extended else 59) + (0 if size <= 16 else 5) + 8 * size
    assert frame.length - (len(frame.stuff_bits) - fixed) == bare


def written(data: bytes, *, dlc: int, frame_id: int, **form: bool) -> bytes:
    """The bits that the kernel writes for the wire, SOF to EOF, not acknowledged."""
    out = np.full(LONGEST_BITS, 9, np.uint8)
    kinds = {"extended": EXTENDED, "remote": REMOTE, "fd": FD, "brs": SWITCHED}
    number = sum(bit for name, bit in kinds.items() if form.get(name))
    octets = np.frombuffer(data, np.uint8)
    length = write_bits.plain(out, out.copy(), frame_id, number, int(form.get("esi", False)), dlc, octets, len(data))
    return out[:length].tobytes()


@given(st.booleans(), st.sampled_from(["classic", "remote", "fd"]), st.booleans(), st.booleans(), st.data())
def test_bits_for_the_wire_are_those_of_the_frame(
    extended: bool, kind: str, brs: bool, esi: bool, data: st.DataObject
) -> None:
    """Own rule: what the controllers send is the frame bit by bit, which the captures above hold."""
    frame_id = data.draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    byte = st.one_of(st.integers(0, 255), st.sampled_from([0x00, 0xFF, 0x0F, 0xF0, 0x1F, 0xE0, 0x78, 0x3C]))
    fd, remote = kind == "fd", kind == "remote"
    size = data.draw(st.sampled_from(FD_LENGTHS if fd else (0,) if remote else range(9)))
    payload = bytes(data.draw(st.lists(byte, min_size=size, max_size=size)))
    dlc = data.draw(st.integers(0, 15)) if remote else FD_LENGTHS.index(size)
    brs, esi = fd and brs, fd and esi
    frame = encode(
        frame_id, payload, extended=extended, remote=remote, dlc=dlc, fd=fd, brs=brs, esi=esi, acknowledged=False
    )
    made = written(payload, dlc=dlc, frame_id=frame_id, extended=extended, remote=remote, fd=fd, brs=brs, esi=esi)
    assert made == frame.bits


@pytest.mark.parametrize("vector", VECTORS["frames"], ids=lambda vector: vector["name"])
def test_bits_for_the_wire_of_published_frames(vector: dict) -> None:
    """Sources: tests/files/frames.json."""
    given_bits = bytes(map(int, vector["bits"].replace(" ", "")))
    payload = bytes.fromhex(vector["data"])
    forms = {name: vector[name] for name in ("extended", "remote", "fd", "brs", "esi")}
    code = FD_LENGTHS.index(len(payload)) if vector["dlc"] is None else vector["dlc"]
    made = bytearray(written(payload, dlc=code, frame_id=int(vector["id"], 16), **forms))
    made[encode(int(vector["id"], 16), payload, dlc=code, **forms).field("ACK slot").start] = 0
    assert bytes(made) == given_bits


@pytest.mark.parametrize("count", range(8))
def test_stuff_count_is_gray_with_even_parity(count: int) -> None:
    """ISO 11898-1:2015 as described by Mutter and Hartwich, iCC 2015."""
    gray = count ^ count >> 1
    assert STUFF_COUNTS[count] == gray << 1 | gray.bit_count() % 2


@pytest.mark.parametrize("size", range(65))
def test_fd_padding(size: int) -> None:
    """Lengths of Bosch CAN FD 1.0, 3.2.1; the padding byte 0xCC is common practice (Linux can/isotp.h)."""
    frame = encode(0x123, bytes(size), fd=True)
    assert len(frame.data) == min(length for length in FD_LENGTHS if length >= size)
    assert frame.data == bytes(size) + b"\xcc" * (len(frame.data) - size)


def test_bit_times_of_a_rate_switch() -> None:
    """Captured CAN FD traffic, sigrok-dumps can/can_fd: BRS bit 850 ns and CRC delimiter 650 ns at 1/2 Mbit/s."""
    frame = encode(0x42, bytes(range(8)), fd=True, brs=True)
    starts = frame.bit_starts_ns(1_000_000, 0.75, 2_000_000, 0.80)
    switch, back = frame.field("BRS").start, frame.field("CRC delimiter").start
    assert starts[switch + 1] - starts[switch] == pytest.approx(850)
    assert starts[back + 1] - starts[back] == pytest.approx(650)
    assert starts[-1] == pytest.approx(80_000)  # the same capture: 80.0 us from SOF to the end of EOF
    assert encode(0x222, bytes(5)).bit_starts_ns(125_000)[1] == pytest.approx(8000)


def test_json_shape() -> None:
    """Own format: bits, fields with from and to, crc, stuff_bits, length."""
    shown = frame_json(encode(0x222, bytes.fromhex("0011223344")))
    assert list(shown) == ["bits", "fields", "crc", "stuff_bits", "length"]
    assert shown["fields"][0] == {"name": "SOF", "from": 0, "to": 0}
    assert shown["length"] == len(shown["bits"]) == 87
    assert json.loads(json.dumps(shown)) == shown


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"frame_id": 0x800}, "identifier 0x800 does not fit into 11 bits: write one from 0 to 0x7FF; for a longer"),
        ({"frame_id": 0x20000000, "extended": True}, "does not fit into 29 bits: write one from 0 to 0x1FFFFFFF"),
        ({"frame_id": -1}, "identifier -0x1 does not fit"),
        ({"frame_id": 1, "data": bytes(9)}, "up to 8 bytes, not 9: add fd"),
        ({"frame_id": 1, "data": bytes(65), "fd": True}, "up to 64 bytes, not 65"),
        ({"frame_id": 1, "data": b"a", "remote": True}, "a remote frame carries no data"),
        ({"frame_id": 1, "remote": True, "fd": True}, "CAN FD has no remote frames"),
        ({"frame_id": 1, "brs": True}, "a classic frame has no bit rate switch: add fd"),
        ({"frame_id": 1, "esi": True}, "a classic frame has no error state indicator: add fd"),
        (
            {"frame_id": 1, "dlc": 16, "remote": True},
            "a remote frame asks for 0 to 8 bytes (9 to 15 mean 8, too), not 16",
        ),
        ({"frame_id": 1, "dlc": 3, "data": b"a"}, "length code 3 means 3 data bytes, but there are 1"),
        (
            {"frame_id": 1, "dlc": 9, "fd": True, "data": bytes(13)},
            "length code 9 means 12 data bytes, but there are 13",
        ),
    ],
)
def test_refusals(arguments: dict, message: str) -> None:
    """Own rule: a clear sentence that says what to write instead."""
    with pytest.raises(BadRequest) as caught:
        encode(**arguments)
    assert message in str(caught.value)


def test_unknown_field() -> None:
    with pytest.raises(BadRequest, match="no field 'BRS'; it has SOF"):
        encode(1).field("BRS")
