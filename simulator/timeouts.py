"""When stuck transmitters are switched off: the dominant time-outs of transceivers in a running vehicle."""

from __future__ import annotations

from collections.abc import Mapping

from simulator.circuit import Circuit
from simulator.circuit.circuit import has_timeout
from simulator.condition import Condition, ModuleState
from simulator.solved import Solved
from simulator.vehicle import Vehicle

_NS_PER_MS = 1_000_000


class Timeouts:
    """Each stuck transmitter's time-out begins when it begins to drive, and anew when its module comes back awake."""

    def __init__(self) -> None:
        self._end_ns: dict[str, int] = {}

    @property
    def ends_ns(self) -> tuple[int, ...]:
        """When transmitters that are stuck now are, or were, switched off."""
        return tuple(self._end_ns.values())

    def circuit(
        self,
        solved: Solved,
        t_ns: int,
        vehicle: Vehicle,
        condition: Condition,
        states: Mapping[str, ModuleState],
        called: Mapping[str, bool],
    ) -> Circuit:
        """As ``Solved.circuit``, at an instant."""
        stuck = has_timeout(vehicle, vehicle.deviations)
        in_time = frozenset(name for name in stuck if name not in self._end_ns or t_ns < self._end_ns[name])
        circuit = solved.circuit(vehicle, condition, states, called, in_time)
        self._end_ns = {
            name: self._end_ns.get(name, t_ns + self._timeout_ns(vehicle, name))
            for name in sorted(stuck)
            if circuit.states[name] is ModuleState.AWAKE
        }
        return circuit

    @staticmethod
    def _timeout_ns(vehicle: Vehicle, name: str) -> int:
        timeout_ms = vehicle.modules[name].transceiver.dominant_timeout_ms
        assert timeout_ms is not None  # has_timeout asks for it
        return round(timeout_ms * _NS_PER_MS)
