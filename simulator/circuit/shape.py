"""The shape of a vehicle's circuit: its drawing, and elimination patterns that faulted copies of the vehicle share."""

from __future__ import annotations

from collections import OrderedDict

import numpy as np

from simulator.circuit.drawing import Draft, Drawing
from simulator.circuit.pattern import Pattern, elimination_order, make_pattern
from simulator.deviations import LINES
from simulator.kernels import factor
from simulator.probes import POSITIVE
from simulator.vehicle import Vehicle

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
        self.order = elimination_order(count, start, end, last=[drawing.node[POSITIVE]])
        self.pattern = make_pattern(self.order, start, end)
        self.slots = self.pattern.slots[: len(drawing.ohm)]
        self._kept: OrderedDict[object, Pattern] = OrderedDict()

    def added_slots(self, draft: Draft) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Where the elements a draft adds are kept in the drawing's own pattern; -1 where it has no room for one."""
        base = self.pattern
        a, b = (base.position[np.array(ends.added, np.int64)] for ends in (draft.start, draft.end))
        return factor.edge_slots(a, b, base.ptr, base.idx)

    def fits_base(self, draft: Draft) -> bool:
        """Whether a draft has the nodes and ends of the drawing, elements that it adds aside."""
        same_nodes = len(draft.node) - 1 == self.pattern.count
        return same_nodes and not draft.start.changed and not draft.end.changed

    def pattern_for(self, draft: Draft) -> Pattern:
        """The drawing's own pattern where the draft's elements fit into it, else one with more fill or more nodes."""
        count, base = len(draft.node) - 1, self.pattern
        if self.fits_base(draft):
            slots = np.concatenate([self.slots, self.added_slots(draft)]) if draft.added else self.slots
            if not np.any(slots == -1):
                return Pattern(base.position, base.ptr, base.idx, base.upd, slots)
        key = (count, *((*ends.changed.items(), *ends.added) for ends in (draft.start, draft.end)))
        kept = self._kept.get(key)
        if kept is None:
            order = [*range(base.count, count), *self.order]
            kept = self._kept[key] = make_pattern(order, list(draft.start), list(draft.end))
            if len(self._kept) > KEPT_PATTERNS:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        return kept


_shapes: OrderedDict[object, tuple[Vehicle, Shape]] = OrderedDict()


def shape_of(vehicle: Vehicle, parted: frozenset[tuple[str, str]] = frozenset()) -> Shape:
    """The shape of a vehicle as drawn; faulted copies of a vehicle share its parts and so its shape."""
    parts = (vehicle.battery, vehicle.fuses, vehicle.grounds, vehicle.modules, vehicle.networks)
    key = (tuple(id(part) for part in parts), parted)
    if key not in _shapes:
        # The vehicle is kept beside its shape: an id is only good while its object lives.
        _shapes[key] = (vehicle, Shape(vehicle.as_drawn(), parted))
        if len(_shapes) > KEPT_SHAPES:
            _shapes.popitem(last=False)
    _shapes.move_to_end(key)
    return _shapes[key][1]
