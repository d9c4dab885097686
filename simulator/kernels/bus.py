"""What all controllers on one bus share: its clock, the levels of who drives, slow lines, who reads for whom."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.jit import compiled, inlined, plain_for_python
from simulator.kernels.layout import (
    ANCHOR_NS,
    AWAKE,
    BITS,
    DRIVE,
    FIELD,
    HERTZ,
    IDLE,
    IDLERS,
    LAGGING,
    LEADERS,
    LINGERS,
    RATE,
    RESTERS,
    RESTING,
    RISEN,
    ROW,
    SEEN,
    STATE,
    TWIN,
    TWINS,
    WANTS,
    WORDS,
    Ints,
)

Floats = NDArray[np.float64]

#: The unit of ``clock``: duration of a nominal and of a data bit in ns, sample points as a part of the bit, and what
#: has passed since the anchor besides whole nominal bits, in ns.
NOMINAL_NS, DATA_NS, NOMINAL_POINT, DATA_POINT, MORE_NS = range(5)
#: Of the number that says how slow a line is, where that for bits of the data phase begins, and how many bits it has.
DATA_LAG, LAG = 16, 0xFFFF
#: By remainder modulo 67, which differs for all of them, the number of a bit.
_NUMBERS = np.zeros(67, np.int64)
_NUMBERS[[(1 << number) % 67 for number in range(63)]] = range(63)


@inlined
def lowest(mask: int) -> int:
    """Number of the lowest bit of a mask that has any."""
    number: int = _NUMBERS[(mask & -mask) % 67]
    return number


@inlined
def place_of(keys: Ints, drive: int) -> int:
    """Where a set of drivers is, or would be, in the table of levels."""
    last = keys.shape[0] - 1
    k: int = ((drive ^ drive >> 30) & 0x3FFFFFFF) * 0x9E3779B1 >> 7 & last
    while keys[k] != drive and keys[k] != -1:
        k = (k + 1) & last
    return k


@inlined
def now_ns(world: Ints, clock: Floats) -> int:
    """Start of the bit that comes next."""
    t_ns: int = world[ANCHOR_NS] + world[BITS] * 1_000_000_000 // world[HERTZ] + round(clock[MORE_NS])
    return t_ns


@plain_for_python
def anchor(world: Ints, clock: Floats, t_ns: int) -> None:
    """Count time from here on."""
    world[ANCHOR_NS] = t_ns
    world[BITS] = 0
    clock[MORE_NS] = 0.0


@inlined
def muster(rows: Ints, n: int, world: Ints) -> None:
    """Put controller ``n``, no twin, into the mask it belongs to."""
    state, own = rows[n, STATE], 1 << n
    world[AWAKE] |= own
    world[IDLERS] &= ~own
    if state == IDLE and rows[n, WANTS] == 0:
        world[AWAKE] ^= own
        world[IDLERS] |= own
    elif state == RESTING:
        world[AWAKE] ^= own
        world[RESTERS] = world[RESTERS] & ~own | (1 - rows[n, SEEN]) << n


@compiled
def muster_all(rows: Ints, world: Ints) -> None:
    """All masks anew: the caller may have changed anything."""
    for k in (AWAKE, TWINS, LEADERS, IDLERS, LAGGING, RESTERS):
        world[k] = 0
    for n in range(rows.shape[0]):
        if rows[n, TWIN]:
            world[TWINS] |= 1 << n
            world[LEADERS] |= 1 << (rows[n, TWIN] - 1)
        else:
            muster(rows, n, world)
        if rows[n, LINGERS] or rows[n, RISEN]:
            world[LAGGING] |= 1 << n


@inlined
def reads(rows: Ints, drive: int, world: Ints, keys: Ints, masks: Ints) -> int:
    """Who is shown dominant while this set drives; -1 if the table does not know the set yet.

    ``masks`` (4, places in the table): who is shown dominant, whose level is neither, who has slow lines, and who in
    the data phase.
    """
    world[DRIVE] = drive
    at = place_of(keys, drive)
    if keys[at] != drive:
        return -1
    mask: int = masks[0, at]
    floating = masks[1, at]
    while floating:
        n = lowest(floating)
        floating &= floating - 1
        mask |= (1 - rows[rows[n, TWIN] - 1 if rows[n, TWIN] else n, SEEN]) << n
    return mask


@inlined
def lagged(rows: Ints, n: int, dominant: int, lag: int) -> int:
    """What controller ``n`` samples of a level on slow lines; ``lag``: bits too late to come, and 256 times to go."""
    if dominant:
        if rows[n, RISEN] < lag & 255:
            rows[n, RISEN] += 1
            return 0
        rows[n, LINGERS] = lag >> 8
        return 1
    rows[n, RISEN] = 0
    if rows[n, LINGERS]:
        rows[n, LINGERS] -= 1
        return 1
    return 0


@compiled
def change_rate(rows: Ints, mask: int, before: int, after: int, ratio: int) -> None:
    """What these controllers have missed, or go on reading, in bits of the other rate."""
    for n in range(rows.shape[0]):
        if mask >> n & 1:
            for field in (RISEN, LINGERS):
                if after > before:
                    rows[n, field] *= ratio
                elif after < before:
                    rows[n, field] //= ratio


@inlined
def spend(clock: Floats, world: Ints, before: int, after: int) -> None:
    """The bit is over: move on by its length; its rate may have changed at the sample point."""
    if before == 0 and after == 0:
        world[BITS] += 1
    else:
        first = clock[DATA_NS] * clock[DATA_POINT] if before else clock[NOMINAL_NS] * clock[NOMINAL_POINT]
        last = clock[DATA_NS] * (1 - clock[DATA_POINT]) if after else clock[NOMINAL_NS] * (1 - clock[NOMINAL_POINT])
        clock[MORE_NS] += first + last


@plain_for_python
def catch_up(rows: Ints, n: int) -> None:
    """Take over what the twin has read; from here on a controller reads by itself."""
    m = rows[n, TWIN] - 1
    rows[n, TWIN] = 0
    rows[n, RATE] = rows[m, RATE]
    for field in range(FIELD, SEEN + 1):
        rows[n, field] = rows[m, field]
    for word in range(WORDS, ROW):
        rows[n, word] = rows[m, word]
