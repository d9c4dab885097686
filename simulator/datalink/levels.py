"""What a wiring means for some controllers that share a wire: levels by who drives, as tables for the kernel.

They are kept with the wiring, since faults that come and go find theirs again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from simulator.datalink.controller import Wiring
from simulator.kernels import bus

#: Places in a table, of which half are used: at first, and at most. One takes half a kilobyte where there are 62
#: controllers, and hundreds of wirings are kept.
_FEW, _MOST = 256, 8192


class Levels:
    """Tables for the controllers ``names``, in that order.

    ``keys``, ``masks`` and ``lags`` as the kernel takes them; ``slow``: whether any line is; ``sees``: by controller
    the mask of those whose dominant bits it reads.
    """

    def __init__(self, names: Sequence[str], wiring: Wiring) -> None:
        self._wiring = wiring
        self._names = tuple(names)
        self.number = number = {name: n for n, name in enumerate(names)}
        self._lay_out(_FEW)
        self.slow = False
        self._known: dict[int, tuple[str, ...]] = {}
        self.sees = np.zeros(len(names), np.int64)
        for name, n in number.items():
            for hearer in wiring.hearers[name]:
                if hearer in number:
                    self.sees[number[hearer]] |= 1 << n
        self.learn(0)
        #: Who reads dominant while nobody drives.
        self.held = int(self.masks[0, bus.place_of.plain(self.keys, 0)])

    def _lay_out(self, places: int) -> None:
        self.keys = np.full(places, -1, np.int64)
        self.masks = np.zeros((4, places), np.int64)
        self.lags = np.zeros((places, len(self._names)), np.int64)
        self._sets = 0

    def _make_room(self) -> None:
        """Twice as many places; where there are most already, what was learned is forgotten."""
        keys, masks, lags = self.keys, self.masks, self.lags
        self._lay_out(min(2 * len(keys), _MOST))
        kept = np.flatnonzero(keys >= 0).tolist() if len(self.keys) > len(keys) else []
        for k in kept:
            at = bus.place_of.plain(self.keys, int(keys[k]))
            self.keys[at], self.masks[:, at], self.lags[at] = keys[k], masks[:, k], lags[k]
        self._sets = len(kept)

    def mask(self, names: Iterable[str]) -> int:
        """Controllers as a mask; those of others are left out."""
        found, number = 0, self.number
        for name in names:
            if name in number:
                found |= 1 << number[name]
        return found

    def names(self, mask: int) -> tuple[str, ...]:
        """The controllers of a mask."""
        found = self._known.get(mask)
        if found is None:
            found = tuple(name for n, name in enumerate(self._names) if mask >> n & 1)
            if len(self._known) >= _MOST:
                self._known.clear()
            self._known[mask] = found
        return found

    def learn(self, drive: int) -> None:
        """Put what everybody reads while a set drives into the tables."""
        if 2 * self._sets >= len(self.keys):
            self._make_room()
        at = bus.place_of.plain(self.keys, drive)
        levels = self._wiring.read(frozenset(self.names(drive)))
        self.masks[:2, at] = self.mask(levels.dominant), self.mask(levels.neither)
        self.masks[2:, at] = self.lags[at] = 0
        for name in [] if levels.prompt else self._names:
            n = self.number[name]
            lag = levels.late.get(name, 0) | levels.lingering.get(name, 0) << 8
            data = levels.late_data.get(name, 0) | levels.lingering_data.get(name, 0) << 8
            self.lags[at, n] = lag | data << bus.DATA_LAG
            self.masks[2, at] |= (lag > 0) << n
            self.masks[3, at] |= (data > 0) << n
        self.slow = self.slow or bool(np.any(self.masks[2:, at]))
        self.keys[at] = drive
        self._sets += 1


def levels_of(wiring: Wiring, names: Sequence[str]) -> Levels:
    """The tables of a wiring for some controllers, made once."""
    found = wiring.tables.get(tuple(names))
    if not isinstance(found, Levels):
        found = wiring.tables[tuple(names)] = Levels(names, wiring)
    return found
