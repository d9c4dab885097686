"""The class behind ``can.Bus(interface="sixtyohm")``: a tap on a vehicle, for programs written for an adapter."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import can

from lab.canbus import options, session
from lab.canbus.bell import Bell
from simulator.errors import BadRequest, SixtyohmError, nearest
from simulator.interface import SimulatedBus
from simulator.reader import demo_names, find_vehicle, load_vehicle
from simulator.simulation import Simulation

_OPTIONS = (
    "tap", "fault", "clock", "speed", "seed", "ignition", "receive_own_messages", "can_filters", "fd", "bitrate",
    "data_bitrate", "timing", "error_frames", "rx_queue_size", "listen_only", "recovery",
)  # fmt: skip
#: Messages that wait to be read at most on the wall clock, unless asked otherwise: a program that only sends must not
#: grow for ever.
_ROOM_ON_THE_WALL = 100_000


class SixtyohmBus(SimulatedBus):
    """``can.Bus(interface="sixtyohm", channel="pipkin/LINE-1", tap="DLC", fault="open line=high at=GBX")``.

    ``channel``: a demo or a vehicle file, and its network; ``tap``: a place, by default the socket; ``fault``: one,
    several joined by ``;``, or a list; ``clock``: wall (default) or stepped; ``speed``: of the wall clock; ``seed``,
    ``ignition``; ``error_frames``: states (default), all or none; ``listen_only``: acknowledge and send nothing;
    ``recovery`` from bus-off: automatic (default), or by request (``bus.state = BusState.ACTIVE``). All durations are
    simulated seconds. Timestamps on the wall clock are seconds since the epoch, on the stepped clock since the
    beginning. All buses of a process on one vehicle share one simulation. Raises can.CanInitializationError.
    """

    def __init__(
        self,
        channel: Any = None,
        *,
        tap: Any = None,
        fault: Any = None,
        clock: Any = None,
        speed: Any = None,
        seed: Any = None,
        ignition: Any = None,
        receive_own_messages: Any = False,
        can_filters: Any = None,
        fd: Any = None,
        bitrate: Any = None,
        data_bitrate: Any = None,
        timing: Any = None,
        error_frames: Any = "states",
        rx_queue_size: Any = None,
        listen_only: Any = False,
        recovery: Any = "automatic",
        **others: Any,
    ) -> None:
        others.pop("single_handle", None)  # python-can's own command lines say it to every interface
        try:
            if others:
                name = next(iter(others))
                raise BadRequest(f"no option called '{name}'; {nearest(name, _OPTIONS)}")
            path, network_name = options.vehicle_of(channel)
            vehicle = load_vehicle(path)
            network, place = options.network_of(vehicle, network_name, tap)
            own = options.of_the_tap(receive_own_messages, can_filters, fd, error_frames, listen_only, recovery)
            options.check_rates(network, bitrate=bitrate, data_bitrate=data_bitrate, timing=timing, fd=own["fd"])
            room = None if rx_queue_size is None else options.room_of(rx_queue_size)
            asked = options.wanted(vehicle, fault=fault, seed=seed, ignition=ignition, clock=clock, speed=speed)
            self._session = session.enter(path, vehicle, asked, network, place)
        except SixtyohmError as refused:
            raise can.CanInitializationError(str(refused)) from refused
        stepped = self._session.wanted.clock == "stepped"
        self._bell: Bell | None = None
        try:
            super().__init__(
                self._session.simulation,
                network,
                place,
                pace=self._session.pace,
                room=(0 if stepped else _ROOM_ON_THE_WALL) if room is None else room,
                begin_s=self._session.begin_s,
                channel=str(channel),
                **own,
            )
        except BaseException:
            session.leave(self._session)
            raise
        self.channel_info = f"{channel} at {place}, simulated, {self._session.wanted.clock} clock"

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """As of the tap; what waits on ``fileno`` is told when nothing is left."""
        message = super().recv(timeout)
        with self._pace:
            if self._bell is not None and not self._tester.arrived:
                self._bell.hush()
        return message

    def fileno(self) -> int:
        """A descriptor that is readable while messages wait; of the wall clock only, as nothing moves the other."""
        if self._session.wanted.clock == "stepped":
            raise NotImplementedError("on the stepped clock nothing arrives while nobody calls recv")
        with self._pace:
            self._check_open()
            if self._bell is None:
                self._bell = Bell()
                self._tester.told = self._bell.ring
                if self._tester.arrived:
                    self._bell.ring()
            return self._bell.fileno()

    @contextmanager
    def hold(self) -> Iterator[Simulation]:
        """The simulation behind the bus, for as long as the context lasts nobody else's: inject, clear, read, set.

        On the wall clock simulated time stands still meanwhile and catches up afterwards.
        """
        with self._pace:
            yield self._simulation

    def advance(self, seconds: float) -> None:
        """Let so much simulated time pass, in seconds: at once on the stepped clock, by waiting on the wall clock."""
        with self._pace:
            self._pace.wait(lambda: self._is_shutdown, seconds)

    def shutdown(self) -> None:
        """Disconnect; the last bus on a vehicle ends its simulation."""
        was_open = False
        try:
            with self._pace:
                was_open = not self._is_shutdown
                super().shutdown()
                if self._bell is not None:
                    self._tester.told = None
                    self._bell.close()
                    self._bell = None
        finally:
            if was_open:
                session.leave(self._session)

    def __del__(self) -> None:
        """A bus that nobody has shut down is shut down with python-can's warning."""
        can.BusABC.__del__(self)

    @staticmethod
    def _detect_available_configs() -> Sequence[can.typechecking.AutoDetectedConfig]:
        """A channel for every network of the demos that has a socket."""
        return [
            {"interface": "sixtyohm", "channel": f"{name}/{network}"}
            for name in demo_names()
            for network, _ in load_vehicle(find_vehicle(name)).sockets
        ]

    def _send_periodic_internal(
        self,
        msgs: Any,
        period: float,
        duration: float | None = None,
        autostart: bool = True,
        modifier_callback: Callable[[can.Message], None] | None = None,
    ) -> can.broadcastmanager.CyclicSendTaskABC:
        """Send messages every ``period`` seconds of simulated time.

        On the wall clock a modifier runs in a thread of its own, as python-can has it: it may wait for whatever the
        program holds. That thread measures real time; a turn that cannot be sent is left out.
        """
        self._check_can_send()
        if modifier_callback is None or self._session.wanted.clock == "stepped":
            return super()._send_periodic_internal(msgs, period, duration, autostart, modifier_callback)
        speed = self._session.wanted.speed or 1.0
        return can.broadcastmanager.ThreadBasedCyclicSendTask(
            self,
            threading.Lock(),
            msgs,
            period / speed,
            None if duration is None else duration / speed,
            on_error=lambda problem: isinstance(problem, can.CanOperationError) and not self._is_shutdown,
            autostart=autostart,
            modifier_callback=modifier_callback,
        )
