"""The medium of one network, bit by bit, with every controller a real one.

What each controller reads in a bit follows from the set of nodes that drive in it. Time between events is not looked
at bit by bit from outside: the kernel runs ahead, and goes back where the world changes before.
Sources: Bosch CAN Specification 2.0 (1991), part B; Bosch CAN FD Specification 1.0 (2012); ISO 11898-1:2015.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence

from simulator.datalink.controller import NEVER_NS, Attempt, Outcome, Outgoing, Wiring
from simulator.datalink.frame import PADDING
from simulator.datalink.island import Island, Station, Timing, TracedBit
from simulator.datalink.trouble import STATUS, Trouble, kind_and_place, trouble_of
from simulator.errors import BadRequest
from simulator.kernels import layout

#: What a controller makes of CAN FD frames, by number in its row.
SKILLS: tuple[str, ...] = ("classic", "tolerant", "fd")
_OUTCOMES: Mapping[int, Outcome] = {
    layout.ACK_ERROR: Outcome.NOT_ACKNOWLEDGED,
    layout.BIT_DOMINANT: Outcome.BIT_ERROR,
}
#: A set of drivers is one bit per node in an integer.
_MOST_NODES = 62


class Bitwise:
    """The medium of one network. ``submit`` frames, ``advance`` at every ``deadline_ns``; attempts come by callback.

    ``attempted(attempt)`` is called when an attempt has ended, ``changed(t_ns, node, status)`` when a controller turns
    error active, error passive or bus off; ``troubled(trouble)`` hears of every error, with the end of its bit, at the
    latest when the attempt ends, while ``attended()`` says that anybody listens. ``automatic``: controllers come
    back from bus-off by themselves, else after ``restart``. ``skills``: "classic", "tolerant" or "fd" (default) by
    node.
    """

    def __init__(
        self,
        bit_rate: int,
        *,
        sample_point: float = 0.8,
        data_bit_rate: int | None = None,
        data_sample_point: float | None = None,
        attempted: Callable[[Attempt], None],
        changed: Callable[[int, str, str], None] = lambda t_ns, node, status: None,
        troubled: Callable[[Trouble], None] | None = None,
        attended: Callable[[], bool] = lambda: True,
        automatic: bool = True,
        skills: Mapping[str, str] | None = None,
    ) -> None:
        self.bit_rate = bit_rate
        self.deadline_ns = NEVER_NS
        self._timing = Timing(bit_rate, sample_point, data_bit_rate, data_sample_point)
        self._attempted, self._changed = attempted, changed
        self._troubled, self._attended = troubled, attended
        self._automatic = automatic
        self._skills = dict(skills or {})
        self._stations: dict[str, Station] = {}
        self._home: dict[str, Island] = {}
        self._islands: list[Island] = []
        self._counted: Counter[tuple[str, int, int]] = Counter()
        self._last: dict[str, tuple[int, int, str, int, int]] = {}
        #: By transmitter, who has received and who has acknowledged its frame and is on another wire by now.
        self._apart: dict[str, tuple[set[str], set[str]]] = {}
        self._count = 0
        #: How many frames have gone through.
        self.through = 0
        self._window: tuple[int, int] | None = None
        self.bits: list[TracedBit] = []

    # -- the door -----------------------------------------------------------------------------------------------

    def is_up(self, node: str) -> bool:
        """Whether a node takes part at all."""
        return node in self._home

    def status(self, node: str, t_ns: int | None = None) -> str:
        """Error active, error passive or bus off; "down" for a node that is not up. As ``counters``."""
        island = self._home.get(node)
        return "down" if island is None else STATUS[island.looked_up(node, layout.STATUS, t_ns)]

    def counters(self, node: str, t_ns: int | None = None) -> tuple[int, int]:
        """(transmit, receive) error counters at the present instant, or as of the last event on the wire."""
        island = self._home.get(node)
        if island is None:
            return 0, 0
        return island.looked_up(node, layout.TEC, t_ns), island.looked_up(node, layout.REC, t_ns)

    def counters_beside(self, node: str, t_ns: int | None = None) -> dict[str, tuple[int, int]]:
        """As ``counters``, of all that share a wire with a node, itself among them; none if it is not up."""
        island = self._home.get(node)
        return {} if island is None else {name: self.counters(name, t_ns) for name in island.number}

    def submit(self, t_ns: int, node: str, frame: Outgoing) -> None:
        """Queue a frame at a node; a node that is down loses it."""
        island = self._home.get(node)
        if island is None:
            return
        station = self._stations[node]
        station.waiting[frame.key, self.next_number() * frame.kept] = frame
        n = island.number[node]
        island.go_back(t_ns)
        island.load(n)
        island.wake(n, t_ns)
        self.deadline_ns = min(self.deadline_ns, island.due_ns)

    def withdraw(self, t_ns: int, node: str, frame: Outgoing) -> None:
        """Take back a frame that waits; one on the wire runs to its end but is not repeated."""
        island = self._home.get(node)
        if island is None:
            return
        station = self._stations[node]
        station.waiting = {slot: waiting for slot, waiting in station.waiting.items() if waiting is not frame}
        island.go_back(t_ns)
        island.load(island.number[node])
        self._plan()

    def advance(self, t_ns: int) -> None:
        """Do what is due at this instant."""
        for island in self._islands:
            if island.due_ns <= t_ns:
                self._deliver(island)
                if island.due_ns <= t_ns:
                    island.run_ahead()
        self._plan()

    def rewire(self, t_ns: int, wiring: Wiring) -> None:
        """Put another wiring in force; frames on the wire that it breaks end in an error."""
        if len(wiring.hearers) > _MOST_NODES:
            raise BadRequest(f"a network of {len(wiring.hearers)} nodes: {_MOST_NODES} is the most")
        old = self._islands
        for island in old:
            island.go_back(t_ns)
            self._deliver(island)
            island.leave()
        for name in [name for name in self._stations if name not in wiring.hearers]:
            self._go_down(t_ns, name)
        for name in wiring.hearers:
            if name not in self._stations:
                skill = SKILLS.index(self._skills.get(name, "fd"))
                self._stations[name] = Station(name, skill, self._automatic and name not in wiring.by_request)
        self._islands = [self._settle_island(t_ns, names, wiring) for names in parts_of(wiring)]
        self._home = {name: island for island in self._islands for name in island.number}
        self._plan()

    # -- what is done to controllers, and seen of them ------------------------------------------------------------

    def restart(self, t_ns: int, node: str) -> None:
        """Ask a controller that is bus-off to come back: after 128 times 11 recessive bits (rule 12)."""
        island = self._at(t_ns, node)
        row = island.rows[island.number[node]]
        if row[layout.STATE] == layout.RESTING:
            row[layout.STATE], row[layout.COUNT] = layout.BUS_OFF, 0
        self._plan()

    def delay(self, t_ns: int, node: str, times: int = 1) -> None:
        """Let a controller ask for one or two overload frames before the next frame. Bosch CAN 2.0, 10.3.4."""
        island = self._at(t_ns, node)
        island.rows[island.number[node], layout.DELAYS] = min(times, 2)
        self._plan()

    def disturb(self, t_ns: int, *nodes: str) -> None:
        """Invert what these nodes sample in the bit that contains an instant, now or later."""
        for island in {id(self._home[node]): self._home[node] for node in nodes}.values():
            island.flip(t_ns, [node for node in nodes if node in island.number])
        self._plan()

    def set_counters(self, t_ns: int, node: str, sent: int, received: int) -> None:
        """Give a controller other error counters, below bus-off; for tests of what follows from them."""
        island = self._at(t_ns, node)
        row = island.rows[island.number[node]]
        row[layout.TEC], row[layout.REC] = sent, received
        row[layout.STATUS] = sent >= layout.PASSIVE_AT or received >= layout.PASSIVE_AT
        self._plan()

    def watch(self, t_ns: int, from_ns: int, until_ns: int) -> None:
        """Keep every bit of a window, from now on; a window that is over stays until the next one."""
        self._window = (from_ns, until_ns)
        self.bits.clear()
        for island in self._islands:
            island.go_back(t_ns)
            island.watch(*self._window)
        self._plan()

    def tell_noticed(self, t_ns: int) -> None:
        """Tell what controllers have noticed up to an instant, but for what is due then."""
        for island in self._islands:
            if island.due_ns > t_ns:
                island.go_back(t_ns)
                noted = island.take_notes(t_ns)
                self._count_all(island, noted)
                for when_ns, what, n, a, b in noted:
                    self.tell(when_ns, what, island.stations[n].name, a, b)
        self._plan()

    def last_trouble(self, node: str, t_ns: int = -1) -> Trouble | None:
        """What a controller noticed last, as of the last event or of an instant from then on."""
        *_, found = self._last.get(node), *(note for note in self._noticed(t_ns) if note[2] == node)
        if found is None:
            return None
        when_ns, what, _, a, b = found
        return trouble_of(when_ns, what, node, a, b)

    def troubles(self, t_ns: int = -1) -> Counter[tuple[str, str, str]]:
        """How often what was noticed: by (node, kind, place), as of the last event or of an instant from then on."""
        counted = self._counted + Counter(
            (node, what, kind_and_place(what, a)) for _, what, node, a, _ in self._noticed(t_ns)
        )
        found: Counter[tuple[str, str, str]] = Counter()
        for (node, what, code), count in counted.items():
            trouble = trouble_of(0, what, node, code, 0)
            found[node, trouble.kind, trouble.place] += count
        return found

    def _noticed(self, t_ns: int) -> Iterator[tuple[int, int, str, int, int]]:
        """What was noticed up to an instant and is to be told with the next event."""
        for island in self._islands:
            for when_ns, what, n, a, b in island.noted():
                if when_ns <= t_ns and what < layout.UNDETECTED:
                    yield when_ns, what, island.stations[n].name, a, b

    # -- for those who know better what comes next ---------------------------------------------------------------

    def whole_island(self) -> Island | None:
        """The controllers, if all share one wire."""
        return self._islands[0] if len(self._islands) == 1 else None

    @property
    def islands(self) -> tuple[Island, ...]:
        """The controllers by the wire they share."""
        return tuple(self._islands)

    @property
    def in_order(self) -> bool:
        """Whether every frame on a wire has begun there, and all who hear it are still there."""
        return not self._apart

    def next_number(self) -> int:
        """The place in line of another frame."""
        self._count += 1
        return self._count

    def replan(self) -> None:
        """The state of the controllers was changed from outside: look again when something is due."""
        self._plan()

    # -- inside -------------------------------------------------------------------------------------------------

    def _at(self, t_ns: int, node: str) -> Island:
        island = self._home[node]
        island.go_back(t_ns)
        return island

    def _plan(self) -> None:
        self.deadline_ns = min((island.due_ns for island in self._islands), default=NEVER_NS)

    def _settle_island(self, t_ns: int, names: tuple[str, ...], wiring: Wiring) -> Island:
        """A new island of these nodes; it takes over the clock of the busiest they come from."""
        for name in names:
            station = self._stations[name]
            if station.row[layout.SENDS] and station.row[layout.AT] >= 0:
                for kept, heard in zip(self._apart.setdefault(name, (set(), set())), station.heard_by, strict=True):
                    kept.update(set(heard) - set(names))
        island = Island([self._stations[name] for name in names], self._timing, t_ns, wiring)
        before = [self._home[name] for name in names if name in self._home]
        if before:
            island.take_clock(list({id(one): one for one in before}.values()), t_ns)
        else:
            island.set_off(t_ns)
        for name in names:
            if name in wiring.stuck:
                island.hold(name)
        if self._window is not None:
            island.watch(*self._window)
        return island

    def _go_down(self, t_ns: int, name: str) -> None:
        """A node without supply: its frame breaks off, what waited is lost."""
        station = self._stations.pop(name)
        row = station.row
        if row[layout.SENDS] and (row[layout.STATE] == layout.FRAME or row[layout.FAILED]):
            frame = station.slots[row[layout.SLOT]]
            assert frame is not None
            island = self._home[name]
            self._attempted(self._attempt(island, island.number[name], t_ns, frame, Outcome.BIT_ERROR))

    def _deliver(self, island: Island) -> None:
        """Tell what has happened up to now on an island."""
        stations = island.stations
        noted = island.settle()
        self._count_all(island, noted)
        for t_ns, what, n, a, b in noted:
            if what == layout.SENT:
                self._sent(island, n, t_ns)
            elif what == layout.ENDED:
                frame = stations[n].slots[island.rows[n, layout.SLOT]]
                assert frame is not None
                self._attempted(self._attempt(island, n, t_ns, frame, outcome_of(a)))
            elif what != layout.UNDETECTED or not self._is_from_apart(island, n):
                self.tell(t_ns, what, stations[n].name, a, b)
        if self._window is not None:
            self.bits += island.taken()

    def _count_all(self, island: Island, noted: Sequence[Sequence[int]]) -> None:
        """Count what was noticed before anybody is told any of it: who asks meanwhile hears of all."""
        for t_ns, what, n, a, b in noted:
            if what < layout.UNDETECTED:
                self.count(t_ns, what, island.stations[n].name, a, b, 1)

    def tell(self, t_ns: int, what: int, node: str, a: int, b: int) -> None:
        """A controller has changed its state or noticed something, which is counted: a note of the kernel."""
        if what == layout.CHANGED:
            self._changed(t_ns, node, STATUS[a])
            return
        if what == layout.UNDETECTED:
            self.count(t_ns, what, node, a, b, 1)
        if self._troubled is not None and self._attended():
            self._troubled(trouble_of(t_ns, what, node, a, b))

    def count(self, t_ns: int, what: int, node: str, a: int, b: int, times: int) -> None:
        """A controller has noticed something so many times; what is left of it is the last one."""
        self._counted[node, what, kind_and_place(what, a)] += times
        self._last[node] = t_ns, what, node, a, b

    def _attempt(self, island: Island, n: int, t_ns: int, frame: Outgoing, outcome: Outcome) -> Attempt:
        """The record of an attempt, with those who took part while they were on the same wire.

        Who has lost its supply since has acknowledged all the same, but has nothing of what it received.
        """
        attempt = island.attempt(n, t_ns, frame, outcome)
        got, acked = self._apart.pop(attempt.node, ((), ()))
        if got or acked:
            everybody = dict.fromkeys((*self._stations, *attempt.acknowledged_by, *sorted(acked)))
            attempt = attempt._replace(
                received_by=tuple(name for name in self._stations if name in (*attempt.received_by, *got)),
                acknowledged_by=tuple(name for name in everybody if name in (*attempt.acknowledged_by, *acked)),
            )
        return attempt

    def _is_from_apart(self, island: Island, n: int) -> bool:
        """Whether a frame that nobody on this wire sends is one whose sender is on another since its recessive end."""
        found = False
        for other in self._islands:
            for station in other.stations if other is not island else ():
                frame = station.slots[other.looked_up(station.name, layout.SLOT)]
                sends = other.looked_up(station.name, layout.SENDS)
                if frame is not None and sends and has_read(island.rows[n].tolist(), frame):
                    found = True
                    if other.looked_up(station.name, layout.AT) >= 0:
                        self._apart.setdefault(station.name, (set(), set()))[0].add(island.stations[n].name)
        return found

    def _sent(self, island: Island, n: int, t_ns: int) -> None:
        station = island.stations[n]
        slot = int(island.rows[n, layout.SLOT])
        frame, key = station.slots[slot], station.keys[slot]
        assert frame is not None
        self.through += 1
        attempt = self._attempt(island, n, t_ns, frame, Outcome.OK)
        if station.waiting.get(key) is frame and not frame.endless:
            del station.waiting[key]
        island.load(n)
        self._attempted(attempt)


def outcome_of(kind: int) -> Outcome:
    """How an attempt has ended, by the kind of the error that ended it."""
    return _OUTCOMES.get(kind, Outcome.DISTURBED)


def has_read(row: Sequence[int], frame: Outgoing) -> bool:
    """Whether what a controller has read is this frame: identifier, form and every byte."""
    form, size = row[layout.FORM], row[layout.SIZE]
    forms = bool(form & layout.EXTENDED), bool(form & layout.REMOTE), bool(form & layout.FD)
    if row[layout.IDENT] != frame.frame_id or forms != (frame.extended, frame.remote, frame.fd):
        return False
    words = row[layout.WORDS : layout.WORDS + -(-size // 4)]
    data = b"".join(word.to_bytes(min(4, size - 4 * k), "big") for k, word in enumerate(words))
    return frame.remote or data == frame.data.ljust(size, bytes([PADDING]))


def parts_of(wiring: Wiring) -> list[tuple[str, ...]]:
    """The parts of a network that share no wire: a node is with those it hears and those that hear it."""
    if wiring.parts is not None:
        return list(wiring.parts)
    part = {name: {name} for name in wiring.hearers}
    for name, hearers in wiring.hearers.items():
        for other in hearers:
            if other in part and part[other] is not part[name]:
                part[name] |= part[other]
                for one in part[other]:
                    part[one] = part[name]
    found = {id(names): names for names in part.values()}
    return [tuple(name for name in wiring.hearers if name in names) for names in found.values()]
