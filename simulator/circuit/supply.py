"""How the modules' supply settles: from all unpowered, round by round, until no module changes its state."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from simulator.condition import ModuleState
from simulator.probes import Point

if TYPE_CHECKING:
    from simulator.circuit.circuit import Circuit

#: A module is supplied from this voltage on, and stays so down to the lower one; likewise its wake pin.
SUPPLIED_VOLT = 6.0
STARVED_VOLT = 5.5


class Settling:
    """The settled supply of a circuit: ``states`` by module, ``rounds`` it took, ``restless`` modules.

    A module is restless when its state would never come to rest (being awake drops its own or another's wake line);
    such a module is held asleep, or starved where its supply is low.
    """

    def __init__(
        self, circuit: Circuit, states: Mapping[str, ModuleState] | None, called: Mapping[str, bool] | None
    ) -> None:
        self._circuit = circuit
        self._called_by_network = called
        names = circuit.vehicle.modules
        before = states or {}
        self.states = {name: before.get(name, ModuleState.UNPOWERED) for name in names}
        self.restless: frozenset[str] = frozenset()
        self._faint: frozenset[str] = frozenset()
        self.rounds = 0
        if not circuit.condition.battery_on:
            self.states = dict.fromkeys(names, ModuleState.UNPOWERED)
        self._called = {name: self.states[name] in (ModuleState.AWAKE, ModuleState.STARVED) for name in names}
        self._settle()

    def _settle(self) -> None:
        circuit = self._circuit
        circuit.apply_states(self.states)
        if not circuit.condition.battery_on:
            return
        seen: list[tuple[ModuleState, ...]] = [tuple(self.states.values())]
        while True:
            self.rounds += 1
            after = self._next()
            if after == self.states:
                return
            self.states = after
            circuit.apply_states(after)
            mark = tuple(after.values())
            if mark in seen:
                self._hold_restless(seen[seen.index(mark) :])
                seen = []
            seen.append(tuple(self.states.values()))

    def _hold_restless(self, cycle: list[tuple[ModuleState, ...]]) -> None:
        """Modules whose state differs within the cycle are held down from here on.

        One held asleep that still finds no rest (asleep, its bus pins alone drop its supply) stays without supply.
        """
        names = list(self.states)
        moving = {name for n, name in enumerate(names) if len({marks[n] for marks in cycle}) > 1}
        self._faint |= moving & self.restless
        self.restless |= moving
        for name in moving:
            self.states[name] = ModuleState.UNPOWERED if name in self._faint else ModuleState.ASLEEP
        self._circuit.apply_states(self.states)

    def _next(self) -> dict[str, ModuleState]:
        circuit, volts = self._circuit, self._circuit.volts()
        after: dict[str, ModuleState] = {}
        for name, module in circuit.vehicle.modules.items():
            state = self.states[name]
            ground: Point = ("ground_pin", name)

            def above(pin: Point, held: bool, ground: Point = ground) -> bool:
                return volts.between(pin, ground) >= (STARVED_VOLT if held else SUPPLIED_VOLT)

            was_awake = state in (ModuleState.AWAKE, ModuleState.STARVED)
            supplied = above(("supply_pin", name), state in (ModuleState.AWAKE, ModuleState.ASLEEP))
            if module.wake is not None:
                self._called[name] = above(("wake_pin", name), self._called[name])
            elif self._called_by_network is not None:
                self._called[name] = self._called_by_network.get(name, False)
            else:
                self._called[name] = circuit.condition.ignition_on
            if name in circuit.condition.unplugged or name in self._faint or circuit.behaves(name, "dead"):
                after[name] = ModuleState.UNPOWERED
            elif not supplied:
                after[name] = ModuleState.STARVED if was_awake else ModuleState.UNPOWERED
            elif self._called[name] and name not in self.restless:
                after[name] = ModuleState.AWAKE
            else:
                after[name] = ModuleState.ASLEEP
        return after
