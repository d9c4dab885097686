"""Ohm readings of many copies of one vehicle with the battery off: every fault at once, tables kept."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.calculator import OPEN_OHM, TERMINATOR_TOLERANCE, WIRE_TOLERANCE, meter_range
from simulator.circuit import FaultTable
from simulator.condition import Condition
from simulator.probes import Point
from simulator.vehicle import Vehicle

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Among = Sequence[int] | NDArray[np.int64] | None


class DeadTables:
    """Resistances and the ranges of their readings, of all copies or of those ``among``."""

    def __init__(self, cars: Sequence[Vehicle]) -> None:
        self._cars = tuple(cars)
        self._tables: dict[tuple[frozenset[tuple[str, str]], bool], FaultTable] = {}

    def table(self, parted: frozenset[tuple[str, str]] = frozenset(), ignition_on: bool = False) -> FaultTable:
        """The table with these connectors parted."""
        key = (parted, ignition_on)
        if key not in self._tables:
            self._tables[key] = FaultTable(self._cars, parted, ignition_on=ignition_on)
        return self._tables[key]

    def ohms(
        self, condition: Condition, points: Sequence[Point], among: Among = None, wire: float = 1.0, end: float = 1.0
    ) -> Floats:
        """Resistance between every two points, (copies, points, points), with all wires and terminators scaled."""
        return self.table(condition.parted, condition.ignition_on).resistances(
            points, unplugged=condition.unplugged, wire_factor=wire, terminator_factor=end, among=among
        )

    def ranges(self, condition: Condition, points: Sequence[Point], among: Among = None) -> tuple[Floats, Floats]:
        """Least and greatest reading between every two points, each (copies, points, points), in ohm.

        A network of resistors never falls when one of them rises (Rayleigh's monotonicity law): the ends are bounds.
        """
        least, greatest = (
            self.ohms(condition, points, among, 1 + sign * WIRE_TOLERANCE, 1 + sign * TERMINATOR_TOLERANCE)
            for sign in (-1, 1)
        )
        return meter_range(least, greatest)


def holding(
    least: Floats, greatest: Floats, ohm: float | None, slack: float, leads_ohm: float = 0.0
) -> NDArray[np.bool_]:
    """Which ranges hold a reading; None is OL. ``leads_ohm`` is what the leads may have added to it."""
    if ohm is None:
        return greatest > OPEN_OHM
    return (least - slack <= ohm) & (ohm - leads_ohm <= greatest + slack)
