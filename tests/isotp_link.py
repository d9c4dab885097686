"""Two ends of ISO 15765-2 on simulated time, each ours or can-isotp, with frames that get lost or come late.

can-isotp reads a clock; here that clock is the one of the link (``Clock`` in the place of its module ``time``), so both
ends see the same instants and nothing waits.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import isotp

from simulator.datalink.controller import NEVER_NS
from simulator.diagnostics import Failed, Received, Result, Send, Sent, Transport

LATENCY_NS = 230_000


class Clock:
    """What can-isotp takes from ``time``."""

    def __init__(self) -> None:
        self.t_ns = 0

    def perf_counter_ns(self) -> int:
        return self.t_ns

    def perf_counter(self) -> float:
        return self.t_ns / 1e9


@dataclass
class Settings:
    """What both ends agree on; times as coded, sizes in byte."""

    payload: bytes
    block_size: int = 0
    st_min: int = 0
    frame_size: int = 8
    buffer: int = 4095
    #: By number of the frame, each way: lost ones, and how many ns others are late.
    lost: tuple[frozenset[int], frozenset[int]] = (frozenset(), frozenset())
    late: tuple[dict[int, int], dict[int, int]] = field(default_factory=lambda: ({}, {}))


class Ours:
    """An end of this project."""

    def __init__(self, clock: Clock, settings: Settings, put: Callable[[bytes], None]) -> None:
        self._clock, self._put = clock, put
        self._transport = Transport(
            frame_size=settings.frame_size,
            block_size=settings.block_size,
            st_min=settings.st_min,
            buffer=settings.buffer,
            padding=None,
        )
        self.said: list[str] = []
        self.payload: bytes | None = None

    def send(self, payload: bytes) -> None:
        self._handle(self._transport.send(self._clock.t_ns, payload))

    def feed(self, data: bytes) -> None:
        self._handle(self._transport.feed(self._clock.t_ns, data))

    def next_ns(self) -> int:
        return self._transport.next_deadline_ns()

    def due(self) -> None:
        self._handle(self._transport.due(self._clock.t_ns))

    def _handle(self, events: list) -> None:
        waiting = deque(events)
        while waiting:
            event = waiting.popleft()
            if isinstance(event, Send):
                self._put(event.data)
                waiting.extend(self._transport.confirmed(self._clock.t_ns, event))
            elif isinstance(event, Received):
                self.payload = event.payload
            elif isinstance(event, Failed):
                self.said.append(event.result)
            elif isinstance(event, Sent):
                self.said.append("sent")


#: can-isotp's errors in the words of ISO 15765-2; what the standard ignores is left out.
_WORDS = {
    isotp.errors.FlowControlTimeoutError: Result.TIMEOUT_BS,
    isotp.errors.ConsecutiveFrameTimeoutError: Result.TIMEOUT_CR,
    isotp.errors.WrongSequenceNumberError: Result.WRONG_SN,
    isotp.errors.OverflowError: Result.BUFFER_OVERFLOW,
    isotp.errors.ReceptionInterruptedWithFirstFrameError: Result.UNEXPECTED_PDU,
    isotp.errors.ReceptionInterruptedWithSingleFrameError: Result.UNEXPECTED_PDU,
}


class Peer:
    """An end of can-isotp."""

    def __init__(self, clock: Clock, settings: Settings, put: Callable[[bytes], None]) -> None:
        self._arrived: deque[isotp.CanMessage] = deque()
        self._clock = clock
        self.said: list[str] = []
        self.payload: bytes | None = None
        self._sending = False
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
        self._layer = isotp.TransportLayerLogic(
            rxfn=lambda timeout: self._arrived.popleft() if self._arrived else None,
            txfn=lambda message: put(bytes(message.data)),
            address=address,
            error_handler=self._complain,
            params={
                "blocksize": settings.block_size,
                "stmin": settings.st_min,
                "tx_data_length": settings.frame_size,
                "can_fd": settings.frame_size > 8,
                "max_frame_size": settings.buffer,
                "wftmax": 10,
            },
        )

    def send(self, payload: bytes) -> None:
        self._layer.send(payload)
        self._sending = True
        self._process()

    def feed(self, data: bytes) -> None:
        self._arrived.append(isotp.CanMessage(arbitration_id=0x7E8, data=data, extended_id=False))
        self._process()

    def next_ns(self) -> int:
        layer = self._layer
        timers = [one for one in (layer.timer_rx_cf, layer.timer_rx_fc, layer.timer_tx_stmin) if not one.is_stopped()]
        if layer.tx_state != layer.TxState.TRANSMIT_CF and layer.timer_tx_stmin in timers:
            timers.remove(layer.timer_tx_stmin)
        return min((self._clock.t_ns + one.remaining_ns() + 1 for one in timers), default=NEVER_NS)

    def due(self) -> None:
        self._process()

    def _process(self) -> None:
        self._layer.process()
        if self._sending and not self._layer.transmitting():
            self._sending = False
            if not self.said:
                self.said.append("sent")
        got = self._layer.recv()
        if got is not None:
            self.payload = bytes(got)

    def _complain(self, error: Exception) -> None:
        word = _WORDS.get(type(error))
        if word is not None:
            self.said.append(word)


@dataclass(frozen=True)
class Course:
    """How a transfer went: what the sender and the receiver said, and what arrived."""

    sender: tuple[str, ...]
    receiver: tuple[str, ...]
    payload: bytes | None


def transfer(clock: Clock, settings: Settings, sender: type[Ours | Peer], receiver: type[Ours | Peer]) -> Course:
    """Send one payload from end to end; the clock goes on until nothing is planned any more."""
    wires: tuple[deque[tuple[int, bytes]], ...] = (deque(), deque())
    counts = [0, 0]

    def put(way: int) -> Callable[[bytes], None]:
        def onto(data: bytes) -> None:
            number, counts[way] = counts[way], counts[way] + 1
            if number in settings.lost[way]:
                return
            before = wires[way][-1][0] if wires[way] else 0
            at_ns = max(clock.t_ns + LATENCY_NS + settings.late[way].get(number, 0), before)
            wires[way].append((at_ns, data))

        return onto

    ends = sender(clock, settings, put(0)), receiver(clock, settings, put(1))
    ends[0].send(settings.payload)
    while True:
        dues = [wires[0][0][0] if wires[0] else NEVER_NS, wires[1][0][0] if wires[1] else NEVER_NS]
        dues += [max(end.next_ns(), clock.t_ns) for end in ends]
        t_ns = min(dues)
        if t_ns >= NEVER_NS:
            break
        clock.t_ns = t_ns
        which = dues.index(t_ns)
        if which < 2:
            ends[1 - which].feed(wires[which].popleft()[1])
        else:
            ends[which - 2].due()
    return Course(tuple(ends[0].said), tuple(ends[1].said), ends[1].payload)
