"""The roll call: the tester asks every module whether it is there, through every socket."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

import can

from simulator.condition import Condition, ModuleState
from simulator.simulation import Simulation
from simulator.vehicle import Module, Vehicle

#: The vehicle runs for this long before the first question, and a question waits this long (ISO 14229-2: 50 ms and
#: the frames' own time; the rest is an own choice).
RUN_IN_S, WAIT_S = 0.2, 0.1
ROUNDS = 2
_TESTER_PRESENT = bytes.fromhex("02 3E 00 CC CC CC CC CC")


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

    Faults are there all the time, whatever their timeline. A module that no socket reaches is silent.
    """
    for fault in faults:
        vehicle = fault.apply(vehicle)
    if network is not None:
        vehicle.network(network)
    simulation = Simulation(vehicle, condition=condition, seed=seed)
    buses = [simulation.connect(place, name) for name, place in vehicle.sockets if network in (None, name)]
    simulation.advance(RUN_IN_S)
    answering: set[str] = set()
    for _ in range(ROUNDS):
        for bus in buses:
            for name, module in vehicle.modules.items():
                if name not in answering and is_there(bus, module):
                    answering.add(name)
    for bus in buses:
        bus.shutdown()
    return RollCall(
        tuple(name for name in vehicle.modules if name in answering),
        tuple(name for name in vehicle.modules if name not in answering),
        dict(simulation.states),
    )


def is_there(bus: can.BusABC, module: Module) -> bool:
    """Whether a module answers one tester-present on a bus in time."""
    bus.set_filters([{"can_id": module.response_id, "can_mask": 0x7FF, "extended": False}])
    while bus.recv(0) is not None:
        pass
    bus.send(can.Message(arbitration_id=module.request_id, is_extended_id=False, data=_TESTER_PRESENT))
    answer = bus.recv(WAIT_S)
    bus.flush_tx_buffer()
    return answer is not None and bytes(answer.data[1:3]) == b"\x7e\x00"
