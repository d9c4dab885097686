"""The table of all faults: resistance between every two probe points for many faulted copies of one vehicle."""

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


def resistance_table(
    hypotheses: Sequence[Vehicle],
    points: Sequence[Point],
    condition: Condition = DEAD,
    *,
    wire_factor: float = 1.0,
    terminator_factor: float = 1.0,
) -> Floats:
    """Resistance between every two points for every hypothesis: (hypotheses, points, points), in ohm, inf for an open.

    The hypotheses are copies of one vehicle with different deviations, battery off; the factors scale every wire and
    every terminator. Raises BadRequest where the battery is on or the copies are of different vehicles.
    """
    if condition.battery_on:
        raise BadRequest("a table of resistances is for a vehicle with its battery off")
    if not hypotheses:
        return np.empty((0, len(points), len(points)))
    shape = shape_of(hypotheses[0])
    if any(shape_of(vehicle) is not shape for vehicle in hypotheses):
        raise BadRequest("a table of resistances is for copies of one vehicle")
    drafts = [shape.drawing.copy().assemble(vehicle.deviations, condition) for vehicle in hypotheses]
    if wire_factor != 1.0 or terminator_factor != 1.0:
        for draft in drafts:
            draft.scale(wire_factor, terminator_factor)
    out = np.empty((len(hypotheses), len(points), len(points)))
    alike, others = _sort_out(shape, drafts)
    _fill_alike(shape, drafts, alike, points, out)
    for number in others:
        _fill_one(shape, drafts[number], points, out[number : number + 1])
    return out


def _sort_out(shape: Shape, drafts: Sequence[Draft]) -> tuple[list[tuple[int, list[int]]], list[int]]:
    """Drafts whose elements all have room in the drawing's own pattern, with the slots of what they add; the others."""
    alike: list[tuple[int, list[int]]] = []
    others: list[int] = []
    adding = [n for n, draft in enumerate(drafts) if shape.fits_base(draft)]
    starts = [node for n in adding for node in drafts[n].start.added]
    ends = [node for n in adding for node in drafts[n].end.added]
    base = shape.pattern
    a, b = (base.position[np.array(nodes, np.int64)] for nodes in (starts, ends))
    slots = factor.edge_slots(a, b, base.ptr, base.idx).tolist()
    first = 0
    for n in adding:
        mine = slots[first : first + len(drafts[n].added)]
        first += len(mine)
        if -1 in mine:
            others.append(n)
        else:
            alike.append((n, mine))
    others += sorted(set(range(len(drafts))) - set(adding))
    return alike, others


def _nodes(draft: Draft, points: Sequence[Point], position: NDArray[np.int64]) -> NDArray[np.int64]:
    """The turns of the points; both sides of a connector that is together are the same place."""
    node = draft.node
    numbers = [node[p] if p in node else node[("place", *p[1:])] for p in points]
    result: NDArray[np.int64] = position[np.array(numbers, np.int64)]
    return result


def _fill_alike(
    shape: Shape, drafts: Sequence[Draft], alike: list[tuple[int, list[int]]], points: Sequence[Point], out: Floats
) -> None:
    """All drafts of the drawing's own pattern in one call of the kernel, as differences from the drawing."""
    if not alike:
        return
    changed_ptr, changed, changed_ohm = [0], list[int](), list[float]()
    added_ptr, added, added_ohm = [0], list[int](), list[float]()
    for number, slots in alike:
        draft = drafts[number]
        changed += draft.ohm.changed.keys()
        changed_ohm += draft.ohm.changed.values()
        changed_ptr.append(len(changed))
        added += slots
        added_ohm += draft.ohm.added
        added_ptr.append(len(added))
    pattern = shape.pattern
    where = np.array([number for number, _ in alike], np.int64)
    factor.table(
        (pattern.ptr, pattern.idx, pattern.upd, shape.slots),
        drafts[0].drawing.conductance,
        (np.array(changed_ptr), np.array(changed, np.int64), 1.0 / np.array(changed_ohm)),
        (np.array(added_ptr), np.array(added, np.int64), 1.0 / np.array(added_ohm)),
        _nodes(drafts[0], points, pattern.position),
        where,
        out,
    )


def _fill_one(shape: Shape, draft: Draft, points: Sequence[Point], out: Floats) -> None:
    """One draft with nodes, ends or fill of its own."""
    pattern = shape.pattern_for(draft)
    nothing = (np.zeros(2, np.int64), np.empty(0, np.int64), np.empty(0))
    factor.table(
        (pattern.ptr, pattern.idx, pattern.upd, pattern.slots),
        draft.conductance(),
        nothing,
        nothing,
        _nodes(draft, points, pattern.position),
        np.zeros(1, np.int64),
        out,
    )
