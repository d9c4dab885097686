"""ISO 15765-2 in both directions for one pair of addresses, normal addressing, classic and CAN FD frames.

A state machine on simulated time: it is told of frames and of the end of its own, and says what to send. Sending and
receiving go on beside each other (full duplex, ISO 15765-2:2016, 8.4). Timers and results: 9.6 to 9.8 and 8.3.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from simulator.datalink.controller import NEVER_NS
from simulator.datalink.frame import FD_LENGTHS
from simulator.diagnostics.transport_frames import (
    FLOW_CONTROL_BYTES,
    Consecutive,
    First,
    FlowControl,
    FlowStatus,
    Single,
    consecutive_frame,
    first_frame,
    flow_control_frame,
    read_frame,
    single_frame,
    single_limit,
    st_min_ns,
)

_MS_NS = 1_000_000
#: What fills a frame: common practice, it needs few stuff bits (Linux, include/uapi/linux/can/isotp.h).
PADDING = 0xCC


class Result(StrEnum):
    """Why a transfer ended other than well. ISO 15765-2:2016, 8.3."""

    TIMEOUT_A = "N_TIMEOUT_A"
    TIMEOUT_BS = "N_TIMEOUT_Bs"
    TIMEOUT_CR = "N_TIMEOUT_Cr"
    WRONG_SN = "N_WRONG_SN"
    INVALID_FS = "N_INVALID_FS"
    UNEXPECTED_PDU = "N_UNEXP_PDU"
    WAIT_OVERRUN = "N_WFT_OVRN"
    BUFFER_OVERFLOW = "N_BUFFER_OVFLW"


@dataclass(frozen=True)
class Timers:
    """The limits of ISO 15765-2:2016, 9.8, in ns; what the standard calls performance requirements is 0 here.

    ``a_ns``: N_As and N_Ar, from handing a frame over until it is on the bus. ``bs_ns``: until a flow control comes.
    ``cr_ns``: until the next consecutive frame comes.
    """

    a_ns: int = 1_000 * _MS_NS
    bs_ns: int = 1_000 * _MS_NS
    cr_ns: int = 1_000 * _MS_NS


@dataclass(frozen=True, eq=False)
class Send:
    """A frame to be put on the bus; when it is there, hand the same object to ``Transport.confirmed``."""

    data: bytes
    flow_control: bool = False


@dataclass(frozen=True, eq=False)
class TakeBack:
    """A frame that was not sent in time and is no longer wanted."""

    frame: Send


@dataclass(frozen=True)
class Started:
    """The first frame of a message of ``length`` byte has come (N_USData_FF.indication)."""

    length: int


@dataclass(frozen=True)
class Received:
    """A whole message has come."""

    payload: bytes


@dataclass(frozen=True)
class Sent:
    """The last frame of the own message is on the bus."""


@dataclass(frozen=True)
class Failed:
    """A transfer has ended without its payload; ``sending`` or receiving."""

    result: Result
    sending: bool


TransportEvent = Send | TakeBack | Started | Received | Sent | Failed


class Transport:
    """One pair of addresses: ``send`` a payload, ``feed`` frames, ``confirmed`` own frames, ``due`` at the deadline.

    ``frame_size`` (TX_DL, 8 to 64 byte) and ``fd`` are those of its own frames; ``block_size`` and ``st_min`` (as
    coded) are what it asks for in its flow control; ``buffer`` is the longest message it takes, ``wait_limit`` how many
    WAIT in a row it accepts (WFTmax).
    """

    def __init__(
        self,
        *,
        frame_size: int = 8,
        block_size: int = 0,
        st_min: int = 0,
        timers: Timers = Timers(),
        buffer: int = 4095,
        wait_limit: int = 10,
        padding: int | None = PADDING,
    ) -> None:
        self.frame_size = frame_size
        self.block_size, self.st_min = block_size, st_min
        self.timers, self.buffer, self.wait_limit, self.padding = timers, buffer, wait_limit, padding
        self._sender = _Sender(self)
        self._receiver = _Receiver(self)

    @property
    def sending(self) -> bool:
        """Whether an own message is not yet out."""
        return self._sender.payload is not None

    @property
    def receiving(self) -> bool:
        """Whether a message of several frames is on its way here."""
        return self._receiver.length > 0

    def send(self, t_ns: int, payload: bytes) -> list[TransportEvent]:
        """Begin to send a message of 1 byte or more; one that is still being sent is given up."""
        return self._sender.begin(t_ns, payload)

    def feed(self, t_ns: int, data: bytes) -> list[TransportEvent]:
        """A frame has come; what is no frame of this protocol is ignored."""
        frame = read_frame(data)
        if frame is None:
            return []
        if isinstance(frame, FlowControl):
            return self._sender.control(t_ns, frame)
        return self._receiver.take(t_ns, frame)

    def confirmed(self, t_ns: int, frame: Send) -> list[TransportEvent]:
        """An own frame has reached the bus."""
        return self._receiver.confirmed(t_ns, frame) if frame.flow_control else self._sender.confirmed(t_ns, frame)

    def next_deadline_ns(self) -> int:
        """When ``due`` has to be called next; NEVER_NS if nothing is planned."""
        return min(self._sender.deadline_ns, self._receiver.deadline_ns)

    def due(self, t_ns: int) -> list[TransportEvent]:
        """What happens at this instant: a timer has run out, or the next consecutive frame may go."""
        events: list[TransportEvent] = []
        if self._sender.deadline_ns <= t_ns:
            events += self._sender.due(t_ns)
        if self._receiver.deadline_ns <= t_ns:
            events += self._receiver.due(t_ns)
        return events

    def reset(self) -> None:
        """Forget both directions."""
        self._sender.end()
        self._receiver.end()

    def frame(self, data: bytes, *, flow_control: bool = False) -> Send:
        """A frame of the protocol, filled up to 8 byte or to the next length of CAN FD."""
        filler = bytes((PADDING if self.padding is None else self.padding,))
        if self.padding is not None:
            data = data.ljust(8, filler)
        if len(data) > 8:
            data = data.ljust(next(length for length in FD_LENGTHS if length >= len(data)), filler)
        return Send(data, flow_control)


class _Sender:
    """The sending half."""

    def __init__(self, owner: Transport) -> None:
        self._owner = owner
        self.end()

    def end(self) -> None:
        self.payload: bytes | None = None
        self.deadline_ns = NEVER_NS
        self._position = self._number = self._waits = 0
        self._left: int | None = None  # consecutive frames until the next flow control; None: no more of them
        self._gap_ns = 0
        self._flying: Send | None = None
        self._waiting = False  # for a flow control

    def begin(self, t_ns: int, payload: bytes) -> list[TransportEvent]:
        given_up: list[TransportEvent] = [] if self._flying is None else [TakeBack(self._flying)]
        self.end()
        self.payload = payload
        size = self._owner.frame_size
        if len(payload) <= single_limit(size):
            self._position = len(payload)
            return given_up + self._hand_over(t_ns, single_frame(payload))
        data, self._position = first_frame(payload, size)
        self._waiting = True
        return given_up + self._hand_over(t_ns, data)

    def control(self, t_ns: int, frame: FlowControl) -> list[TransportEvent]:
        # one that was not asked for is ignored (ISO 15765-2:2016, 9.8)
        if self.payload is None or not self._waiting or self._flying is not None:
            return []
        if frame.status is FlowStatus.WAIT:
            self._waits += 1
            if self._waits > self._owner.wait_limit:
                return self._fail(Result.WAIT_OVERRUN)
            self.deadline_ns = t_ns + self._owner.timers.bs_ns
            return []
        if frame.status is FlowStatus.OVERFLOW:
            return self._fail(Result.BUFFER_OVERFLOW)
        if frame.status is not FlowStatus.CONTINUE:
            return self._fail(Result.INVALID_FS)
        self._waits, self._waiting = 0, False
        self._left = frame.block_size or None
        self._gap_ns = st_min_ns(frame.st_min)
        return self._next(t_ns)

    def confirmed(self, t_ns: int, frame: Send) -> list[TransportEvent]:
        if frame is not self._flying or self.payload is None:
            return []
        self._flying = None
        if self._position >= len(self.payload):
            self.end()
            return [Sent()]
        if self._waiting:
            self.deadline_ns = t_ns + self._owner.timers.bs_ns
            return []
        self.deadline_ns = t_ns + self._gap_ns
        return self._next(t_ns) if self._gap_ns == 0 else []

    def due(self, t_ns: int) -> list[TransportEvent]:
        if self._flying is not None:
            return [TakeBack(self._flying), *self._fail(Result.TIMEOUT_A)]
        return self._fail(Result.TIMEOUT_BS) if self._waiting else self._next(t_ns)

    def _next(self, t_ns: int) -> list[TransportEvent]:
        """The next consecutive frame."""
        assert self.payload is not None
        self._number = (self._number + 1) % 16
        data, self._position = consecutive_frame(self.payload, self._position, self._number, self._owner.frame_size)
        if self._left is not None:
            self._left -= 1
            self._waiting = self._left == 0 and self._position < len(self.payload)
        return self._hand_over(t_ns, data)

    def _hand_over(self, t_ns: int, data: bytes) -> list[TransportEvent]:
        self._flying = self._owner.frame(data)
        self.deadline_ns = t_ns + self._owner.timers.a_ns
        return [self._flying]

    def _fail(self, result: Result) -> list[TransportEvent]:
        self.end()
        return [Failed(result, sending=True)]


class _Receiver:
    """The receiving half."""

    def __init__(self, owner: Transport) -> None:
        self._owner = owner
        self.end()

    def end(self) -> None:
        self.length = 0
        self.deadline_ns = NEVER_NS
        self._got = bytearray()
        self._number = self._left = self._frame_size = 0
        self._flying: Send | None = None

    def take(self, t_ns: int, frame: Single | First | Consecutive) -> list[TransportEvent]:
        if isinstance(frame, Consecutive):
            return self._consecutive(t_ns, frame)
        # a new message ends the one on its way (ISO 15765-2:2016, 9.8)
        before: list[TransportEvent] = []
        if self.length:
            before = [*self._withdraw(), *self._fail(Result.UNEXPECTED_PDU)]
        if isinstance(frame, Single):
            return [*before, Received(frame.payload)]
        if frame.length > self._owner.buffer:
            return [*before, self._control(FlowStatus.OVERFLOW)]
        self.length, self._frame_size = frame.length, frame.frame_size
        self._got = bytearray(frame.payload)
        return [*before, Started(frame.length), *self._ask(t_ns)]

    def confirmed(self, t_ns: int, frame: Send) -> list[TransportEvent]:
        if frame is self._flying:
            self._flying = None
            self.deadline_ns = t_ns + self._owner.timers.cr_ns
        return []

    def due(self, t_ns: int) -> list[TransportEvent]:
        late = Result.TIMEOUT_CR if self._flying is None else Result.TIMEOUT_A
        return [*self._withdraw(), *self._fail(late)]

    def _consecutive(self, t_ns: int, frame: Consecutive) -> list[TransportEvent]:
        if not self.length:
            return []
        if frame.number != (self._number + 1) % 16:
            return [*self._withdraw(), *self._fail(Result.WRONG_SN)]
        missing = self.length - len(self._got)
        if len(frame.payload) < min(missing, self._frame_size - 1):
            return []  # too short for its place: ignored (ISO 15765-2:2016, 9.6.4)
        self._number = frame.number
        self._got += frame.payload[:missing]
        if len(self._got) >= self.length:
            payload = bytes(self._got)
            taken_back = self._withdraw()
            self.end()
            return [*taken_back, Received(payload)]
        if self._owner.block_size:
            self._left -= 1
            if self._left == 0:
                return self._ask(t_ns)
        self.deadline_ns = t_ns + self._owner.timers.cr_ns
        return []

    def _ask(self, t_ns: int) -> list[TransportEvent]:
        self._left = self._owner.block_size
        self._flying = self._control(FlowStatus.CONTINUE)
        self.deadline_ns = t_ns + self._owner.timers.a_ns
        return [self._flying]

    def _control(self, status: FlowStatus) -> Send:
        data = flow_control_frame(status, self._owner.block_size, self._owner.st_min)
        assert len(data) == FLOW_CONTROL_BYTES
        return self._owner.frame(data, flow_control=True)

    def _withdraw(self) -> list[TransportEvent]:
        return [] if self._flying is None else [TakeBack(self._flying)]

    def _fail(self, result: Result) -> list[TransportEvent]:
        self.end()
        return [Failed(result, sending=False)]
