"""What comes to a running vehicle from outside: faults with a timeline, and testers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Protocol

from simulator.condition import Surroundings
from simulator.datalink.controller import Outgoing
from simulator.datalink.trouble import Trouble
from simulator.errors import BadRequest
from simulator.record import FrameRecord
from simulator.vehicle import Network, Vehicle


class TimedFault(Protocol):
    """What the simulation needs of a fault."""

    def apply(self, vehicle: Vehicle) -> Vehicle:
        """The vehicle with the fault in it."""

    def is_in(self, t_ns: int, surroundings: Surroundings) -> bool:
        """Whether the fault is there at an instant."""

    def next_change_ns(self, t_ns: int) -> int | None:
        """The first instant after this one at which the fault comes or goes by itself."""


class Tap(Protocol):
    """A tester on a network: a node of its own name at a place, told of what it receives and of its own attempts.

    ``listening``: it only listens; ``by_request``: it comes back from bus-off only when asked to (``Wiring``).
    ``told_of_losses``: it has to hear of every arbitration that it loses, which whole frames only count.
    """

    name: str
    network: str
    place: str
    listening: bool
    by_request: bool
    told_of_losses: bool

    def received(self, record: FrameRecord, frame: Outgoing) -> None:
        """A frame has arrived."""

    def attempted(self, record: FrameRecord, frame: Outgoing) -> None:
        """An attempt to send an own frame has ended."""

    def troubled(self, trouble: Trouble) -> None:
        """Its controller has noticed something."""

    def changed(self, t_ns: int, status: str) -> None:
        """Its controller has turned error active, error passive or bus off."""


def checked(fault: TimedFault, vehicle: Vehicle) -> TimedFault:
    """A fault that a vehicle can have, whenever it comes. Raises BadRequest and UnknownName."""
    asked = ("apply", "is_in", "next_change_ns")
    if isinstance(fault, type) or not all(callable(getattr(fault, name, None)) for name in asked):
        written = f"faults.parse({fault!r})" if isinstance(fault, str) else "one of faults, like faults.parse(...)"
        raise BadRequest(f"{fault!r} is no fault: write {written}")
    fault.apply(vehicle)
    return fault


def with_faults(vehicle: Vehicle, in_force: Iterable[TimedFault]) -> Vehicle:
    """A vehicle with faults in it. Raises BadRequest where they contradict each other."""
    for fault in in_force:
        vehicle = fault.apply(vehicle)
    return vehicle


class Floods:
    """What modules send that flood their networks: eight zero bytes, again and again."""

    def __init__(self) -> None:
        self._frames: dict[tuple[str, str], Outgoing] = {}

    def __bool__(self) -> bool:
        return bool(self._frames)

    def settle(self, wanted: Mapping[tuple[str, str], int]) -> list[tuple[str, str, Outgoing]]:
        """From now on send identifiers, by (module, network). What is sent no more: module, network and frame."""
        before = self._frames
        same = {key: frame for key, frame in before.items() if wanted.get(key) == frame.frame_id}
        self._frames = {
            key: same.get(key) or Outgoing(frame_id, bytes(8), extended=frame_id > 0x7FF, endless=True)
            for key, frame_id in wanted.items()
        }
        return [(*key, frame) for key, frame in before.items() if key not in same]

    def on(self, network: str) -> list[tuple[str, Outgoing]]:
        """Who floods a network, and with what."""
        return [(name, frame) for (name, at), frame in self._frames.items() if at == network]


def tapped(vehicle: Vehicle, tap: str | None, network: str | None) -> tuple[Network, str]:
    """Where a tester is connected: at a place, by default at the first socket. Raises BadRequest and UnknownName."""
    if tap is None:
        sockets = [one for one in vehicle.sockets if network in (None, one[0])]
        if not sockets:
            raise BadRequest("there is no socket to connect to: name a place to tap")
        network, tap = sockets[0]
    return vehicle.network_of_place(tap, network), tap
