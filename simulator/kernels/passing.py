"""Bits that pass quickly: those of a quiet bus in which controllers only count, and bodies of frames all agree on."""

from __future__ import annotations

from simulator.kernels.bus import NOMINAL_NS, Floats, catch_up, lowest, muster, now_ns, place_of, spend
from simulator.kernels.jit import compiled, inlined
from simulator.kernels.layout import (
    AT,
    AWAKE,
    BIT,
    BITS,
    BUS_OFF,
    COUNT,
    CRC_DELIMITER,
    DELIMITER,
    DOMINANTS,
    DRIVE,
    ELAPSED,
    EOF,
    FAILED,
    FIELD,
    FLAG,
    FLIPPED,
    FRAME,
    HERTZ,
    IDLE,
    IDLERS,
    INTEGRATING,
    INTERMISSION,
    LAGGING,
    LAST,
    LEADERS,
    LEFT,
    LINGERS,
    MUTE,
    OVERLOAD,
    OWN,
    PASSIVE_FLAG,
    RATE,
    RESTING,
    ROW,
    SEEN,
    SENDS,
    SEQUENCES,
    SHOWS,
    SKILL,
    SLOT,
    SPARED,
    STATE,
    STUCK,
    SUSPEND,
    SWITCHED,
    TOLD,
    TWIN,
    TWINS,
    WAITING,
    WANTS,
    WORDS,
    Bytes,
    Ints,
)
from simulator.kernels.reading import follow

#: More bits than any run is long.
MANY_BITS = 1 << 40


@inlined
def count_quiet(rows: Ints, n: int, bits: int) -> None:
    """So many recessive bits, none of which changes the state of controller ``n``."""
    counted = rows[n, COUNT] + bits
    if rows[n, STATE] == BUS_OFF:
        rows[n, SEQUENCES] -= counted // 11
        counted %= 11
    rows[n, COUNT] = counted


@inlined
def quiet_bits(rows: Ints, n: int) -> int:
    """How many recessive bits change nothing at controller ``n`` but a count; -1: even one may."""
    state = rows[n, STATE]
    bits = -1
    if rows[n, LINGERS]:
        bits = -1
    elif state == RESTING or (state == IDLE and rows[n, WANTS] == 0):
        bits = MANY_BITS
    elif state == BUS_OFF:
        bits = 11 * rows[n, SEQUENCES] - rows[n, COUNT] - 1
    elif state == INTEGRATING:
        bits = 10 - rows[n, COUNT]
    elif state == SUSPEND:
        bits = 7 - rows[n, COUNT]
    return bits


@inlined
def equal_bits(rows: Ints, n: int, bit: int) -> int:
    """How many more bits of a level change nothing at controller ``n`` but counts; not above 0: even one may."""
    state, counted = rows[n, STATE], rows[n, COUNT]
    bits = 0
    if state == PASSIVE_FLAG:
        if counted and rows[n, LAST] == bit and rows[n, SPARED] == 0:
            bits = 5 - counted
    elif bit:
        if state == DELIMITER:
            bits = 7 - counted
        elif state == INTERMISSION:
            bits = 2 - counted
        elif state == FRAME:
            bits = rows[n, LEFT] - 2 if rows[n, FIELD] == EOF else 0
        else:
            bits = quiet_bits(rows, n)
    elif state in (FLAG, OVERLOAD):
        bits = 5 - counted
    elif state == WAITING:
        bits = 7 - (counted & 7) if counted else 0
    elif state in (INTEGRATING, BUS_OFF):
        bits = MANY_BITS
    return bits


@inlined
def take_equal(rows: Ints, n: int, bit: int, bits: int) -> None:
    """So many bits of a level, none of which changes anything at controller ``n`` but counts."""
    state = rows[n, STATE]
    if rows[n, SENDS] and (state == FRAME or rows[n, FAILED]):
        rows[n, ELAPSED] += bits
        rows[n, DOMINANTS] += bits * (1 - rows[n, BIT])
    rows[n, TOLD] = 0
    if state == FRAME:
        rows[n, LEFT] -= bits
        rows[n, AT] += bits * rows[n, SENDS]
    elif bit:
        count_quiet(rows, n, bits)
    else:
        rows[n, COUNT] = 0 if state in (INTEGRATING, BUS_OFF) else rows[n, COUNT] + bits


@compiled
def repeat(rows: Ints, mask: int, world: Ints, clock: Floats, limit_ns: int) -> None:
    """Pass over bits like the last one in which controllers only count; a bit before the limit is left.

    Flags, delimiters, the end of a frame, and the wait for recessive bits.
    """
    bits: int = MANY_BITS
    drive, left = 0, world[AWAKE]
    while left and bits > 0:
        n = lowest(left)
        left &= left - 1
        bits = min(bits, equal_bits(rows, n, 1 - (mask >> n & 1)))
        drive |= (1 - rows[n, BIT]) << n
    if bits <= 0 or (drive & ~world[MUTE]) | world[STUCK] != world[DRIVE]:
        return
    bits = min(bits, (limit_ns - now_ns(world, clock)) * world[HERTZ] // 1_000_000_000 - 2)
    if bits <= 0:
        return
    left = world[AWAKE]
    while left:
        n = lowest(left)
        left &= left - 1
        take_equal(rows, n, 1 - (mask >> n & 1), bits)
    for n in range(rows.shape[0]):
        rows[n, SEEN] = 1 - (mask >> n & 1)
    world[BITS] += bits


@compiled
def cruiser(rows: Ints, world: Ints, keys: Ints, masks: Ints) -> int:
    """The transmitter that is alone in a frame's body, with all the others reading as it does, or out of it; or -1."""
    m, awake = -1, world[AWAKE]
    while awake:
        n = lowest(awake)
        awake &= awake - 1
        if rows[n, SENDS] and rows[n, STATE] == FRAME:
            if m >= 0:
                return -1
            m = n
    if m < 0 or rows[m, FIELD] >= CRC_DELIMITER or world[LAGGING] or world[STUCK] or world[MUTE] >> m & 1:
        return -1
    at, silent = place_of(keys, 1 << m), place_of(keys, 0)
    if masks[2, at] or masks[2, silent] or (rows[m, OWN + rows[m, SLOT]] & SWITCHED and masks[3, at]):
        return -1
    if keys[at] != 1 << m or keys[silent] or masks[1, silent] or masks[0, silent] or masks[0, at] >> m & 1 == 0:
        return -1
    return m


@compiled
def gather(rows: Ints, m: int, world: Ints, heard: int) -> None:
    """Who has lost arbitration to the transmitter has read what it has, and is read for by it from now on."""
    left = world[AWAKE] & heard & ~(1 << m)
    while left:
        n = lowest(left)
        left &= left - 1
        same = rows[n, STATE] == FRAME and rows[n, SENDS] == 0
        same = same and rows[n, SKILL] == rows[m, SKILL] and rows[n, RATE] == rows[m, RATE]
        field = FIELD
        while same and field < ROW:
            same = rows[n, field] == rows[m, field]
            field = WORDS if field == SEEN else field + 1
        if same:
            if world[LEADERS] >> n & 1:
                for k in range(rows.shape[0]):
                    if rows[k, TWIN] == n + 1:
                        rows[k, TWIN] = m + 1
                world[LEADERS] &= ~(1 << n)
            rows[n, TWIN] = m + 1
            world[AWAKE] &= ~(1 << n)
            world[TWINS] |= 1 << n
            world[LEADERS] |= 1 << m


@compiled
def cruise_bits(rows: Ints, m: int, keys: Ints, masks: Ints) -> int:
    """For how many bits of the transmitter's frame nobody else needs to look at them; those who hear nothing count."""
    bits: int = MANY_BITS
    at = place_of(keys, 1 << m)
    switched = rows[m, OWN + rows[m, SLOT]] & SWITCHED
    for n in range(rows.shape[0]):
        if n == m or rows[n, TWIN] == m + 1:
            if masks[0, at] >> n & 1 == 0:
                return 0
        elif masks[0, at] >> n & 1:
            if rows[n, STATE] not in (RESTING, BUS_OFF, INTEGRATING):
                return 0
        elif masks[1, at] >> n & 1 == 0 or rows[n, SEEN]:
            bits = min(bits, quiet_bits(rows, n))
        else:
            return 0
        if switched and rows[n, STATE] in (BUS_OFF, INTEGRATING, SUSPEND):
            return 0  # it counts nominal bits
    return bits


@compiled
def cruise(
    rows: Ints, m: int, world: Ints, clock: Floats, wire: Bytes, sizes: Ints, flips: Ints, heard: int, most: int,
    limit_ns: int,
) -> None:  # fmt: skip
    """Run the body of a frame on which everybody agrees: only its transmitter needs to look at the bits."""
    quiet = bit = done = 0
    slot, shows = rows[m, SLOT], rows[m, SHOWS]
    next_flip_ns = flips[world[FLIPPED], 0] if world[FLIPPED] < flips.shape[0] else 1 << 62
    while rows[m, FIELD] < CRC_DELIMITER and done < most:
        t_ns = now_ns(world, clock)
        before = rows[m, RATE]
        if t_ns >= limit_ns or t_ns + clock[NOMINAL_NS] >= next_flip_ns:
            break
        bit = rows[m, BIT]
        quiet = quiet + 1 if bit else 0
        done += 1
        rows[m, ELAPSED] += 1
        rows[m, DOMINANTS] += 1 - bit
        follow(rows, m, bit)
        at = rows[m, AT] + 1
        rows[m, AT] = at
        rows[m, BIT] = wire[m, slot, shows, at]
        spend(clock, world, before, rows[m, RATE])
    if done == 0:
        return
    for n in range(rows.shape[0]):
        if heard >> n & 1 == 0:
            rows[n, SEEN] = 1
            if rows[n, STATE] not in (IDLE, RESTING):
                count_quiet(rows, n, done)
            continue
        rows[n, SEEN] = bit
        if rows[n, STATE] in (BUS_OFF, INTEGRATING):
            rows[n, COUNT] = rows[n, COUNT] + done if quiet == done else quiet
        elif rows[n, STATE] == RESTING:
            muster(rows, n, world)
        elif rows[n, TWIN] and rows[m, FIELD] >= CRC_DELIMITER:
            catch_up(rows, n)
            world[TWINS] &= ~(1 << n)
            world[LEADERS] &= ~(1 << m)
            muster(rows, n, world)


@compiled
def hurry(
    rows: Ints, mask: int, steady: bool, world: Ints, clock: Floats, wire: Bytes, sizes: Ints, keys: Ints, masks: Ints,
    flips: Ints, limit_ns: int,
) -> None:  # fmt: skip
    """Pass quickly over bits to come in which nothing happens that anybody would answer.

    ``mask``: who has sampled dominant in the last bit; ``steady``: no line was slow in it and no sample inverted. An
    inverted sample can hide that a line is slow.
    """
    m = cruiser(rows, world, keys, masks) if mask else -1
    if m >= 0:
        heard = masks[0, place_of(keys, 1 << m)]
        most = cruise_bits(rows, m, keys, masks)
        if most == 0:
            gather(rows, m, world, heard)
            most = cruise_bits(rows, m, keys, masks)
        if most > 0:
            cruise(rows, m, world, clock, wire, sizes, flips, heard, most, limit_ns)
    elif steady and mask & world[IDLERS] == 0 and world[TWINS] == 0 and world[FLIPPED] == flips.shape[0]:
        repeat(rows, mask, world, clock, limit_ns)
