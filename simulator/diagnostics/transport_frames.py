"""The four frames of ISO 15765-2 (N_PCI), read and written; normal addressing. ISO 15765-2:2016, 9.6."""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

_MS_NS, _US_NS = 1_000_000, 1_000
#: A message longer than this needs the long form of the first frame (9.6.3).
SHORT_LIMIT = 0xFFF
FLOW_CONTROL_BYTES = 3
_SINGLE, _FIRST, _CONSECUTIVE, _FLOW_CONTROL = range(4)


class FlowStatus(IntEnum):
    """Flow status of a flow control frame (9.6.5); any other value is invalid."""

    CONTINUE = 0
    WAIT = 1
    OVERFLOW = 2
    INVALID = 3


class Single(NamedTuple):
    """A whole message in one frame."""

    payload: bytes


class First(NamedTuple):
    """The first frame of a message of ``length`` byte; ``frame_size`` (RX_DL) is that of all but the last."""

    length: int
    payload: bytes
    frame_size: int


class Consecutive(NamedTuple):
    """A further frame of a message, counted 1 to 15, then from 0 on."""

    number: int
    payload: bytes


class FlowControl(NamedTuple):
    """What the receiver asks for: status, frames per block (0: all), pause between frames as coded."""

    status: FlowStatus
    block_size: int
    st_min: int


def read_frame(data: bytes) -> Single | First | Consecutive | FlowControl | None:
    """The frame in the data of a CAN frame, or None where the standard says to ignore it."""
    if not data:
        return None
    kind, low = data[0] >> 4, data[0] & 0xF
    if kind == _SINGLE:
        return _read_single(data, low)
    if kind == _FIRST:
        return _read_first(data, low)
    if kind == _CONSECUTIVE:
        return Consecutive(low, data[1:]) if len(data) > 1 else None
    if kind == _FLOW_CONTROL and len(data) >= FLOW_CONTROL_BYTES:
        return FlowControl(FlowStatus(low) if low < FlowStatus.INVALID else FlowStatus.INVALID, data[1], data[2])
    return None


def _read_single(data: bytes, low: int) -> Single | None:
    """9.6.2: up to 8 byte the length is in the first byte; longer CAN FD frames have it in the second."""
    if len(data) <= 8:
        return Single(data[1 : 1 + low]) if 1 <= low <= len(data) - 1 else None
    if low or not single_limit(8) < data[1] <= len(data) - 2:
        return None
    return Single(data[2 : 2 + data[1]])


def _read_first(data: bytes, low: int) -> First | None:
    """9.6.3: a message that would have fitted into a single frame, or one in the wrong form, is ignored."""
    if len(data) < 8:
        return None
    length, start = low << 8 | data[1], 2
    if length == 0:
        length, start = int.from_bytes(data[2:6], "big"), 6
        if length <= SHORT_LIMIT:
            return None
    if length <= single_limit(len(data)):
        return None
    return First(length, data[start:], len(data))


def single_limit(frame_size: int) -> int:
    """The longest message that fits into a single frame of this size."""
    return frame_size - 1 if frame_size <= 8 else frame_size - 2


def single_frame(payload: bytes) -> bytes:
    """A single frame without padding; of more than 7 byte in the long form."""
    head = (len(payload),) if len(payload) <= 7 else (0, len(payload))
    return bytes((*head, *payload))


def first_frame(payload: bytes, frame_size: int) -> tuple[bytes, int]:
    """A first frame, and how much of the payload is in it."""
    length = len(payload)
    head = (
        bytes((0x10 | length >> 8, length & 0xFF)) if length <= SHORT_LIMIT else b"\x10\x00" + length.to_bytes(4, "big")
    )
    taken = frame_size - len(head)
    return head + payload[:taken], taken


def consecutive_frame(payload: bytes, position: int, number: int, frame_size: int) -> tuple[bytes, int]:
    """A consecutive frame without padding, and the position in the payload after it."""
    after = min(position + frame_size - 1, len(payload))
    return bytes((0x20 | number, *payload[position:after])), after


def flow_control_frame(status: FlowStatus, block_size: int, st_min: int) -> bytes:
    """A flow control frame without padding."""
    return bytes((0x30 | status, block_size, st_min))


def st_min_ns(coded: int) -> int:
    """The pause between consecutive frames in ns: up to 127 ms, 100 to 900 us; reserved codes: 127 ms (9.6.5)."""
    if coded <= 0x7F:
        return coded * _MS_NS
    return (coded - 0xF0) * 100 * _US_NS if 0xF1 <= coded <= 0xF9 else 0x7F * _MS_NS
