"""The table of all faults: what many faulted copies of one vehicle would read between probe points."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.copies import Copies
from simulator.condition import DEAD, Condition
from simulator.errors import BadRequest
from simulator.kernels import table as kernel
from simulator.probes import Point
from simulator.vehicle import Vehicle

Floats = NDArray[np.float64]


class FaultTable:
    """Many copies of one vehicle with different deviations, prepared once: battery off, some connectors parted.

    ``ignition_on`` closes the fuses that the key switches. Raises BadRequest where the copies are of different
    vehicles. Copies that share an elimination pattern are differences from one network and go through the kernel
    together.
    """

    def __init__(
        self,
        hypotheses: Sequence[Vehicle],
        parted: frozenset[tuple[str, str]] = frozenset(),
        *,
        ignition_on: bool = False,
    ) -> None:
        self._copies = Copies(hypotheses, Condition(battery_on=False, ignition_on=ignition_on, parted=parted))

    def __len__(self) -> int:
        return len(self._copies.drafts)

    def resistances(
        self,
        points: Sequence[Point],
        *,
        unplugged: frozenset[str] = frozenset(),
        wire_factor: float = 1.0,
        terminator_factor: float = 1.0,
        among: Sequence[int] | NDArray[np.int64] | None = None,
    ) -> Floats:
        """Resistance between every two points: (hypotheses, points, points), in ohm, inf for an open.

        ``unplugged`` are modules; the factors scale every wire and every terminator, for tolerances; ``among`` are the
        numbers of the hypotheses wanted (default: all).
        """
        wanted = np.arange(len(self)) if among is None else np.asarray(among, np.int64)
        out = np.empty((len(wanted), len(points), len(points)))
        turn = np.full(len(self), -1)
        turn[wanted] = np.arange(len(wanted))
        for batch in self._copies.batches:
            chosen = np.flatnonzero(turn[batch.numbers] >= 0)
            if not len(chosen):
                continue
            pattern, siemens = batch.pattern, batch.siemens(unplugged, wire_factor, terminator_factor)
            kernel.table(
                (pattern.ptr, pattern.idx, pattern.upd, batch.slots),
                siemens.drawn,
                (batch.changed.ptr, batch.changed.where, siemens.changed),
                (batch.added.ptr, batch.added.where, siemens.added),
                batch.nodes(points),
                chosen,
                turn[batch.numbers[chosen]],
                out,
            )
        return out


def resistance_table(hypotheses: Sequence[Vehicle], points: Sequence[Point], condition: Condition = DEAD) -> Floats:
    """Resistance between every two points for every faulted copy of one vehicle: (copies, points, points), in ohm.

    Raises BadRequest where the battery or the ignition is on, or the copies are of different vehicles.
    """
    if condition.battery_on or condition.ignition_on:
        raise BadRequest("a table of resistances is for a vehicle with battery and ignition off")
    table = FaultTable(hypotheses, condition.parted)
    return table.resistances(points, unplugged=condition.unplugged)
