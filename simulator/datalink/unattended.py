"""Controllers of an island that send their cyclic messages by themselves, bit by bit, and what there is to tell of it.

What happens is computed some way ahead and told when its time comes; whoever interferes gets the controllers back as
they are at that instant.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Sequence
from itertools import accumulate
from operator import itemgetter
from typing import NamedTuple

import numpy as np

from simulator.datalink.controller import NEVER_NS, Attempt, Outcome, Outgoing
from simulator.datalink.island import AHEAD_BITS, Island, Own
from simulator.datalink.lot import Lot, Wants
from simulator.datalink.stretch import MOST_GUESTS, Guest, Plan, Queued, put_visitor
from simulator.kernels import layout, stretch, wire
from simulator.kernels.bits import LIMIT, QUIET
from simulator.kernels.layout import Bytes, Ints
from simulator.kernels.sending import LONGEST_BITS

#: Bits computed ahead: few at first, since somebody may interfere, then twice as many each time.
_FIRST_BITS, MOST_BITS = 1_000, 16_000
#: Events kept, besides those of one bit.
_EVENTS = 1024


class Group(NamedTuple):
    """What is told at one instant: the events from one number to before another; ``ends``: a stop is the last."""

    t_ns: int
    first: int
    last: int
    ends: bool


class Left(NamedTuple):
    """Where an island stands: the states of the cyclic messages by row of the plan, what is in the slots, and guests.

    ``slots``: controller, slot, row of the plan or -1, frame, and its number in line, or of a cyclic message whether
    it is the latest; ``waiting``: guests in line; ``coming``: those that are not, yet.
    """

    states: list[tuple[int, list[int]]]
    slots: list[tuple[int, int, int, Outgoing, int]]
    waiting: list[Queued]
    coming: list[Guest]


class Unattended:
    """An island from an instant on, if nobody interferes. ``take`` what is due at ``deadline_ns``, or ``leave``.

    ``waiting``: rows of the plan that are in line already, and frames of others. ``active``: which messages are sent.
    ``wants``: what has to be told one by one; the rest is passed over.
    """

    def __init__(
        self, island: Island, plan: Plan, waiting: tuple[Collection[int], Sequence[Queued]], active: Sequence[bool],
        t_ns: int, wants: Wants,
    ) -> None:  # fmt: skip
        waits, others = waiting
        self.island, self._plan = island, plan
        self.rows = [row for station in island.stations for row in plan.rows_of.get(station.name, ())]
        messages = plan.messages[self.rows].copy()
        messages[:, stretch.NODE] = [island.number[plan.senders[row].node] for row in self.rows]
        messages[:, stretch.ACTIVE] = [active[row] for row in self.rows]
        state = np.zeros((len(self.rows), stretch.STATE), np.int64)
        for line, row in zip(state, self.rows, strict=True):
            sender = plan.senders[row]
            line[:] = sender.due_ns, sender.count, row in waits, sender.latest[1]
        count = len(island.stations)
        spans = np.searchsorted(messages[:, stretch.NODE], range(count + 1)).astype(np.int64)
        self._own = Own(
            messages, state, spans, np.full((count, 2, 2), -1, np.int64), np.zeros((count, 2, plan.width), np.uint8),
            np.zeros(LONGEST_BITS, np.uint8), plan.layout.arrays,
            np.zeros((_EVENTS + len(island.notes), wire.EVENT), np.int64),
            np.zeros((_EVENTS + len(island.notes), plan.width), np.uint8),
            np.zeros((_EVENTS + len(island.notes), count), np.int64), np.zeros(3, np.int64),
        )  # fmt: skip
        self._guests: list[Queued] = []
        for one in others:
            self._queue(one, (NEVER_NS, 1, 1, t_ns))
        self._untold: list[list[int]] = []
        #: By message a number and its frame, since one that fails is sent again: who waits is told apart by frames.
        self._frames: dict[int, tuple[int, Outgoing]] = {}
        self._fill_slots()
        #: How many stops were told.
        self.taken = 0
        self._bits = _FIRST_BITS
        self._groups: list[Group] = []
        self._times: list[int] = []
        self._next: list[int] = [0]
        #: When something has to be told, or computed, next; NEVER_NS for never.
        self.deadline_ns = NEVER_NS
        self._at = self._noticed_to = self._end_ns = self._began_ns = 0
        self._stopped_at = -1
        self._wants = wants
        self._passed_over: list[tuple[int, int]] = []
        self._begin_at(t_ns)

    def attend_to(self, wants: Wants) -> None:
        """From now on tell other things one by one."""
        if wants != self._wants:
            self._wants = wants
            self._find_wanted()

    def pass_over(self, before_ns: int = NEVER_NS) -> None:
        """Pass over what nobody has to be told one by one, up to what somebody has to, or to an instant."""
        first, last = self._at, min(bisect_left(self._times, before_ns, self._at), self._next[self._at])
        if last > first:
            self._passed_over.append((self._groups[first].first, self._groups[last - 1].last))
            self.taken += sum(group.ends for group in self._groups[first:last])
            self._at, self._stopped_at = last, -1
            self._single_at = bisect_left(self._singles, self._groups[last - 1].last, key=itemgetter(0))

    def lot(self) -> Lot | None:
        """What was passed over, and noticed, since the last time; None for nothing."""
        notes, spans = self._noticed(), self._passed_over
        self._passed_over = []
        if not len(notes) and not spans:
            return None
        numbers = np.concatenate([np.arange(0), *(np.arange(*span) for span in spans)])
        rows = self._events[numbers]
        stops = numbers[rows[:, wire.ENDS] > 0]
        return Lot(
            tuple(self.island.number),
            notes,
            rows[rows[:, wire.WHAT] >= layout.UNDETECTED],
            self._events[stops, wire.STOPPED_NS],
            self._own.standing[stops],
        )

    def take(self) -> list[tuple[int, list[int]]]:
        """The events to be told at ``deadline_ns``, with their numbers; not ``at_the_end``.

        What controllers notice only where it has to be told one by one: ``lot`` has the rest.
        """
        group = self._groups[self._at]
        self._at += 1
        self.taken += group.ends
        self._stopped_at = group.last - 1 if group.ends else -1
        self._set_deadline()
        first = self._single_at
        while self._single_at < len(self._singles) and self._singles[self._single_at][0] < group.last:
            self._single_at += 1
        found = self._singles[first : self._single_at]
        # of one bit in the order of the controllers, whoever read for whom
        if len(found) > 1:
            found.sort(key=_in_order)
        return found

    def standing(self) -> dict[str, int]:
        """Counters and status of each controller, as the kernel packs them, when what was taken last is told.

        Empty: what was taken ends no stop, and is told some bits later.
        """
        if self._stopped_at < 0:
            return {}
        return dict(zip(self.island.number, self._own.standing[self._stopped_at].tolist(), strict=True))

    def _set_deadline(self) -> None:
        wanted = self._next[self._at]
        self.deadline_ns = self._groups[wanted].t_ns if wanted < len(self._groups) else self._end_ns

    def _find_wanted(self) -> None:
        """Find the groups in which something has to be told one by one."""
        count = len(self._groups)
        wanted = np.arange(count)
        told = self._wants.among(tuple(self.island.number), self._events)
        self._is_notice = self._events[:, wire.WHAT] < layout.UNDETECTED
        singles = np.flatnonzero(told | ~self._is_notice)
        self._is_notice &= ~told
        self._singles = list(zip(singles.tolist(), self._events[singles].tolist(), strict=True))
        at = self._groups[self._at].first if self._at < count else len(self._events)
        self._single_at = int(np.searchsorted(singles, at))
        if count:
            found = np.logical_or.reduceat(told, [group.first for group in self._groups])
            wanted = np.minimum.accumulate(np.where(found, wanted, count)[::-1])[::-1]
        self._next = [*wanted.tolist(), count]
        self._set_deadline()

    def _noticed(self) -> Ints:
        """What controllers have noticed and nobody was told one by one, from now on told: notes, in order."""
        last = self._groups[self._at - 1].last if self._at else 0
        first, self._noticed_to = self._noticed_to, max(self._noticed_to, last)
        return self._events[first:last, : layout.NOTE][self._is_notice[first:last]]

    @property
    def at_the_end(self) -> bool:
        """Whether all is told that is computed."""
        return self._at == len(self._groups)

    def go_on(self) -> None:
        """Compute further, all being told."""
        self._begin_at(self._end_ns)

    @property
    def usable(self) -> bool:
        """Whether it can go on after what it has computed."""
        return not self._own.tally[wire.BLOCKED]

    def attempt(self, number: int, event: Sequence[int], outcome: Outcome) -> Attempt:
        """The record of an attempt that has ended."""
        frame = self._frame(event[wire.MESSAGE], event[wire.NUMBER], self._own.payloads[number])
        return self.island.attempt(event[wire.WHO], event[wire.T_NS], frame, outcome, event[wire.START_NS :])

    def leave(self, t_ns: int) -> Left:
        """Put the controllers where they are at an instant, all that was due before it sent."""
        self._catch_up(t_ns)
        own, cyclic = self._own, len(self.rows)
        state: list[list[int]] = own.state.tolist()
        slots = []
        for n, both in enumerate(own.slots.tolist()):
            for slot, (m, number) in enumerate(both):
                if m >= cyclic:
                    one = self._guests[m - cyclic]
                    slots.append((n, slot, -1, one.guest.frame, one.number))
                elif m >= 0:
                    latest = number == state[m][stretch.COUNT]
                    slots.append((n, slot, self.rows[m], self._frame(m, number, own.data[n, slot]), latest))
        guests = list(zip(self._guests, state[cyclic:], strict=False))
        return Left(
            list(zip(self.rows, state[:cyclic], strict=True)),
            slots,
            [one for one, line in guests if line[stretch.WAITS]],
            [one.guest for one, line in guests if line[stretch.DUE_NS] < NEVER_NS],
        )

    def admit(self, guest: Guest, number: int) -> bool:
        """Queue another frame at its instant; False for odd ones, or if it takes the place of one in line."""
        t_ns, node, frame = guest
        if not self._plan.admits(frame) or len(self._guests) == MOST_GUESTS:
            return False
        began_ns = self._began_ns
        self._catch_up(t_ns)
        cyclic = len(self.rows)
        waits = self._own.state[cyclic:, stretch.WAITS].tolist()
        for other, waiting in zip(self._guests, waits, strict=False):
            queued = other.guest
            same = waiting and (queued.node, queued.frame.key) == (node, frame.key)
            if same and not (queued.frame.kept and frame.kept):
                return False
        self._queue(Queued(guest, number), (t_ns, 0, 0, t_ns))
        # as long as the others were
        bits = round(2 * (t_ns - began_ns) / self.island.timing.bit_ns)
        self._bits = min(max(bits, _FIRST_BITS), MOST_BITS)
        self._begin_at(t_ns)
        return True

    def _queue(self, one: Queued, state: tuple[int, ...]) -> None:
        """Put a frame of another where it is by its state."""
        if not self._guests:
            self._make_room()
        own, m = self._own, len(self.rows) + len(self._guests)
        put_visitor(own.messages[m], own.packing[1], one.guest, self.island.number[one.guest.node])
        own.state[m] = state
        self._guests.append(one)

    def _make_room(self) -> None:
        """For guests, after the cyclic messages, with payloads of their own."""
        own, senders = self._own, len(self._plan.senders)
        variants, steady, signals, factors, followed, samples = own.packing
        messages = self._plan.messages[senders : senders + MOST_GUESTS].copy()
        messages[:, [stretch.ACTIVE, stretch.NODE]] = 0, -1
        state = np.zeros((MOST_GUESTS, stretch.STATE), np.int64)
        state[:, stretch.DUE_NS] = NEVER_NS
        self._own = own._replace(
            messages=np.concatenate([own.messages, messages]),
            state=np.concatenate([own.state, state]),
            packing=(variants, steady.copy(), signals, factors, followed, samples),
        )

    def untold(self) -> list[list[int]]:
        """What controllers have noticed up to ``leave`` or ``admit``, is no longer noted and was not told."""
        found, self._untold = self._untold, []
        return found

    def _catch_up(self, t_ns: int) -> None:
        """Run again up to an instant; what is told by then is neither noted nor untold."""
        own, told = self._own, self._groups[: self._at]
        count = told[-1].last if told else 0
        self._restore()
        own.tally[:] = 0, sum(group.ends for group in told), 0
        self.island.catch_up(t_ns, own, count)
        self._untold += own.events[count : own.tally[wire.EVENTS]].tolist()

    def _frame(self, m: int, number: int, data: Bytes) -> Outgoing:
        if m >= len(self.rows):
            return self._guests[m - len(self.rows)].guest.frame
        known = self._frames.get(m)
        if known is not None and known[0] == number:
            return known[1]
        row = self.rows[m]
        sender = self._plan.senders[row]
        one, own = sender.message, data[: self._plan.sizes[row]].tobytes()
        frame = Outgoing(one.frame_id, own, name=one.name, extended=one.extended, fd=one.is_fd, brs=sender.brs)
        self._frames[m] = number, frame
        return frame

    def _fill_slots(self) -> None:
        """Say which messages are in the slots of the controllers."""
        senders, own = self._plan.senders, self._own
        local = {id(senders[row].latest[0]): (m, senders[row].count) for m, row in enumerate(self.rows)}
        local |= {id(one.guest.frame): (m, 1) for m, one in enumerate(self._guests, len(self.rows))}
        for n, station in enumerate(self.island.stations):
            for slot, frame in enumerate(station.slots):
                if frame is not None and id(frame) in local:
                    own.slots[n, slot] = local[id(frame)]
                    own.data[n, slot, : len(frame.data)] = list(frame.data)

    def _restore(self) -> None:
        for kept, now in zip(self._base, self._changing(), strict=True):
            np.copyto(now, kept)

    def _changing(self) -> tuple[Ints, ...]:
        own = self._own
        return (*self.island.arrays, own.state, own.slots, own.data)

    def _begin_at(self, t_ns: int) -> None:
        """Compute from the present state, at an instant, on."""
        island, own = self.island, self._own
        self._base = tuple(one.copy() for one in self._changing())
        self._at, self._began_ns, self._stopped_at = 0, t_ns, -1
        limit_ns = t_ns + round(self._bits * island.timing.bit_ns)
        self._bits = min(2 * self._bits, MOST_BITS)
        own.tally[:] = 0, NEVER_NS, 0
        reason = island.run(limit_ns, own=own, due_ns=limit_ns - 1)
        self._end_ns = island.now_ns
        if reason == QUIET and not np.any(own.messages[:, stretch.ACTIVE]):
            self._end_ns = NEVER_NS
        elif reason in (LIMIT, QUIET):
            self._end_ns = max(self._end_ns, limit_ns)
        self._events = own.events[: own.tally[wire.EVENTS]].copy()
        if not own.tally[wire.BLOCKED]:
            self._events = np.concatenate([self._events, _as_events(island.drain())])
        self._noticed_to = 0
        self._groups = _grouped(self._events, round(AHEAD_BITS * island.timing.bit_ns))
        self._times = list(accumulate((group.t_ns for group in self._groups), max))
        self._find_wanted()


def counters_in(packed: int) -> tuple[int, int]:
    """(transmit, receive) error counters from one number of ``standing``."""
    return packed >> 16, packed >> 2 & 0xFF


def _in_order(numbered: tuple[int, list[int]]) -> tuple[int, int]:
    return numbered[1][wire.T_NS], numbered[1][wire.WHO]


def _as_events(notes: Ints) -> Ints:
    found = np.zeros((len(notes), wire.EVENT), np.int64)
    found[:, : layout.NOTE] = notes
    return found


def _grouped(events: Ints, late_ns: int) -> list[Group]:
    """What is told together: all up to a stop, or so much as can be told in time."""
    groups: list[Group] = []
    first = 0
    times, stopped = events[:, wire.T_NS].tolist(), events[:, wire.STOPPED_NS].tolist()
    stops = np.flatnonzero(events[:, wire.ENDS]).tolist()
    for last, ends in [*((stop, True) for stop in stops), (len(events) - 1, False)]:
        while first <= last:
            t_ns = times[first] + late_ns
            if times[last] > t_ns:
                end = bisect_right(times, t_ns, first, last + 1)
                groups.append(Group(t_ns, first, end, False))
                first = end
                continue
            groups.append(Group(stopped[last] if ends else times[last], first, last + 1, ends))
            first = last + 1
    return groups
