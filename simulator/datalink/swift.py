"""The medium of one network: whole frames where it is healthy, bit by bit where it is not.

Bit by bit the controllers send their cyclic messages by themselves where nobody interferes (``unattended``).
A stretch begins at the end of a frame, or when the network is joined anew, and ends where somebody interferes: then the
controllers take over at the end of the last frame that has come to pass, and what was due since is sent again to them.
Sources: Bosch CAN Specification 2.0 (1991), part B, 10.5 (intermission) and 10.7; ISO 11898-1:2015 (integration).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from simulator.batch import Batch, Sent
from simulator.datalink.bitwise import Bitwise
from simulator.datalink.controller import Attempt, Outcome, Outgoing, Wiring
from simulator.datalink.health import bits_to_wait, hears_all, sends_known, unharmed, what_waits
from simulator.datalink.island import Island, TracedBit
from simulator.datalink.leftalone import LeftAlone
from simulator.datalink.lot import Lot, Wants
from simulator.datalink.stretch import MOST_GUESTS, Cyclic, Guest, Plan, Stretch
from simulator.datalink.trouble import STATUS, Trouble
from simulator.datalink.unattended import Unattended, counters_in
from simulator.kernels.layout import Ints
from simulator.kernels.stretch import COUNT, DUE_NS, SINCE_NS, WAITS

#: A stretch of fewer frames than this was not worth it: the next one comes later, after so many frames at most.
_SHORT, _PATIENCE = 16, 64


class Swift:
    """The door of ``Bitwise``, with stretches. ``take`` many frames at once, or ``advance`` from one to the next.

    ``cyclic``: all cyclic messages of the network; ``lend``: leave them to the medium, and which are sent;
    ``take_back``: send them again, from where they are; ``passed``: whether modules have acted at the present instant,
    and whether this wire has; ``heeded``: identifiers to be told of one by one, since modules answer or pass them on;
    ``allowed``: whether cyclic messages may be left to the medium, and whether a stretch may begin. ``now``: the
    present instant.
    """

    def __init__(
        self,
        controllers: Bitwise,
        network: str,
        attempted: Callable[[Attempt], None],
        *,
        lot: Callable[[Lot], None],
        wants: Callable[[], Wants],
        cyclic: Callable[[], Sequence[Cyclic]],
        lend: Callable[[], Sequence[bool]],
        take_back: Callable[[], None],
        passed: Callable[[], tuple[bool, bool]],
        heeded: Callable[[int], bool],
        allowed: Callable[[], tuple[bool, bool]],
        now: Callable[[], int],
    ) -> None:
        self._bits = controllers
        self._network = network
        self._attempted = attempted
        self._alone = LeftAlone(controllers, attempted, lot, wants)
        self._cyclic, self._lend, self._take_back = cyclic, lend, take_back
        self._passed, self._heeded, self._allowed = passed, heeded, allowed
        self._now = now
        self._plan: Plan | None = None
        self._wiring: Wiring | None = None
        self._healthy: bool | None = None
        self._stretch: Stretch | None = None
        self._lost: Counter[tuple[str, str, str]] = Counter()
        self._joined = False
        self._pause = self._due_pause = 0
        self._wait = self._due_wait = 0
        self._active: Sequence[bool] = ()
        self._bits_until_ns = 0

    # -- the door of the controllers ----------------------------------------------------------------------------

    @property
    def deadline_ns(self) -> int:
        """When ``advance`` has to be called next, in ns."""
        if self._alone:
            return self._alone.deadline_ns
        return self._bits.deadline_ns if self._stretch is None else self._stretch.deadline_ns

    def status(self, node: str) -> str:
        """Error active, error passive or bus off; "down" for a node that is not up."""
        standing = self._alone.standing(node)
        if standing:
            return STATUS[standing[node] & 3]
        self._attend(self._now())
        return self._bits.status(node, self._now())

    def counters(self, node: str) -> tuple[int, int]:
        """(transmit, receive) error counters."""
        standing = self._alone.standing(node)
        if standing:
            return counters_in(standing[node])
        self._attend(self._now())
        return self._bits.counters(node, self._now())

    def counters_beside(self, node: str) -> dict[str, tuple[int, int]]:
        """As ``counters``, of all that share a wire with a node, itself among them; none if it is not up."""
        standing = self._alone.standing(node)
        if standing:
            return {name: counters_in(packed) for name, packed in standing.items()}
        self._attend(self._now())
        return self._bits.counters_beside(node, self._now())

    def last_trouble(self, node: str) -> Trouble | None:
        """The last error that a controller noticed."""
        self._attend(self._now())
        return self._bits.last_trouble(node, self._now())

    @property
    def troubles(self) -> Counter[tuple[str, str, str]]:
        """How often what happened: by (node, kind, place)."""
        self._attend(self._now())
        lost = self._lost + (Counter() if self._stretch is None else self._stretch.lost())
        return self._bits.troubles(self._now()) + lost

    def hand_over(self, t_ns: int) -> None:
        """Tell in lots what has happened up to the present instant and nobody has to be told one by one."""
        if self._alone:
            self._alone.hand_over(t_ns + self._passed()[1])

    def reconsider(self) -> None:
        """Somebody may want to be told other things than before."""
        self._alone.reconsider()

    def tell_noticed(self, t_ns: int) -> None:
        """Tell what controllers have noticed up to the present instant; in a stretch they notice nothing."""
        self._attend(t_ns)
        if self._stretch is None:
            self._bits.tell_noticed(t_ns)

    @property
    def bits(self) -> list[TracedBit]:
        """The bits of the window watched."""
        return self._bits.bits

    def submit(self, t_ns: int, node: str, frame: Outgoing) -> None:
        """Queue a frame at a node; a node that is down loses it."""
        # what begins at this instant may have begun, or not all that was computed is told
        admits = self._alone and not self._passed()[1] and not self._alone.telling
        if admits and self._alone.admit(Guest(t_ns, node, frame)):
            return
        self._attend(t_ns)
        if self._stretch is not None:
            if not self._bits.is_up(node) or self._stretch.admit(t_ns, node, frame, self._passed()[1]):
                return
            self.leave(t_ns)
        self._bits.submit(t_ns, node, frame)

    def withdraw(self, t_ns: int, node: str, frame: Outgoing) -> None:
        """Take back a frame that waits; one on the wire runs to its end but is not repeated."""
        self._attend(t_ns)
        if self._stretch is None:
            self._bits.withdraw(t_ns, node, frame)
        else:
            self._stretch.dismiss(t_ns, frame, self._passed()[1])

    def restart(self, t_ns: int, node: str) -> None:
        """Ask a controller that is bus-off to come back; in a stretch none is."""
        self._attend(t_ns)
        if self._stretch is None:
            self._bits.restart(t_ns, node)

    def watch(self, t_ns: int, from_ns: int, until_ns: int) -> None:
        """Keep every bit of a window, from now on; up to its end the network runs bit by bit."""
        self.leave(t_ns)
        self._bits_until_ns = until_ns
        self._bits.watch(t_ns, from_ns, until_ns)

    def rewire(self, t_ns: int, wiring: Wiring) -> None:
        """Put another wiring in force; frames on the wire that it breaks end in an error."""
        self.leave(t_ns)
        self._bits.rewire(t_ns, wiring)
        self._wiring, self._healthy, self._joined = wiring, None, True

    def advance(self, t_ns: int) -> None:
        """Do what is due at this instant."""
        if self._stretch is not None:
            self._tell(*self._stretch.take_one())
            return
        if self._alone:
            one = self._alone.tell_due(t_ns)
            if one is not None:
                self._look_ahead(one, t_ns)
            return
        if self._joined:
            self._joined = False
            if self._enter(t_ns):
                return
        before = self._bits.through
        self._bits.advance(t_ns)
        if self._bits.through != before:
            self._pause -= 1
            if self._pause < 0 and self._enter(t_ns):
                return
        self._wait -= 1
        if self._wait < 0:
            self._leave_alone(t_ns)

    # -- many frames at once ------------------------------------------------------------------------------------

    @property
    def stretch(self) -> Stretch | None:
        """The stretch that the network is in."""
        return self._stretch

    @property
    def until_ns(self) -> int:
        """In a stretch: frames that end before this instant may be taken at once; else 0."""
        return 0 if self._stretch is None else self._stretch.until_ns

    def take(self, before_ns: int) -> Batch:
        """The frames of the stretch up to an instant, not beyond ``until_ns``."""
        assert self._stretch is not None
        return self._stretch.take(before_ns)

    def _tell(self, batch: Batch, guest: Outgoing | None) -> None:
        for row, data in zip(batch.frames.tolist(), batch.payloads, strict=True):
            start_ns, end_ns, which, length, dominant = row
            one = batch.sent[which]
            frame = guest or Outgoing(
                one.frame_id,
                data[: one.size].tobytes(),
                name=one.message,
                extended=one.extended,
                fd=one.fd,
                brs=one.brs,
            )
            acked = one.listeners
            if self._wiring is not None and self._wiring.listening:
                acked = tuple(name for name in acked if name not in self._wiring.listening)
            self._attempted(
                Attempt(start_ns, end_ns, one.transmitter, frame, Outcome.OK, length, dominant, acked, one.listeners)
            )

    # -- into a stretch and out of it ---------------------------------------------------------------------------

    def _enter(self, t_ns: int) -> bool:
        """Begin a stretch at an instant at which the controllers stand at the end of a frame, if all is healthy."""
        island = self._bits.whole_island()
        if island is None or t_ns < self._bits_until_ns or not self._allowed()[1] or not self._is_healthy:
            return False
        plan = self._planned(island)
        waiting = what_waits(island, plan) if plan.usable else None
        if waiting is None or waiting.others:
            return False
        island.go_back(t_ns)
        rest = bits_to_wait(island)
        if rest is None:
            self._bits.replan()
            return False
        free_ns = island.now_ns + rest * 1_000_000_000 // plan.hertz
        names = [station.name for station in island.stations]
        sent = self._sent_to(names)
        heeded = [self._heeded(frame_id) for frame_id in plan.ids]
        self._stretch = Stretch(plan, sent, self._lend(), free_ns, waiting.rows, heeded, names)
        return True

    @property
    def _is_healthy(self) -> bool:
        if self._healthy is None:
            self._healthy = self._wiring is not None and hears_all(self._wiring)
        return self._healthy

    def _planned(self, island: Island) -> Plan:
        if self._plan is None:
            self._plan = Plan(self._cyclic(), island.timing)
        return self._plan

    def _sent_to(self, names: Sequence[str]) -> list[Sent]:
        assert self._plan is not None
        found = []
        for sender, size in zip(self._plan.senders, self._plan.sizes, strict=True):
            one = sender.message
            others = tuple(name for name in names if name != sender.node)
            found.append(
                Sent(
                    self._network,
                    sender.node,
                    one.name,
                    one.frame_id,
                    one.extended,
                    size,
                    one.is_fd,
                    sender.brs,
                    others,
                )
            )
        return found

    def forget(self, t_ns: int) -> None:
        """The payloads of the cyclic messages are packed otherwise from now on."""
        self.leave(t_ns)
        self._plan = None

    def leave(self, t_ns: int) -> None:
        """End a stretch: the controllers take over at the end of its last frame, and catch up to this instant."""
        self._attend(t_ns)
        island = self._bits.whole_island()
        if self._stretch is None or self._plan is None or island is None:
            return
        acted, advanced = self._passed()
        stretch, self._stretch = self._stretch, None
        self._pause = self._due_pause = min(2 * self._due_pause + 2, _PATIENCE) if stretch.taken < _SHORT else 0
        self._lost += stretch.lost()
        state, last, guests = stretch.leave()
        if last is not None:
            island.stand_after_frame(*last)
        self._hand_over(island, state)
        self._bits.replan()
        self._catch_up(t_ns - (not acted), stretch.active, guests)
        self._run_bits(t_ns - (not advanced))
        self._take_back()

    # -- bit by bit, with nobody attending to what is sent --------------------------------------------------------

    def _leave_alone(self, t_ns: int) -> None:
        """Let the controllers send their cyclic messages by themselves from an instant on, if nothing else waits."""
        islands = self._bits.islands
        if not islands or t_ns < self._bits_until_ns or not self._bits.in_order or not self._allowed()[0]:
            return
        if self._wiring is None or self._wiring.listening:
            return
        plan = self._planned(islands[0])
        if not plan.usable:
            return
        found = [waiting for island in islands if (waiting := what_waits(island, plan)) is not None]
        if len(found) < len(islands) or any(len(waiting.others) > MOST_GUESTS for waiting in found):
            self._wait = _SHORT
            return
        for island in islands:
            island.go_back(t_ns)
        each = list(zip(islands, found, strict=True))
        if not all(island.as_drawn and sends_known(island, plan, waiting) for island, waiting in each):
            self._wait = _SHORT
            self._bits.replan()
            return
        self._active = self._lend()
        wants = self._alone.wants()
        self._alone.begin([Unattended(island, plan, waiting, self._active, t_ns, wants) for island, waiting in each])

    def _look_ahead(self, one: Unattended, t_ns: int) -> None:
        """Go on computing; back to the controllers where something has to be answered, or all is well again."""
        if not one.usable:
            self._attend(t_ns)
            self._bits.advance(t_ns)
        elif self._allowed()[1] and self._is_healthy and unharmed(one.island):
            self._attend(t_ns)
            self._pause, self._wait = 0, _PATIENCE
        else:
            self._alone.go_on(one)

    def _attend(self, t_ns: int) -> None:
        """The controllers are as they are at an instant, and modules send their cyclic messages again."""
        if not self._alone or self._plan is None:
            return
        acted, advanced = self._passed()
        found = self._alone.end(t_ns + advanced)
        taken = sum(one.taken for one in found)
        self._wait = self._due_wait = min(2 * self._due_wait + 2, _PATIENCE) if taken < _SHORT else 0
        for one in found:
            self._give_back(one, t_ns)
        self._bits.replan()
        self._catch_up(t_ns - (not acted), self._active, [])
        self._run_bits(t_ns - (not advanced))
        self._take_back()

    def _give_back(self, one: Unattended, t_ns: int) -> None:
        """Put what waits, and what is in the slots, as the controllers' stations know it."""
        assert self._plan is not None
        left = one.leave(t_ns)
        self._alone.tell_untold(one)
        senders, keys, stations, number = self._plan.senders, self._plan.keys, one.island.stations, one.island.number
        frames = {row: frame for _, _, row, frame, latest in left.slots if row >= 0 and latest}
        for station in stations:
            station.waiting = {}
        for row, line in left.states:
            sender = senders[row]
            sender.stand(line[DUE_NS], line[COUNT], line[SINCE_NS], frames.get(row))
            last = sender.last_frame() if line[WAITS] else None
            if last is not None:
                stations[number[sender.node]].waiting[keys[row], 0] = last
        for (_, node, frame), place in left.waiting:
            stations[number[node]].waiting[frame.key, place * frame.kept] = frame
        for n, slot, row, frame, latest in left.slots:
            if row < 0:
                stations[n].slots[slot], stations[n].keys[slot] = frame, (frame.key, latest * frame.kept)
            else:
                last = senders[row].last_frame() if latest else None
                stations[n].slots[slot], stations[n].keys[slot] = last or frame, (keys[row], 0)
        self._bits.replan()
        for guest in left.coming:
            self._bits.submit(t_ns, guest.node, guest.frame)

    def _catch_up(self, until_ns: int, active: Sequence[bool], guests: list[Guest]) -> None:
        """Send again to the controllers what has been due since the last frame."""
        assert self._plan is not None
        while True:
            due_ns, row = min((sender.due_ns, row) for row, sender in enumerate(self._plan.senders))
            if guests and guests[0].due_ns <= due_ns:
                guest = guests.pop(0)
                self._run_bits(guest.due_ns - 1)
                self._bits.submit(guest.due_ns, guest.node, guest.frame)
                continue
            if due_ns > until_ns:
                return
            sender = self._plan.senders[row]
            sender.due_ns += sender.cycle_ns
            if active[row]:
                self._run_bits(due_ns - 1)
                self._bits.submit(due_ns, sender.node, sender.frame(due_ns))

    def _run_bits(self, until_ns: int) -> None:
        while self._bits.deadline_ns <= until_ns:
            self._bits.advance(self._bits.deadline_ns)

    def _hand_over(self, island: Island, state: Ints) -> None:
        """Put what waits after a stretch in line at the controllers, and set the senders to where they are."""
        assert self._plan is not None
        for station in island.stations:
            station.waiting = {}
        for sender, row, key in zip(self._plan.senders, state.tolist(), self._plan.keys, strict=True):
            sender.stand(row[DUE_NS], row[COUNT], row[SINCE_NS])
            if row[WAITS]:
                n = island.number[sender.node]
                frame = sender.last_frame()
                assert frame is not None
                island.stations[n].waiting[key, 0] = frame
        for n in range(len(island.stations)):
            island.load(n)
