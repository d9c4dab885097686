"""A tester as a python-can bus on simulated time: what is written for an adapter runs against a simulated vehicle."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Protocol

import can

from simulator.datalink.controller import Outgoing
from simulator.errorframes import ErrorFrames
from simulator.tester import Tester
from simulator.vehicle import Network

if TYPE_CHECKING:
    from simulator.simulation import Simulation

_SECOND_NS = 1_000_000_000
#: ``recv(None)`` gives up after this much simulated time: on a stepped bus nothing else would ever end the wait.
LONGEST_WAIT_S = 60.0
_STATES = {"error active": can.BusState.ACTIVE, "error passive": can.BusState.PASSIVE}


class Pace(Protocol):
    """How time passes for those who wait, and who may touch the simulation: whoever has entered it as a context."""

    def __enter__(self) -> object: ...

    def __exit__(self, *_: object) -> None: ...

    def check(self) -> None:
        """Raise can.CanOperationError where time can pass no more."""

    def wait(self, done: Callable[[], bool], seconds: float | None) -> None:
        """Let simulated time pass until something is done, for that many seconds at most; None: as long as it takes."""


class Stepped:
    """Time passes only while somebody waits, as fast as it goes."""

    def __init__(self, simulation: Simulation) -> None:
        self._simulation = simulation

    def __enter__(self) -> Stepped:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def check(self) -> None:
        """Time can always pass."""

    def wait(self, done: Callable[[], bool], seconds: float | None) -> None:
        """Step until something is done; ``seconds`` None: for LONGEST_WAIT_S at most."""
        wait_s = LONGEST_WAIT_S if seconds is None else seconds
        limit_ns = self._simulation.t_ns + round(wait_s * _SECOND_NS)
        while not done() and self._simulation.step(limit_ns):
            pass


class SimulatedBus(can.BusABC):
    """A tap on a network. It acknowledges and hears as the circuit allows at its place, and loads nothing.

    ``listen_only``: it sends nothing, no acknowledgement and no error flag. ``by_request``: once bus-off it comes back
    only when ``state`` is set to ACTIVE.

    All times are simulated. On the stepped clock ``recv`` lets the simulation run up to the next message or the
    timeout; ``send`` with a timeout above 0 runs it until the frame is acknowledged; without one it only queues the
    frame, and time passes with the next ``recv`` or ``advance``. A message's timestamp is the end of its frame.
    """

    def __init__(
        self,
        simulation: Simulation,
        network: Network,
        place: str,
        *,
        receive_own_messages: bool = False,
        can_filters: can.typechecking.CanFilters | None = None,
        pace: Pace | None = None,
        fd: bool | None = None,
        error_frames: ErrorFrames = ErrorFrames.NONE,
        room: int = 0,
        begin_s: float = 0.0,
        channel: str | None = None,
        listen_only: bool = False,
        by_request: bool = False,
    ) -> None:
        self._simulation = simulation
        self._pace = pace or Stepped(simulation)
        takes_fd = network.data_bit_rate is not None if fd is None else fd
        self.receive_own_messages = receive_own_messages
        self.network = network.name
        self.place = place
        self.channel_info = f"{channel or network.name} at {place}, simulated"
        with self._pace:
            self._tester = Tester(
                simulation,
                network,
                place,
                own=receive_own_messages,
                fd=takes_fd,
                error_frames=error_frames,
                room=room,
                begin_s=begin_s,
                channel=channel,
                listening=listen_only,
                by_request=by_request,
            )
        self.name = self._tester.name
        super().__init__(channel=self._tester.channel, can_filters=can_filters)
        self._can_protocol = can.CanProtocol.CAN_FD if takes_fd else can.CanProtocol.CAN_20

    # -- python-can ---------------------------------------------------------------------------------------------

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Send a message; with a timeout in seconds above 0, wait for its acknowledgement on simulated time.

        Raises can.CanOperationError if it is not acknowledged by then (it is not repeated any more), if it cannot be
        sent, if the tap only listens, if the controller is or turns bus-off, if too many messages wait, and if
        somebody else takes it back meanwhile.
        """
        frame = self._tester.frame_of(msg)
        sent: list[Outgoing] = []
        with self._pace:
            self._check_open()
            self._tester.send(frame, sent.append)
            if timeout is None or timeout <= 0:
                return
            self._pace.wait(lambda: not self._tester.waits(frame) or self._tester.off, timeout)
            if sent:
                return
            self._check_open()
            taken_back = not self._tester.waits(frame)
            self._tester.withdraw(frame)
            off = ": the tester's controller is bus-off" if self._tester.off else ""
        why = ": it was taken back meanwhile" if taken_back else f" within {timeout} s{off}"
        raise can.CanOperationError(f"0x{msg.arbitration_id:X} was not acknowledged on {self.network}{why}")

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """The next message that passes the filters, or None after the timeout in seconds of simulated time.

        ``timeout=None`` waits until there is one; on the stepped clock for LONGEST_WAIT_S of simulated time at most.
        """
        found: list[can.Message] = []
        with self._pace:
            self._check_open()
            if not self._look(found):
                self._pace.wait(lambda: self._is_shutdown or self._look(found), timeout)
            if not found:
                self._check_open()
        return found[0] if found else None

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        """As ``recv``; the message has passed the filters."""
        return self.recv(timeout), True

    def _apply_filters(self, filters: can.typechecking.CanFilters | None) -> None:
        """Filters work in ``recv``; there is no adapter to hand them to."""

    def flush_tx_buffer(self) -> None:
        """Take back all that still waits to be sent."""
        with self._pace:
            self._tester.withdraw_all()

    def shutdown(self) -> None:
        """Disconnect; who waits in ``recv`` or ``send`` gets an error."""
        if self._is_shutdown:
            return
        with self._pace:
            super().shutdown()
            self._tester.leave()

    def __del__(self) -> None:
        """There is nothing outside to release, so a bus may be dropped without shutdown."""

    @property
    def state(self) -> can.BusState:
        """Of the tap's controller: ACTIVE, PASSIVE (error passive, or it only listens), ERROR (bus-off, not connected).

        Set to PASSIVE the tap only listens from now on; set to ACTIVE it takes part again, and one that is bus-off
        until it is asked to come back does so after 128 times 11 recessive bits.
        """
        with self._pace:
            if self._tester.listening and not self._is_shutdown:
                return can.BusState.PASSIVE
            return _STATES.get(self._tester.status, can.BusState.ERROR)

    @state.setter
    def state(self, new_state: can.BusState) -> None:
        if new_state not in (can.BusState.ACTIVE, can.BusState.PASSIVE):
            raise can.CanOperationError(
                f"state cannot be set to {new_state}: write can.BusState.ACTIVE (take part, come back from bus-off) or "
                "can.BusState.PASSIVE (only listen); the error state follows from what happens on the wire"
            )
        with self._pace:
            self._check_open()
            if new_state is can.BusState.ACTIVE:
                self._tester.take_part()
            else:
                self._tester.listen()

    def _send_periodic_internal(
        self,
        msgs: Any,
        period: float,
        duration: float | None = None,
        autostart: bool = True,
        modifier_callback: Callable[[can.Message], None] | None = None,
    ) -> can.broadcastmanager.CyclicSendTaskABC:
        """Send messages every ``period`` seconds of simulated time."""
        self._check_can_send()
        task = SimulatedCyclicTask(
            self._tester, self._pace, self._simulation, msgs, period, duration, modifier_callback
        )
        if autostart:
            task.start()
        return task

    # -- inside -------------------------------------------------------------------------------------------------

    def _look(self, found: list[can.Message]) -> bool:
        """Take the next message that passes, if one is there."""
        arrived = self._tester.arrived
        while arrived and not found:
            message = arrived.popleft()
            if self._matches_filters(message):
                found.append(message)
        return bool(found)

    def _check_can_send(self) -> None:
        with self._pace:
            self._check_open()
            self._tester.check_listening()

    def _check_open(self) -> None:
        self._pace.check()
        if self._is_shutdown:
            raise can.CanOperationError(f"the tester's bus on {self.network} has been shut down: connect again")


class SimulatedCyclicTask(
    can.broadcastmanager.LimitedDurationCyclicSendTaskABC,
    can.broadcastmanager.ModifiableCyclicTaskABC,
    can.broadcastmanager.RestartableCyclicTaskABC,
):
    """Messages sent again and again on simulated time, until stopped or for ``duration`` seconds.

    As in an adapter with a send list of its own: a message that still waits when its turn comes again is replaced by
    the next one, and while the controller is bus-off or only listens turns are left out; the task goes on afterwards.
    """

    def __init__(
        self,
        tester: Tester,
        pace: Pace,
        simulation: Simulation,
        messages: Any,
        period: float,
        duration: float | None,
        modifier: Callable[[can.Message], None] | None,
    ) -> None:
        super().__init__(messages, period, duration)
        if self.period_ns <= 0:
            raise ValueError(f"a period of {period} s: write a number above 0")
        self._tester, self._pace, self._simulation, self._modifier = tester, pace, simulation, modifier
        self._run = 0
        self._going = False
        self._next = 0
        self._end_ns: int | None = None
        self._frame: Outgoing | None = None
        for message in self.messages:
            self._tester.frame_of(message)

    def start(self) -> None:
        """Send the first message now; a task that runs goes on as it is."""
        with self._pace:
            if self._going:
                return
            self._run += 1
            self._going, self._next = True, 0
            now_ns = self._simulation.t_ns
            self._end_ns = None if self.duration is None else now_ns + round(self.duration * _SECOND_NS)
            self._tick(self._run, now_ns)

    def stop(self) -> None:
        """Send no more; what waits to be sent is taken back."""
        with self._pace:
            self._run += 1
            self._going = False
            if self._frame is not None:
                self._tester.withdraw(self._frame)

    def modify_data(self, messages: Any) -> None:
        """Send other data from the next turn on; the identifier and the number of messages stay."""
        checked = self._check_and_convert_messages(messages)
        self._check_modified_messages(checked)
        for message in checked:
            self._tester.frame_of(message)
        with self._pace:
            self.messages = checked

    def _tick(self, run: int, due_ns: int) -> None:
        if run != self._run:
            return
        if self._end_ns is not None and due_ns >= self._end_ns:
            self._going = False
            return
        message = self.messages[self._next % len(self.messages)]
        self._next += 1
        if self._modifier is not None:
            self._modifier(message)
        if self._frame is not None:
            self._tester.withdraw(self._frame)
        self._frame = None
        if self._tester.ready:
            self._frame = self._tester.frame_of(message)
            self._tester.send(self._frame)
        due_ns += self.period_ns
        self._simulation.at(due_ns, lambda: self._tick(run, due_ns))
