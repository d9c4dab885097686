"""The roll call: the tester asks every module whether it is there, through every socket."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

import can

from simulator.condition import Condition, ModuleState
from simulator.interface import SimulatedBus
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle

#: The vehicle runs for this long before the first question (own choice).
RUN_IN_S = 0.1
#: How long answers are waited for: 50 ms (ISO 14229-2) and the frames' own time on a busy network.
WAIT_S = 0.1
ROUNDS = 2
_TESTER_PRESENT = bytes.fromhex("02 3E 00 CC CC CC CC CC")
_ANSWER = bytes.fromhex("02 7E 00")


class _Fault(Protocol):
    def apply(self, vehicle: Vehicle) -> Vehicle:
        """The vehicle with the fault in it."""


@dataclass(frozen=True)
class RollCall:
    """Who answered and who did not, in the order of the vehicle file, and every module's supply state at the end."""

    answering: tuple[str, ...]
    silent: tuple[str, ...]
    states: dict[str, ModuleState]


def roll_call(
    vehicle: Vehicle,
    condition: Condition | None = None,
    network: str | None = None,
    faults: Iterable[_Fault] = (),
    seed: int = 0,
) -> RollCall:
    """Ask every module through every socket (or that of ``network``), twice, with tester-present (ISO 14229-1, 0x3E).

    Faults are there all the time, whatever their timeline. A module that no socket reaches is silent. Questions are
    traffic: they wake modules that have no wake pin.
    """
    for fault in faults:
        vehicle = fault.apply(vehicle)
    if network is not None:
        vehicle.network(network)
    simulation = Simulation(vehicle, condition=condition, seed=seed)
    buses = [simulation.connect(place, name) for name, place in vehicle.sockets if network in (None, name)]
    answering: set[str] = set()
    # on a network where the tester's bits reach nobody there is nothing to wait for
    buses = [bus for bus in buses if simulation.in_reach(bus.network, bus.name)]
    if buses:
        simulation.advance(RUN_IN_S)
    for _ in range(ROUNDS):
        for bus in buses:
            answering |= _ask(simulation, bus, [name for name in vehicle.modules if name not in answering])
    return RollCall(
        tuple(name for name in vehicle.modules if name in answering),
        tuple(name for name in vehicle.modules if name not in answering),
        dict(simulation.states),
    )


def _ask(simulation: Simulation, bus: SimulatedBus, names: list[str]) -> set[str]:
    """Ask modules at once on a bus; who answers in time."""
    modules = simulation.drawn.modules
    asked = {modules[name].response_id: name for name in names}
    bus.set_filters([{"can_id": identifier, "can_mask": 0x7FF, "extended": False} for identifier in asked])
    while asked and bus.recv(0) is not None:
        pass
    for name in names:
        request = can.Message(
            arbitration_id=modules[name].request_id, is_extended_id=False, data=_TESTER_PRESENT, dlc=8
        )
        bus.send(request)
    answering: set[str] = set()
    limit_ns = simulation.t_ns + round(WAIT_S * 1e9)
    while len(answering) < len(names) and simulation.t_ns < limit_ns:
        answer = bus.recv((limit_ns - simulation.t_ns) / 1e9)
        if answer is not None and answer.data[:3] == _ANSWER:
            answering.add(asked[answer.arbitration_id])
    bus.flush_tx_buffer()
    return answering
