"""A tester's controller on a network: what has arrived at it, what it wants to send, what it says about errors."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

import can

from simulator.datalink.controller import Outgoing
from simulator.datalink.frame import encode
from simulator.errorframes import ErrorFrames, StateFrames, trouble_message
from simulator.errors import BadRequest

if TYPE_CHECKING:
    from simulator.datalink.trouble import Trouble
    from simulator.record import FrameRecord
    from simulator.simulation import Simulation
    from simulator.vehicle import Network

_SECOND_NS = 1_000_000_000
#: So many frames wait to be sent at most, as in an adapter's transmit queue.
MOST_WAITING = 1000
#: How a program says that a tester shall send.
ASK = "set bus.state = can.BusState.ACTIVE"

log = logging.getLogger(__name__)


class Tester:
    """A node of its own name at a place. It acknowledges and hears as the circuit allows there, and loads nothing.

    ``own``: messages of its own are received too, once acknowledged. ``room``: that many messages wait to be read at
    most (0: any number); what comes then is lost, and one warning says so. ``begin_s`` is added to every timestamp,
    ``channel`` stands in every message. ``fd``: CAN FD frames are sent and received, else only classic ones.
    ``listening``: it sends nothing at all, no acknowledgement and no error flag either (bus monitoring, ISO
    11898-1:2015). ``by_request``: it comes back from bus-off after ``take_part`` only.
    """

    def __init__(
        self,
        simulation: Simulation,
        network: Network,
        place: str,
        *,
        own: bool = False,
        fd: bool = False,
        error_frames: ErrorFrames = ErrorFrames.NONE,
        room: int = 0,
        begin_s: float = 0.0,
        channel: str | None = None,
        listening: bool = False,
        by_request: bool = False,
    ) -> None:
        self.name = simulation.tester_name()
        self.network = network.name
        self.place = place
        self.listening, self.by_request = listening, by_request
        self.told_of_losses = error_frames is ErrorFrames.ALL
        self.arrived: deque[can.Message] = deque()
        self.channel = channel or network.name
        #: called when something has arrived
        self.told: Callable[[], None] | None = None
        self._simulation = simulation
        self._own, self._fd, self._error_frames = own, fd, error_frames
        self._classic_network = network.data_bit_rate is None
        self._room, self._begin_s = room, begin_s
        self._lost = 0
        self._waiting: dict[int, tuple[Outgoing, Callable[[Outgoing], None] | None]] = {}
        self._states = StateFrames()
        simulation.attach(self)

    def leave(self) -> None:
        """Disconnect; what waits is lost."""
        self._waiting.clear()
        self._simulation.detach(self)

    def listen(self) -> None:
        """Only listen from now on; what waits is taken back. Its controller begins anew, as after ``take_part``."""
        self._waiting.clear()
        self._begin_anew(listening=True)

    def take_part(self) -> None:
        """Listen no longer only; a controller that is bus-off by request comes back, 128 times 11 recessive bits on."""
        if self.listening:
            self._begin_anew(listening=False)
        elif self.off and self.by_request:
            self._simulation.restart(self.network, self.name)

    def _begin_anew(self, *, listening: bool) -> None:
        if listening is not self.listening:
            self._simulation.detach(self)
            self.listening = listening
            self._simulation.attach(self)

    # -- sending ------------------------------------------------------------------------------------------------

    @property
    def off(self) -> bool:
        """Whether its controller is bus-off."""
        return self.status == "bus off"

    @property
    def status(self) -> str:
        """Of its controller: error active, error passive, bus off or down."""
        return self._simulation.status(self.network, self.name)

    @property
    def ready(self) -> bool:
        """Whether it would queue a frame now."""
        return not self.listening and not self.off and len(self._waiting) < MOST_WAITING

    def frame_of(self, message: can.Message) -> Outgoing:
        """A message as a frame to send. Raises can.CanOperationError where it cannot be one here."""
        if message.is_error_frame:
            raise can.CanOperationError("a tester cannot send error frames")
        if message.is_fd and not self._fd:
            why = f"{self.network} is no CAN FD network" if self._classic_network else "the tester has CAN FD off"
            raise can.CanOperationError(f"{why}: send a classic message")
        remote = bool(message.is_remote_frame)
        brs = message.is_fd and message.bitrate_switch
        try:
            encoded = encode(
                message.arbitration_id,
                bytes(message.data),
                extended=message.is_extended_id,
                remote=remote,
                dlc=message.dlc if remote else None,
                fd=message.is_fd,
                brs=brs,
            )
        except BadRequest as refused:
            raise can.CanOperationError(str(refused)) from refused
        return Outgoing(
            message.arbitration_id,
            bytes(min(message.dlc, 8)) if remote else encoded.data,
            extended=message.is_extended_id,
            remote=remote,
            fd=message.is_fd,
            brs=brs,
            kept=True,
        )

    def send(self, frame: Outgoing, sent: Callable[[Outgoing], None] | None = None) -> None:
        """Queue a frame; ``sent`` is called once it is acknowledged.

        Raises can.CanOperationError where the tester only listens or is bus-off, or too many wait.
        """
        self.check_listening()
        if self.off:
            then = f"once it is asked to come back ({ASK})" if self.by_request else "after 128 times 11 recessive bits"
            raise can.CanOperationError(f"the tester on {self.network} is bus-off: it sends again {then}")
        if not self.ready:
            raise can.CanOperationError(
                f"the transmit queue on {self.network} is full: {MOST_WAITING} messages wait, none gets through"
            )
        self._waiting[id(frame)] = frame, sent
        self._simulation.submit(self.network, self.name, frame)

    def check_listening(self) -> None:
        """Raise can.CanOperationError where it only listens."""
        if self.listening:
            raise can.CanOperationError(
                f"the tester on {self.network} only listens and sends nothing: leave listen_only out, or {ASK}"
            )

    def waits(self, frame: Outgoing) -> bool:
        """Whether a frame is still to be sent."""
        return id(frame) in self._waiting

    def withdraw(self, frame: Outgoing) -> None:
        """Take a frame back; one that is on the wire runs to its end but is not repeated."""
        if self._waiting.pop(id(frame), None) is not None:
            self._simulation.withdraw(self.network, self.name, frame)

    def withdraw_all(self) -> None:
        """Take back all that still waits to be sent."""
        for frame, _ in list(self._waiting.values()):
            self.withdraw(frame)

    # -- the simulation's side ----------------------------------------------------------------------------------

    def received(self, record: FrameRecord, frame: Outgoing) -> None:
        """A frame has arrived."""
        if self._fd or not record.fd:
            self._take(message_of(record, self.channel), record.t_end_ns)
        self._tell_states(record.t_end_ns)

    def attempted(self, record: FrameRecord, frame: Outgoing) -> None:
        """An attempt to send an own frame has ended."""
        if record.outcome == "ok" and id(frame) in self._waiting:
            _, sent = self._waiting.pop(id(frame))
            if sent is not None:
                sent(frame)
            if self._own:
                self._take(message_of(record, self.channel, is_rx=False), record.t_end_ns)
        self._tell_states(record.t_end_ns)

    def troubled(self, trouble: Trouble) -> None:
        """Its controller has noticed something."""
        is_error = trouble.kind not in ("lost arbitration", "overload", "undetected")
        counters = (trouble.transmit_errors, trouble.receive_errors) if is_error else self._counters()
        if self._error_frames is ErrorFrames.ALL and trouble.kind != "undetected":
            self._take_all([trouble_message(trouble, counters)], trouble.t_ns)
        self._tell_states(trouble.t_ns, counters)

    def changed(self, t_ns: int, status: str) -> None:
        """Its controller is in another state."""
        self._tell_states(t_ns)

    def _counters(self) -> tuple[int, int]:
        return self._simulation.counters(self.network, self.name)

    def _tell_states(self, t_ns: int, counters: tuple[int, int] | None = None) -> None:
        if self._error_frames is not ErrorFrames.NONE:
            self._take_all(self._states.changes(counters or self._counters()), t_ns)

    def _take_all(self, messages: Iterable[can.Message], t_ns: int) -> None:
        for message in messages:
            message.channel = self.channel
            self._take(message, t_ns)

    def _take(self, message: can.Message, t_ns: int) -> None:
        if self._room and len(self.arrived) >= self._room:
            self._lost += 1
            if self._lost == 1:
                log.warning("%s: %d messages wait to be read, further ones are lost", self.channel, self._room)
            return
        message.timestamp = self._begin_s + t_ns / _SECOND_NS
        self.arrived.append(message)
        if self.told is not None:
            self.told()


def message_of(record: FrameRecord, channel: str | int | None = None, *, is_rx: bool = True) -> can.Message:
    """A record of a frame as a python-can message; its timestamp is the end of the frame in seconds."""
    return can.Message(
        timestamp=record.t_end_ns / _SECOND_NS,
        arbitration_id=record.frame_id,
        is_extended_id=record.extended,
        is_remote_frame=record.remote,
        is_fd=record.fd,
        bitrate_switch=record.brs,
        error_state_indicator=record.esi,
        is_rx=is_rx,
        channel=record.network if channel is None else channel,
        dlc=len(record.data),
        data=None if record.remote else record.data,
    )
