"""What controllers notice besides frames: errors with their place, lost arbitration, overload, undetected errors."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.kernels import layout

#: Kinds of error by number. Bosch CAN Specification 2.0 (1991), 11.1; "bit 1": sent recessive, read dominant.
ERROR_KINDS: tuple[str, ...] = ("bit 1", "bit 0", "stuff", "form", "crc", "ack")
#: Fields of a frame by number, in the order of the wire.
FIELDS: tuple[str, ...] = (
    "SOF", "ID", "RTR", "IDE", "ID extension", "RTR extended", "FDF", "r0", "res", "BRS", "ESI", "DLC", "data",
    "stuff count", "CRC", "CRC delimiter", "ACK slot", "ACK delimiter", "EOF",
)  # fmt: skip
#: What a controller is, by number in its row.
STATUS: tuple[str, ...] = ("error active", "error passive", "bus off")
#: States of a controller by number.
STATES: tuple[str, ...] = (
    "integrating", "idle", "frame", "error flag", "passive error flag", "overload flag", "after a flag", "delimiter",
    "intermission", "suspend", "bus off", "bus off, waiting",
)  # fmt: skip

_PLACES = FIELDS + ("",) * (32 - len(FIELDS)) + STATES


class Trouble(NamedTuple):
    """Something a controller has noticed; ``kind``: an error, "lost arbitration", "overload" or "undetected".

    ``t_ns`` is the end of the bit in which it was noticed, ``place`` the field of the frame or the state, ``left`` the
    bits left of that field; counters are those after it. "undetected": a frame was accepted that nobody has sent.
    """

    t_ns: int
    node: str
    kind: str
    place: str
    transmitting: bool
    left: int
    transmit_errors: int
    receive_errors: int


def kind_and_place(what: int, a: int) -> int:
    """That part of a note of the kernel which says what was noticed where, without who sent and how many bits left."""
    return 0 if what == layout.UNDETECTED else a & 0xFFF


def last_of_each(notes: NDArray[np.int64], told_apart: int = 0xFFF) -> list[tuple[list[int], int]]:
    """Of notes the last one of each controller, kind and place, in order, and how many there were of it.

    ``told_apart``: what of their ``a`` matters; 0x1FFF: whether the controller was sending, too.
    """
    latest = notes[::-1]
    _, what, who, a, _ = latest.T
    _, at, counts = np.unique(who << 20 | what << 16 | a & told_apart, return_index=True, return_counts=True)
    order = np.argsort(-at)
    return list(zip(latest[at[order]].tolist(), counts[order].tolist(), strict=True))


def trouble_of(t_ns: int, what: int, node: str, a: int, b: int) -> Trouble:
    """From a note of the kernel."""
    counters = b >> 16, b & 0xFFFF
    if what == layout.ERROR:
        place = _PLACES[a >> 4 & 0xFF]
        return Trouble(t_ns, node, ERROR_KINDS[a & 15], place, bool(a >> 12 & 1), a >> 16, *counters)
    if what == layout.LOST:
        return Trouble(t_ns, node, "lost arbitration", FIELDS[a & 0xFFFF], True, a >> 16, *counters)
    if what == layout.OVERLOADED:
        return Trouble(t_ns, node, "overload", STATES[a], False, 0, *counters)
    return Trouble(t_ns, node, "undetected", "EOF", False, 0, *counters)
