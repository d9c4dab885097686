"""Circuits and wirings of a running vehicle, solved once: faults that come and go find theirs again."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from typing import TypeVar

from simulator.circuit import TESTER, Circuit
from simulator.condition import Condition, ModuleState
from simulator.datalink.controller import Wiring
from simulator.hearing import Ear, wiring_of
from simulator.outside import Tap
from simulator.vehicle import Vehicle

T = TypeVar("T")

#: How many are kept, wirings over all networks.
_CIRCUITS, _WIRINGS = 64, 256


class Solved:
    """What a vehicle's circuit says, by all that decides it; the vehicles differ in their deviations only."""

    def __init__(self) -> None:
        self._circuits: OrderedDict[object, Circuit] = OrderedDict()
        self._wirings: OrderedDict[object, tuple[Circuit, Wiring, dict[str, tuple[str, ...]]]] = OrderedDict()

    def circuit(
        self,
        vehicle: Vehicle,
        condition: Condition,
        states: Mapping[str, ModuleState],
        called: Mapping[str, bool],
        in_time: frozenset[str] = frozenset(),
    ) -> Circuit:
        """The circuit in a condition; ``states``: the modules' last ones, ``called``: those without a wake pin.

        ``in_time``: stuck transmitters that their time-out has not switched off yet.
        """
        key = vehicle.deviations, condition, tuple(states.items()), tuple(called.items()), in_time
        found = self._circuits.get(key)
        if found is None:
            found = Circuit(vehicle, condition, states=states or None, called=called, in_time=in_time)
            self._circuits[key] = found
        _keep(self._circuits, key, _CIRCUITS)
        return found

    def wiring(
        self, circuit: Circuit, network: str, modules: Iterable[str], taps: Sequence[Tap]
    ) -> tuple[Wiring, dict[str, tuple[str, ...]]]:
        """As ``wiring_of``, of modules that are up and of testers; the same object for the same question."""
        nodes: dict[str, Ear] = {name: (name, None) for name in modules}
        nodes |= {tap.name: (TESTER, tap.place) for tap in taps}
        listening = frozenset(tap.name for tap in taps if tap.listening)
        by_request = frozenset(tap.name for tap in taps if tap.by_request)
        # the circuit stays beside its wiring: an id is only good while its object lives
        key = network, tuple(nodes.items()), id(circuit), listening, by_request
        if key not in self._wirings:
            wiring, wakers = wiring_of(circuit, network, nodes, listening=listening, by_request=by_request)
            self._wirings[key] = circuit, wiring, wakers
        _keep(self._wirings, key, _WIRINGS)
        return self._wirings[key][1:]


def _keep(kept: OrderedDict[object, T], key: object, most: int) -> None:
    """The newest stays last; what was not asked for the longest goes."""
    kept.move_to_end(key)
    if len(kept) > most:
        kept.popitem(last=False)
