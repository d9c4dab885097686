"""The frame-level medium of one network: arbitration, acknowledgement, errors and error counters, without single bits.

Everything a node knows of the others is who hears whom. A frame starts in whole, and ends in one of four outcomes.
Sources: Bosch CAN Specification 2.0 (1991), 10.3.5 (intermission, suspend), 11.1 (errors), 12.2 (counters);
ISO 11898-1:2015 for the exception of the lone node.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache

from simulator.datalink.controller import (
    NEVER_NS,
    OFF,
    PASSIVE,
    Attempt,
    Node,
    Outcome,
    Outgoing,
    Transmission,
    Wiring,
)
from simulator.datalink.frame import INTERMISSION_BITS, Frame, encode, length_and_dominant

#: Superposed error flags and the delimiter after them, in bit: 12 and 8. Bosch CAN Specification 2.0, 10.3.3.
_FLAGS_BITS, _FLAG_BITS, _DELIMITER_BITS = 12, 6, 8
#: What an error passive transmitter waits on top. The same, 10.3.5.3.
_SUSPEND_BITS = 8
#: A node that comes up, or back, waits for this many recessive bits; and for that many of them after bus-off.
_QUIET_BITS, _RECOVERY_SEQUENCES = 11, 128
#: Two frames at once, or two bit rates, are an error after two stuffing lengths (own choice: no single bits here).
_CLASH_BITS = 10
#: Bits after the ACK slot: ACK delimiter and end of frame.
_AFTER_ACK_BITS = 8


class Medium:
    """The medium of one network. ``submit`` frames, ``advance`` at every ``deadline_ns``; attempts come by callback.

    ``attempted(attempt)`` is called when an attempt has ended, ``changed(t_ns, node, status)`` when a controller turns
    error active, error passive or bus off.
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
    ) -> None:
        self.bit_rate = bit_rate
        self.deadline_ns = NEVER_NS
        self._timing = (bit_rate, sample_point, data_bit_rate, data_sample_point)
        self._attempted, self._changed = attempted, changed
        self._nodes: dict[str, Node] = {}
        self._active: list[Transmission] = []
        self._count = 0
        self._bit = 1_000_000_000 / bit_rate
        self._after_ns = self._ns(INTERMISSION_BITS)

    # -- the door

    def status(self, node: str) -> str:
        """Error active, error passive or bus off; "down" for a node that is not up."""
        return self._nodes[node].status if node in self._nodes else "down"

    def counters(self, node: str) -> tuple[int, int]:
        """(transmit, receive) error counters."""
        found = self._nodes.get(node)
        return (found.transmit_errors, found.receive_errors) if found else (0, 0)

    def submit(self, t_ns: int, node: str, frame: Outgoing) -> None:
        """Queue a frame at a node; a node that is down loses it."""
        found = self._nodes.get(node)
        if found is None:
            return
        self._count += 1
        found.waiting[frame.key, self._count if frame.kept else 0] = frame
        if found.hearing == 0 and not found.off and not found.blocked:
            self.deadline_ns = min(self.deadline_ns, max(found.free_ns, t_ns))

    def withdraw(self, node: str, frame: Outgoing) -> None:
        """Take back a frame that waits; one on the wire runs to its end but is not repeated."""
        found = self._nodes.get(node)
        if found is not None:
            found.waiting = {slot: waiting for slot, waiting in found.waiting.items() if waiting is not frame}

    def advance(self, t_ns: int) -> None:
        """Do what is due at this instant: frames end, nodes come back from bus-off, frames start."""
        for transmission in self._active[:]:
            # ending one may have broken another
            if transmission.end_ns <= t_ns and transmission in self._active:
                self._end(transmission)
        for node in self._nodes.values():
            if node.off and not node.hearing and not node.blocked and self._back_ns(node) <= t_ns:
                self._come_back(node, t_ns)
        starters = self._plan(t_ns)
        if starters:
            self._start(t_ns, starters)
            self._plan(t_ns)

    def rewire(self, t_ns: int, wiring: Wiring) -> None:
        """Put another wiring in force; frames on the wire that it breaks end in an error."""
        gone = [name for name in self._nodes if name not in wiring.hearers]
        shocked: list[Node] = []
        for name in gone:
            node = self._nodes.pop(name)
            if node.sending is not None:
                shocked += [one for one in node.hearers if one is not node]
                self._drop(node.sending, t_ns, Outcome.BIT_ERROR)
        for name in wiring.hearers:
            if name not in self._nodes:
                self._nodes[name] = Node(name, t_ns + self._ns(_QUIET_BITS))
        self._connect(wiring)
        self._block(t_ns, wiring)
        for transmission in list(self._active):
            shocked += self._recheck(transmission)
        for node in self._nodes.values():
            node.hearing = 0
        for transmission in self._active:
            for node in transmission.node.hearers:
                node.hearing += 1
        if shocked:
            self._disturb(t_ns, [node for node in shocked if node.name in self._nodes], 0)
        self._plan(t_ns)

    # -- wiring

    def _connect(self, wiring: Wiring) -> None:
        nodes = self._nodes
        for name, node in nodes.items():
            node.mute = name in wiring.mute
            node.rate = wiring.rates.get(name, self.bit_rate)
            node.hearers = () if node.mute else tuple(nodes[one] for one in wiring.hearers[name] if one in nodes)
        for node in nodes.values():
            node.heard = frozenset(one for one in nodes.values() if node in one.hearers)

    def _block(self, t_ns: int, wiring: Wiring) -> None:
        """A wire held dominant: whoever reads it neither starts nor receives until it is released."""
        for node in self._nodes.values():
            held = node.name in wiring.held
            if held and not node.blocked:
                node.blocked = True
                if node.sending is not None:
                    # every further 8 dominant bits cost the transmitter 8: bus-off within half a millisecond (rule 6)
                    self._drop(node.sending, t_ns, Outcome.BIT_ERROR)
                    self._count_transmit(node, t_ns, OFF)
                elif not node.off:
                    self._count_receive(node, t_ns, PASSIVE - node.receive_errors)
            elif node.blocked and not held:
                node.blocked = False
                node.quiet_ns = t_ns
                node.idle_ns = node.free_ns = t_ns + self._ns(_QUIET_BITS)

    def _recheck(self, transmission: Transmission) -> list[Node]:
        """Who of a frame on the wire loses it by the new wiring, and is in a position to say so."""
        node = transmission.node
        if node not in node.hearers:
            return [node]
        lost = [one for one in transmission.receivers if one not in node.hearers or one.blocked or one.mute]
        transmission.receivers = [one for one in transmission.receivers if one not in lost]
        had = bool(transmission.acknowledgers)
        transmission.acknowledgers = [one for one in transmission.receivers if one in node.heard]
        if had and not transmission.acknowledgers:
            # if the ACK slot has passed already, the error comes a few bits late
            transmission.end_ns -= self._ns(_AFTER_ACK_BITS)
        return [one for one in lost if one.name in self._nodes and one in node.heard and not one.blocked]

    # -- frames

    def _start(self, t_ns: int, starters: list[Node]) -> None:
        """Arbitration among nodes that start at the same instant: who hears a lower identifier falls silent."""
        ready = [(min(node.waiting), position, node) for position, node in enumerate(starters)]
        if len(ready) > 1:
            ready.sort(key=_rank)
        begun: list[Transmission] = []
        clash: list[Node] = []
        for slot, _, node in ready:
            winner = next((one for one in begun if node in one.node.hearers), None)
            if winner is not None:
                frame = node.waiting[slot]
                if winner.frame.key != frame.key:
                    continue
                if winner.frame.same_bits(frame):
                    winner.receivers = [one for one in winner.receivers if one is not node]
                    continue
                clash += [winner.node, node]  # equal identifiers, other bits after them
            begun.append(self._begin(t_ns, node, slot))
        for transmission in begun:
            clash += self._listen(t_ns, transmission)
        deaf = [one.node for one in begun if one.node not in one.node.hearers]
        if deaf:
            self._disturb(t_ns, deaf, 1)
        clash = [node for node in clash if node not in deaf]
        if clash:
            self._disturb(t_ns, clash, _CLASH_BITS)

    def _begin(self, t_ns: int, node: Node, slot: tuple[int, int]) -> Transmission:
        transmission = Transmission(node, slot, t_ns)
        node.sending = transmission
        self._active.append(transmission)
        for one in node.hearers:
            one.hearing += 1
            if one.off and one.hearing == 1:
                one.missing -= max(0, t_ns - one.quiet_ns) // self._ns(_QUIET_BITS)
                one.quiet_ns = NEVER_NS
        return transmission

    def _listen(self, t_ns: int, transmission: Transmission) -> list[Node]:
        """Plan the end of a frame that has begun, and name the nodes that see an error in it."""
        node, clash = transmission.node, []
        bit_rate = node.rate
        for one in node.hearers:
            if one is node:
                if one.hearing > 1:
                    clash.append(one)
            elif one.off or one.blocked:
                continue
            elif one.hearing > 1 or one.rate != bit_rate:
                clash.append(one)
            elif one.idle_ns <= t_ns:
                transmission.receivers.append(one)
        heard = node.heard
        transmission.acknowledgers = [one for one in transmission.receivers if one in heard]
        measured = transmission.frame.measured or self._measure(transmission.frame)
        transmission.length, transmission.dominant, duration_ns = measured
        transmission.end_ns = t_ns + duration_ns
        if not transmission.acknowledgers:
            transmission.end_ns -= self._ns(_AFTER_ACK_BITS)
        return clash

    def _measure(self, frame: Outgoing) -> tuple[int, int, int]:
        """(length in bit, dominant bits without the ACK slot, duration in ns) of a frame, kept with it."""
        if frame.fd or frame.remote:
            encoded = _encoded(frame.frame_id, frame.data, frame.extended, frame.remote, frame.fd, frame.brs)
            length, dominant = encoded.length, encoded.bits.count(0) - 1
            duration_ns = round(encoded.bit_starts_ns(*self._timing)[-1])
        else:
            length, dominant = length_and_dominant(frame.frame_id, frame.data, frame.extended)
            duration_ns = self._ns(length)
        frame.measured = length, dominant, duration_ns
        return frame.measured

    def _end(self, transmission: Transmission) -> None:
        """A frame has reached its end, or its ACK slot without a dominant bit."""
        node, t_ns = transmission.node, transmission.end_ns
        if not transmission.acknowledgers:
            self._fail_unacknowledged(transmission)
            return
        self._active.remove(transmission)
        node.sending = None
        if node.waiting.get(transmission.slot) is transmission.frame:
            del node.waiting[transmission.slot]  # unless a newer one has taken its slot meanwhile
        free_ns = t_ns + self._after_ns
        for one in node.hearers:
            one.hearing -= 1
            one.idle_ns = one.free_ns = free_ns
            if one.off:
                one.quiet_ns = t_ns - self._ns(_AFTER_ACK_BITS)
        if node.transmit_errors:
            self._count_transmit(node, t_ns, -1)
        if node.passive:
            node.free_ns += self._ns(_SUSPEND_BITS)
        for one in transmission.receivers:
            if one.receive_errors:
                self._count_receive(one, t_ns, -1 if one.receive_errors < PASSIVE else 120 - one.receive_errors)
        self._attempted(
            Attempt(
                transmission.start_ns,
                t_ns,
                node.name,
                transmission.frame,
                Outcome.OK,
                transmission.length,
                transmission.dominant,
                _names(transmission.acknowledgers),
                _names(transmission.receivers),
            )
        )

    def _fail_unacknowledged(self, transmission: Transmission) -> None:
        """The ACK slot stayed recessive: error flag, delimiter, and again. A lone node never goes bus-off."""
        node, t_ns = transmission.node, transmission.end_ns
        end_ns = t_ns + self._ns(_FLAG_BITS + _DELIMITER_BITS)
        self._remove(transmission)
        for one in node.hearers:
            one.idle_ns = one.free_ns = end_ns + self._after_ns
            one.quiet_ns = end_ns - self._ns(_DELIMITER_BITS)
        flag = 0 if node.passive else _FLAG_BITS
        if not node.passive:
            for one in transmission.receivers:
                self._count_receive(one, t_ns, 1)
        if node.transmit_errors < PASSIVE:
            self._count_transmit(node, t_ns, 8)
        # the flag that makes a node passive is still an active one, the wait after it already a passive one's
        if node.passive:
            node.free_ns += self._ns(_SUSPEND_BITS)
        self._attempted(
            Attempt(
                transmission.start_ns,
                end_ns,
                node.name,
                transmission.frame,
                Outcome.NOT_ACKNOWLEDGED,
                transmission.length - _AFTER_ACK_BITS + _FLAG_BITS + _DELIMITER_BITS,
                transmission.dominant + flag,
            )
        )

    # -- errors

    def _disturb(self, t_ns: int, sources: Iterable[Node], after_bits: int) -> None:
        """Nodes see an error: their active flags make every node that hears them see one, and frames there end."""
        sources = list(dict.fromkeys(sources))
        seeing: dict[Node, None] = {}
        spread = list(sources)
        while spread:
            node = spread.pop(0)
            if node in seeing or node.off:
                continue
            seeing[node] = None
            if node.sending is not None or not node.passive:
                # a transmitter that stops, even with a passive flag, is a stuff error to those who listened
                spread += node.hearers
        end_ns = t_ns + self._ns(after_bits + _FLAGS_BITS + _DELIMITER_BITS)
        for node in seeing:
            if not node.blocked:
                node.idle_ns = node.free_ns = end_ns + self._after_ns
            node.quiet_ns = end_ns - self._ns(_DELIMITER_BITS)
            sending = node.sending
            if sending is not None:
                own = node not in node.hearers
                self._drop(sending, t_ns, Outcome.BIT_ERROR if own else Outcome.DISTURBED, end_ns, after_bits)
                self._count_transmit(node, t_ns, 8)
                if node.passive:
                    node.free_ns += self._ns(_SUSPEND_BITS)
            else:
                # a node that sees it alone reads dominant bits of the others after its own flag: 8 more (rule 2)
                first = node in sources and len(sources) == 1 and len(seeing) > 1 and not node.passive
                self._count_receive(node, t_ns, 9 if first else 1)

    def _drop(self, sending: Transmission, t_ns: int, outcome: Outcome, end_ns: int = 0, bits: int = 0) -> None:
        """Take a broken frame off the wire; it waits for its next attempt."""
        self._remove(sending)
        sent = bits or round((t_ns - sending.start_ns) / self._bit)
        end_ns = end_ns or t_ns + self._ns(_FLAG_BITS + _DELIMITER_BITS)
        length = max(1, sending.length)
        self._attempted(
            Attempt(
                sending.start_ns,
                end_ns,
                sending.node.name,
                sending.frame,
                outcome,
                sent + _FLAG_BITS + _DELIMITER_BITS,
                min(sent, sending.dominant * sent // length) + (0 if sending.node.passive else _FLAG_BITS),
            )
        )

    def _remove(self, transmission: Transmission) -> None:
        self._active.remove(transmission)
        transmission.node.sending = None
        for one in transmission.node.hearers:
            one.hearing -= 1

    def _count_transmit(self, node: Node, t_ns: int, step: int) -> None:
        before = node.status
        node.transmit_errors = max(0, node.transmit_errors + step)
        if node.transmit_errors >= OFF and not node.off:
            node.off, node.missing = True, _RECOVERY_SEQUENCES
        if node.status != before:
            self._changed(t_ns, node.name, node.status)

    def _count_receive(self, node: Node, t_ns: int, step: int) -> None:
        before = node.status
        node.receive_errors = min(OFF - 1, max(0, node.receive_errors + step))
        if node.status != before:
            self._changed(t_ns, node.name, node.status)

    def _back_ns(self, node: Node) -> int:
        """When a node is back from bus-off if the wire stays quiet."""
        return node.quiet_ns + max(0, node.missing) * self._ns(_QUIET_BITS)

    def _come_back(self, node: Node, t_ns: int) -> None:
        node.off = False
        node.transmit_errors = node.receive_errors = 0
        node.idle_ns = node.free_ns = t_ns
        self._changed(t_ns, node.name, node.status)

    # -- time

    def _ns(self, bits: int) -> int:
        return bits * 1_000_000_000 // self.bit_rate

    def _plan(self, t_ns: int) -> list[Node]:
        """Set the next instant at which something is due; the nodes that may start a frame at this one."""
        due, starters = NEVER_NS, []
        for transmission in self._active:
            if transmission.end_ns < due:
                due = transmission.end_ns
        for node in self._nodes.values():
            if node.hearing or node.blocked:
                continue
            if node.off:
                due = min(due, self._back_ns(node))
            elif node.waiting:
                if node.free_ns <= t_ns:
                    starters.append(node)
                elif node.free_ns < due:
                    due = node.free_ns
        self.deadline_ns = t_ns if starters else max(due, t_ns)
        return starters


def _rank(ready: tuple[tuple[int, int], int, Node]) -> tuple[int, int, int]:
    (key, number), position, _ = ready
    return key, position, number


def _names(nodes: list[Node]) -> tuple[str, ...]:
    return tuple([node.name for node in nodes])


@lru_cache(maxsize=4096)
def _encoded(frame_id: int, data: bytes, extended: bool, remote: bool, fd: bool, brs: bool) -> Frame:
    if remote:
        return encode(frame_id, extended=extended, remote=True, dlc=len(data))
    return encode(frame_id, data, extended=extended, fd=fd, brs=brs)
