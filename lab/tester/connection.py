"""udsoncan's connection over a simulated bus: time passes only while somebody waits, and there is no thread.

The transport is the project's own ISO 15765-2 state machine, from the tester's side.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

import can
from udsoncan.connections import BaseConnection
from udsoncan.exceptions import TimeoutException

from simulator.datalink.controller import NEVER_NS
from simulator.diagnostics import Failed, Received, Send, Sent, TakeBack, Timers, Transport

if TYPE_CHECKING:
    from simulator.interface import SimulatedBus
    from simulator.simulation import Simulation

_SECOND_NS = 1_000_000_000
#: A frame that nobody has acknowledged by then is given up (an own choice, below the 1 s of ISO 15765-2, table 21).
_GIVEN_UP_NS = 100_000_000
#: The longest a whole request may take to send, in seconds.
_LONGEST_SEND_S = 10.0


class SteppedConnection(BaseConnection):
    """One pair of addresses on a bus that hears its own messages. All times are simulated."""

    def __init__(self, simulation: Simulation, bus: SimulatedBus, request_id: int, response_id: int) -> None:
        super().__init__(f"0x{request_id:03X}")
        self._simulation, self._bus = simulation, bus
        self._request_id, self._response_id = request_id, response_id
        self._transport = Transport(timers=Timers(a_ns=_GIVEN_UP_NS))
        self._flying: deque[Send] = deque()
        self._received: deque[bytes] = deque()
        self._sent = self._failed = False
        self._open = False

    def open(self) -> SteppedConnection:
        """Begin to listen."""
        self._open = True
        return self

    def close(self) -> None:
        """Take back what still waits, and forget what came."""
        self._forget()
        self._open = False

    def is_open(self) -> bool:
        """Whether it may be used."""
        return self._open

    def empty_rxqueue(self) -> None:
        """Forget answers that nobody waits for any more."""
        self._received.clear()

    def specific_send(self, payload: bytes, timeout: float | None = None) -> None:
        """Send a request and wait until it is out. Raises TimeoutException where nobody takes it."""
        self._forget()
        self._sent = self._failed = False
        self._handle(self._transport.send(self._simulation.t_ns, payload))
        self._wait(_LONGEST_SEND_S, lambda: self._sent or self._failed)
        if not self._sent:
            raise TimeoutException("the request was not taken")

    def specific_wait_frame(self, timeout: float | None = None) -> bytes:
        """The next answer. Raises TimeoutException after so many seconds without one, or where it breaks off."""
        self._failed = False
        wait_s = _LONGEST_SEND_S if timeout is None else timeout
        self._wait(wait_s, lambda: bool(self._received) or self._failed, while_receiving=True)
        if not self._received:
            raise TimeoutException("no answer")
        return self._received.popleft()

    def _forget(self) -> None:
        self._transport.reset()
        self._flying.clear()
        self._bus.flush_tx_buffer()

    def _wait(self, seconds: float, done: Callable[[], bool], *, while_receiving: bool = False) -> None:
        """Let time pass; an answer of several frames that has begun may take longer, by the transport's own timers."""
        limit_ns = self._simulation.t_ns + round(seconds * _SECOND_NS)
        while not done():
            now_ns = self._simulation.t_ns
            if now_ns >= limit_ns and not (while_receiving and self._transport.receiving):
                return
            deadline_ns = self._transport.next_deadline_ns()
            until_ns = deadline_ns if now_ns >= limit_ns else min(limit_ns, deadline_ns)
            if until_ns >= NEVER_NS:
                return
            message = self._bus.recv(max(0, until_ns - now_ns) / _SECOND_NS)
            now_ns = self._simulation.t_ns
            if message is not None:
                self._take(now_ns, message)
            elif self._transport.next_deadline_ns() <= now_ns:
                self._handle(self._transport.due(now_ns))

    def _take(self, t_ns: int, message: can.Message) -> None:
        if message.is_extended_id or message.is_error_frame or message.is_remote_frame:
            return
        if not message.is_rx:
            if message.arbitration_id == self._request_id and self._flying:
                self._handle(self._transport.confirmed(t_ns, self._flying.popleft()))
        elif message.arbitration_id == self._response_id:
            self._handle(self._transport.feed(t_ns, bytes(message.data)))

    def _handle(self, events: Iterable[object]) -> None:
        for event in events:
            if isinstance(event, Send):
                self._put(event)
            elif isinstance(event, TakeBack):
                self._flying.clear()
                self._bus.flush_tx_buffer()
            elif isinstance(event, Received):
                self._received.append(event.payload)
            elif isinstance(event, Sent):
                self._sent = True
            elif isinstance(event, Failed):
                self._failed = True

    def _put(self, event: Send) -> None:
        message = can.Message(arbitration_id=self._request_id, data=event.data, is_extended_id=False)
        try:
            self._bus.send(message)
        except can.CanOperationError:  # bus-off: nothing can be asked now
            self._failed = True
        else:
            self._flying.append(event)
