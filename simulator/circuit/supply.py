"""How the modules' supply settles: from all unpowered, round by round, until no module changes its state."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simulator.condition import ModuleState
from simulator.kernels import supply as rules

if TYPE_CHECKING:
    from simulator.circuit.circuit import Circuit

#: A module is supplied from this voltage on, and stays so down to the lower one; likewise its wake pin.
SUPPLIED_VOLT = 6.0
STARVED_VOLT = 5.5
#: By the numbers of the kernels.
STATES = (ModuleState.UNPOWERED, ModuleState.ASLEEP, ModuleState.AWAKE, ModuleState.STARVED)


class Settling:
    """The settled supply of a circuit: ``states`` by module, ``rounds`` it took, ``restless`` modules.

    A module is restless when its state would never come to rest (being awake drops its own or another's wake line);
    such a module is held asleep, or starved where its supply is low.
    """

    def __init__(
        self, circuit: Circuit, states: Mapping[str, ModuleState] | None, called: Mapping[str, bool] | None
    ) -> None:
        self._circuit = circuit
        self._names = tuple(circuit.vehicle.modules)
        before = states if states is not None and circuit.condition.battery_on else {}
        start = [before.get(name, ModuleState.UNPOWERED) for name in self._names]
        self._state = np.array([STATES.index(state) for state in start], np.int8)
        self._held = np.zeros((rules.HELD, len(self._names)), np.int8)
        for m, name in enumerate(self._names):
            self._held[rules.CALLED, m] = start[m] in (ModuleState.AWAKE, ModuleState.STARVED)
            calling = called.get(name, False) if called is not None else circuit.condition.ignition_on
            self._held[rules.CALLING, m] = calling
            self._held[rules.DEAD, m] = name in circuit.condition.unplugged or circuit.behaves(name, "dead")
        self.rounds = 0
        self._settle()

    @property
    def states(self) -> dict[str, ModuleState]:
        """The state of every module."""
        return {name: STATES[state] for name, state in zip(self._names, self._state.tolist(), strict=True)}

    @property
    def restless(self) -> frozenset[str]:
        """Modules that are held down because they would never come to rest."""
        return frozenset(name for m, name in enumerate(self._names) if self._held[rules.RESTLESS, m])

    def _settle(self) -> None:
        circuit = self._circuit
        circuit.apply_states(self.states)
        if not circuit.condition.battery_on:
            return
        pins = self._pins()
        after = np.zeros_like(self._state)
        history, known = self._state[None].copy(), 1
        while known >= 0:
            self.rounds += 1
            volts, limits = circuit.volts().by_position, (SUPPLIED_VOLT, STARVED_VOLT)
            rules.next_states(pins, self._held, self._state, volts, circuit.roots, limits, after)
            if known == len(history):
                history = np.concatenate([history, np.zeros_like(history)])
            known = rules.take(history, known, after, self._held, self._state)
            if known >= 0:
                circuit.apply_states(self.states)

    def _pins(self) -> NDArray[np.int64]:
        """(modules, 3): where supply, ground and wake pin are."""
        rows = []
        for name, module in self._circuit.vehicle.modules.items():
            supply, ground = (self._circuit.position((f"{pin}_pin", name)) for pin in ("supply", "ground"))
            wake = rules.NO_WAKE if module.wake is None else self._circuit.position(("wake_pin", name))
            rows.append((supply, ground, wake))
        return np.array(rows, np.int64).reshape(-1, 3)
