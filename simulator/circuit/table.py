"""The table of all faults: what many faulted copies of one vehicle would read between probe points."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.drawing import Draft
from simulator.circuit.shape import Shape, shape_of
from simulator.condition import DEAD, Condition
from simulator.errors import BadRequest
from simulator.kernels import factor
from simulator.probes import Point
from simulator.vehicle import Vehicle

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class _Entries:
    """Numbers of several hypotheses in one array each: where (element or slot), ohm, and where each one's begin."""

    def __init__(self, where: Sequence[Sequence[int]], ohm: Sequence[Sequence[float]]) -> None:
        self.ptr: Ints = np.cumsum([0, *(len(part) for part in where)])
        self.where: Ints = np.array([item for part in where for item in part], np.int64)
        self.ohm: Floats = np.array([item for part in ohm for item in part], np.float64)


class FaultTable:
    """Many copies of one vehicle with different deviations, prepared once: battery off, some connectors parted.

    Raises BadRequest where the copies are of different vehicles. Faults whose elements find room in the drawing's
    own pattern are differences from it and go through the kernel together; the others go one by one.
    """

    def __init__(self, hypotheses: Sequence[Vehicle], parted: frozenset[tuple[str, str]] = frozenset()) -> None:
        if not hypotheses:
            raise BadRequest("a table needs at least one vehicle")
        self._shape = shape_of(hypotheses[0], parted)
        if any(shape_of(vehicle, parted) is not self._shape for vehicle in hypotheses):
            raise BadRequest("a table is for copies of one vehicle")
        still = Condition(battery_on=False, ignition_on=False, parted=parted)
        drawing = self._shape.drawing
        self._drafts = [drawing.copy().assemble(vehicle.deviations, still) for vehicle in hypotheses]
        alike, slots, self._others = _sort_out(self._shape, self._drafts)
        self._alike: Ints = np.array(alike, np.int64)
        ohms = [self._drafts[n].ohm for n in alike]
        self._changed = _Entries([list(o.changed) for o in ohms], [list(o.changed.values()) for o in ohms])
        self._added = _Entries(slots, [o.added for o in ohms])
        count = len(drawing.ohm)
        self._added_terminator = _mask(self._added, [self._drafts[n].extra_terminators for n in alike], count)
        self._wire, self._terminator = np.zeros(count, bool), np.zeros(count, bool)
        self._wire[drawing.wires] = True
        self._terminator[drawing.terminators] = True

    def __len__(self) -> int:
        return len(self._drafts)

    def resistances(
        self,
        points: Sequence[Point],
        *,
        unplugged: frozenset[str] = frozenset(),
        wire_factor: float = 1.0,
        terminator_factor: float = 1.0,
    ) -> Floats:
        """Resistance between every two points: (hypotheses, points, points), in ohm, inf for an open.

        ``unplugged`` are modules; the factors scale every wire and every terminator, for tolerances.
        """
        out = np.empty((len(self._drafts), len(points), len(points)))
        if len(self._alike):
            self._fill_alike(points, unplugged, wire_factor, terminator_factor, out)
        for number in self._others:
            self._fill_one(number, points, unplugged, (wire_factor, terminator_factor), out[number : number + 1])
        return out

    def _fill_alike(
        self, points: Sequence[Point], unplugged: frozenset[str], wire: float, terminator: float, out: Floats
    ) -> None:
        shape, drawing = self._shape, self._shape.drawing
        drawn = np.array(drawing.ohm)
        scaled = drawn * np.where(self._wire, wire, np.where(self._terminator, terminator, 1.0))
        open_contacts = [number for module in sorted(unplugged) for number in drawing.contacts[module]]
        scaled[open_contacts] = np.inf
        where = self._changed.where
        # A fault's own ohms keep their value; the wire or terminator it sits in has its tolerance.
        changed = self._changed.ohm + np.where(self._wire[where], drawn[where] * (wire - 1.0), 0.0)
        changed = np.where(self._terminator[where], changed * terminator, changed)
        changed[np.isin(where, open_contacts)] = np.inf
        added = np.where(self._added_terminator, self._added.ohm * terminator, self._added.ohm)
        pattern = shape.pattern
        factor.table(
            (pattern.ptr, pattern.idx, pattern.upd, shape.slots),
            1.0 / scaled,
            (self._changed.ptr, where, 1.0 / changed),
            (self._added.ptr, self._added.where, 1.0 / added),
            _nodes(self._drafts[0], points, pattern.position),
            self._alike,
            out,
        )

    def _fill_one(
        self, number: int, points: Sequence[Point], unplugged: frozenset[str], factors: tuple[float, float], out: Floats
    ) -> None:
        draft = self._drafts[number]
        pattern = self._shape.pattern_for(draft)
        scaled = draft.again()
        scaled.scale(*factors)
        scaled.unplug(unplugged)
        nothing = (np.zeros(2, np.int64), np.empty(0, np.int64), np.empty(0))
        factor.table(
            (pattern.ptr, pattern.idx, pattern.upd, pattern.slots),
            scaled.conductance(),
            nothing,
            nothing,
            _nodes(draft, points, pattern.position),
            np.zeros(1, np.int64),
            out,
        )


def resistance_table(hypotheses: Sequence[Vehicle], points: Sequence[Point], condition: Condition = DEAD) -> Floats:
    """Resistance between every two points for every faulted copy of one vehicle: (copies, points, points), in ohm.

    Raises BadRequest where the battery or the ignition is on, or the copies are of different vehicles.
    """
    if condition.battery_on or condition.ignition_on:
        raise BadRequest("a table of resistances is for a vehicle with battery and ignition off")
    table = FaultTable(hypotheses, condition.parted)
    return table.resistances(points, unplugged=condition.unplugged)


def _sort_out(shape: Shape, drafts: Sequence[Draft]) -> tuple[list[int], list[list[int]], list[int]]:
    """Drafts whose elements all have room in the drawing's own pattern, the slots of what they add, and the others."""
    base = shape.pattern
    fitting = [n for n, draft in enumerate(drafts) if shape.fits_base(draft)]
    starts = np.array([node for n in fitting for node in drafts[n].start.added], np.int64)
    ends = np.array([node for n in fitting for node in drafts[n].end.added], np.int64)
    slots = factor.edge_slots(base.position[starts], base.position[ends], base.ptr, base.idx).tolist()
    alike: list[int] = []
    kept: list[list[int]] = []
    others = sorted(set(range(len(drafts))) - set(fitting))
    first = 0
    for n in fitting:
        mine = slots[first : first + len(drafts[n].added)]
        first += len(mine)
        if -1 in mine:
            others.append(n)
        else:
            alike.append(n)
            kept.append(mine)
    return alike, kept, others


def _mask(entries: _Entries, chosen: Sequence[Sequence[int]], first: int) -> NDArray[np.bool_]:
    """Which entries are among the chosen element numbers of their hypothesis; added elements count from ``first``."""
    mask = np.zeros(len(entries.ohm), bool)
    for start, numbers in zip(entries.ptr, chosen, strict=False):
        for number in numbers:
            mask[start + number - first] = True
    return mask


def _nodes(draft: Draft, points: Sequence[Point], position: Ints) -> Ints:
    """The turns of the points; both sides of a connector that is together are the same place."""
    node = draft.node
    numbers = [node[p] if p in node else node[("place", *p[1:])] for p in points]
    result: Ints = position[np.array(numbers, np.int64)]
    return result
