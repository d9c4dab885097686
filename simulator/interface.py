"""A tester as a python-can bus on simulated time: what is written for an adapter runs against a simulated vehicle."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import can

from simulator.datalink.controller import Outgoing
from simulator.datalink.frame import encode
from simulator.errors import BadRequest
from simulator.vehicle import Network

if TYPE_CHECKING:
    from simulator.record import FrameRecord
    from simulator.simulation import Simulation

_SECOND_NS = 1_000_000_000
#: ``recv(None)`` gives up after this much simulated time: on a simulated bus nothing else would ever end the wait.
LONGEST_WAIT_S = 60.0


class SimulatedBus(can.BusABC):
    """A tap on a network. It acknowledges and hears as the circuit allows at its place, and loads nothing.

    All times are simulated: ``recv`` lets the simulation run up to the next message or the timeout, and message
    timestamps are seconds of simulated time at the end of the frame. ``send`` with a timeout above 0 runs it until the
    frame is acknowledged; without one it only queues the frame, and time passes with the next ``recv`` or ``advance``.
    """

    def __init__(
        self,
        simulation: Simulation,
        network: Network,
        place: str,
        *,
        receive_own_messages: bool = False,
        can_filters: can.typechecking.CanFilters | None = None,
    ) -> None:
        self._simulation = simulation
        self._arrived: deque[can.Message] = deque()
        self._waiting: dict[int, tuple[Outgoing, can.Message]] = {}
        self._periodic: list[SimulatedCyclicTask] = []
        self.receive_own_messages = receive_own_messages
        self.network = network.name
        self.place = place
        self.name = simulation.tester_name()
        self.channel_info = f"{network.name} at {place}, simulated"
        self._fd = network.data_bit_rate is not None
        super().__init__(channel=f"{network.name}.{place}", can_filters=can_filters)
        self._can_protocol = can.CanProtocol.CAN_FD if self._fd else can.CanProtocol.CAN_20
        simulation.attach(self)

    # -- python-can ---------------------------------------------------------------------------------------------

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Send a message; with a timeout in seconds above 0, wait for its acknowledgement on simulated time.

        Raises can.CanOperationError if it is not acknowledged by then (it is not repeated any more), or cannot be sent.
        """
        if self._is_shutdown:
            raise can.CanOperationError(f"the tester's bus on {self.network} has been shut down: connect again")
        frame = self._outgoing(msg)
        self._waiting[id(frame)] = frame, msg
        self._simulation.submit(self.network, self.name, frame)
        if timeout is None or timeout <= 0:
            return
        limit_ns = self._simulation.t_ns + round(timeout * _SECOND_NS)
        while id(frame) in self._waiting:
            if not self._simulation.step(limit_ns):
                self._withdraw(frame)
                raise can.CanOperationError(
                    f"0x{msg.arbitration_id:X} was not acknowledged on {self.network} within {timeout} s"
                )

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """The next message that passes the filters, or None after the timeout in seconds of simulated time.

        ``timeout=None`` waits for LONGEST_WAIT_S of simulated time at most.
        """
        limit_ns = self._simulation.t_ns + round((LONGEST_WAIT_S if timeout is None else timeout) * _SECOND_NS)
        while True:
            while self._arrived:
                message = self._arrived.popleft()
                if self._matches_filters(message):
                    return message
            if not self._simulation.step(limit_ns):
                return None

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        """As ``recv``; the message has passed the filters."""
        return self.recv(timeout), True

    def _apply_filters(self, filters: can.typechecking.CanFilters | None) -> None:
        """Filters work on arrival in ``recv``; there is no adapter to hand them to."""

    def flush_tx_buffer(self) -> None:
        """Take back all that still waits to be sent."""
        for frame, _ in list(self._waiting.values()):
            self._withdraw(frame)

    def shutdown(self) -> None:
        """Disconnect."""
        if self._is_shutdown:
            return
        for task in self._periodic:
            task.stop()
        self._periodic = []
        super().shutdown()
        self._simulation.detach(self)

    def __del__(self) -> None:
        """There is nothing outside to release, so a bus may be dropped without shutdown."""

    @property
    def state(self) -> can.BusState:
        """The state of the tap's own controller."""
        status = self._simulation.status(self.network, self.name)
        return {"error active": can.BusState.ACTIVE, "error passive": can.BusState.PASSIVE}.get(
            status, can.BusState.ERROR
        )

    @state.setter
    def state(self, new_state: can.BusState) -> None:
        raise can.CanOperationError("the error state of a simulated controller follows from what happens on the wire")

    def _send_periodic_internal(
        self,
        msgs: Any,
        period: float,
        duration: float | None = None,
        autostart: bool = True,
        modifier_callback: Callable[[can.Message], None] | None = None,
    ) -> SimulatedCyclicTask:
        """Send messages every ``period`` seconds of simulated time."""
        task = SimulatedCyclicTask(self, self._simulation, msgs, period, duration, modifier_callback)
        self._periodic.append(task)
        if autostart:
            task.start()
        return task

    # -- the simulation's side ----------------------------------------------------------------------------------

    def received(self, record: FrameRecord, frame: Outgoing) -> None:
        """A frame has arrived."""
        self._arrived.append(self._message(record, is_rx=True))

    def attempted(self, record: FrameRecord, frame: Outgoing) -> None:
        """An attempt to send an own frame has ended."""
        if record.outcome == "ok" and self._waiting.pop(id(frame), None) is not None and self.receive_own_messages:
            self._arrived.append(self._message(record, is_rx=False))

    def _withdraw(self, frame: Outgoing) -> None:
        self._waiting.pop(id(frame), None)
        self._simulation.withdraw(self.network, self.name, frame)

    def _outgoing(self, message: can.Message) -> Outgoing:
        if message.is_error_frame:
            raise can.CanOperationError("a tester cannot send error frames")
        if message.is_fd and not self._fd:
            raise can.CanOperationError(f"{self.network} is no CAN FD network: send a classic message")
        remote = bool(message.is_remote_frame)
        data = bytes(message.data)
        try:
            encoded = encode(
                message.arbitration_id,
                data,
                extended=message.is_extended_id,
                remote=remote,
                dlc=message.dlc if remote else None,
                fd=message.is_fd,
                brs=message.is_fd and message.bitrate_switch,
            )
        except BadRequest as refused:
            raise can.CanOperationError(str(refused)) from refused
        return Outgoing(
            message.arbitration_id,
            bytes(min(message.dlc, 8)) if remote else encoded.data,
            extended=message.is_extended_id,
            remote=remote,
            fd=message.is_fd,
            brs=message.is_fd and message.bitrate_switch,
            kept=True,
        )

    def _message(self, record: FrameRecord, *, is_rx: bool) -> can.Message:
        return message_of(record, channel=self.channel_info, is_rx=is_rx)


class SimulatedCyclicTask(can.broadcastmanager.LimitedDurationCyclicSendTaskABC):
    """Messages sent again and again on simulated time, until stopped or for ``duration`` seconds."""

    def __init__(
        self,
        bus: SimulatedBus,
        simulation: Simulation,
        messages: Any,
        period: float,
        duration: float | None,
        modifier: Callable[[can.Message], None] | None,
    ) -> None:
        super().__init__(messages, period, duration)
        self._bus, self._simulation, self._modifier = bus, simulation, modifier
        self._running = 0
        self._next = 0
        self._end_ns: int | None = None

    def start(self) -> None:
        """Send the first message now."""
        self._running += 1
        self._end_ns = None if self.duration is None else self._simulation.t_ns + round(self.duration * _SECOND_NS)
        self._tick(self._running)

    def stop(self) -> None:
        """Send no more."""
        self._running += 1

    def _tick(self, run: int) -> None:
        now_ns = self._simulation.t_ns
        if run != self._running or (self._end_ns is not None and now_ns >= self._end_ns):
            return
        message = self.messages[self._next % len(self.messages)]
        self._next += 1
        if self._modifier is not None:
            self._modifier(message)
        self._bus.send(message)
        self._simulation.at(now_ns + round(self.period * _SECOND_NS), lambda: self._tick(run))


def message_of(record: FrameRecord, channel: str | None = None, *, is_rx: bool = True) -> can.Message:
    """A record of a frame as a python-can message; its timestamp is the end of the frame in seconds."""
    return can.Message(
        timestamp=record.t_end_ns / _SECOND_NS,
        arbitration_id=record.frame_id,
        is_extended_id=record.extended,
        is_remote_frame=record.remote,
        is_fd=record.fd,
        bitrate_switch=record.brs,
        is_rx=is_rx,
        channel=channel or record.network,
        dlc=len(record.data),
        data=None if record.remote else record.data,
    )
