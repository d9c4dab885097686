"""Bridges between a running vehicle and other python-can buses, in real time; to a real wire only when told so."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import can
from can.util import cast_from_string

from lab.canbus.clocks import Paced, WallClock
from lab.canbus.session import warm_up
from lab.cautions import caution
from simulator.errors import BadRequest, nearest
from simulator.interface import SimulatedBus
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle

#: Interfaces that have no wire; of socketcan those network devices that have none.
_WITHOUT_WIRE = ("sixtyohm", "udp_multicast", "virtual")
_DEVICES_WITHOUT_WIRE = ("vcan", "vxcan")
_DEVICES = Path("/sys/class/net")
#: Interfaces whose own messages come back like any other's, and for how long one may be under way, in second.
_ECHOING, _ECHO_S = ("udp_multicast",), 1.0
#: How long a thread waits for a message before it looks whether to end, in second.
_WAIT_S = 0.05


@dataclass
class Bridge:
    """One bridge: the python-can options of the other side, the place tapped on this side, and what was forwarded.

    ``refused``: messages that one side would not send. ``broken``: why nothing comes from a side any more.
    """

    options: dict[str, Any]
    at: str | None = None
    out: int = 0
    into: int = 0
    refused: int = 0
    broken: str = ""
    _recent: deque[tuple[float, tuple[object, ...]]] = field(default_factory=deque, repr=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False, compare=False)

    @property
    def interface(self) -> str:
        """The python-can interface of the other side."""
        return str(self.options["interface"])

    @property
    def physical(self) -> bool:
        """Whether the other side may be a real wire."""
        if self.interface != "socketcan":
            return self.interface not in _WITHOUT_WIRE
        device = str(self.options.get("channel", ""))
        virtual = "/devices/virtual/" in str((_DEVICES / device).resolve())
        return not (virtual and device.startswith(_DEVICES_WITHOUT_WIRE))

    def as_json(self) -> dict[str, Any]:
        """The mapping of the command ``run``."""
        return {
            "interface": self.interface,
            "channel": self.options.get("channel"),
            "at": self.at,
            "out": self.out,
            "into": self.into,
            "refused": self.refused,
        }

    def outwards(self, tap: can.BusABC, other: can.BusABC, end: threading.Event) -> None:
        """Forward what the tap receives until the end."""
        while not end.is_set():
            message = self._next(tap, end)
            if message is None or message.is_error_frame:
                continue
            if self.interface in _ECHOING:
                with self._lock:
                    self._recent.append((time.monotonic(), _content(message)))
            try:
                other.send(message)
                self.out += 1
            except can.CanError:
                self.refused += 1

    def inwards(self, tap: can.BusABC, other: can.BusABC, end: threading.Event) -> None:
        """Forward what the other side receives until the end, but not what comes back of our own."""
        while not end.is_set():
            message = self._next(other, end)
            if message is None or message.is_error_frame or not message.is_rx or self._is_echo(message):
                continue
            try:
                tap.send(message)
                self.into += 1
            except can.CanError:
                self.refused += 1

    def _next(self, bus: can.BusABC, end: threading.Event) -> can.Message | None:
        """What a bus receives next; one that breaks off ends it for all."""
        try:
            return bus.recv(_WAIT_S)
        except (can.CanError, OSError) as problem:
            self.broken = self.broken or str(problem)
            end.set()
            return None

    def _is_echo(self, message: can.Message) -> bool:
        recent, content = self._recent, _content(message)
        with self._lock:
            while recent and recent[0][0] < time.monotonic() - _ECHO_S:
                recent.popleft()
            for one in recent:
                if one[1] == content:
                    recent.remove(one)
                    return True
        return False


def bridge_of(text: str) -> Bridge:
    """A bridge from text like ``interface=virtual,channel=lab``, with ``at=PLACE`` for the tap. Raises BadRequest."""
    options: dict[str, Any] = {}
    for item in text.split(","):
        name, equals, value = item.strip().partition("=")
        if not name or not equals:
            raise BadRequest(f"bridge '{text}': '{item}' is no name=value; write it like interface=virtual,channel=lab")
        if name in options:
            raise BadRequest(f"bridge '{text}': {name} stands there twice")
        options[name] = value if name in ("at", "channel", "interface") else cast_from_string(value)
    at = options.pop("at", None)
    if "interface" not in options:
        raise BadRequest(f"bridge '{text}': say to what, like interface=virtual,channel=lab")
    if options["interface"] not in can.VALID_INTERFACES:
        known = sorted(can.VALID_INTERFACES)
        raise BadRequest(
            f"no python-can interface called '{options['interface']}'; {nearest(options['interface'], known)}"
        )
    return Bridge(options, at)


def allowed(bridges: Iterable[Bridge], allow_hardware: bool) -> bool:
    """Whether any of these bridges leads to a real wire. Raises BadRequest where that was not allowed explicitly."""
    physical = [bridge for bridge in bridges if bridge.physical]
    if physical and not allow_hardware:
        raise BadRequest(
            f"interface={physical[0].interface} may be a real wire: write --allow-hardware if that is what you mean. "
            f"{caution(18)}"
        )
    return bool(physical)


def run_bridged(simulation: Simulation, bridges: Sequence[Bridge], seconds: float) -> None:
    """Let the simulation run in real time for so many seconds, forwarding both ways.

    Raises BadRequest where a bus cannot be opened or breaks off, and UnknownName where there is no such place.
    """
    taps = [_place(simulation.drawn, bridge.at) for bridge in bridges]
    end = threading.Event()
    threads: list[threading.Thread] = []
    with ExitStack() as stack:
        others = [stack.enter_context(_opened(bridge)) for bridge in bridges]
        for network, place in taps:
            scratch = Simulation(simulation.drawn, faults=simulation.faults, seed=simulation.seed)
            warm_up(scratch, simulation.drawn.network(network), place)
        pace = Paced(simulation, WallClock())
        stack.callback(pace.close)
        for bridge, (network, place), other in zip(bridges, taps, others, strict=True):
            with pace:
                bus = SimulatedBus(simulation, simulation.drawn.network(network), place, pace=pace)
            bridge.at = bridge.at or place
            tap = stack.enter_context(bus)
            threads += [
                threading.Thread(target=forward, args=(tap, other, end), daemon=True)
                for forward in (bridge.outwards, bridge.inwards)
            ]
        for thread in threads:
            thread.start()
            stack.callback(thread.join)
        stack.callback(end.set)
        with pace:
            pace.wait(end.is_set, seconds)
            pace.check()
            for bridge in bridges:
                if bridge.broken:
                    raise BadRequest(f"interface={bridge.interface} broke off: {bridge.broken}")


def _place(vehicle: Vehicle, at: str | None) -> tuple[str, str]:
    """(network, place) of a tap written as PLACE or PLACE.NETWORK; the first socket where nothing is said."""
    if at is None:
        if not vehicle.sockets:
            raise BadRequest("there is no socket to bridge: write at= and the name of a place")
        return vehicle.sockets[0]
    place, _, network = at.partition(".")
    return vehicle.network_of_place(place, network or None).name, place


def _opened(bridge: Bridge) -> can.BusABC:
    try:
        return can.Bus(ignore_config=True, **bridge.options)
    except Exception as problem:  # whatever the interface raises, it is about these options
        raise BadRequest(f"interface={bridge.interface} cannot be opened: {problem}") from problem


def _content(message: can.Message) -> tuple[object, ...]:
    return (
        message.arbitration_id, message.is_extended_id, message.is_remote_frame, message.is_fd, message.dlc,
        bytes(message.data),
    )  # fmt: skip
