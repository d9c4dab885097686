"""What many receivers read while any set of transmitters drives: solved at their own points only, and so quickly."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.drive import leg_currents
from simulator.kernels.jit import at_once
from simulator.kernels.supply import judge_all

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: With more legs than these the drivers' currents are not worked out in plain Python.
PLAIN_LEGS = 16


class Legs(NamedTuple):
    """The legs of transmitters, two for each: per ampere of each the volts across all (legs, legs), volts across each
    with nobody driving, and each one's drive volt, on ohm and limit in ampere.
    """

    coupling: Floats
    open_volt: Floats
    drive_volt: Floats
    on_ohm: Floats
    limit_amp: Floats


class Inputs(NamedTuple):
    """The inputs of receivers, three points for each: high, low, ground. Volts with nobody driving, volts per ampere of
    each leg (legs, points); common-mode ranges (receivers, 2).
    """

    quiet_volt: Floats
    per_ampere: Floats
    ranges: Floats


class Panel:
    """Transmitters and receivers of a solved circuit; ``always``: the numbers of those that never stop driving."""

    def __init__(self, legs: Legs, inputs: Inputs, always: Collection[int], levels: tuple[float, float, float]) -> None:
        self._legs, self._inputs = legs, inputs
        self._always = frozenset(always)
        self._levels = levels
        self._ends = np.arange(inputs.ranges.shape[0] * 3).reshape(-1, 3)

    def read(self, driving: Collection[int]) -> list[int]:
        """What each receiver takes the lines for while these transmitters are dominant, by the kernels' numbers."""
        chosen = sorted(self._always.union(driving))
        volts = self._inputs.quiet_volt
        if chosen:
            legs = np.repeat(2 * np.array(chosen), 2)
            legs[1::2] += 1
            volts = volts + self._currents(legs) @ self._inputs.per_ampere[legs]
        seen = np.zeros(len(self._ends), np.int64)
        judge_all(volts, self._ends, self._inputs.ranges, self._levels, seen)
        found: list[int] = seen.tolist()
        return found

    def _currents(self, chosen: Ints) -> Floats:
        return currents(Legs(self._legs.coupling[np.ix_(chosen, chosen)], *(each[chosen] for each in self._legs[1:])))


def currents(legs: Legs) -> Floats:
    """The current that each of these legs carries, all of them driving, in ampere."""
    solve = at_once(leg_currents) if len(legs.open_volt) > PLAIN_LEGS else leg_currents
    current, rounds = solve(*legs)
    if rounds < 0:
        raise ArithmeticError("the drivers' currents found no consistent set of regimes")
    return current
