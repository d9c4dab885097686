"""The bits of a frame for the wire, quickly: for frames with fresh data thousands of times a second.

Sources: Bosch CAN Specification 2.0 (1991), part B, 10.3 and 10.7; Bosch CAN FD Specification 1.0 (2012), 3.2.1 and 5;
ISO 11898-1:2015 for the stuff count and the CRC start values.
"""

from __future__ import annotations

from simulator.kernels.jit import PLAIN_RUNS, compiled, compiled_after
from simulator.kernels.layout import EXTENDED, FD, REMOTE, SWITCHED, Bytes
from simulator.kernels.reading import checksum

#: The longest frame: CAN FD, extended, 64 bytes, 135 stuff bits; with some room.
LONGEST_BITS = 768
#: CRC delimiter, ACK slot, ACK delimiter, EOF.
_TAIL = 10


@compiled
def _put(out: Bytes, at: int, value: int, width: int) -> int:
    for shift in range(width - 1, -1, -1):
        out[at] = value >> shift & 1
        at += 1
    return at


@compiled
def _head(plain: Bytes, frame_id: int, form: int, shows: int, code: int) -> int:
    """SOF up to DLC, without stuff bits."""
    remote = 1 if form & REMOTE else 0
    at = _put(plain, 0, 0, 1)
    if form & EXTENDED:
        at = _put(plain, at, frame_id >> 18, 11)
        at = _put(plain, at, 3, 2)
        at = _put(plain, at, frame_id & 0x3FFFF, 18)
        at = _put(plain, at, remote, 1)
    else:
        at = _put(plain, at, frame_id, 11)
        at = _put(plain, at, remote << 1, 2)
    if form & FD:
        at = _put(plain, at, 8 | (2 if form & SWITCHED else 0) | shows, 4)
    else:
        at = _put(plain, at, 0, 2 if form & EXTENDED else 1)
    return _put(plain, at, code, 4)


@compiled
def _stuff(out: Bytes, plain: Bytes, count: int, last_too: bool) -> int:
    """Put in a complement after five equal bits, after the last one only if ``last_too``; the length."""
    at, run, last = 0, 0, 2
    for k in range(count):
        bit = plain[k]
        run = run + 1 if bit == last else 1
        last = bit
        out[at] = bit
        at += 1
        if run == 5 and (last_too or k < count - 1):
            last = 1 - bit
            run = 1
            out[at] = last
            at += 1
    return at


@compiled
def _fixed(out: Bytes, at: int, value: int, width: int) -> int:
    """Bits with a fixed stuff bit before every fourth of them."""
    for k in range(width):
        if k % 4 == 0:
            out[at] = 1 - out[at - 1]
            at += 1
        out[at] = value >> (width - 1 - k) & 1
        at += 1
    return at


@compiled_after(PLAIN_RUNS)
def write_bits(
    out: Bytes, plain: Bytes, frame_id: int, form: int, shows: int, code: int, data: Bytes, size: int
) -> int:
    """Write the bits of a frame, SOF to EOF, not acknowledged, into ``out``; returns how many. ``plain``: to work in.

    ``form``: sum of EXTENDED, REMOTE, FD and SWITCHED; ``shows``: ESI; ``code``: DLC; ``size``: number of data bytes.
    """
    count = _head(plain, frame_id, form, shows, code)
    for k in range(size):
        count = _put(plain, count, data[k], 8)
    if form & FD == 0:
        register = 0
        for k in range(count):
            register = checksum(register, plain[k], 15, 0x4599)
        count = _put(plain, count, register, 15)
        at = _stuff(out, plain, count, True)
    else:
        at = _stuff(out, plain, count, False)
        stuffed = (at - count) & 7
        gray = stuffed ^ (stuffed >> 1)
        sbc = gray << 1 | ((gray ^ (gray >> 1) ^ (gray >> 2)) & 1)
        width, polynomial = (17, 0x1685B) if size <= 16 else (21, 0x102899)
        register = 1 << (width - 1)
        for k in range(at):
            register = checksum(register, out[k], width, polynomial)
        for shift in range(3, -1, -1):
            register = checksum(register, sbc >> shift & 1, width, polynomial)
        at = _fixed(out, at, sbc << width | register, 4 + width)
    for _ in range(_TAIL):
        out[at] = 1
        at += 1
    return at
