"""Who wants to know what happens in a running vehicle: testers, logs, counts; each is told in the order of coming."""

from __future__ import annotations

from collections.abc import Callable

from simulator.batch import Batch
from simulator.datalink.controller import Attempt
from simulator.datalink.trouble import Interest, Noticed, Trouble
from simulator.outside import Tap
from simulator.record import Event, FrameRecord, record_of


class Listeners:
    """Tells testers what their controllers go through, and everybody else everything."""

    def __init__(self) -> None:
        self.taps: list[Tap] = []
        self.attempts: list[Callable[[FrameRecord], None]] = []
        self.batches: list[Callable[[Batch], None]] = []
        #: Those to be told, each with the instant at which it came: what was noticed before is not for it. Of events
        #: whether those that controllers notice are wanted, of what is noticed who takes many at once.
        self.events: list[tuple[int, Callable[[Event], None], bool]] = []
        self.troubles: list[tuple[int, Callable[[str, Trouble], None], Callable[[str, Noticed], None] | None]] = []
        #: Who has to be told what controllers notice.
        self.interest = Interest.NONE

    def connect(self, tap: Tap) -> None:
        """A tester is there from now on."""
        self.taps.append(tap)
        self._look_again()

    def disconnect(self, tap: Tap) -> None:
        """A tester is gone."""
        self.taps.remove(tap)
        self._look_again()

    def notice(self, t_ns: int, callback: Callable[[Event], None], troubles: bool) -> None:
        """Tell events from an instant on, and whether what controllers notice, too."""
        self.events.append((t_ns, callback, troubles))
        self._look_again()

    def overhear(
        self, t_ns: int, callback: Callable[[str, Trouble], None], many: Callable[[str, Noticed], None] | None
    ) -> None:
        """Tell what controllers notice from an instant on, one by one, or to whom takes it many at once."""
        self.troubles.append((t_ns, callback, many))
        self._look_again()

    def _look_again(self) -> None:
        self.interest = Interest.MANY if self.troubles else Interest.NONE
        if self.taps or any(wanted for *_, wanted in self.events) or any(many is None for *_, many in self.troubles):
            self.interest = Interest.SINGLY

    @property
    def take_batches(self) -> bool:
        """Whether nobody has to be told of frames one by one."""
        return not self.taps and len(self.batches) == len(self.attempts)

    def tell(self, event: Event) -> None:
        """Something other than a frame."""
        for _, callback, _ in self.events:
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

    def noticed(self, network: str, noticed: Noticed) -> None:
        """Controllers have noticed many things, and nobody has to be told one by one; no lost arbitration."""
        for since_ns, _, many in self.troubles:
            if many is not None:
                many(network, noticed.since(since_ns))

    def troubled(self, network: str, trouble: Trouble) -> None:
        """A controller has noticed something; that it has lost arbitration is no error, and no event."""
        for tap in tuple(self.taps):
            if tap.name == trouble.node:
                tap.troubled(trouble)
        if trouble.kind == "lost arbitration":
            return
        for since_ns, callback, _ in self.troubles:
            if trouble.t_ns > since_ns:
                callback(network, trouble)
        told = [callback for since_ns, callback, wanted in self.events if wanted and trouble.t_ns > since_ns]
        if not told:
            return
        kind = trouble.kind if trouble.kind in ("overload", "undetected") else "error"
        counters = trouble.transmit_errors, trouble.receive_errors
        event = Event(trouble.t_ns, kind, trouble.node, trouble.kind, network, trouble.place, counters)
        for hear in told:
            hear(event)
