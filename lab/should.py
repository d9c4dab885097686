"""What should it read? The calculator's answer for the networks asked for, and the judgement of readings given."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import TYPE_CHECKING

from simulator.calculator import Level, Resistance, expected_levels, expected_resistance, judge
from simulator.condition import Condition
from simulator.errors import BadRequest, UnknownName
from simulator.vehicle import Network, Vehicle

if TYPE_CHECKING:
    from faults import Fault

_SCALES = {"": 1.0, "ohm": 1.0, "k": 1e3, "kohm": 1e3, "m": 1e6, "mohm": 1e6}
_NUMBER = re.compile(r"(?P<value>[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*(?P<unit>[A-Za-z]*)")
_BY_DISTANCE = ("inside", "edge", "outside")
#: How many of the single faults that would explain a reading its reason names.
_NAMED = 8


@dataclass(frozen=True)
class Got:
    """A resistance read between high and low of a place, in ohm (inf: OL), and what the calculator says of it."""

    place: str
    ohm: float
    word: str
    reason: str


@dataclass(frozen=True)
class Expectation:
    """What one network should read; ``near`` is the place whose lines are shown one by one."""

    vehicle: str
    network: str
    faults: tuple[str, ...]
    near: str
    resistance: tuple[Resistance, ...]
    levels: tuple[Level, ...]
    got: tuple[Got, ...] = ()

    @property
    def worst(self) -> Got:
        """The reading farthest off; the first of equals."""
        return max(self.got, key=lambda item: _BY_DISTANCE.index(item.word))


def expectations(
    vehicle: Vehicle,
    faults: Sequence[Fault],
    networks: Iterable[Network],
    condition: Condition,
    got: Iterable[str] = (),
) -> tuple[Expectation, ...]:
    """The calculator's answer for each network; ``faults`` are already in ``vehicle`` and only named.

    ``condition`` says what is unplugged and parted; resistance is with battery and ignition off, levels with both on.
    ``got`` are readings like "DLC 58". Raises BadRequest, UnknownName.
    """
    dead = replace(condition, battery_on=False, ignition_on=False)
    live = replace(condition, battery_on=True, ignition_on=True)
    answers = []
    for network in networks:
        resistance = expected_resistance(vehicle, network, dead)
        levels = expected_levels(vehicle, network, live)
        names = tuple(str(fault) for fault in faults)
        near = network.socket or network.places[0]
        answers.append(Expectation(vehicle.name, network.name, names, near, resistance, levels))
    for text in got:
        place, ohm = parse_got(text)
        at = _index_of(answers, place, vehicle)
        item = _judged(vehicle, answers[at], dead, place, ohm)
        answers[at] = replace(answers[at], got=(*answers[at].got, item))
    return tuple(answers)


def parse_got(text: str) -> tuple[str, float]:
    """(place, ohm) of a reading like "DLC 58", "DLC 60.2 ohm", "DLC 1.2 kohm" or "DLC OL". Raises BadRequest."""
    place, _, value = text.strip().partition(" ")
    value = value.strip()
    if value.casefold() == "ol":
        return place, math.inf
    found = _NUMBER.fullmatch(value)
    unit = found["unit"] if found else ""
    # a capital M is mega; a small one would be milli, which no such meter shows
    if found is None or unit.casefold() not in _SCALES or unit.startswith("m"):
        raise BadRequest(f'\'{text}\' is no reading: write a place and a resistance, like "DLC 58" or "DLC OL"')
    return place, float(found["value"]) * _SCALES[unit.casefold()]


def _index_of(answers: Sequence[Expectation], place: str, vehicle: Vehicle) -> int:
    """Which of the networks asked for has the place."""
    found = [at for at, answer in enumerate(answers) if any(row.place == place for row in answer.resistance)]
    if not found:
        elsewhere = vehicle.networks_at(place)
        if elsewhere:
            raise BadRequest(f"{place} is not on {answers[0].network}: add --network {elsewhere[0]}")
        raise UnknownName("place", place, {row.place for answer in answers for row in answer.resistance})
    if len(found) > 1:
        raise BadRequest(f"{place} is on several networks: name one with --network")
    return found[0]


def _judged(vehicle: Vehicle, answer: Expectation, dead: Condition, place: str, ohm: float) -> Got:
    """The word and the reason; for a reading outside, with the single faults that would read so."""
    expected = next(row for row in answer.resistance if row.place == place)
    judgement = judge(expected, ohm)
    reason = judgement.reason
    if judgement.word == "outside":
        from lab.suspects import resistance_suspects  # only here, because it loads every kind of fault

        suspects = resistance_suspects(vehicle, vehicle.network(answer.network), dead, place, ohm)
        reason = f"{reason.rstrip('. ')}. {_named(suspects)}"
    return Got(place, ohm, judgement.word, reason)


def _named(suspects: Sequence[Fault]) -> str:
    if not suspects:
        return "No single fault of the catalogue reads so: look for two, or at the meter and its leads."
    named = [fault for row in zip_longest(*_by_kind(suspects)) for fault in row if fault is not None][:_NAMED]
    names = "; ".join(map(str, named))
    more = len(suspects) - _NAMED
    return f"Single faults that would read so: {names}" + (f"; and {more} more." if more > 0 else ".")


def _by_kind(suspects: Sequence[Fault]) -> list[list[Fault]]:
    """The suspects of each kind, so that the few that are named are of different kinds."""
    kinds: dict[str, list[Fault]] = {}
    for fault in suspects:
        kinds.setdefault(fault.kind, []).append(fault)
    return list(kinds.values())
