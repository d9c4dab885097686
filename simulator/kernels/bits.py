"""Controllers on one bus in step: all sample every bit at the same instant, each what it reads of those then dominant.

The loop stops where the caller has to answer (a frame is through, an attempt has failed, a controller has changed its
state), where nothing can happen any more, and at a limit; what the wire shows is noted on the way.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.controller import step
from simulator.kernels.jit import compiled
from simulator.kernels.layout import (
    ANCHOR_NS,
    BIT,
    BITS,
    BUS_OFF,
    DRIVE,
    EXACT,
    FIELD,
    FINISHED,
    FLIPPED,
    FRAME,
    HERTZ,
    IDLE,
    INTEGRATING,
    MUTE,
    NOTES,
    OPENED_NS,
    RATE,
    RESTING,
    SEEN,
    STATE,
    STOPS,
    STUCK,
    SUSPEND,
    TRACED,
    WANTS,
    Bytes,
    Ints,
)
from simulator.kernels.reading import begin

Floats = NDArray[np.float64]

#: Why the loop has stopped.
LIMIT, STOP, QUIET, UNKNOWN_SET, MIXED, FULL = range(6)
#: Columns of the trace before those of the controllers: start of the bit, its end, who drove, who read dominant.
TRACE = 4
#: The unit of ``clock``: duration of a nominal and of a data bit in ns, sample points as a part of the bit, and what
#: has passed since the anchor besides whole nominal bits, in ns.
NOMINAL_NS, DATA_NS, NOMINAL_POINT, DATA_POINT, MORE_NS = range(5)


@compiled
def place_of(keys: Ints, drive: int) -> int:
    """Where a set of drivers is, or would be, in the table of levels."""
    last = keys.shape[0] - 1
    k: int = (drive * 0x9E3779B1 >> 7) & last
    while keys[k] != drive and keys[k] != -1:
        k = (k + 1) & last
    return k


@compiled
def now_ns(world: Ints, clock: Floats) -> int:
    """Start of the bit that comes next."""
    t_ns: int = world[ANCHOR_NS] + world[BITS] * 1_000_000_000 // world[HERTZ] + round(clock[MORE_NS])
    return t_ns


@compiled
def anchor(world: Ints, clock: Floats, t_ns: int) -> None:
    """Count time from here on."""
    world[ANCHOR_NS] = t_ns
    world[BITS] = 0
    clock[MORE_NS] = 0.0


@compiled
def open_bit(rows: Ints, world: Ints, clock: Floats, t_ns: int) -> tuple[int, bool, bool]:
    """Start frames where one waits, once for each bit; (who drives, whether anything goes on, whether a frame does)."""
    drive, busy, rest = 0, False, True
    opened = world[OPENED_NS] == t_ns
    world[OPENED_NS] = t_ns
    for n in range(rows.shape[0]):
        state = rows[n, STATE]
        if state == IDLE and rows[n, WANTS] and not opened:
            begin(rows, n, t_ns)
            state = FRAME
            anchor(world, clock, t_ns)
        if state != IDLE and state != RESTING:
            busy = True
            if state not in (SUSPEND, INTEGRATING, BUS_OFF):
                rest = False
        drive |= (1 - rows[n, BIT]) << n
    return (drive & ~world[MUTE]) | world[STUCK], busy, rest


@compiled
def reads(
    rows: Ints, seen: Ints, held: int, drive: int, world: Ints, keys: Ints, dominant: Ints, undefined: Ints
) -> int:
    """Who reads dominant while this set drives; -1 if the table does not know the set yet."""
    world[DRIVE] = drive
    mask: int = held
    if world[EXACT]:
        at = place_of(keys, drive)
        if keys[at] != drive:
            return -1
        mask = dominant[at]
        for n in range(rows.shape[0]):
            if undefined[at] >> n & 1:
                mask |= (1 - rows[n, SEEN]) << n
    elif drive:
        for n in range(rows.shape[0]):
            if seen[n] & drive:
                mask |= 1 << n
    return mask


@compiled
def flipped(world: Ints, flips: Ints, t_ns: int, length_ns: float) -> int:
    """Whose sample is inverted in the bit that starts now."""
    mask = 0
    while world[FLIPPED] < flips.shape[0] and flips[world[FLIPPED], 0] < t_ns + length_ns:
        if flips[world[FLIPPED], 0] >= t_ns:
            mask ^= flips[world[FLIPPED], 1]
        world[FLIPPED] += 1
    return mask


@compiled
def _pass_time(rows: Ints, world: Ints, clock: Floats, before: int) -> int:
    """The bit is over: move on by its length; 1 in the data phase, 0 in the nominal, -1 where they differ."""
    after = rows[0, RATE]
    for n in range(1, rows.shape[0]):
        if rows[n, RATE] != after:
            return -1
    if before == 0 and after == 0:
        world[BITS] += 1
        return 0
    first = clock[DATA_NS] * clock[DATA_POINT] if before else clock[NOMINAL_NS] * clock[NOMINAL_POINT]
    last = clock[DATA_NS] * (1 - clock[DATA_POINT]) if after else clock[NOMINAL_NS] * (1 - clock[NOMINAL_POINT])
    clock[MORE_NS] += first + last
    return int(after)


@compiled
def write_trace(rows: Ints, world: Ints, trace: Ints, start_ns: int, mask: int) -> None:
    """Add a bit to the trace: its levels and every controller's state; its end comes later."""
    k = world[TRACED]
    trace[k, 0] = start_ns
    trace[k, 2] = world[DRIVE]
    trace[k, 3] = mask
    for n in range(rows.shape[0]):
        trace[k, TRACE + n] = rows[n, STATE] << 8 | rows[n, FIELD]


@compiled
def end_bit(world: Ints, clock: Floats, notes: Ints, first: int, trace: Ints, end_ns: int) -> None:
    """Give what was noted its time; a frame that is through starts the count of time anew."""
    if trace.shape[0]:
        trace[world[TRACED], 1] = end_ns
        world[TRACED] += 1
    for k in range(first, world[NOTES]):
        notes[k, 0] = end_ns
    if world[FINISHED]:
        world[FINISHED] = 0
        anchor(world, clock, end_ns)


@compiled
def run_bits(
    rows: Ints,
    world: Ints,
    clock: Floats,
    seen: Ints,
    held: int,
    wire: Bytes,
    sizes: Ints,
    data: Bytes,
    keys: Ints,
    dominant: Ints,
    undefined: Ints,
    flips: Ints,
    notes: Ints,
    trace: Ints,
    limit_ns: int,
) -> int:
    """Run until something stops it; no bit starts at ``limit_ns`` or later, and a bus at rest stops a bit earlier.

    ``flips`` (number, 2): instants, ascending, and masks of controllers whose sample is inverted in the bit there.
    """
    count = rows.shape[0]
    while True:
        t_ns = now_ns(world, clock)
        if t_ns >= limit_ns:
            return LIMIT
        drive, busy, rest = open_bit(rows, world, clock, t_ns)
        if not busy and drive == 0 and held == 0:
            return QUIET
        if rest and drive == 0 and t_ns + clock[NOMINAL_NS] > limit_ns:
            return LIMIT
        mask = reads(rows, seen, held, drive, world, keys, dominant, undefined)
        if mask < 0:
            return UNKNOWN_SET
        before = rows[0, RATE]
        if world[FLIPPED] < flips.shape[0]:
            mask ^= flipped(world, flips, t_ns, clock[DATA_NS] if before else clock[NOMINAL_NS])
        if trace.shape[0]:
            write_trace(rows, world, trace, t_ns, mask)
        first = world[NOTES]
        for n in range(count):
            bit = 1 - (mask >> n & 1)
            rows[n, SEEN] = bit
            step(rows, n, bit, seen, wire, sizes, data, world, notes, t_ns)
        if _pass_time(rows, world, clock, before) < 0:
            return MIXED
        end_bit(world, clock, notes, first, trace, now_ns(world, clock))
        if world[STOPS]:
            return STOP
        if notes.shape[0] - world[NOTES] < 4 * count or (trace.shape[0] and world[TRACED] == trace.shape[0]):
            return FULL
