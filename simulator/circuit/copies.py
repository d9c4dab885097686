"""Many faulted copies of one vehicle in one condition, those with one elimination pattern together."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.drawing import Draft
from simulator.circuit.pattern import Pattern
from simulator.circuit.shape import Room, shape_of
from simulator.condition import Condition
from simulator.errors import BadRequest
from simulator.probes import Point
from simulator.vehicle import Vehicle

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]


#: How many sets of conductances of a batch are kept.
KEPT_SCALES = 64


class Entries:
    """Numbers of several copies in one array each: where (element or slot), ohm, and where each copy's begin."""

    def __init__(self, where: Sequence[Sequence[int]], ohm: Sequence[Sequence[float]]) -> None:
        self.ptr: Ints = np.cumsum([0, *(len(part) for part in where)])
        self.where: Ints = np.array([item for part in where for item in part], np.int64)
        self.ohm: Floats = np.array([item for part in ohm for item in part], np.float64)

    def mask(self, chosen: Sequence[Sequence[int]], first: int) -> Mask:
        """Which entries are among the chosen element numbers of their copy; added elements count from ``first``."""
        mask = np.zeros(len(self.ohm), bool)
        for start, numbers in zip(self.ptr, chosen, strict=False):
            for number in numbers:
                mask[start + number - first] = True
        return mask


@dataclass(frozen=True)
class Siemens:
    """Conductances of a batch: of the drawing's elements, of the changed ones, and of those added."""

    drawn: Floats
    changed: Floats
    added: Floats


class Batch:
    """Copies that share a pattern: the drawing's elements, the values that each has otherwise, and what each adds."""

    def __init__(
        self, pattern: Pattern, numbers: Sequence[int], drafts: Sequence[Draft], slots: Sequence[Ints]
    ) -> None:
        drawing = drafts[0].drawing
        count = len(drawing.ohm)
        self.pattern = pattern
        self.draft = drafts[0]
        self.numbers: Ints = np.array(numbers, np.int64)
        self.slots: Ints = pattern.slots[:count]
        ohms = [draft.ohm for draft in drafts]
        self.changed = Entries([list(o.changed) for o in ohms], [list(o.changed.values()) for o in ohms])
        self.added = Entries([part.tolist() for part in slots], [o.added for o in ohms])
        self._added_terminator = self.added.mask([draft.extra_terminators for draft in drafts], count)
        self._added_wire = self.added.mask([draft.extra_wires for draft in drafts], count)
        self._drawn = np.array(drawing.ohm)
        self._kept: OrderedDict[object, Siemens] = OrderedDict()
        self._wire, self._terminator = np.zeros(count, bool), np.zeros(count, bool)
        self._wire[drawing.wires] = True
        self._terminator[drawing.terminators] = True

    def nodes(self, points: Sequence[Point]) -> Ints:
        """The turns of the points; both sides of a connector that is together are the same place."""
        node = self.draft.node
        numbers = [node[p] if p in node else node[("place", *p[1:])] for p in points]
        result: Ints = self.pattern.position[np.array(numbers, np.int64)]
        return result

    def ends(self) -> tuple[Ints, Ints]:
        """The turns of both ends of every element of the drawing, -1 for the body."""
        count = len(self._drawn)
        start, end = (
            np.array([ends[n] for n in range(count)], np.int64) for ends in (self.draft.start, self.draft.end)
        )
        return self.pattern.position[start], self.pattern.position[end]

    def siemens(self, unplugged: frozenset[str], wire: float, terminator: float) -> Siemens:
        """Every conductance with modules unplugged and all wires and terminators scaled; 0.0 for an open."""
        key = (unplugged, wire, terminator)
        if key not in self._kept:
            self._kept[key] = self._siemens(unplugged, wire, terminator)
            if len(self._kept) > KEPT_SCALES:
                self._kept.popitem(last=False)
        return self._kept[key]

    def _siemens(self, unplugged: frozenset[str], wire: float, terminator: float) -> Siemens:
        scaled = self._drawn * np.where(self._wire, wire, np.where(self._terminator, terminator, 1.0))
        contacts = self.draft.drawing.contacts
        open_contacts = [number for module in sorted(unplugged) for number in contacts[module]]
        scaled[open_contacts] = np.inf
        where = self.changed.where
        # A fault's own ohms keep their value; the wire or terminator it sits in has its tolerance.
        changed = self.changed.ohm + np.where(self._wire[where], self._drawn[where] * (wire - 1.0), 0.0)
        changed = np.where(self._terminator[where], changed * terminator, changed)
        if open_contacts:
            changed[np.isin(where, open_contacts)] = np.inf
        added = np.where(self._added_terminator, self.added.ohm * terminator, self.added.ohm)
        added = np.where(self._added_wire, added * wire, added)
        return Siemens(1.0 / scaled, 1.0 / changed, 1.0 / added)


class Copies:
    """Faulted copies of one vehicle in one condition, in batches. Raises BadRequest for copies of several vehicles."""

    def __init__(self, vehicles: Sequence[Vehicle], condition: Condition) -> None:
        if not vehicles:
            raise BadRequest("a table needs at least one vehicle")
        self.shape = shape_of(vehicles[0], condition.parted)
        if any(shape_of(vehicle, condition.parted) is not self.shape for vehicle in vehicles):
            raise BadRequest("a table is for copies of one vehicle")
        drawing = self.shape.drawing
        self.drafts = [drawing.copy().assemble(vehicle.deviations, condition) for vehicle in vehicles]
        self.batches = tuple(self._sort_out())

    def _sort_out(self) -> list[Batch]:
        """One batch for each pattern that is needed, the drawing's own first."""
        shape = self.shape
        members: dict[Room | None, list[int]] = {}
        for number, room in enumerate(shape.rooms(self.drafts)):
            members.setdefault(room, []).append(number)
        batches = []
        for room, numbers in sorted(members.items(), key=lambda item: item[0] is not None):
            drafts = [self.drafts[n] for n in numbers]
            pattern = shape.pattern if room is None else shape.pattern_for(drafts[0])
            slots = shape.slots_in(pattern, drafts)
            batches.append(Batch(pattern, numbers, drafts, slots))
        return batches
