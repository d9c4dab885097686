"""A CAN frame as it stands on the wire, bit by bit: classic and ISO CAN FD. Dominant is 0, recessive 1.

Sources: Bosch CAN Specification 2.0 (1991), clauses 10.3 (fields), 10.3.1.5 (CRC), 10.7 (stuffing); Bosch CAN FD
Specification 1.0 (2012), 3.2.1 and 5; ISO 11898-1:2015 for the stuff count and the CRC start values.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from simulator.datalink.crc import CRC_15, CRC_17, CRC_21
from simulator.errors import BadRequest

#: Payload length in byte by DLC, CAN FD. Bosch CAN FD Specification 1.0, 3.2.1.
FD_LENGTHS: tuple[int, ...] = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
#: What fills a CAN FD payload up to the next length.
PADDING = 0xCC


@dataclass(frozen=True)
class Field:
    """A field of a frame: positions of its own first and last bit on the wire (SOF is 0), both inclusive.

    Stuff bits inside it count; one that follows its last bit belongs to no field.
    """

    name: str
    start: int
    end: int


@dataclass(frozen=True)
class Frame:
    """A frame on the wire, SOF to the end of EOF: ``bits`` holds one byte 0 or 1 per bit, ``data`` the payload sent."""

    frame_id: int
    data: bytes
    extended: bool
    remote: bool
    dlc: int
    fd: bool
    brs: bool
    esi: bool
    bits: bytes
    fields: tuple[Field, ...]
    crc: int
    stuff_bits: tuple[int, ...]

    @property
    def length(self) -> int:
        """Bits from SOF to the end of EOF, stuff bits included."""
        return len(self.bits)

    def field(self, name: str) -> Field:
        """The field of that name. Raises BadRequest."""
        for field in self.fields:
            if field.name == name:
                return field
        raise BadRequest(f"this frame has no field '{name}'; it has {', '.join(f.name for f in self.fields)}")

    def bit_starts_ns(
        self,
        bit_rate: int,
        sample_point: float = 0.8,
        data_bit_rate: int | None = None,
        data_sample_point: float | None = None,
    ) -> tuple[float, ...]:
        """Start of every bit in ns from SOF, and the end of the last one.

        With BRS the rate changes at the sample points of the BRS bit and of the CRC delimiter (Bosch CAN FD
        Specification 1.0, 3.2.1 and 8); rates in bit/s, sample points as a part of the bit.
        """
        slow = 1e9 / bit_rate
        lengths = [slow] * self.length
        if self.brs and data_bit_rate is not None:
            fast, fast_point = 1e9 / data_bit_rate, sample_point if data_sample_point is None else data_sample_point
            first, last = self.field("BRS").start, self.field("CRC delimiter").start
            lengths[first] = slow * sample_point + fast * (1 - fast_point)
            lengths[first + 1 : last] = [fast] * (last - first - 1)
            lengths[last] = fast * fast_point + slow * (1 - sample_point)
        starts = [0.0]
        for length in lengths:
            starts.append(starts[-1] + length)
        return tuple(starts)


def padded(data: bytes) -> bytes:
    """A payload filled with 0xCC up to the next length of CAN FD; 64 bytes at most."""
    length = next((length for length in FD_LENGTHS if length >= len(data)), len(data))
    return data.ljust(length, bytes([PADDING]))


def encode(
    frame_id: int,
    data: bytes = b"",
    *,
    extended: bool = False,
    remote: bool = False,
    dlc: int | None = None,
    fd: bool = False,
    brs: bool = False,
    esi: bool = False,
    acknowledged: bool = True,
) -> Frame:
    """The frame with this identifier and payload as on the wire.

    ``dlc`` is the raw length code: the requested length of a remote frame, 9 to 15 for a classic frame of 8 bytes,
    or a CAN FD length above that of the data. CAN FD payloads between two lengths are padded with 0xCC. Raises
    BadRequest for what no CAN frame can hold.
    """
    data = bytes(data)
    _check_kind(frame_id, extended, remote, fd, brs, esi)
    code = _fd_code(data, dlc) if fd else _classic_code(data, dlc, remote)
    if fd:
        data = data.ljust(FD_LENGTHS[code], bytes([PADDING]))
    wire = _Wire()
    _arbitration(wire, frame_id, extended, remote, fd)
    if fd:
        for name, bit in (("FDF", 1), ("res", 0), ("BRS", int(brs)), ("ESI", int(esi))):
            wire.add(name, bit, 1)
    else:
        if extended:
            wire.add("r1", 0, 1)
        wire.add("r0", 0, 1)
    wire.add("DLC", code, 4)
    wire.add("data", int.from_bytes(data, "big"), 8 * len(data))
    crc = _fd_check(wire, len(data)) if fd else _classic_check(wire)
    wire.add("CRC delimiter", 1, 1)
    wire.add("ACK slot", int(not acknowledged), 1)
    wire.add("ACK delimiter", 1, 1)
    wire.add("EOF", 0x7F, 7)
    return Frame(
        frame_id=frame_id,
        data=data,
        extended=extended,
        remote=remote,
        dlc=code,
        fd=fd,
        brs=brs,
        esi=esi,
        bits=bytes(wire.bits),
        fields=tuple(wire.fields),
        crc=crc,
        stuff_bits=tuple(wire.stuff_bits),
    )


def frame_json(frame: Frame) -> dict[str, Any]:
    """The frame as a mapping for JSON: bits, fields with from and to (both inclusive), crc, stuff_bits, length."""
    return {
        "bits": "".join(map(str, frame.bits)),
        "fields": [{"name": field.name, "from": field.start, "to": field.end} for field in frame.fields],
        "crc": frame.crc,
        "stuff_bits": list(frame.stuff_bits),
        "length": frame.length,
    }


class _Wire:
    """Bits in the order of sending; while ``stuffing``, a complement goes in before the bit after five equal ones."""

    def __init__(self) -> None:
        self.bits: list[int] = []
        self.plain: list[int] = []  # without stuff bits, as the classic CRC sees them
        self.fields: list[Field] = []
        self.stuff_bits: list[int] = []
        self.stuffing = True
        self._run = 0

    def add(self, name: str, value: int, width: int) -> None:
        """Append a field, most significant bit first; one without bits leaves no trace."""
        if not width:
            return
        start = -1
        for shift in range(width - 1, -1, -1):
            self.stuff_if_due()
            if start < 0:
                start = len(self.bits)
            bit = value >> shift & 1
            self.plain.append(bit)
            self._push(bit)
        self.fields.append(Field(name, start, len(self.bits) - 1))

    def stuff_if_due(self) -> None:
        """Put in the stuff bit that five equal bits ask for."""
        if self.stuffing and self._run == 5:
            self.stuff()

    def stuff(self) -> None:
        """Put in the complement of the bit before."""
        self.stuff_bits.append(len(self.bits))
        self._push(1 - self.bits[-1])

    def _push(self, bit: int) -> None:
        self._run = self._run + 1 if self.bits and self.bits[-1] == bit else 1
        self.bits.append(bit)


def _arbitration(wire: _Wire, frame_id: int, extended: bool, remote: bool, fd: bool) -> None:
    """SOF up to IDE (base) or up to RTR/RRS (extended)."""
    request = "RRS" if fd else "RTR"
    wire.add("SOF", 0, 1)
    if extended:
        wire.add("ID", frame_id >> 18, 11)
        wire.add("SRR", 1, 1)
        wire.add("IDE", 1, 1)
        wire.add("ID extension", frame_id & 0x3FFFF, 18)
        wire.add(request, int(remote), 1)
    else:
        wire.add("ID", frame_id, 11)
        wire.add(request, int(remote), 1)
        wire.add("IDE", 0, 1)


def _classic_check(wire: _Wire) -> int:
    """The CRC-15 over the unstuffed bits so far; five equal bits at its end are stuffed as well (10.7)."""
    crc = CRC_15.of(wire.plain)
    wire.add("CRC", crc, 15)
    wire.stuff_if_due()
    wire.stuffing = False
    return crc


#: Number of stuff bits modulo 8 in Gray code with even parity. ISO 11898-1:2015 (Mutter and Hartwich, iCC 2015).
STUFF_COUNTS: tuple[int, ...] = (0b0000, 0b0011, 0b0110, 0b0101, 0b1100, 0b1111, 0b1010, 0b1001)


def _fd_check(wire: _Wire, length: int) -> int:
    """Stuff count and CRC of CAN FD with a fixed stuff bit before the first and after every fourth bit.

    A stuff bit due at the end of the data is not sent: the first fixed one takes its place, uncounted.
    """
    wire.stuffing = False
    kind = CRC_17 if length <= 16 else CRC_21
    count = STUFF_COUNTS[len(wire.stuff_bits) % 8]
    crc = kind.of([*wire.bits, *_split(count, 4)])
    wire.stuff()
    wire.add("stuff count", count, 4)
    bits = _split(crc, kind.width)
    start = len(wire.bits) + 1
    for position, bit in enumerate(bits):
        if position % 4 == 0:
            wire.stuff()
        wire.add("CRC", bit, 1)
    wire.fields = [field for field in wire.fields if field.name != "CRC"]
    wire.fields.append(Field("CRC", start, len(wire.bits) - 1))
    return crc


def _split(value: int, width: int) -> list[int]:
    return [value >> shift & 1 for shift in range(width - 1, -1, -1)]


def _check_kind(frame_id: int, extended: bool, remote: bool, fd: bool, brs: bool, esi: bool) -> None:
    limit = 0x1FFFFFFF if extended else 0x7FF
    if not 0 <= frame_id <= limit:
        advice = "; for a longer one make it an extended frame" if 0 <= frame_id <= 0x1FFFFFFF else ""
        sign = "-" if frame_id < 0 else ""
        raise BadRequest(
            f"identifier {sign}0x{abs(frame_id):X} does not fit into {29 if extended else 11} bits: "
            f"write one from 0 to 0x{limit:X}{advice}"
        )
    if fd and remote:
        raise BadRequest("CAN FD has no remote frames: leave out remote or fd")
    if brs and not fd:
        raise BadRequest("a classic frame has no bit rate switch: add fd or leave out brs")
    if esi and not fd:
        raise BadRequest("a classic frame has no error state indicator: add fd or leave out esi")


def _classic_code(data: bytes, dlc: int | None, remote: bool) -> int:
    """The length code of a classic frame. Codes above 8 mean 8 bytes (ISO 11898-1:2015, 8.4.2.3)."""
    if remote:
        if data:
            raise BadRequest("a remote frame carries no data: give the length it asks for instead")
        if dlc is not None and not 0 <= dlc <= 15:
            raise BadRequest(f"a remote frame asks for 0 to 8 bytes (9 to 15 mean 8, too), not {dlc}")
        return dlc or 0
    if len(data) > 8:
        raise BadRequest(f"a classic frame carries up to 8 bytes, not {len(data)}: add fd or shorten the data")
    code = _in_range(len(data) if dlc is None else dlc)
    if min(code, 8) != len(data):
        raise BadRequest(f"length code {code} means {min(code, 8)} data bytes, but there are {len(data)}")
    return code


def _fd_code(data: bytes, dlc: int | None) -> int:
    if len(data) > 64:
        raise BadRequest(f"a CAN FD frame carries up to 64 bytes, not {len(data)}: shorten the data")
    if dlc is None:
        return next(code for code, length in enumerate(FD_LENGTHS) if length >= len(data))
    if FD_LENGTHS[_in_range(dlc)] < len(data):
        raise BadRequest(f"length code {dlc} means {FD_LENGTHS[dlc]} data bytes, but there are {len(data)}")
    return dlc


def _in_range(dlc: int) -> int:
    if not 0 <= dlc <= 15:
        raise BadRequest(f"length code {dlc} does not fit into 4 bits: write one from 0 to 15")
    return dlc
