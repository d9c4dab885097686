"""Bits that pass quickly: those of a quiet bus in which controllers only count, and bodies of frames all agree on."""

from __future__ import annotations

from simulator.kernels.bus import NOMINAL_NS, Floats, catch_up, muster, now_ns, place_of, spend
from simulator.kernels.jit import compiled, inlined
from simulator.kernels.layout import (
    AT,
    AWAKE,
    BIT,
    BITS,
    BUS_OFF,
    COUNT,
    CRC_DELIMITER,
    DOMINANTS,
    ELAPSED,
    FIELD,
    FLIPPED,
    FRAME,
    HELD,
    HERTZ,
    IDLE,
    INTEGRATING,
    LEADERS,
    LINGERS,
    MUTE,
    OWN,
    RATE,
    RESTING,
    SEEN,
    SENDS,
    SEQUENCES,
    SHOWS,
    SLOT,
    SLOW,
    STATE,
    STUCK,
    SUSPEND,
    SWITCHED,
    TWIN,
    TWINS,
    WANTS,
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


@compiled
def rest(rows: Ints, world: Ints, clock: Floats, limit_ns: int) -> None:
    """Pass over the bits of a quiet bus in which controllers only count; a bit before the limit is left."""
    bits: int = (limit_ns - now_ns(world, clock)) * world[HERTZ] // 1_000_000_000 - 2
    for n in range(rows.shape[0]):
        if world[AWAKE] >> n & 1:
            bits = min(bits, quiet_bits(rows, n))
    if bits <= 0:
        return
    for n in range(rows.shape[0]):
        rows[n, SEEN] = 1
        if rows[n, STATE] not in (IDLE, RESTING):
            count_quiet(rows, n, bits)
    world[BITS] += bits


@compiled
def cruiser(rows: Ints, world: Ints, keys: Ints, masks: Ints) -> int:
    """The transmitter that is alone in a frame's body, with all the others reading as it does, or out of it; or -1."""
    m, awake = -1, world[AWAKE]
    for n in range(rows.shape[0]):
        if awake >> n & 1 and rows[n, SENDS] and rows[n, STATE] == FRAME:
            if m >= 0:
                return -1
            m = n
    if m < 0 or rows[m, FIELD] >= CRC_DELIMITER or world[SLOW] or world[STUCK] or world[MUTE] >> m & 1:
        return -1
    at, silent = place_of(keys, 1 << m), place_of(keys, 0)
    if keys[at] != 1 << m or keys[silent] or masks[1, silent] or masks[0, silent] or masks[0, at] >> m & 1 == 0:
        return -1
    return m


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
        elif rows[n, TWIN] and rows[m, FIELD] >= CRC_DELIMITER:
            catch_up(rows, n)
            world[TWINS] &= ~(1 << n)
            world[LEADERS] &= ~(1 << m)
            muster(rows, n, world)


@compiled
def hurry(
    rows: Ints, mask: int, resting: bool, world: Ints, clock: Floats, wire: Bytes, sizes: Ints, keys: Ints, masks: Ints,
    flips: Ints, limit_ns: int,
) -> None:  # fmt: skip
    """Pass quickly over bits to come in which nothing happens that anybody would answer."""
    if mask:
        m = cruiser(rows, world, keys, masks)
        if m >= 0:
            most = cruise_bits(rows, m, keys, masks)
            cruise(rows, m, world, clock, wire, sizes, flips, masks[0, place_of(keys, 1 << m)], most, limit_ns)
    elif resting and world[HELD] == 0 and world[STUCK] == 0 and world[FLIPPED] == flips.shape[0]:
        rest(rows, world, clock, limit_ns)
