"""The few exceptions of the simulator, one tree, each inheriting the builtin a caller would catch."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches


class SixtyohmError(Exception):
    """Base of every error this project raises on purpose."""


@dataclass(frozen=True, order=True)
class Mistake:
    """One mistake in an input file; ``str()`` gives ``file:line: what is wrong, and what to write instead``."""

    path: str
    line: int
    text: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.text}"


class BadFile(SixtyohmError, ValueError):
    """An input file is wrong; ``mistakes`` holds every mistake found in it, in order of file and line."""

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes: tuple[Mistake, ...] = tuple(sorted(set(mistakes)))
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))


class BadRequest(SixtyohmError, ValueError):
    """A call or a command asks for something the vehicle does not have; the message says what to write instead."""


class UnknownName(BadRequest, LookupError):
    """A name that nothing carries; the message offers the nearest known one."""

    def __init__(self, what: str, name: str, known: Iterable[str]) -> None:
        known = sorted(known)
        super().__init__(f"no {what} called '{name}'; {nearest(name, known)}")


def nearest(name: str, known: Sequence[str]) -> str:
    """A clause for a message: the nearest known name, or the list of all of them."""
    folded = {item.casefold(): item for item in known}
    close = get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.6)
    if close:
        return f"did you mean '{folded[close[0]]}'?"
    if not known:
        return "there are none"
    listed = ", ".join(known[:12]) + (", ..." if len(known) > 12 else "")
    return f"known: {listed}"
