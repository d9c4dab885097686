"""Who misses whom: a grid from the codes for lost messages. A row for who complains, a column for who is lost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from lab.tester.memory import Codes

NOW, EARLIER, NEVER = "now", "earlier", "never seen"
#: How the words are written in a narrow table.
_LETTERS = {NOW: "N", EARLIER: "e", NEVER: "-"}
LEGEND = "Across: who is missed. N now, e earlier, - never seen, ? silent, cannot be asked."


@dataclass(frozen=True)
class Misses:
    """``rows``: by complaining module, then by missed module, the word; ``silent`` modules could not be asked.

    ``changing``: as of the codes.
    """

    vehicle: str
    rows: Mapping[str, Mapping[str, str]]
    silent: tuple[str, ...]
    changing: tuple[str, ...] = ()

    def missed_by(self, module: str) -> tuple[str, ...]:
        """Who misses a module now."""
        return tuple(name for name, row in self.rows.items() if row[module] == NOW)

    def as_json(self) -> dict[str, Any]:
        """The mapping of ``codes VEHICLE misses``."""
        return {
            "vehicle": self.vehicle,
            "misses": {name: dict(row) for name, row in self.rows.items()},
            "silent": list(self.silent),
            "changing": list(self.changing),
        }

    def table(self) -> list[tuple[str, ...]]:
        """Rows of cells, the head first, in the letters of the legend; a dot where a module would miss itself."""
        names = list(self.rows)
        rows: list[tuple[str, ...]] = [("", *names)]
        for name in names:
            words = ("." if name == other else self._cell(name, other) for other in names)
            rows.append((name, *words))
        rows.append(("now by", *(str(len(self.missed_by(name))) for name in names)))
        return rows

    def _cell(self, name: str, other: str) -> str:
        if name in self.silent:
            return "?"
        return _LETTERS[self.rows[name][other]]


def who_misses_whom(codes: Codes) -> Misses:
    """The grid of codes as read. Silent modules have a row of their own in which nothing is known."""
    names = [each.module for each in codes.modules]
    rows: dict[str, dict[str, str]] = {}
    for memory in codes.modules:
        rows[memory.module] = dict.fromkeys(names, NEVER)
        for code in memory.codes:
            if code.misses in rows[memory.module] and rows[memory.module][code.misses] != NOW:
                rows[memory.module][code.misses] = code.when
    silent = tuple(each.module for each in codes.modules if not each.answering)
    return Misses(codes.vehicle, rows, silent, codes.changing)
