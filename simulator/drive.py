"""Drive scripts: what a driver does, a line each; read from text, every mistake with its line."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from simulator.errors import BadFile, Mistake
from simulator.quantities import SELECTOR

#: No speed and no wait is longer than these, so that a slip of the pen is told.
_FASTEST_KMH, _LONGEST_S = 250.0, 36_000.0
#: So many legs a script has at most, repeated ones counted as often as they are driven.
_MOST_LEGS = 10_000


@dataclass(frozen=True)
class Leg:
    """One thing a driver does, and for how many ``seconds``; ``verb`` is the first word of its line in a script.

    ``position``: where to put the lever. ``kmh``: the speed to go to; ``stop-start`` has 1.0 for on.
    """

    verb: str
    seconds: float = 0.0
    kmh: float = 0.0
    position: str = ""


#: Each verb: what follows it, and an example for complaints.
_SHAPES: Mapping[str, tuple[str, str]] = {
    "start": (r"", "start"),
    "stop": (r"", "stop"),
    "brake": (r"", "brake"),
    "release": (r"", "release"),
    "stop-start": (r"(?P<on>on|off)", "stop-start on"),
    "wait": (r"(?P<seconds>[\d.]+)", "wait 20"),
    "select": (r"(?P<position>[a-z]+)", "select drive"),
    "to": (r"(?P<kmh>[\d.]+) in (?P<seconds>[\d.]+)", "to 50 in 12"),
    "repeat": (r"(?P<times>\d+)", "repeat 3"),
    "end": (r"", "end"),
}

#: Scripts that need no file (own choice; the road test of a gearbox wants every gear, reverse, and stop and go).
SCRIPTS: Mapping[str, str] = {
    "idle": """
        start
        wait 3600
    """,
    "hot idle": """
        start
        brake
        select drive
        release
        to 80 in 25
        wait 900
        to 0 in 15
        brake
        select park
        wait 600
    """,
    "every gear": """
        start
        brake
        select reverse
        release
        to 6 in 4
        wait 5
        to 0 in 3
        brake
        select drive
        release
        to 15 in 5
        wait 5
        to 30 in 8
        wait 5
        to 50 in 10
        wait 10
        to 75 in 15
        wait 20
        to 100 in 20
        wait 30
        to 0 in 20
        brake
        select park
    """,
    "stop and go": """
        start
        stop-start on
        brake
        select drive
        release
        repeat 12
        to 50 in 10
        wait 20
        to 0 in 8
        brake
        wait 10
        release
        wait 2
        end
        brake
        select park
        stop-start off
    """,
}


def script_text(text: str) -> str:
    """The text of a script that is given by the name of one of ours, or else as it is."""
    return SCRIPTS.get(text.strip(), text)


def read_script(text: str, path: str = "drive script") -> tuple[Leg, ...]:
    """The legs of a script: a line each, ``#`` begins a remark. Raises BadFile with every mistake and its line."""
    mistakes: list[Mistake] = []
    legs: list[Leg] = []
    open_repeats: list[tuple[int, int, int]] = []  # line, where its legs begin, how often
    for number, line in enumerate(text.splitlines(), start=1):
        words = line.partition("#")[0].strip()
        if not words:
            continue
        verb, _, rest = words.partition(" ")
        shape = _SHAPES.get(verb)
        found = re.fullmatch(shape[0], rest.strip()) if shape else None
        if shape is None or found is None:
            mistakes.append(Mistake(path, number, _complaint(words, verb)))
        elif verb == "repeat":
            open_repeats.append((number, len(legs), int(found["times"])))
        elif verb == "end":
            if open_repeats:
                begun, first, times = open_repeats.pop()
                if first + (len(legs) - first) * times > _MOST_LEGS:
                    mistakes.append(Mistake(path, begun, f"more than {_MOST_LEGS} legs; repeat them less often"))
                else:
                    legs[first:] = legs[first:] * times
            else:
                mistakes.append(Mistake(path, number, "'end' without 'repeat'; delete it, or write repeat 3 above"))
        else:
            legs += _leg(verb, found, path, number, mistakes)
    mistakes += [Mistake(path, line, "'repeat' without 'end'; write end below") for line, _, _ in open_repeats]
    if mistakes:
        raise BadFile(mistakes)
    return tuple(legs)


def _complaint(words: str, verb: str) -> str:
    if verb in _SHAPES:
        return f"'{words[:40]}' is not complete, or has too much; write it as in '{_SHAPES[verb][1]}'"
    close = get_close_matches(verb, list(_SHAPES), n=1)
    offer = f"write it as in '{_SHAPES[close[0]][1]}'" if close else f"write one of {', '.join(sorted(_SHAPES))}"
    return f"nothing a driver does is called '{verb[:20]}'; {offer}"


def _leg(verb: str, found: re.Match[str], path: str, line: int, mistakes: list[Mistake]) -> Iterator[Leg]:
    """The leg of a line that has the right shape, or a mistake in its numbers."""
    given = found.groupdict()
    numbers: dict[str, float] = {}
    for key, most in (("seconds", _LONGEST_S), ("kmh", _FASTEST_KMH)):
        if given.get(key) is not None:
            try:
                numbers[key] = float(given[key])
            except ValueError:
                numbers[key] = most + 1.0
            if numbers[key] > most:
                mistakes.append(
                    Mistake(path, line, f"{given[key]} is no number up to {most:g}; write {_SHAPES[verb][1]}")
                )
                return
    position = given.get("position") or ""
    if verb == "select" and position not in SELECTOR:
        mistakes.append(Mistake(path, line, f"no position called '{position}'; write one of {', '.join(SELECTOR)}"))
        return
    yield Leg(verb, numbers.get("seconds", 0.0), numbers.get("kmh", float(given.get("on") == "on")), position)
