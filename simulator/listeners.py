"""Who wants to know what happens in a running vehicle: testers, logs, counts; each is told in the order of coming."""

from __future__ import annotations

from collections.abc import Callable

from simulator.batch import Batch
from simulator.datalink.controller import Attempt
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

    @property
    def take_batches(self) -> bool:
        """Whether nobody has to be told of frames one by one."""
        return not self.taps and len(self.batches) == len(self.attempts)

    @property
    def attend_to_troubles(self) -> bool:
        """Whether anybody has to be told what controllers notice."""
        return bool(self.taps or self.troubles or self.events)

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
