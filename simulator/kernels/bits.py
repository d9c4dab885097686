"""Controllers on one bus in step: all sample every bit at the same instant, each what it reads of those then dominant.

The loop stops where the caller has to answer (a frame is through, an attempt has failed, a controller has changed its
state), where nothing can happen any more, and at a limit; what the wire shows is noted on the way.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.controller import step
from simulator.kernels.jit import compiled, inlined
from simulator.kernels.layout import (
    ALONE,
    ANCHOR_NS,
    AT,
    BIT,
    BITS,
    BUS_OFF,
    COUNT,
    CRC_DELIMITER,
    DOMINANTS,
    DRIVE,
    ELAPSED,
    FIELD,
    FINISHED,
    FIRST_NOTE,
    FLIPPED,
    FRAME,
    HELD,
    HERTZ,
    ID,
    IDLE,
    INTEGRATING,
    INTERMISSION,
    LEFT,
    LINGERS,
    MUTE,
    NOTES,
    OFFERED_NS,
    OPENED_NS,
    RATE,
    RESTING,
    RISEN,
    ROW,
    SEEN,
    SENDS,
    SHOWS,
    SKILL,
    SLOT,
    SLOW,
    STATE,
    STOPS,
    STUCK,
    SUSPEND,
    TOLD,
    TRACED,
    TWIN,
    VERDICT,
    WANTS,
    WORDS,
    Bytes,
    Ints,
    fail,
)
from simulator.kernels.reading import begin, follow

Floats = NDArray[np.float64]

#: Why the loop has stopped.
LIMIT, STOP, QUIET, UNKNOWN_SET, MIXED, FULL = range(6)
#: Columns of the trace before those of the controllers: start of the bit, its end, who drove, who read dominant.
TRACE = 4
#: The unit of ``clock``: duration of a nominal and of a data bit in ns, sample points as a part of the bit, and what
#: has passed since the anchor besides whole nominal bits, in ns.
NOMINAL_NS, DATA_NS, NOMINAL_POINT, DATA_POINT, MORE_NS = range(5)


@inlined
def place_of(keys: Ints, drive: int) -> int:
    """Where a set of drivers is, or would be, in the table of levels."""
    last = keys.shape[0] - 1
    k: int = (drive * 0x9E3779B1 >> 7) & last
    while keys[k] != drive and keys[k] != -1:
        k = (k + 1) & last
    return k


@inlined
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


@inlined
def open_bit(rows: Ints, world: Ints, clock: Floats, t_ns: int) -> tuple[int, bool, bool]:
    """Start frames where one waits, once for each bit; (who drives, whether anything goes on, whether a frame does)."""
    drive, busy, rest = 0, False, True
    opened = world[OPENED_NS] == t_ns
    world[OPENED_NS] = t_ns
    for n in range(rows.shape[0]):
        state = rows[n, STATE]
        if state == IDLE or (state == INTERMISSION and rows[n, COUNT] == 2):
            world[OFFERED_NS] = t_ns
        if state == IDLE and rows[n, WANTS] and not opened:
            begin(rows, n, t_ns)
            state = FRAME
            anchor(world, clock, t_ns)
        if rows[n, LINGERS] or (state != IDLE and state != RESTING):
            busy = True
            if state not in (SUSPEND, INTEGRATING, BUS_OFF):
                rest = False
        drive |= (1 - rows[n, BIT]) << n
    return (drive & ~world[MUTE]) | world[STUCK], busy, rest


@inlined
def reads(rows: Ints, drive: int, world: Ints, keys: Ints, masks: Ints) -> int:
    """Who is shown dominant while this set drives; -1 if the table does not know the set yet."""
    world[DRIVE] = drive
    at = place_of(keys, drive)
    if keys[at] != drive:
        return -1
    mask: int = masks[0, at]
    if masks[1, at]:
        for n in range(rows.shape[0]):
            if masks[1, at] >> n & 1:
                mask |= (1 - rows[n, SEEN]) << n
    return mask


@compiled
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
def all_lagged(rows: Ints, shown: int, lag: Ints) -> int:
    """Who samples dominant on slow lines of those who are shown it; ``lag`` (controllers,)."""
    mask = 0
    for n in range(rows.shape[0]):
        mask |= lagged(rows, n, shown >> n & 1, lag[n]) << n
    return mask


@inlined
def flipped(world: Ints, flips: Ints, t_ns: int, length_ns: float) -> int:
    """Whose sample is inverted in the bit that starts now."""
    mask = 0
    while world[FLIPPED] < flips.shape[0] and flips[world[FLIPPED], 0] < t_ns + length_ns:
        if flips[world[FLIPPED], 0] >= t_ns:
            mask ^= flips[world[FLIPPED], 1]
        world[FLIPPED] += 1
    return mask


@inlined
def spend(clock: Floats, world: Ints, before: int, after: int) -> None:
    """The bit is over: move on by its length; its rate may have changed at the sample point."""
    if before == 0 and after == 0:
        world[BITS] += 1
    else:
        first = clock[DATA_NS] * clock[DATA_POINT] if before else clock[NOMINAL_NS] * clock[NOMINAL_POINT]
        last = clock[DATA_NS] * (1 - clock[DATA_POINT]) if after else clock[NOMINAL_NS] * (1 - clock[NOMINAL_POINT])
        clock[MORE_NS] += first + last


@inlined
def _rate(rows: Ints) -> int:
    """1 in the data phase, 0 in the nominal, -1 where controllers differ."""
    rate: int = -1
    for n in range(rows.shape[0]):
        if rows[n, TWIN] == 0:
            if rate >= 0 and rows[n, RATE] != rate:
                return -1
            rate = rows[n, RATE]
    return rate


@compiled
def write_trace(rows: Ints, world: Ints, trace: Ints, start_ns: int, mask: int) -> None:
    """Add a bit to the trace: its levels and every controller's state; its end comes later."""
    k = world[TRACED]
    trace[k, 0] = start_ns
    trace[k, 2] = world[DRIVE]
    trace[k, 3] = mask
    for n in range(rows.shape[0]):
        m = rows[n, TWIN] - 1 if rows[n, TWIN] else n
        trace[k, TRACE + n] = rows[n, STATE] << 8 | rows[m, FIELD]


@inlined
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
def catch_up(rows: Ints, n: int) -> None:
    """Take over what the twin has read; from here on a controller reads by itself."""
    m = rows[n, TWIN] - 1
    rows[n, TWIN] = 0
    rows[n, RATE] = rows[m, RATE]
    for field in range(FIELD, SEEN):
        rows[n, field] = rows[m, field]
    for word in range(WORDS, ROW):
        rows[n, word] = rows[m, word]


@compiled
def _part(rows: Ints, n: int, bit: int, wire: Bytes, sizes: Ints, world: Ints, notes: Ints, t_ns: int) -> None:
    """The twin has come to the end of the CRC or has met an error: so has this one, unless it was one in sending."""
    m = rows[n, TWIN] - 1
    catch_up(rows, n)
    if rows[m, TOLD] & ALONE:
        step(rows, n, bit, wire, sizes, world, notes, t_ns)
    elif rows[m, TOLD]:
        rows[n, VERDICT] = rows[m, TOLD]
        fail(rows, n, world, notes)
    elif rows[m, STATE] != FRAME:
        rows[n, STATE] = rows[m, STATE]
        rows[n, COUNT] = 0


@inlined
def sample(rows: Ints, mask: int, wire: Bytes, sizes: Ints, world: Ints, notes: Ints, t_ns: int) -> None:
    """Every controller takes its bit; receivers that have read the same since SOF are read for by one of them."""
    count = rows.shape[0]
    twins, first, fresh = False, -1, 0
    for n in range(count):
        m = rows[n, TWIN] - 1
        if m >= 0:
            if (mask >> n ^ mask >> m) & 1 == 0:
                twins = True
                continue
            catch_up(rows, n)
        state = rows[n, STATE]
        step(rows, n, 1 - (mask >> n & 1), wire, sizes, world, notes, t_ns)
        if rows[n, STATE] == FRAME and rows[n, FIELD] == ID and rows[n, LEFT] == 11:
            if first < 0 or rows[n, SENDS] > rows[first, SENDS]:
                first = n
            fresh |= int(state != FRAME and rows[n, SENDS] == 0) << n
    if twins:
        for n in range(count):
            m = rows[n, TWIN] - 1
            if m >= 0:
                rows[n, SEEN] = bit = 1 - (mask >> n & 1)
                if rows[m, TOLD] or rows[m, STATE] != FRAME or rows[m, FIELD] >= CRC_DELIMITER:
                    _part(rows, n, bit, wire, sizes, world, notes, t_ns)
    if fresh:
        for n in range(count):
            if fresh >> n & 1 and n != first and rows[n, SKILL] == rows[first, SKILL]:
                rows[n, TWIN] = first + 1


@compiled
def cruiser(rows: Ints, world: Ints, keys: Ints, masks: Ints) -> int:
    """The transmitter that is alone in a frame's body, with all the others reading as it does or out of it; or -1."""
    count = rows.shape[0]
    m = -1
    for n in range(count):
        if rows[n, SENDS] and rows[n, STATE] == FRAME:
            if m >= 0:
                return -1
            m = n
    if m < 0 or rows[m, FIELD] >= CRC_DELIMITER or world[SLOW] or world[STUCK] or world[MUTE] >> m & 1:
        return -1
    for n in range(count):
        if n != m and rows[n, TWIN] != m + 1 and rows[n, STATE] not in (RESTING, BUS_OFF, INTEGRATING):
            return -1
    at, rest = place_of(keys, 1 << m), place_of(keys, 0)
    if keys[at] != 1 << m or keys[rest] or masks[1, at] or masks[1, rest] or masks[0, rest]:
        return -1
    return m if masks[0, at] == (1 << count) - 1 else -1


@compiled
def cruise(
    rows: Ints, m: int, world: Ints, clock: Floats, wire: Bytes, sizes: Ints, flips: Ints, limit_ns: int
) -> None:
    """Run the body of a frame on which everybody agrees: only its transmitter needs to look at the bits."""
    if m < 0:
        return
    quiet = bit = 0
    slot, shows = rows[m, SLOT], rows[m, SHOWS]
    next_flip_ns = flips[world[FLIPPED], 0] if world[FLIPPED] < flips.shape[0] else 1 << 62
    while rows[m, FIELD] < CRC_DELIMITER:
        t_ns = now_ns(world, clock)
        before = rows[m, RATE]
        if t_ns >= limit_ns or t_ns + clock[NOMINAL_NS] >= next_flip_ns:
            break
        bit = rows[m, BIT]
        quiet = quiet + 1 if bit else 0
        rows[m, ELAPSED] += 1
        rows[m, DOMINANTS] += 1 - bit
        follow(rows, m, bit)
        at = rows[m, AT] + 1
        rows[m, AT] = at
        rows[m, BIT] = wire[m, slot, shows, at]
        spend(clock, world, before, rows[m, RATE])
    for n in range(rows.shape[0]):
        rows[n, SEEN] = bit
        if rows[n, STATE] in (BUS_OFF, INTEGRATING):
            rows[n, COUNT] = quiet
        elif rows[n, TWIN] and rows[m, FIELD] >= CRC_DELIMITER:
            catch_up(rows, n)


@compiled
def _full(rows: Ints, world: Ints, notes: Ints, trace: Ints) -> bool:
    """Whether one more bit could be too much for the notes, or for the trace where there is one."""
    if notes.shape[0] - world[NOTES] < 4 * rows.shape[0]:
        return True
    full: bool = trace.shape[0] > 0 and world[TRACED] == trace.shape[0]
    return full


@compiled
def run_bits(
    rows: Ints,
    world: Ints,
    clock: Floats,
    wire: Bytes,
    sizes: Ints,
    keys: Ints,
    masks: Ints,
    lags: Ints,
    flips: Ints,
    notes: Ints,
    trace: Ints,
    kept_rows: Ints,
    kept_world: Ints,
    kept_clock: Floats,
    keep: bool,
    limit_ns: int,
) -> int:
    """Run until something stops it; no bit starts at ``limit_ns`` or later, and a bus at rest stops a bit earlier.

    With ``keep`` waiting frames start first, and the state then is copied to the ``kept`` arrays.
    ``lags`` (places in the table, controllers): what ``lagged`` takes. ``flips`` (number, 2): instants, ascending, and
    masks of controllers whose sample is inverted there.
    """
    if keep:
        open_bit(rows, world, clock, now_ns(world, clock))
        kept_rows[:], kept_world[:], kept_clock[:] = rows, world, clock
    while True:
        t_ns = now_ns(world, clock)
        if t_ns >= limit_ns:
            return LIMIT
        drive, busy, rest = open_bit(rows, world, clock, t_ns)
        if not busy and drive == 0 and world[HELD] == 0:
            return QUIET
        if rest and drive == 0 and t_ns + clock[NOMINAL_NS] > limit_ns:
            return LIMIT
        mask = reads(rows, drive, world, keys, masks)
        if mask < 0:
            return UNKNOWN_SET
        if world[SLOW]:
            mask = all_lagged(rows, mask, lags[place_of(keys, drive)])
        before = _rate(rows)
        if world[FLIPPED] < flips.shape[0]:
            mask ^= flipped(world, flips, t_ns, clock[DATA_NS] if before else clock[NOMINAL_NS])
        if trace.shape[0]:
            write_trace(rows, world, trace, t_ns, mask)
        first = world[NOTES]
        sample(rows, mask, wire, sizes, world, notes, t_ns)
        after = _rate(rows)
        if after < 0:
            anchor(world, clock, t_ns)
            world[FIRST_NOTE], world[BITS] = first, before
            return MIXED
        spend(clock, world, before, after)
        end_bit(world, clock, notes, first, trace, now_ns(world, clock))
        if world[STOPS]:
            return STOP
        if mask and trace.shape[0] == 0:
            m = cruiser(rows, world, keys, masks)
            cruise(rows, m, world, clock, wire, sizes, flips, limit_ns)
        if _full(rows, world, notes, trace):
            return FULL
