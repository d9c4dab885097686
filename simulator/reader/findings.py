"""What the checks of one file have found so far."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches

from simulator.errors import Mistake


@dataclass
class Findings:
    """Errors and warnings of the file ``path``, in the order they were found."""

    path: str
    errors: list[Mistake] = field(default_factory=list)
    warnings: list[Mistake] = field(default_factory=list)

    def error(self, line: int, text: str) -> None:
        """Add a mistake that keeps the file from being used."""
        self.errors.append(Mistake(self.path, line, text))

    def warn(self, line: int, text: str) -> None:
        """Add a remark on something unusual that is not wrong."""
        self.warnings.append(Mistake(self.path, line, text))


def instead(name: str, known: Iterable[str]) -> str:
    """What to write instead of an unknown name: the nearest known one, or one of them all."""
    folded = {item.casefold(): item for item in sorted(known, reverse=True)}
    close = get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.5)
    if close:
        return f"write {folded[close[0]]}"
    names = sorted(folded.values())
    return f"write one of {', '.join(names[:12])}{', ...' if len(names) > 12 else ''}" if names else "write a known one"
