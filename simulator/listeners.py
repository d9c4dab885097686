"""Who wants to know what happens in a running vehicle: testers, logs, counts; each is told in the order of coming."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from simulator.batch import Batch
from simulator.datalink.controller import Attempt
from simulator.datalink.lot import Lot, Wants
from simulator.datalink.trouble import Trouble
from simulator.outside import Tap
from simulator.record import Event, FrameRecord, record_of


class Listeners:
    """Tells testers what their controllers go through, and everybody else everything."""

    def __init__(self) -> None:
        self.taps: list[Tap] = []
        self.attempts: list[Callable[[FrameRecord], None]] = []
        self.batches: list[Callable[[Batch], None]] = []
        #: Those to be told, each with the instant at which it came: what was noticed before is not for it.
        self.events: list[tuple[int, Callable[[Event], None]]] = []
        self.troubles: list[tuple[int, Callable[[str, Trouble], None]]] = []
        self.lots: list[tuple[int, Callable[[str, Lot], None]]] = []
        #: How many of those who hear attempts, events and what is noticed need not be told one by one.
        self._in_lots: Counter[str] = Counter()

    def subscribe(
        self, callback: Callable[[FrameRecord], None], batches: Callable[[Batch], None] | None, in_lots: bool
    ) -> None:
        """Tell of attempts; ``in_lots``: failed ones that come in lots are not wanted one by one."""
        self.attempts.append(callback)
        self._in_lots["attempts"] += in_lots
        if batches is not None:
            self.batches.append(batches)

    def notice(self, t_ns: int, callback: Callable[[Event], None], in_lots: bool) -> None:
        """Tell events from an instant on; ``in_lots``: those of controllers are not wanted one by one."""
        self.events.append((t_ns, callback))
        self._in_lots["events"] += in_lots

    def overhear(self, t_ns: int, callback: Callable[[str, Trouble], None], in_lots: bool) -> None:
        """Tell what controllers notice from an instant on; ``in_lots``: what comes in lots is not wanted one by one."""
        self.troubles.append((t_ns, callback))
        self._in_lots["troubles"] += in_lots

    @property
    def attended(self) -> bool:
        """Whether anybody hears what controllers notice."""
        return bool(self.taps or self.troubles or len(self.events) > self._in_lots["events"])

    def wants(self, network: str, watched: frozenset[str]) -> Wants:
        """What has to be told of a network one by one; ``watched``: by whom else it has to be known that it is off."""
        known = self._in_lots
        events = len(self.events) > known["events"]
        return Wants(
            noticed=events or len(self.troubles) > known["troubles"],
            attempts=len(self.attempts) > known["attempts"],
            changes=events,
            nodes=frozenset(tap.name for tap in self.taps if tap.network == network),
            watched=watched,
        )

    @property
    def take_batches(self) -> bool:
        """Whether nobody has to be told of frames one by one."""
        return not self.taps and len(self.batches) == len(self.attempts)

    def tell(self, event: Event) -> None:
        """Something other than a frame."""
        for _, callback in self.events:
            callback(event)

    def batch(self, batch: Batch) -> None:
        """Many frames went through."""
        for callback in self.batches:
            callback(batch)

    def attempted(self, network: str, attempt: Attempt) -> None:
        """An attempt to send has ended."""
        if not self.taps and not self.attempts:
            return
        record = record_of(network, attempt)
        for tap in tuple(self.taps):  # one that is told may disconnect
            if tap.network == network:
                if tap.name == attempt.node:
                    tap.attempted(record, attempt.frame)
                elif tap.name in attempt.received_by:
                    tap.received(record, attempt.frame)
        for callback in self.attempts:
            callback(record)

    def changed(self, network: str, t_ns: int, node: str, status: str, counters: tuple[int, int]) -> None:
        """A controller has turned error active, error passive or bus off."""
        self.tell(Event(t_ns, "controller", node, status, network, counters=counters))

    def lot(self, network: str, lot: Lot) -> None:
        """Much has happened that nobody has to be told one by one."""
        for since_ns, callback in self.lots:
            callback(network, lot.since(since_ns))

    def troubled(self, network: str, trouble: Trouble) -> None:
        """A controller has noticed something; that it has lost arbitration is no error, and no event."""
        for tap in tuple(self.taps):
            if tap.name == trouble.node:
                tap.troubled(trouble)
        if trouble.kind == "lost arbitration":
            return
        for since_ns, callback in self.troubles:
            if trouble.t_ns > since_ns:
                callback(network, trouble)
        told = [callback for since_ns, callback in self.events if trouble.t_ns > since_ns]
        if not told:
            return
        kind = trouble.kind if trouble.kind in ("overload", "undetected") else "error"
        counters = trouble.transmit_errors, trouble.receive_errors
        event = Event(trouble.t_ns, kind, trouble.node, trouble.kind, network, trouble.place, counters)
        for hear in told:
            hear(event)
