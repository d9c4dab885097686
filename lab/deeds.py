"""What an action does to the running vehicle of a job, and what it gives back.

An action is planned first: that checks the words, spends minutes and changes the state, and needs no simulation. Its
effect comes after all earlier effects; when a job is resumed it is planned anew and its effect noted for later.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

from lab.hands import State
from simulator.errors import BadRequest

if TYPE_CHECKING:
    from lab.job import Job
    from lab.livecar import LiveCar


@dataclass(frozen=True)
class Done:
    """What an effect gave: lines to show, the minutes the vehicle lived meanwhile, what a slip of it keeps.

    ``slip``: kind, display and more fields of a slip, or None. ``record``: what the journal keeps besides.
    """

    lines: tuple[str, ...] = ()
    minutes: float = 0.0
    slip: Mapping[str, Any] | None = None
    record: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Deed:
    """A planned action: its effect on the running vehicle, and the cautions to show."""

    effect: Callable[[LiveCar], Done]
    cautions: tuple[int, ...] = ()


#: Plans an action: takes the job, the state to change and the words after the verb. Raises BadRequest.
Planner: TypeAlias = "Callable[[Job, State, list[str]], Deed]"


def one_word(verb: str, what: str, words: Sequence[str]) -> str:
    """The only word after a verb. Raises BadRequest."""
    if len(words) != 1:
        raise BadRequest(f"write: {verb} {what}")
    return words[0]


def number(text: str, what: str, low: float, high: float) -> float:
    """A number between two others. Raises BadRequest."""
    try:
        value = float(text)
    except ValueError:
        value = low - 1.0
    if not low <= value <= high:
        raise BadRequest(f"'{text}' is no {what}; write a number from {low:g} to {high:g}")
    return value
