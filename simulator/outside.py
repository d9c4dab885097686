"""What comes to a running vehicle from outside: faults with a timeline, and testers."""

from __future__ import annotations

from typing import Protocol

from simulator.condition import Surroundings
from simulator.datalink.controller import Outgoing
from simulator.datalink.trouble import Trouble
from simulator.record import FrameRecord
from simulator.vehicle import Vehicle


class TimedFault(Protocol):
    """What the simulation needs of a fault."""

    def apply(self, vehicle: Vehicle) -> Vehicle:
        """The vehicle with the fault in it."""

    def is_in(self, t_ns: int, surroundings: Surroundings) -> bool:
        """Whether the fault is there at an instant."""

    def next_change_ns(self, t_ns: int) -> int | None:
        """The first instant after this one at which the fault comes or goes by itself."""


class Tap(Protocol):
    """A tester on a network: a node of its own name at a place, told of what it receives and of its own attempts."""

    name: str
    network: str
    place: str

    def received(self, record: FrameRecord, frame: Outgoing) -> None:
        """A frame has arrived."""

    def attempted(self, record: FrameRecord, frame: Outgoing) -> None:
        """An attempt to send an own frame has ended."""

    def troubled(self, trouble: Trouble) -> None:
        """Its controller has noticed something."""

    def changed(self, t_ns: int, status: str) -> None:
        """Its controller has turned error active, error passive or bus off."""
