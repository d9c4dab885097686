"""Controllers on one wire, in step or not, that may also send their cyclic messages by themselves.

The loop goes on after frames and failed attempts, and keeps what somebody will be told of them when the time comes.
"""

from __future__ import annotations

from simulator.kernels.bits import FULL, LIMIT, MIXED, QUIET, STOP, run_bits
from simulator.kernels.bus import Floats, anchor, now_ns
from simulator.kernels.jit import PLAIN_RUNS, compiled, compiled_after
from simulator.kernels.layout import (
    ACKED,
    ANCHOR_NS,
    BITS,
    BUS_OFF,
    DOMINANTS,
    DUE_PS,
    ELAPSED,
    ENDED,
    FD,
    FIRST_NOTE,
    GOT,
    IDLE,
    INTEGRATING,
    NEXT,
    NOTES,
    OPENED_NS,
    OWN,
    REC,
    RESTING,
    SAMPLED,
    SENDS,
    SENT,
    SHOWS,
    SINCE_NS,
    SLOT,
    STATE,
    STATUS,
    STOPS,
    SUSPEND,
    TEC,
    TIMED,
    UNDETECTED,
    WANTS,
    Bytes,
    Ints,
)
from simulator.kernels.payload import LENGTH, pack
from simulator.kernels.quanta import fall_out, run_quanta
from simulator.kernels.sending import write_bits
from simulator.kernels.stretch import (
    ACTIVE,
    CODE,
    COUNT,
    CYCLE_NS,
    DUE_NS,
    ENDLESS,
    FILL,
    FORM,
    IDENTIFIER,
    KEY,
    NODE,
    SIZE,
    WAITS,
)
from simulator.kernels.stretch import SINCE_NS as MADE_FOR_NS

#: Columns of an event: those of a note (time, what, who, a, b), whether the loop would have stopped here, and when;
#: of an attempt: its message, its number, start, length and dominant bits, who acknowledged, who received, ESI.
T_NS, WHAT, WHO, A, B, ENDS, STOPPED_NS = range(7)
MESSAGE, NUMBER, START_NS, LONG, DOMINANT, ACKNOWLEDGED, RECEIVED, ESI = range(7, 15)
EVENT = 15
#: How many events are kept; how many stops may still be passed over; 1 where one must not be.
EVENTS, STOPS_LEFT, BLOCKED = range(3)
#: What waits in a slot: the row of its message and its number; -1: something else.
ROW_OF, NUMBER_OF = range(2)

Packing = tuple[Ints, Bytes, Ints, Floats, Ints, Floats]


@compiled
def _run(
    rows: Ints, world: Ints, clock: Floats, wire: Bytes, sizes: Ints, keys: Ints, masks: Ints, lags: Ints, flips: Ints,
    notes: Ints, trace: Ints, kept_rows: Ints, kept_world: Ints, kept_clock: Floats, keep: bool, timing: Ints,
    delays: Ints, flight: Ints, limit_ns: int,
) -> int:  # fmt: skip
    """Run in step or out of it until something stops it, as ``run_bits``."""
    while True:
        if world[TIMED]:
            reason = run_quanta(
                rows,
                world,
                clock,
                wire,
                sizes,
                keys,
                masks,
                lags,
                flips,
                notes,
                timing,
                trace,
                delays,
                flight,
                limit_ns,
            )
        else:
            reason = run_bits(
                rows, world, clock, wire, sizes, keys, masks, lags, flips, notes, trace, kept_rows, kept_world,
                kept_clock, keep, limit_ns,
            )  # fmt: skip
            keep = False
            if reason == MIXED:
                start_ps, before = 1000 * world[ANCHOR_NS], world[BITS]
                fall_out(rows, world, timing, start_ps, before, world[FIRST_NOTE], notes)
        if reason != MIXED:
            return reason


@compiled
def _write(
    rows: Ints, n: int, slot: int, m: int, messages: Ints, state: Ints, wire: Bytes, sizes: Ints, data: Bytes,
    plain: Bytes, packing: Packing,
) -> None:  # fmt: skip
    """Pack a message and write its bits into a slot."""
    payload = data[n, slot]
    pack(payload, messages, m, state[m, MADE_FOR_NS], state[m, COUNT] - 1, *packing)
    size, form = messages[m, SIZE], messages[m, FORM]
    for k in range(messages[m, LENGTH], size):
        payload[k] = FILL
    for shows in range(2 if form & FD else 1):
        sizes[n, slot, shows] = write_bits(
            wire[n, slot, shows], plain, messages[m, IDENTIFIER], form, shows, messages[m, CODE], payload, size
        )
    if form & FD == 0:
        sizes[n, slot, 1] = sizes[n, slot, 0]
        for k in range(sizes[n, slot, 0]):
            wire[n, slot, 1, k] = wire[n, slot, 0, k]
    rows[n, OWN + slot] = form


@compiled
def _load(
    rows: Ints, n: int, messages: Ints, state: Ints, spans: Ints, slots: Ints, wire: Bytes, sizes: Ints, data: Bytes,
    plain: Bytes, packing: Packing,
) -> None:  # fmt: skip
    """Put the message that comes first at a controller into one of its slots."""
    best = -1
    for m in range(spans[n], spans[n + 1]):
        if state[m, WAITS] and (best < 0 or messages[m, KEY] < messages[best, KEY]):
            best = m
    for m in range(spans[-1], state.shape[0]):
        if messages[m, NODE] == n and state[m, WAITS] and (best < 0 or messages[m, KEY] < messages[best, KEY]):
            best = m
    if best < 0:
        rows[n, WANTS] = 0
        return
    slot = rows[n, NEXT]
    rows[n, WANTS] = 1
    if slots[n, slot, ROW_OF] == best and slots[n, slot, NUMBER_OF] == state[best, COUNT]:
        return
    if rows[n, SENDS] and slot == rows[n, SLOT]:
        slot = 1 - slot
    if slots[n, slot, ROW_OF] != best or slots[n, slot, NUMBER_OF] != state[best, COUNT]:
        _write(rows, n, slot, best, messages, state, wire, sizes, data, plain, packing)
        slots[n, slot, ROW_OF] = best
        slots[n, slot, NUMBER_OF] = state[best, COUNT]
    rows[n, NEXT] = slot


@compiled
def _at_rest(rows: Ints) -> bool:
    """Whether nobody sends anything, nor is in the middle of something."""
    for n in range(rows.shape[0]):  # noqa: SIM110 (a loop compiles to less)
        if rows[n, STATE] not in (IDLE, SUSPEND, INTEGRATING, BUS_OFF, RESTING):
            return False
    return True


@compiled
def _wake(rows: Ints, n: int, t_ns: int, world: Ints, clock: Floats) -> None:
    """A frame waits at a controller: on a bus at rest its SOF starts now, else with the next bit."""
    if rows[n, STATE] == IDLE and t_ns > now_ns(world, clock):
        anchor(world, clock, t_ns)
        if world[TIMED]:
            rows[n, DUE_PS], rows[n, SAMPLED] = 1000 * t_ns, 1
    elif _at_rest(rows):
        world[OPENED_NS] = -1


@compiled
def _release(
    rows: Ints, t_ns: int, world: Ints, clock: Floats, messages: Ints, state: Ints, spans: Ints, slots: Ints,
    wire: Bytes, sizes: Ints, data: Bytes, plain: Bytes, packing: Packing,
) -> None:  # fmt: skip
    """Let everything wait that is due up to an instant; a newer one takes the place of what waits."""
    for m in range(state.shape[0]):
        while state[m, DUE_NS] <= t_ns:
            due_ns = state[m, DUE_NS]
            state[m, DUE_NS] += messages[m, CYCLE_NS]
            if messages[m, ACTIVE]:
                n = messages[m, NODE]
                state[m, WAITS] = 1
                state[m, MADE_FOR_NS] = due_ns
                state[m, COUNT] += 1
                _load(rows, n, messages, state, spans, slots, wire, sizes, data, plain, packing)
                _wake(rows, n, due_ns, world, clock)


@compiled
def _blocked(world: Ints, notes: Ints) -> bool:
    for k in range(world[NOTES]):  # noqa: SIM110 (a loop compiles to less)
        if notes[k, 1] == UNDETECTED:
            return True
    return False


@compiled
def _keep_events(
    rows: Ints, world: Ints, clock: Floats, notes: Ints, slots: Ints, data: Bytes, events: Ints, payloads: Bytes,
    standing: Ints, tally: Ints,
) -> None:  # fmt: skip
    """What was noted becomes events; at the last of them the loop would have stopped, if anything stops it."""
    at = tally[EVENTS]
    for k in range(world[NOTES]):
        event = events[at]
        for column in range(5):
            event[column] = notes[k, column]
        n = event[WHO]
        event[ENDS] = 0
        if event[WHAT] == SENT or event[WHAT] == ENDED:
            slot = rows[n, SLOT]
            event[MESSAGE], event[NUMBER] = slots[n, slot, ROW_OF], slots[n, slot, NUMBER_OF]
            event[START_NS], event[LONG], event[DOMINANT] = rows[n, SINCE_NS], rows[n, ELAPSED], rows[n, DOMINANTS]
            event[ACKNOWLEDGED], event[RECEIVED], event[ESI] = rows[n, ACKED], rows[n, GOT], rows[n, SHOWS]
            for byte in range(data.shape[2]):
                payloads[at, byte] = data[n, slot, byte]
        at += 1
    if at > tally[EVENTS]:
        events[at - 1, ENDS] = world[STOPS] > 0
        events[at - 1, STOPPED_NS] = now_ns(world, clock)
        for n in range(rows.shape[0]):
            standing[at - 1, n] = rows[n, TEC] << 16 | rows[n, REC] << 2 | rows[n, STATUS]
    tally[EVENTS] = at
    world[NOTES] = world[STOPS] = 0


@compiled
def _pass_over(
    rows: Ints, world: Ints, clock: Floats, notes: Ints, messages: Ints, state: Ints, spans: Ints, slots: Ints,
    wire: Bytes, sizes: Ints, data: Bytes, plain: Bytes, packing: Packing, events: Ints, payloads: Bytes,
    standing: Ints, tally: Ints,
) -> None:  # fmt: skip
    """Go on after a stop: what has gone through waits no more, unless a newer one does."""
    count = world[NOTES]
    _keep_events(rows, world, clock, notes, slots, data, events, payloads, standing, tally)
    for k in range(tally[EVENTS] - count, tally[EVENTS]):
        if events[k, WHAT] == SENT:
            n, m = events[k, WHO], events[k, MESSAGE]
            if state[m, COUNT] == events[k, NUMBER] and messages[m, ACTIVE] != ENDLESS:
                state[m, WAITS] = 0
            _load(rows, n, messages, state, spans, slots, wire, sizes, data, plain, packing)


@compiled
def _next_due_ns(messages: Ints, state: Ints, limit_ns: int) -> int:
    next_ns: int = limit_ns
    for m in range(state.shape[0]):
        if messages[m, ACTIVE]:
            next_ns = min(next_ns, state[m, DUE_NS])
    return next_ns


@compiled_after(PLAIN_RUNS)
def run_wire(
    rows: Ints, world: Ints, clock: Floats, wire: Bytes, sizes: Ints, keys: Ints, masks: Ints, lags: Ints, flips: Ints,
    notes: Ints, trace: Ints, kept_rows: Ints, kept_world: Ints, kept_clock: Floats, keep: bool, timing: Ints,
    delays: Ints, flight: Ints, messages: Ints, state: Ints, spans: Ints, slots: Ints, data: Bytes, plain: Bytes,
    packing: Packing, events: Ints, payloads: Bytes, standing: Ints, tally: Ints, limit_ns: int, due_ns: int,
) -> int:  # fmt: skip
    """Run as ``run_bits``; with a ``tally`` go on after what would stop it, and send the ``messages`` that are due.

    ``messages`` (number, MESSAGE); ``state`` (messages, STATE); ``spans``: by controller the row of its first cyclic
    message, and the number of those at the end, after which come others; ``slots`` (controllers, 2, 2): what is in
    each; ``data`` (controllers, 2, bytes): its payload; ``plain``: to work in; ``packing``: what ``pack`` takes;
    ``events`` (number, EVENT), ``payloads`` (number, bytes), ``tally``: see above; ``standing`` (number, controllers):
    where a stop ends, TEC << 16 | REC << 2 | STATUS. Messages are sent up to ``due_ns``.
    STOP: no more stops may be passed over, or one must not be; FULL: there is no room for more events.
    """
    if tally.shape[0] == 0:
        return _run(
            rows, world, clock, wire, sizes, keys, masks, lags, flips, notes, trace, kept_rows, kept_world, kept_clock,
            keep, timing, delays, flight, limit_ns,
        )  # fmt: skip
    while True:
        next_ns = _next_due_ns(messages, state, due_ns + 1)
        reason = STOP
        if world[STOPS] == 0:
            reason = _run(
                rows, world, clock, wire, sizes, keys, masks, lags, flips, notes, trace, kept_rows, kept_world,
                kept_clock, keep, timing, delays, flight, min(limit_ns, next_ns),
            )  # fmt: skip
        if reason == STOP:
            if tally[STOPS_LEFT] == 0 or _blocked(world, notes):
                tally[BLOCKED] = 1
                return STOP
            tally[STOPS_LEFT] -= 1
            _pass_over(
                rows, world, clock, notes, messages, state, spans, slots, wire, sizes, data, plain, packing, events,
                payloads, standing, tally,
            )  # fmt: skip
            if events.shape[0] - tally[EVENTS] < notes.shape[0]:
                return FULL
        elif reason == FULL:
            _keep_events(rows, world, clock, notes, slots, data, events, payloads, standing, tally)
            if events.shape[0] - tally[EVENTS] < notes.shape[0]:
                return FULL
        elif reason != LIMIT and reason != QUIET:
            return reason
        elif next_ns > due_ns or next_ns > limit_ns:
            for m in range(state.shape[0]):
                while messages[m, ACTIVE] == 0 and state[m, DUE_NS] <= due_ns:
                    state[m, DUE_NS] += messages[m, CYCLE_NS]
            return reason
        else:
            if reason == QUIET and next_ns > now_ns(world, clock):
                anchor(world, clock, next_ns)
                if world[TIMED]:
                    for n in range(rows.shape[0]):
                        rows[n, DUE_PS], rows[n, SAMPLED] = 1000 * next_ns, 1
            _release(rows, next_ns, world, clock, messages, state, spans, slots, wire, sizes, data, plain, packing)
