"""Controllers on one bus out of step: each has bits of its own length and synchronises to the edges it reads.

The controllers themselves are those of the engine in step; only when they sample, and when their bits begin, is found
here. Sources: Bosch CAN Specification 2.0 (1991), part B, 13 (bit timing); Bosch CAN FD Specification 1.0 (2012), 8.
"""

from __future__ import annotations

from simulator.kernels.bits import FULL, LIMIT, MIXED, QUIET, STOP, TRACE, UNKNOWN_SET
from simulator.kernels.bus import DATA_LAG, LAG, Floats, anchor, catch_up, change_rate, lagged, place_of, reads
from simulator.kernels.controller import step
from simulator.kernels.flight import NEVER_PS, VIEW, next_arrival_ps, see_edges, send_edges
from simulator.kernels.jit import compiled, inlined
from simulator.kernels.layout import (
    BEFORE,
    BIT,
    BUS_OFF,
    COUNT,
    DRIVE,
    DUE_PS,
    FIELD,
    FINISHED,
    FRAME,
    HELD,
    IDLE,
    INTEGRATING,
    INTERMISSION,
    LEVEL,
    LINGERS,
    MUTE,
    NOTES,
    OUT,
    RATE,
    RATIO,
    RES,
    RESTING,
    RESUME_PS,
    SAMPLED,
    SEEN,
    SENDS,
    SLOW,
    START_PS,
    STATE,
    STOPS,
    STUCK,
    SUSPEND,
    SYNCED,
    TIMED,
    TRACED,
    TWIN,
    WANTS,
    Bytes,
    Ints,
)
from simulator.kernels.passing import MANY_BITS, count_quiet, quiet_bits
from simulator.kernels.reading import begin

#: Columns of the bit timing of a controller, nominal and data: quantum in ps; in quanta the bit, the part up to the
#: sample point, and the synchronisation jump width.
QUANTUM_PS, QUANTA, POINT, JUMP = range(4)
#: Marks, among who drives, a stretch of any length in the trace; other rows are bits.
STRETCH = 1 << 62


@compiled
def fall_out(rows: Ints, world: Ints, timing: Ints, start_ps: int, before: int, first_note: int, notes: Ints) -> None:
    """Controllers in step have just sampled, and do not agree how long the rest of the bit is."""
    for n in range(rows.shape[0]):
        if rows[n, TWIN]:
            catch_up(rows, n)
    for n in range(rows.shape[0]):
        after = rows[n, RATE]
        point_ps = start_ps + timing[n, before, POINT] * timing[n, before, QUANTUM_PS]
        rows[n, START_PS] = start_ps
        rows[n, SAMPLED] = 1
        rows[n, SYNCED] = 0
        rows[n, BEFORE] = rows[n, LEVEL] = rows[n, SEEN]
        rows[n, OUT] = 1 - (world[DRIVE] >> n & 1)
        rows[n, DUE_PS] = point_ps + (timing[n, after, QUANTA] - timing[n, after, POINT]) * timing[n, after, QUANTUM_PS]
    for k in range(first_note, world[NOTES]):
        notes[k, 0] = rows[notes[k, 2], DUE_PS] // 1000
    world[TIMED] = 1


@compiled
def _start_bit(rows: Ints, n: int, t_ps: int, timing: Ints, world: Ints) -> None:
    """A bit of controller ``n`` begins: what it has decided to send goes out."""
    rows[n, START_PS] = t_ps
    rows[n, SAMPLED] = 0
    rows[n, DUE_PS] = t_ps + timing[n, rows[n, RATE], POINT] * timing[n, rows[n, RATE], QUANTUM_PS]
    if rows[n, STATE] == IDLE and rows[n, WANTS]:
        begin(rows, n, t_ps // 1000)
    rows[n, OUT] = rows[n, BIT]


@compiled
def synchronise(rows: Ints, n: int, t_ps: int, timing: Ints, world: Ints) -> None:
    """An edge from recessive to dominant reaches controller ``n``. Bosch CAN FD 1.0, 8; Bosch CAN 2.0, 13.9."""
    if rows[n, SYNCED] or rows[n, BEFORE] == 0:
        return
    rate, state = rows[n, RATE], rows[n, STATE]
    quantum_ps, jump = timing[n, rate, QUANTUM_PS], timing[n, rate, JUMP]
    hard = state in (IDLE, SUSPEND, INTEGRATING, BUS_OFF, RESTING) or (state == INTERMISSION and rows[n, COUNT] >= 1)
    hard = hard or (state == FRAME and rows[n, FIELD] == RES and rows[n, SENDS] == 0)
    if hard and rows[n, OUT]:
        rows[n, SYNCED] = 1
        _start_bit(rows, n, t_ps, timing, world)
    elif rows[n, SENDS] and rate:
        return
    elif rows[n, SAMPLED] == 0:
        error = (t_ps - rows[n, START_PS]) // quantum_ps
        if error == 0 or rows[n, OUT] == 0:
            return
        rows[n, SYNCED] = 1
        late_ps = t_ps - rows[n, START_PS] if error <= jump else jump * quantum_ps
        rows[n, START_PS] += late_ps
        rows[n, DUE_PS] += late_ps
    else:
        rows[n, SYNCED] = 1
        if rows[n, DUE_PS] - t_ps <= jump * quantum_ps:
            _start_bit(rows, n, t_ps, timing, world)
        else:
            rows[n, DUE_PS] -= jump * quantum_ps


@compiled
def _drive(rows: Ints, world: Ints) -> int:
    drive = 0
    for n in range(rows.shape[0]):
        drive |= (1 - rows[n, OUT]) << n
    driving: int = (drive & ~world[MUTE]) | world[STUCK]
    return driving


@compiled
def _listen_near(rows: Ints, world: Ints, keys: Ints, masks: Ints, t_ps: int, timing: Ints) -> bool:
    """As ``_listen``, where edges are everywhere at once."""
    for _ in range(rows.shape[0] + 1):
        drive = _drive(rows, world)
        mask = reads(rows, drive, world, keys, masks)
        if mask < 0:
            return False
        for n in range(rows.shape[0]):
            level = 1 - (mask >> n & 1)
            falls = level < rows[n, LEVEL]
            rows[n, LEVEL] = level
            if falls:
                synchronise(rows, n, t_ps, timing, world)
        if _drive(rows, world) == drive:
            break
    return True


@compiled
def _listen_afar(
    rows: Ints, world: Ints, keys: Ints, masks: Ints, t_ps: int, timing: Ints, delays: Ints, flight: Ints
) -> bool:
    """As ``_listen``, where each controller sees of the others what has come to it by now."""
    send_edges(flight, _drive(rows, world), t_ps)
    for _ in range(rows.shape[0] + 1):
        see_edges(flight, delays, t_ps)
        for n in range(rows.shape[0]):
            world[DRIVE] = flight[n, VIEW]
            at = place_of(keys, flight[n, VIEW])
            if keys[at] != flight[n, VIEW]:
                return False
            level = 1 - (masks[0, at] >> n & 1)
            if masks[1, at] >> n & 1:
                level = rows[n, SEEN]
            falls = level < rows[n, LEVEL]
            rows[n, LEVEL] = level
            if falls:
                synchronise(rows, n, t_ps, timing, world)
        if not send_edges(flight, _drive(rows, world), t_ps):
            break
    world[DRIVE] = _drive(rows, world)
    return True


@compiled
def _listen(
    rows: Ints, world: Ints, keys: Ints, masks: Ints, t_ps: int, timing: Ints, delays: Ints, flight: Ints
) -> bool:
    """Levels after a change of who drives, and what the edges do; False if the levels of a set are not known yet."""
    if delays.shape[0]:
        return _listen_afar(rows, world, keys, masks, t_ps, timing, delays, flight)
    return _listen_near(rows, world, keys, masks, t_ps, timing)


@compiled
def _in_step(rows: Ints, timing: Ints, t_ps: int) -> bool:
    """Whether all bits end together, within a quantum, and go on at one rate."""
    for n in range(rows.shape[0]):
        if rows[n, SAMPLED] == 0 or rows[n, RATE] != rows[0, RATE]:
            return False
        if rows[n, DUE_PS] - t_ps >= timing[n, rows[n, RATE], QUANTUM_PS]:
            return False
    return True


@inlined
def _next_ps(rows: Ints) -> tuple[int, bool]:
    """When somebody samples or begins a bit next, and whether anybody does more than wait."""
    t_ps, busy = NEVER_PS, False
    for n in range(rows.shape[0]):
        t_ps = min(t_ps, rows[n, DUE_PS])
        if rows[n, STATE] not in (IDLE, RESTING) or rows[n, WANTS] or rows[n, LINGERS]:
            busy = True
        elif rows[n, LEVEL] > rows[n, SEEN]:
            busy = True  # it has not read yet that the wire is recessive
    return t_ps, busy


@compiled
def _rest(rows: Ints, timing: Ints, world: Ints, limit_ps: int) -> bool:
    """Pass over the bits of a quiet bus in which controllers only count, each its own; whether there were any."""
    until_ps: int = limit_ps
    for n in range(rows.shape[0]):
        bits = quiet_bits(rows, n)
        if bits < 0 or rows[n, LEVEL] == 0:
            return False
        if bits < MANY_BITS:
            until_ps = min(until_ps, rows[n, DUE_PS] + bits * timing[n, 0, QUANTA] * timing[n, 0, QUANTUM_PS])
    passed = False
    for n in range(rows.shape[0]):
        length_ps = timing[n, 0, QUANTA] * timing[n, 0, QUANTUM_PS]
        bits = (until_ps - rows[n, DUE_PS]) // length_ps
        if bits > 0:
            passed = True
            rows[n, DUE_PS] += bits * length_ps
            rows[n, START_PS] += bits * length_ps
            rows[n, BEFORE], rows[n, SYNCED], rows[n, SEEN] = 1, 0, 1
            if rows[n, STATE] not in (IDLE, RESTING):
                count_quiet(rows, n, bits)
    return passed


@inlined
def _start(rows: Ints, t_ps: int, timing: Ints, world: Ints) -> bool:
    """Begin the bits that are due; whether who drives has changed."""
    changed = False
    for n in range(rows.shape[0]):
        if rows[n, SAMPLED] and rows[n, DUE_PS] == t_ps:
            before = rows[n, OUT]
            _start_bit(rows, n, t_ps, timing, world)
            changed = changed or rows[n, OUT] != before
    return changed


@compiled
def _take(
    rows: Ints,
    t_ps: int,
    timing: Ints,
    wire: Bytes,
    sizes: Ints,
    world: Ints,
    notes: Ints,
    flips: Ints,
    keys: Ints,
    lags: Ints,
    flight: Ints,
) -> None:
    """Whoever's sample point is now takes its bit."""
    for n in range(rows.shape[0]):
        if rows[n, SAMPLED] == 0 and rows[n, DUE_PS] == t_ps:
            first = world[NOTES]
            bit = rows[n, LEVEL]
            if flight.shape[0]:
                world[DRIVE] = flight[n, VIEW]
            if world[SLOW]:
                lag = lags[place_of(keys, world[DRIVE]), n] >> DATA_LAG * rows[n, RATE] & LAG
                bit = 1 - lagged(rows, n, 1 - bit, lag)
            before = rows[n, RATE]
            length_ps = timing[n, before, QUANTA] * timing[n, before, QUANTUM_PS]
            for k in range(flips.shape[0]):
                if flips[k, 1] >> n & 1 and 0 <= flips[k, 0] * 1000 - rows[n, START_PS] < length_ps:
                    bit = 1 - bit
            step(rows, n, bit, wire, sizes, world, notes, rows[n, START_PS] // 1000)
            after = rows[n, RATE]
            if before != after:
                change_rate(rows, 1 << n, before, after, world[RATIO])
            rows[n, SAMPLED] = 1
            rows[n, SYNCED] = 0
            rows[n, BEFORE] = bit
            rows[n, DUE_PS] = t_ps + (timing[n, after, QUANTA] - timing[n, after, POINT]) * timing[n, after, QUANTUM_PS]
            for k in range(first, world[NOTES]):
                notes[k, 0] = rows[n, DUE_PS] // 1000
    world[FINISHED] = 0


@compiled
def _trace(rows: Ints, world: Ints, trace: Ints, t_ps: int) -> None:
    """Keep who drives, who reads dominant and where everybody is, from an instant on, if it is not as before."""
    k = world[TRACED]
    trace[k, 0] = trace[k, 1] = t_ps // 1000
    trace[k, 2] = world[DRIVE] | STRETCH
    trace[k, 3] = 0
    for n in range(rows.shape[0]):
        trace[k, 3] |= (1 - rows[n, LEVEL]) << n
        trace[k, TRACE + n] = rows[n, STATE] << 8 | rows[n, FIELD]
    if k:
        trace[k - 1, 1] = t_ps // 1000
        for column in range(2, trace.shape[1]):
            if trace[k, column] != trace[k - 1, column]:
                world[TRACED] = k + 1
                return
    else:
        world[TRACED] = 1


@compiled
def run_quanta(
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
    timing: Ints,
    trace: Ints,
    delays: Ints,
    flight: Ints,
    limit_ns: int,
) -> int:
    """Run until something stops it, as ``run_bits``; MIXED here means that all are in step again.

    ``timing`` (controllers, 2, 4): the bit timing, nominal and data. ``trace`` gets stretches in which nothing changes.
    ``delays`` (from, to) in ps, and the edges in ``flight``: empty where edges are everywhere at once.
    """
    listen = True
    while True:
        t_ps, busy = _next_ps(rows)
        arrival_ps = next_arrival_ps(flight, delays)
        t_ps = min(t_ps, arrival_ps)
        resumed = world[RESUME_PS]
        t_ps = resumed if resumed else t_ps
        anchor(world, clock, (t_ps + 999) // 1000)
        if world[STOPS]:
            return STOP
        quiet = world[HELD] == 0 and _drive(rows, world) == 0 and arrival_ps == NEVER_PS
        if quiet and not busy:
            return QUIET
        if t_ps >= limit_ns * 1000:
            return LIMIT
        if notes.shape[0] - world[NOTES] < 4 * rows.shape[0]:
            return FULL
        if trace.shape[0] and world[TRACED] == trace.shape[0]:
            return FULL
        if world[TIMED] == 1 and _in_step(rows, timing, t_ps):
            world[TIMED] = 0
            return MIXED
        if quiet and not listen and flips.shape[0] == 0 and _rest(rows, timing, world, limit_ns * 1000):
            continue
        if resumed == 0:
            listen = _start(rows, t_ps, timing, world) or listen
        if listen or resumed or t_ps == arrival_ps:
            world[RESUME_PS] = t_ps
            if not _listen(rows, world, keys, masks, t_ps, timing, delays, flight):
                return UNKNOWN_SET
            world[RESUME_PS] = 0
            listen = False
        if trace.shape[0]:
            _trace(rows, world, trace, t_ps)
        _take(rows, t_ps, timing, wire, sizes, world, notes, flips, keys, lags, flight)
