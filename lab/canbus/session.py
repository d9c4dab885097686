"""One simulation for all buses of a process on one vehicle; the last one that is shut down ends it."""

from __future__ import annotations

import threading
import time
from dataclasses import fields
from pathlib import Path

import can

import faults
from lab.canbus.clocks import LockedStepped, Paced, WallClock
from lab.canbus.options import Wanted
from simulator.condition import Condition
from simulator.errors import BadRequest
from simulator.interface import SimulatedBus
from simulator.kernels.drive import leg_currents
from simulator.kernels.jit import soon
from simulator.kernels.payload import pack
from simulator.kernels.sending import write_bits
from simulator.kernels.stretch import run_frames, run_joined
from simulator.kernels.supply import judge_all
from simulator.kernels.wire import run_wire
from simulator.simulation import Simulation
from simulator.vehicle import Network, Vehicle

#: Simulated time that a throw-away run takes before the wall clock starts, so that all that compiles has compiled.
_WARM_UP_S = 0.05

_open: dict[Path, Session] = {}
_door = threading.Lock()


class Session:
    """A running vehicle: its simulation, how time passes, what it was asked for, and how many buses are on it."""

    def __init__(self, vehicle: Vehicle, wanted: Wanted, network: Network, place: str) -> None:
        self.vehicle = vehicle
        self.wanted = Wanted(
            wanted.faults or (),
            wanted.seed or 0,
            True if wanted.ignition is None else wanted.ignition,
            wanted.clock or "wall",
            wanted.speed or 1.0,
        )
        self.begin_s = 0.0
        self.users = 0
        self.simulation = self._simulation()
        self.pace: LockedStepped | Paced
        if self.wanted.clock == "stepped":
            self.pace = LockedStepped(self.simulation)
        else:
            warm_up(self._simulation(), network, place)
            self.begin_s = time.time()
            self.pace = Paced(self.simulation, WallClock(self.wanted.speed or 1.0))

    def _simulation(self) -> Simulation:
        return Simulation(
            self.vehicle,
            faults=[faults.parse(text) for text in self.wanted.faults or ()],
            condition=Condition(ignition_on=self.wanted.ignition is not False),
            seed=self.wanted.seed or 0,
        )

    def check(self, wanted: Wanted) -> None:
        """Refuse a bus that asks for something else than what runs. Raises BadRequest."""
        for field in fields(Wanted):
            there, asked = getattr(self.wanted, field.name), getattr(wanted, field.name)
            if asked is not None and asked != there:
                shown = " and ".join(there) if isinstance(there, tuple) else there
                name = "fault" if field.name == "faults" else field.name
                raise BadRequest(
                    f"{self.vehicle.name} is already open in this program with {name}={shown or None}: shut that bus "
                    f"down first, or leave {name} out"
                )


def warm_up(scratch: Simulation, network: Network, place: str) -> None:
    """Run a simulation that nobody needs for a moment, with a message of a tester in it: all compiles that will."""
    soon(run_wire, write_bits, run_frames, run_joined, pack, leg_currents, judge_all)
    scratch.advance(_WARM_UP_S)
    SimulatedBus(scratch, network, place).send(can.Message(arbitration_id=0x7FF, is_extended_id=False))
    scratch.advance(_WARM_UP_S)


def enter(path: Path, vehicle: Vehicle, wanted: Wanted, network: Network, place: str) -> Session:
    """The session of a vehicle file, begun if there is none; for a tap at a place of a network.

    Raises BadRequest where the options contradict a session that runs.
    """
    key = path.resolve()
    with _door:
        session = _open.get(key)
        if session is None:
            session = _open[key] = Session(vehicle, wanted, network, place)
        else:
            session.check(wanted)
        session.users += 1
        return session


def leave(session: Session) -> None:
    """A bus less; without any the session ends."""
    with _door:
        session.users -= 1
        if session.users:
            return
        for key in [key for key, one in _open.items() if one is session]:
            del _open[key]
    session.pace.close()
