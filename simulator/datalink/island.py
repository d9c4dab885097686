"""Controllers that share a wire, as arrays for the kernel: run ahead to the next event, go back if the world changes.

An island is a part of a network whose members hear, directly or through others, of each other; its bits have one clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np

from simulator.datalink.controller import NEVER_NS, Attempt, Outcome, Outgoing, Wiring
from simulator.datalink.frame import FD_LENGTHS, PADDING
from simulator.datalink.levels import levels_of
from simulator.datalink.trouble import FIELDS, STATES
from simulator.kernels import bits, bus, flight, layout, quanta, stretch, wire
from simulator.kernels.layout import Bytes, Ints
from simulator.kernels.sending import LONGEST_BITS, write_bits

#: How far the kernel runs ahead at most, in nominal bits.
AHEAD_BITS = 400
_REST = frozenset((layout.IDLE, layout.SUSPEND, layout.INTEGRATING, layout.BUS_OFF, layout.RESTING))
#: What a row says of an attempt.
_ABOUT = [layout.SINCE_NS, layout.ELAPSED, layout.DOMINANTS, layout.ACKED, layout.GOT, layout.SHOWS]
#: Quanta in a bit, and how many of them a bit gives way at most: a tenth of a bit (own choice; Bosch CAN 2.0, 13.7,
#: allows up to four of eight to twenty-five).
_QUANTA, _JUMP = 40, 4
#: A call while controllers are out of step takes as long as so many of the others.
_CALLS_OUT_OF_STEP = 25
#: While they send by themselves, so many bits or events as long as one of the others.
_BITS_A_CALL, _EVENTS_A_CALL = 320, 5
#: Bits kept in one piece while they are watched.
_WATCHED = 4096


class Own(NamedTuple):
    """What the controllers send by themselves, as ``run_wire`` takes it."""

    messages: Ints
    state: Ints
    spans: Ints
    slots: Ints
    data: Bytes
    plain: Bytes
    packing: wire.Packing
    events: Ints
    payloads: Bytes
    standing: Ints
    tally: Ints


def _nothing() -> Own:
    numbers, octets, parts = np.zeros((0, 0), np.int64), np.zeros((0, 0), np.uint8), np.zeros((0, 0))
    return Own(
        np.zeros((0, stretch.MESSAGE), np.int64), numbers, numbers.reshape(0), numbers.reshape(0, 2, 2),
        octets.reshape(0, 2, 0), octets.reshape(0), (numbers, octets, numbers, parts, numbers, parts.reshape(0)),
        numbers, octets, numbers, numbers.reshape(0),
    )  # fmt: skip


NOTHING = _nothing()


def _in_order(notes: Ints) -> list[list[int]]:
    """Notes of one bit in the order of the controllers, whoever read for whom."""
    found: list[list[int]] = notes.tolist()
    return sorted(found, key=lambda note: (note[0], note[2]))


class TracedBit(NamedTuple):
    """One bit: who drove it dominant, who read it dominant, and by node the state and, in a frame, the field.

    Not ``whole``: a stretch of any length in which nothing changed, while controllers are out of step; its end may be
    missing (equal to its start) where what comes after it was kept later.
    """

    t_start_ns: int
    t_end_ns: int
    driving: tuple[str, ...]
    dominant: tuple[str, ...]
    places: dict[str, str]
    whole: bool = True


class Station:
    """A node: what waits at its controller, and the controller itself while it is in no island."""

    def __init__(self, name: str, skill: int, automatic: bool) -> None:
        self.name = name
        self.waiting: dict[tuple[int, int], Outgoing] = {}
        self.slots: list[Outgoing | None] = [None, None]
        self.keys: list[tuple[int, int]] = [(0, 0), (0, 0)]
        self.row = np.zeros(layout.ROW, np.int64)
        self.heard_by: tuple[tuple[str, ...], ...] = ((), ())
        self.wire = np.zeros((2, 2, LONGEST_BITS), np.uint8)
        self.sizes = np.zeros((2, 2), np.int64)
        self.row[layout.BIT] = self.row[layout.SEEN] = 1
        self.row[layout.SKILL], self.row[layout.AUTO] = skill, automatic


class Timing:
    """Bit rate in bit/s, sample points as a part of the bit."""

    def __init__(self, bit_rate: int, sample_point: float, data_bit_rate: int | None, data_point: float | None) -> None:
        self.bit_rate = bit_rate
        self.bit_ns = 1e9 / bit_rate
        point = sample_point if data_point is None else data_point
        self.clock = np.array([self.bit_ns, 1e9 / (data_bit_rate or bit_rate), sample_point, point, 0.0])
        self._rates = ((bit_rate, sample_point), (data_bit_rate or bit_rate, point))

    @cache  # noqa: B019 (there are a few, and one for each network)
    def quanta(self, own_rate: int | None = None) -> list[list[int]]:
        """Nominal and data: quantum in ps; in quanta the bit, up to the sample point, synchronisation jump width."""
        found = []
        for rate, point in self._rates:
            rate = own_rate or rate
            found.append([round(1e12 / rate / _QUANTA), _QUANTA, round(point * _QUANTA), _JUMP])
        return found


class Island:
    """A few stations on one wire."""

    def __init__(self, stations: Sequence[Station], timing: Timing, t_ns: int, wiring: Wiring) -> None:
        count = len(stations)
        self.stations = tuple(stations)
        self._levels = levels = levels_of(wiring, [station.name for station in stations])
        self.number, self.names = levels.number, levels.names
        self.due_ns = t_ns
        self.rows = np.array([station.row for station in stations])
        # what lingers on slow lines, and what they swallow, is forgotten when the wiring changes
        self.rows[:, [layout.RISEN, layout.LINGERS]] = 0
        self.wire = np.array([station.wire for station in stations])
        self.sizes = np.array([station.sizes for station in stations])
        for n, station in enumerate(stations):
            self.rows[n, layout.GOT], self.rows[n, layout.ACKED] = map(levels.mask, station.heard_by)
        self.world = np.zeros(layout.WORLD, np.int64)
        self.world[layout.ANCHOR_NS], self.world[layout.HERTZ] = t_ns, timing.bit_rate
        self.world[layout.OPENED_NS] = -1
        self.world[layout.MUTE] = levels.mask(wiring.mute)
        self.world[layout.HELD] = levels.held
        self.world[layout.LISTENING] = listening = levels.mask(wiring.listening)
        self.world[layout.RATIO] = round(timing.clock[bus.NOMINAL_NS] / timing.clock[bus.DATA_NS])
        self._audible = ~listening
        self._taking_part = [n for n in range(count) if self._audible >> n & 1]
        self.clock = timing.clock.copy()
        self.rows[:, layout.SEES] = levels.sees
        self._wiring = wiring
        self._quanta = np.array([timing.quanta(wiring.rates.get(name)) for name in self.number], np.int64)
        own = {wiring.rates.get(name) for name in self.number}
        self._delays, self._flight = self._distances(timing)
        self.world[layout.TIMED] = 2 * (own - {None, timing.bit_rate} != set() or len(self._delays) > 0)
        self.rows[:, layout.OUT] = self.rows[:, layout.BIT]
        self.notes = np.zeros((64 + 16 * count, layout.NOTE), np.int64)
        self._flips = np.zeros((0, 2), np.int64)
        self._trace = np.zeros((0, bits.TRACE + count), np.int64)
        self._window = (0, 0)
        self._ahead = False
        #: An instant looked up, the event before it, and the controllers then.
        self._looked: tuple[int, int, Ints] = (-1, -1, self.rows)
        self._plain = np.zeros(LONGEST_BITS, np.uint8)
        self._base_ns = t_ns
        self.timing = timing
        self._kept = (self.rows.copy(), self.world.copy(), self.clock.copy())
        self._flight_kept = self._flight.copy()

    def _distances(self, timing: Timing) -> tuple[Ints, Ints]:
        """Delays between the stations in ps, and the edges on their way: none yet; both empty where all are near."""
        names, delays_ns = tuple(self.number), self._wiring.delays_ns
        if not delays_ns:
            return np.zeros((0, 0), np.int64), np.zeros((0, flight.EDGES), np.int64)
        most_ns = flight.MOST_EDGES / 2 * timing.clock[bus.DATA_NS]
        delays = [[round(1000 * min(delays_ns.get((a, b), 0.0), most_ns)) for b in names] for a in names]
        edges = np.full((len(names), flight.EDGES + flight.MOST_EDGES), flight.LONG_AGO_PS, np.int64)
        edges[:, : flight.EDGES] = 0
        edges[0, flight.LONGEST_PS] = max(max(row) for row in delays)
        return np.array(delays, np.int64), edges

    def leave(self) -> None:
        """Give every station its controller back."""
        for n, station in enumerate(self.stations):
            if self.rows[n, layout.TWIN]:
                bus.catch_up(self.rows, n)
            station.row, station.wire, station.sizes = self.rows[n], self.wire[n], self.sizes[n]
            got, acked = station.row[[layout.GOT, layout.ACKED]].tolist()
            station.heard_by = self.names(got), self.names(acked & self._audible)

    def take_clock(self, others: Sequence[Island], t_ns: int) -> None:
        """Go on with the bits of the busiest of the islands the stations come from; out of step if one of them was."""
        other = next((one for one in others if not one.at_rest), others[0])
        at_ns = other.now_ns
        bus.anchor(self.world, self.clock, at_ns if not other.at_rest or at_ns > t_ns else t_ns)
        for one in others:
            for name in set(one.number) & set(self.number):
                n = self.number[name]
                if not one.world[layout.TIMED]:
                    self.rows[n, layout.DUE_PS], self.rows[n, layout.SAMPLED] = 1000 * self.now_ns, 1
                    self.rows[n, layout.BEFORE] = self.rows[n, layout.LEVEL] = self.rows[n, layout.SEEN]
                elif not self.world[layout.TIMED]:
                    self.world[layout.TIMED] = 1
        self.due_ns = max(t_ns, self.now_ns)

    @property
    def at_rest(self) -> bool:
        """Whether nobody sends anything, nor is in the middle of something; who only listens does not count."""
        return all(state in _REST for state in self.rows[self._taking_part, layout.STATE].tolist())

    @property
    def _only_listeners_act(self) -> bool:
        """Whether the controllers are out of step and all at rest, with nothing to send, but those that only listen."""
        if not self.world[layout.TIMED] or len(self._taking_part) == len(self.rows):
            return False
        others = self.rows[self._taking_part]
        idle = set(others[:, layout.STATE].tolist()) <= {layout.IDLE, layout.RESTING}
        return idle and not others[:, layout.WANTS].any()

    def looked_up(self, node: str, field: int, t_ns: int | None = None) -> int:
        """A number of a controller as of the last event, or at an instant from then on."""
        rows = self._kept[0] if self._ahead else self.rows
        if self._ahead and t_ns is not None:
            if self._looked[:2] != (t_ns, self._base_ns):
                self._looked = t_ns, self._base_ns, self._rows_at(t_ns)
            rows = self._looked[2]
        return int(rows[self.number[node], field])

    def _rows_at(self, t_ns: int) -> Ints:
        """The controllers at an instant, without going back to it."""
        ahead, due_ns = [one.copy() for one in self.arrays], self.due_ns
        self.go_back(t_ns)
        rows = self.rows.copy()
        for kept, now in zip(ahead, self.arrays, strict=True):
            np.copyto(now, kept)
        self._ahead, self.due_ns = True, due_ns
        return rows

    def attempt(
        self, n: int, t_ns: int, frame: Outgoing, outcome: Outcome, about: Sequence[int] | None = None
    ) -> Attempt:
        """The record of an attempt that has ended. ``about``: of an earlier one its numbers, else those of the row."""
        if about is None:
            about = self.rows[n, _ABOUT].tolist()
        since_ns, elapsed, dominant, acked, got, shows = about
        return Attempt(
            since_ns, t_ns, self.stations[n].name, frame, outcome, elapsed, dominant,
            self.names(acked & self._audible), self.names(got), frame.fd and bool(shows),
        )  # fmt: skip

    # -- time

    @property
    def now_ns(self) -> int:
        """Start of the bit that comes next."""
        world = self.world
        whole = world.item(layout.BITS) * 1_000_000_000 // self.timing.bit_rate
        return int(world.item(layout.ANCHOR_NS) + whole + round(self.clock.item(bus.MORE_NS)))

    def run_ahead(self, limit_ns: int = NEVER_NS) -> None:
        """Find the next instant at which somebody has to be told something; until then the state is provisional."""
        now_ns = self.now_ns
        self._base_ns = now_ns
        self._ahead = True
        if limit_ns <= now_ns:
            limit_ns = NEVER_NS
        limit_ns = min(limit_ns, now_ns + round(AHEAD_BITS * self.timing.bit_ns))
        limit_ns = self._trace_or_not(now_ns, limit_ns)
        # frames that start in this bit start: what is submitted at this instant from now on comes too late
        reason = self.run(limit_ns, keep=True)
        if reason == bits.QUIET and not self.world[layout.NOTES]:
            self.due_ns = NEVER_NS
        else:
            # what was noticed before the wire fell quiet is told then, not when somebody sends again
            self.due_ns = max(self.now_ns, limit_ns * (reason == bits.LIMIT))

    def go_back(self, t_ns: int) -> None:
        """Undo what lies after an instant: to the first bit that starts then or later; a bus at rest stops there."""
        if not self._ahead or t_ns >= self.due_ns != NEVER_NS:
            return
        for kept, now in zip(self._kept, (self.rows, self.world, self.clock), strict=True):
            np.copyto(now, kept)
        np.copyto(self._flight, self._flight_kept)
        self._ahead = False
        if self.run(t_ns) == bits.QUIET and t_ns > self.now_ns:
            self.set_off(t_ns)
        elif self._only_listeners_act:
            self.set_off(t_ns, *self._taking_part)
        self.due_ns = max(t_ns, self.now_ns)

    def set_off(self, t_ns: int, *numbers: int) -> None:
        """Count bits from an instant on: all of a quiet bus, or some controllers."""
        bus.anchor(self.world, self.clock, t_ns)
        if self.world[layout.TIMED]:
            chosen = list(numbers) or slice(None)
            self.rows[chosen, layout.DUE_PS], self.rows[chosen, layout.SAMPLED] = 1000 * t_ns, 1

    def stand_after_frame(self, t_ns: int, transmitter: str) -> None:
        """Put all controllers at the end of a frame that has gone through: intermission begins."""
        rows, world = self.rows, self.world
        for field in (layout.COUNT, layout.SENDS, layout.RATE, layout.FAILED, layout.VERDICT, layout.TWIN):
            rows[:, field] = 0
        for field in (layout.BIT, layout.SEEN):
            rows[:, field] = 1
        rows[:, layout.STATE], rows[:, layout.AT] = layout.INTERMISSION, -1
        if transmitter in self.number:
            # errors before the next frame still cost it what they cost a transmitter
            rows[self.number[transmitter], layout.SENDS] = 1
        world[layout.OPENED_NS] = -1
        bus.anchor(world, self.clock, t_ns)
        self.due_ns = t_ns

    def settle(self) -> list[list[int]]:
        """It has come to pass: what was noted (time, what, who, a, b)."""
        self._ahead = False
        count = int(self.world[layout.NOTES])
        self.world[layout.NOTES] = self.world[layout.STOPS] = 0
        self.due_ns = self.now_ns
        return _in_order(self.notes[:count])

    def take_notes(self, t_ns: int) -> list[list[int]]:
        """What was noted up to an instant before which nothing is due: it is told now, and not again."""
        noted = self.noted()
        later = noted[noted[:, 0] > t_ns]
        self.notes[: len(later)] = later
        self.world[layout.NOTES] = len(later)
        return _in_order(noted[noted[:, 0] <= t_ns])

    def run(self, limit_ns: int, keep: bool = False, own: Own = NOTHING, due_ns: int = -1) -> int:
        """Run the kernel up to an instant, or until something stops it: why it has stopped.

        ``own``: what the controllers send by themselves, up to ``due_ns``. ``keep``: to come back to this instant.
        """
        if self.world[layout.TIMED]:
            if keep:
                for kept, now in zip(self._kept, (self.rows, self.world, self.clock), strict=True):
                    np.copyto(kept, now)
                np.copyto(self._flight_kept, self._flight)
                keep = False  # they may be in step again before this run ends
            wire.run_wire.hasten(_CALLS_OUT_OF_STEP)
        levels, began_ns = self._levels, self.now_ns
        while True:
            # known from the first such set on, also where the state before is run again
            self.world[layout.SLOW] = levels.slow
            reason = wire.run_wire(
                self.rows, self.world, self.clock, self.wire, self.sizes, levels.keys, levels.masks, levels.lags,
                self._flips, self.notes, self._trace, *self._kept, keep, self._quanta, self._delays, self._flight,
                own.messages, own.state, own.spans, own.slots, own.data, own.plain, own.packing, own.events,
                own.payloads, own.standing, own.tally, limit_ns, due_ns,
            )  # fmt: skip
            keep = False
            if reason != bits.UNKNOWN_SET:
                if len(own.tally):
                    passed = (self.now_ns - began_ns) / self.timing.bit_ns
                    work = max(passed / _BITS_A_CALL, own.tally[wire.EVENTS] / _EVENTS_A_CALL)
                    wire.run_wire.hasten(round(work))
                return int(reason)
            levels.learn(int(self.world[layout.DRIVE]))

    # -- for those who run it further ahead

    @property
    def arrays(self) -> tuple[Any, ...]:
        """All that changes with time."""
        return self.rows, self.world, self.clock, self.wire, self.sizes, self._flight, self.notes

    @property
    def as_drawn(self) -> bool:
        """Whether no sample is to be inverted, no bit is kept, and nothing is to be answered."""
        return not (len(self._flips) or len(self._trace) or self.world[layout.STOPS])

    def noted(self) -> Ints:
        """What is noted and was not told (time, what, who, a, b)."""
        return self.notes[: int(self.world[layout.NOTES])].copy()

    def drain(self) -> Ints:
        """As ``noted``; it is told by somebody else."""
        found = self.noted()
        self.world[layout.NOTES] = 0
        return found

    def catch_up(self, t_ns: int, own: Own, told: int) -> None:
        """Run again up to an instant, sending what was due before it; so many of the events were told."""
        if self.run(t_ns, own=own, due_ns=t_ns - 1) == bits.QUIET and t_ns > self.now_ns:
            self.set_off(t_ns)
        told = max(told - int(own.tally[wire.EVENTS]), 0)
        left = int(self.world[layout.NOTES]) - told
        self.notes[:left] = self.notes[told : told + left].copy()
        self.world[layout.NOTES] = left
        self._ahead = False
        self._base_ns = t_ns
        self.due_ns = max(t_ns, self.now_ns)

    # -- what is done to controllers

    def hold(self, node: str) -> None:
        """Drive dominant from a node's transceiver, whatever its controller sends."""
        self.world[layout.STUCK] |= 1 << self.number[node]

    def flip(self, t_ns: int, nodes: Sequence[str]) -> None:
        """Invert the samples of some nodes in the bit at an instant, which may be one to come."""
        ahead = self._ahead
        self.go_back(self._base_ns)
        before = [row for row in self._flips.tolist() if row[0] >= self.now_ns]
        self._flips = np.array(sorted([*before, [t_ns, self._levels.mask(nodes)]]), np.int64)
        self.world[layout.FLIPPED] = 0
        if ahead and not self._ahead:
            # what is done at this instant besides is not done to what has been
            self.run_ahead()

    # -- one moment, bit by bit

    def watch(self, from_ns: int, until_ns: int) -> None:
        """Keep the bits of a window."""
        self._window = (from_ns, until_ns)
        self.world[layout.TRACED] = self._kept[1][layout.TRACED] = 0

    def _trace_or_not(self, now_ns: int, limit_ns: int) -> int:
        """Trace while the window is open, with every controller reading for itself; until when that stays so."""
        first, last = self._window
        tracing = first <= now_ns < last
        if tracing and not len(self._trace):
            for n in range(len(self.rows)):
                if self.rows[n, layout.TWIN]:
                    bus.catch_up(self.rows, n)
        if tracing != bool(len(self._trace)):
            self._trace = np.zeros((_WATCHED * tracing, bits.TRACE + len(self.stations)), np.int64)
        if now_ns >= last:
            return limit_ns
        # a bus at rest stops a bit before a limit: one that is nearer than that would never be reached
        return min(limit_ns, max(last if tracing else first, now_ns + round(self.timing.bit_ns) + 1))

    def taken(self) -> list[TracedBit]:
        """The bits of the window that have come to pass since the last call."""
        count = int(self.world[layout.TRACED])
        self.world[layout.TRACED] = 0
        first, last = self._window
        found = []
        for start, end, driving, dominant, *places in self._trace[:count].tolist():
            if first <= start < last:
                where = {
                    station.name: FIELDS[place & 255] if place >> 8 == layout.FRAME else STATES[place >> 8]
                    for station, place in zip(self.stations, places, strict=True)
                }
                whole, driving = not driving & quanta.STRETCH, driving & ~quanta.STRETCH & self._audible
                found.append(TracedBit(start, end, self.names(driving), self.names(dominant), where, whole))
        return found

    # -- what waits

    def load(self, n: int) -> None:
        """Put the frame that comes first at a station into a slot of its controller."""
        station, row = self.stations[n], self.rows[n]
        if not station.waiting:
            row[layout.WANTS] = 0
            return
        key = min(station.waiting)
        frame = station.waiting[key]
        slot = int(row[layout.NEXT])
        row[layout.WANTS] = 1
        if station.slots[slot] is frame and station.keys[slot] == key:
            return
        if row[layout.SENDS] and slot == row[layout.SLOT]:
            slot = 1 - slot
        if station.slots[slot] is not frame:
            self._write(n, slot, frame)
        station.slots[slot], station.keys[slot] = frame, key
        row[layout.NEXT] = slot

    def _write(self, n: int, slot: int, frame: Outgoing) -> None:
        form = frame.extended | frame.remote << 1 | frame.fd << 2 | frame.brs << 3
        data, code = frame.data, len(frame.data)
        if frame.fd:
            code = next(code for code, length in enumerate(FD_LENGTHS) if length >= len(data))
            data = data.ljust(FD_LENGTHS[code], bytes([PADDING]))
        code = code if frame.dlc is None else frame.dlc
        size = 0 if frame.remote else len(data)
        octets = np.frombuffer(data, np.uint8)
        for shows in (0, 1) if frame.fd else (0,):
            self.sizes[n, slot, shows] = write_bits(
                self.wire[n, slot, shows], self._plain, frame.frame_id, form, shows, code, octets, size
            )
        if not frame.fd:
            self.wire[n, slot, 1] = self.wire[n, slot, 0]
            self.sizes[n, slot, 1] = self.sizes[n, slot, 0]
        self.rows[n, layout.OWN + slot] = form

    def wake(self, n: int, t_ns: int) -> None:
        """A frame waits at a station: on a bus at rest its SOF starts now, else with the next bit."""
        now_ns = self.now_ns
        if self.rows[n, layout.STATE] == layout.IDLE and t_ns > now_ns:
            # whoever counts recessive bits now is cut short by the edge: all synchronise to it
            self.set_off(t_ns, n)
        elif self.at_rest:
            self.world[layout.OPENED_NS] = -1
        elif self.world[layout.OPENED_NS] == now_ns:
            self.run_ahead()
            return
        self.due_ns = max(t_ns, self.now_ns)
