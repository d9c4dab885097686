"""Controllers on one bus in step: all sample every bit at the same instant, each what it reads of those then dominant.

The loop stops where the caller has to answer (a frame is through, an attempt has failed, a controller has changed its
state), where nothing can happen any more, and at a limit; what the wire shows is noted on the way.
"""

from __future__ import annotations

from simulator.kernels.bus import (
    DATA_LAG,
    DATA_NS,
    LAG,
    NOMINAL_NS,
    Floats,
    anchor,
    catch_up,
    change_rate,
    lagged,
    lowest,
    muster,
    muster_all,
    now_ns,
    place_of,
    reads,
    spend,
)
from simulator.kernels.controller import step
from simulator.kernels.jit import compiled, inlined
from simulator.kernels.layout import (
    ALONE,
    AWAKE,
    BIT,
    BITS,
    BUS_OFF,
    COUNT,
    CRC_DELIMITER,
    DRIVE,
    FIELD,
    FINISHED,
    FIRST_NOTE,
    FLIPPED,
    FORM,
    FRAME,
    HELD,
    ID,
    IDLE,
    INTEGRATING,
    LAGGING,
    LEADERS,
    LEFT,
    LINGERS,
    LISTENING,
    MUTE,
    NOTES,
    OPENED_NS,
    RATE,
    RATIO,
    RESTERS,
    RISEN,
    ROW,
    SENDS,
    SKILL,
    SLOW,
    STATE,
    STOPS,
    STUCK,
    SUSPEND,
    SWITCHED,
    TOLD,
    TRACED,
    TWIN,
    TWINS,
    VERDICT,
    WANTS,
    WORLD,
    Bytes,
    Ints,
    fail,
)
from simulator.kernels.passing import hurry
from simulator.kernels.reading import begin

#: Why the loop has stopped.
LIMIT, STOP, QUIET, UNKNOWN_SET, MIXED, FULL = range(6)
#: Columns of the trace before those of the controllers: start of the bit, its end, who drove, who read dominant.
TRACE = 4


@inlined
def open_bit(rows: Ints, world: Ints, clock: Floats, t_ns: int) -> tuple[int, bool, bool]:
    """Start frames where one waits, once for each bit; (who drives, whether anything goes on, whether a frame does)."""
    drive, busy, resting = 0, False, True
    opened = world[OPENED_NS] == t_ns
    world[OPENED_NS] = t_ns
    ears = world[LISTENING]
    if world[LAGGING] or world[TWINS]:
        busy, resting = True, (world[LAGGING] | world[TWINS]) & ~ears == 0
    awake = world[AWAKE]
    while awake:
        n = lowest(awake)
        awake &= awake - 1
        state = rows[n, STATE]
        if state == IDLE and rows[n, WANTS] and not opened:
            begin(rows, n, t_ns)
            state = FRAME
            anchor(world, clock, t_ns)
        if state != IDLE:
            busy = True
            if state not in (SUSPEND, INTEGRATING, BUS_OFF) and ears >> n & 1 == 0:
                resting = False
        drive |= (1 - rows[n, BIT]) << n
    return (drive & ~world[MUTE]) | world[STUCK], busy, resting


@compiled
def all_lagged(rows: Ints, shown: int, slow: int, world: Ints, lag: Ints, rate: int) -> int:
    """Who samples dominant of those who are shown it; ``slow``: whose lines are slow; ``lag`` (controllers,)."""
    concerned = shown & slow | world[LAGGING]
    mask: int = shown & ~concerned
    lagging = 0
    while concerned:
        n = lowest(concerned)
        concerned &= concerned - 1
        mask |= lagged(rows, n, shown >> n & 1, lag[n] >> DATA_LAG * rate & LAG) << n
        if rows[n, LINGERS] or rows[n, RISEN]:
            lagging |= 1 << n
    world[LAGGING] = lagging
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
def _rate(rows: Ints, world: Ints) -> int:
    """1 in the data phase, 0 in the nominal, -1 where controllers that take part differ."""
    rate, awake = 2, world[AWAKE]
    while awake:
        n = lowest(awake)
        awake &= awake - 1
        if rate < 2 and rows[n, RATE] != rate:
            return -1
        rate = rows[n, RATE]
    return rate & 1


@compiled
def write_trace(rows: Ints, world: Ints, trace: Ints, start_ns: int, mask: int) -> None:
    """Add a bit to the trace: its levels and every controller's state; its end comes later."""
    k = world[TRACED]
    trace[k, 0] = start_ns
    trace[k, 2] = world[DRIVE]
    trace[k, 3] = mask
    for n in range(rows.shape[0]):
        trace[k, TRACE + n] = rows[n, STATE] << 8 | rows[n, FIELD]


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
def _part(rows: Ints, n: int, bit: int, wire: Bytes, sizes: Ints, world: Ints, notes: Ints, t_ns: int) -> None:
    """The twin has come to the end of the CRC or has met an error: so has this one, unless it was one in sending."""
    m = rows[n, TWIN] - 1
    catch_up(rows, n)
    if rows[m, TOLD] & ALONE:
        # the error has put its twin back to the nominal rate, but not this one
        rows[n, RATE] = 1 if rows[n, FORM] & SWITCHED and rows[n, FIELD] <= CRC_DELIMITER else 0
        step(rows, n, bit, wire, sizes, world, notes, t_ns)
    elif rows[m, TOLD]:
        rows[n, VERDICT] = rows[m, TOLD]
        fail(rows, n, world, notes)
    elif rows[m, STATE] != FRAME:
        rows[n, STATE] = rows[m, STATE]
        rows[n, COUNT] = 0
    muster(rows, n, world)


@compiled
def _stray(rows: Ints, mask: int, world: Ints) -> None:
    """Twins that sample otherwise than those who read for them read by themselves, from this bit on."""
    for n in range(rows.shape[0]):
        if world[TWINS] >> n & 1 and (mask >> n ^ mask >> (rows[n, TWIN] - 1)) & 1:
            catch_up(rows, n)
            world[TWINS] &= ~(1 << n)
            world[AWAKE] |= 1 << n


@compiled
def _follow_leaders(
    rows: Ints, parting: int, mask: int, wire: Bytes, sizes: Ints, world: Ints, notes: Ints, t_ns: int
) -> None:
    """Who has been read for by one of ``parting`` goes on by itself."""
    for n in range(rows.shape[0]):
        if world[TWINS] >> n & 1 and parting >> (rows[n, TWIN] - 1) & 1:
            world[TWINS] &= ~(1 << n)
            _part(rows, n, 1 - (mask >> n & 1), wire, sizes, world, notes, t_ns)
    world[LEADERS] &= ~parting


@compiled
def _pair_up(rows: Ints, fresh: int, first: int, world: Ints) -> None:
    """Receivers that have just read the same SOF are read for by one controller of their kind."""
    for n in range(rows.shape[0]):
        if fresh >> n & 1 and n != first and rows[n, SKILL] == rows[first, SKILL]:
            rows[n, TWIN] = first + 1
            world[TWINS] |= 1 << n
            world[LEADERS] |= 1 << first
            world[AWAKE] &= ~(1 << n)


@inlined
def sample(rows: Ints, mask: int, wire: Bytes, sizes: Ints, world: Ints, notes: Ints, t_ns: int, pairing: bool) -> None:
    """Every controller takes its bit; receivers that have read the same since SOF may be read for by one of them."""
    leaders = world[LEADERS]
    if leaders:
        stray, left = 0, leaders
        while left:
            stray |= mask ^ -(mask >> lowest(left) & 1)
            left &= left - 1
        if stray & world[TWINS]:
            _stray(rows, mask, world)
    first, fresh, parting = -1, 0, 0
    concerned = (world[AWAKE] | world[RESTERS] | mask) & ~world[TWINS]
    while concerned:
        n = lowest(concerned)
        concerned &= concerned - 1
        state = rows[n, STATE]
        step(rows, n, 1 - (mask >> n & 1), wire, sizes, world, notes, t_ns)
        if rows[n, STATE] == FRAME and rows[n, FIELD] == ID and rows[n, LEFT] == 11:
            if first < 0 or rows[n, SENDS] > rows[first, SENDS]:
                first = n
            fresh |= int(state != FRAME and rows[n, SENDS] == 0) << n
        if leaders >> n & 1 and (rows[n, TOLD] or rows[n, STATE] != FRAME or rows[n, FIELD] >= CRC_DELIMITER):
            parting |= 1 << n
        muster(rows, n, world)
    if parting:
        _follow_leaders(rows, parting, mask, wire, sizes, world, notes, t_ns)
    if fresh and pairing:
        _pair_up(rows, fresh, first, world)


@compiled
def _full(rows: Ints, world: Ints, notes: Ints, trace: Ints) -> bool:
    """Whether one more bit could be too much for the notes, or for the trace where there is one."""
    if notes.shape[0] - world[NOTES] < 4 * rows.shape[0]:
        return True
    full: bool = trace.shape[0] > 0 and world[TRACED] == trace.shape[0]
    return full


@compiled
def _keep(rows: Ints, kept_rows: Ints, world: Ints, kept_world: Ints, clock: Floats, kept_clock: Floats) -> None:
    """Copy all of the state; number by number, since a copy of whole arrays would make one in between."""
    for n in range(rows.shape[0]):
        for field in range(ROW):
            kept_rows[n, field] = rows[n, field]
    for k in range(WORLD):
        kept_world[k] = world[k]
    for k in range(clock.shape[0]):
        kept_clock[k] = clock[k]


@compiled
def run_bits(
    rows: Ints, world: Ints, clock: Floats, wire: Bytes, sizes: Ints, keys: Ints, masks: Ints, lags: Ints, flips: Ints,
    notes: Ints, trace: Ints, kept_rows: Ints, kept_world: Ints, kept_clock: Floats, keep: bool, limit_ns: int,
) -> int:  # fmt: skip
    """Run until something stops it; no bit starts at ``limit_ns`` or later, and a bus at rest stops a bit earlier.

    With ``keep`` waiting frames start first, and the state then is copied to the ``kept`` arrays.
    ``lags`` (places in the table, controllers): what ``lagged`` takes. ``flips`` (number, 2): instants, ascending, and
    masks of controllers whose sample is inverted there.
    """
    muster_all(rows, world)
    if keep:
        open_bit(rows, world, clock, now_ns(world, clock))
        _keep(rows, kept_rows, world, kept_world, clock, kept_clock)
    while True:
        t_ns = now_ns(world, clock)
        if t_ns >= limit_ns:
            return LIMIT
        drive, busy, resting = open_bit(rows, world, clock, t_ns)
        if not busy and drive == 0 and world[HELD] == 0 and world[RESTERS] == 0:
            return QUIET
        if resting and (drive & ~world[LISTENING]) == 0 and t_ns + clock[NOMINAL_NS] > limit_ns:
            return LIMIT
        mask = shown = reads(rows, drive, world, keys, masks)
        if mask < 0:
            return UNKNOWN_SET
        before = _rate(rows, world)
        if world[SLOW]:
            at = place_of(keys, drive)
            mask = all_lagged(rows, shown, masks[2 + before, at], world, lags[at], before)
        steady = mask == shown
        if world[FLIPPED] < flips.shape[0]:
            inverted = flipped(world, flips, t_ns, clock[DATA_NS] if before else clock[NOMINAL_NS])
            mask ^= inverted
            steady = steady and inverted == 0
        if trace.shape[0]:
            write_trace(rows, world, trace, t_ns, mask)
        first = world[NOTES]
        sample(rows, mask, wire, sizes, world, notes, t_ns, trace.shape[0] == 0)
        after = _rate(rows, world)
        if world[LAGGING] and before != after:
            change_rate(rows, world[LAGGING], before, max(after, 0), world[RATIO])
        if after < 0:
            anchor(world, clock, t_ns)
            world[FIRST_NOTE], world[BITS] = first, before
            return MIXED
        spend(clock, world, before, after)
        end_bit(world, clock, notes, first, trace, now_ns(world, clock))
        if world[STOPS]:
            return STOP
        if trace.shape[0] == 0:
            hurry(rows, mask, steady, world, clock, wire, sizes, keys, masks, flips, limit_ns)
        if _full(rows, world, notes, trace):
            return FULL
