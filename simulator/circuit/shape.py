"""The shape of a vehicle's circuit: its drawing, and elimination patterns that faulted copies of the vehicle share."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.drawing import Draft, Drawing
from simulator.circuit.pattern import Pattern, elimination_order, make_pattern
from simulator.deviations import LINES
from simulator.kernels import factor
from simulator.probes import POSITIVE
from simulator.vehicle import Vehicle

Ints: TypeAlias = NDArray[np.int64]
#: How many nodes there are, and the pairs or the new ends of elements that a pattern must have room for.
Room: TypeAlias = tuple[int, tuple[Any, ...]]

#: How many vehicles, and how many patterns of each, are kept.
KEPT_SHAPES = 64
KEPT_PATTERNS = 512


class Shape:
    """The drawing of a vehicle with its elimination order and the patterns that faulted copies have needed."""

    def __init__(self, vehicle: Vehicle, parted: frozenset[tuple[str, str]] = frozenset()) -> None:
        drawing = self.drawing = Drawing(vehicle, parted)
        count = len(drawing.node) - 1
        start, end = list(drawing.start), list(drawing.end)
        # Shorts between the lines of a place and to battery positive fit into the pattern without a new one.
        for point, number in drawing.node.items():
            if point[0] == "place":
                start += [number, number]
                end += [drawing.node[POSITIVE], drawing.node[(*point[:3], LINES[point[3] == LINES[0]])]]
        self._ends = (start, end)
        self.order = elimination_order(count, start, end, last=[drawing.node[POSITIVE]])
        self.pattern = make_pattern(self.order, start, end)
        self.slots = self.pattern.slots[: len(drawing.ohm)]
        self._fuses = sorted(number for point, number in drawing.node.items() if point[0] == "fuse")
        self._kept: OrderedDict[object, Pattern] = OrderedDict()

    def fits_base(self, draft: Draft) -> bool:
        """Whether a draft has the nodes and ends of the drawing, elements that it adds aside."""
        same_nodes = len(draft.node) - 1 == self.pattern.count
        return same_nodes and not draft.start.changed and not draft.end.changed

    def slots_in(self, pattern: Pattern, drafts: Sequence[Draft]) -> list[Ints]:
        """Where the elements that each draft adds are kept in a pattern; -1 where it has no room for one."""
        if not drafts:
            return []
        a, b = (
            pattern.position[np.array([node for ends in side for node in ends.added], np.int64)]
            for side in ([draft.start for draft in drafts], [draft.end for draft in drafts])
        )
        slots = factor.edge_slots(a, b, pattern.ptr, pattern.idx)
        return np.split(slots, np.cumsum([len(draft.added) for draft in drafts])[:-1])

    def rooms(self, drafts: Sequence[Draft]) -> list[Room | None]:
        """What room each draft needs beyond the drawing's own pattern; None: none. Equal rooms share a pattern."""
        fitting = [n for n, draft in enumerate(drafts) if self.fits_base(draft)]
        rooms: list[Room | None] = [self._new_ends(draft) for draft in drafts]
        for n, slots in zip(fitting, self.slots_in(self.pattern, [drafts[n] for n in fitting]), strict=True):
            lacking = [
                (a, b)
                for a, b, slot in zip(drafts[n].start.added, drafts[n].end.added, slots, strict=True)
                if slot == -1
            ]
            # Whoever is fed from one fuse by a fault may be fed from any: one pattern serves them all.
            edges = {edge for a, b in lacking for edge in self._with_all_fuses(a, b)}
            rooms[n] = (len(drafts[n].node) - 1, tuple(sorted(edges))) if edges else None
        return rooms

    def _with_all_fuses(self, a: int, b: int) -> list[tuple[int, int]]:
        if a in self._fuses:
            return [(fuse, b) for fuse in self._fuses if fuse != b]
        if b in self._fuses:
            return [(a, fuse) for fuse in self._fuses]
        return [(a, b)]

    def _new_ends(self, draft: Draft) -> Room:
        return len(draft.node) - 1, tuple((*ends.changed.items(), *ends.added) for ends in (draft.start, draft.end))

    def pattern_for(self, draft: Draft) -> Pattern:
        """The drawing's own pattern where the draft's elements fit into it, else one with more fill or more nodes."""
        (room,) = self.rooms([draft])
        pattern = self.pattern if room is None else self._pattern_with(room, draft)
        slots = np.concatenate([pattern.slots[: len(self.slots)], *self.slots_in(pattern, [draft])])
        return Pattern(pattern.position, pattern.ptr, pattern.idx, pattern.upd, slots)

    def _pattern_with(self, room: Room, draft: Draft) -> Pattern:
        kept = self._kept.get(room)
        if kept is None:
            order = [*range(self.pattern.count, len(draft.node) - 1), *self.order]
            start, end = list(draft.start), list(draft.end)
            if self.fits_base(draft):
                # Whoever needs the same room besides finds all of the drawing's own, whatever was drawn first.
                start, end = ([*ends, *(edge[n] for edge in room[1])] for n, ends in enumerate(self._ends))
            kept = self._kept[room] = make_pattern(order, start, end)
            if len(self._kept) > KEPT_PATTERNS:
                self._kept.popitem(last=False)
        self._kept.move_to_end(room)
        return kept


_shapes: OrderedDict[object, tuple[Vehicle, Shape]] = OrderedDict()


def shape_of(vehicle: Vehicle, parted: frozenset[tuple[str, str]] = frozenset()) -> Shape:
    """The shape of a vehicle as drawn; faulted copies of a vehicle share its parts and so its shape."""
    key = (vehicle.drawing_key, parted)
    if key not in _shapes:
        _shapes[key] = (vehicle, Shape(vehicle.as_drawn(), parted))
        if len(_shapes) > KEPT_SHAPES:
            _shapes.popitem(last=False)
    _shapes.move_to_end(key)
    return _shapes[key][1]
