"""Worth measuring next: the reading that tells most among what still fits, for the minutes it takes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simulator.calculator import METER_OHM, METER_TOLERANCE, OPEN_OHM, VOLT_SLACK, WIRE_TOLERANCE
from simulator.deviations import LINES
from simulator.probes import BODY, Point, probe_name
from simulator.vehicle import Vehicle

if TYPE_CHECKING:
    from lab.fits import Suggestion, WhatFits

Floats = NDArray[np.float64]
#: So many groups, the heaviest, are thought of.
MOST_GROUPS = 200
#: Minutes to bare a splice or a connector behind trim (own choice, that of a plug where the file says nothing).
PLACE_MINUTES = 10.0


def next_reading(
    what: WhatFits, heads: Sequence[int], share: Sequence[float], taken: Sequence[str]
) -> Suggestion | None:
    """The reading with most bits a minute, given one hypothesis of every group and the groups' shares; None: none.

    Tried are the roll call, voltages to the body, and resistances between the lines of every place and from every line
    to its socket, as it is and with any one module unplugged.
    """
    from lab.fits import Suggestion

    order = np.argsort(-np.asarray(share), kind="stable")[:MOST_GROUPS]
    order = order[np.argsort(np.asarray(heads)[order])]
    chosen, weight = np.asarray(heads)[order], np.asarray(share)[order]
    weight = weight / weight.sum()
    best: Suggestion | None = None
    for text, minutes, outcome in _outcomes(what, chosen):
        if any(one.startswith(f"{text} ") or one == text for one in taken):
            continue
        found = Suggestion(text, _bits(weight, outcome), minutes)
        if found.bits > 1e-9 and (best is None or _rate(found) > _rate(best) * (1 + 1e-9)):
            best = found
    return best


def _rate(suggestion: Suggestion) -> float:
    return suggestion.bits / suggestion.minutes


def _outcomes(what: WhatFits, chosen: NDArray[np.int64]) -> Iterator[tuple[str, float, NDArray[np.int64]]]:
    """Every reading worth a thought, its minutes, and which hypotheses it gives the same outcome.

    Of the roll call only what is sure without running it: more may be silent, and it may tell more.
    """
    vehicle = what.vehicle
    silent = what.surely_silent(chosen)
    kinds = {outcome: n for n, outcome in enumerate(dict.fromkeys(silent))}
    yield "call", vehicle.action_minutes("call"), np.array([kinds[outcome] for outcome in silent])
    read = vehicle.action_minutes("read")
    rest = what.at_rest()
    body = probe_name(vehicle, BODY)
    for point in what.points:
        if point != BODY:
            outcome = _told_apart(rest.between(point, BODY)[chosen], METER_TOLERANCE, VOLT_SLACK)
            yield f"volts {probe_name(vehicle, point)} {body}", read + _way(vehicle, point), outcome
    pairs = list(_useful_pairs(vehicle))
    places = sorted({point for pair in pairs for point in pair})
    at = {point: n for n, point in enumerate(places)}
    for module in (None, *vehicle.modules):
        unplugged = frozenset({module} if module else ())
        ohms = np.minimum(what.dead.table().resistances(places, unplugged=unplugged, among=chosen), OPEN_OHM)
        extra, state = 0.0, ""
        if module:
            extra = vehicle.action_minutes("unplug") + vehicle.modules[module].reach_minutes
            state = f" unplug={module}"
        for red, black in pairs:
            minutes = (
                read
                + extra
                + sum(_way(vehicle, point) for point in {red[:3]: red, black[:3]: black}.values() if point[2] != module)
            )
            outcome = _told_apart(ohms[:, at[red], at[black]], WIRE_TOLERANCE, METER_OHM)
            yield f"ohms {probe_name(vehicle, red)} {probe_name(vehicle, black)}{state}", minutes, outcome


def _way(vehicle: Vehicle, point: Point) -> float:
    """Minutes to get a probe to a point; the socket and the battery are at hand."""
    if point[0] in ("supply", "wake", "ground"):
        return vehicle.modules[point[1]].reach_minutes
    if point[0] not in ("place", "off") or vehicle.networks[point[1]].socket == point[2]:
        return 0.0
    return vehicle.modules[point[2]].reach_minutes if point[2] in vehicle.modules else PLACE_MINUTES


def _useful_pairs(vehicle: Vehicle) -> Iterator[tuple[Point, Point]]:
    for network in vehicle.networks.values():
        home = network.socket or network.places[0]
        for place in network.places:
            yield ("place", network.name, place, "high"), ("place", network.name, place, "low")
            if place != home:
                for line in LINES:
                    yield ("place", network.name, place, line), ("place", network.name, home, line)


def _told_apart(values: Floats, part: float, step: float) -> NDArray[np.int64]:
    """Outcomes that a meter tells apart surely: a new one wherever neighbours are further apart than both ranges."""
    order = np.argsort(values, kind="stable")
    rising = values[order]
    gap = np.diff(rising) > 2 * part * np.abs(rising[:-1]) + 2 * step
    outcome = np.zeros(len(values), np.int64)
    outcome[order[1:]] = np.cumsum(gap)
    return outcome


def _bits(share: Floats, outcome: NDArray[np.int64]) -> float:
    """The information a reading gives, in bits: the entropy of its outcomes."""
    totals = np.bincount(outcome, weights=share)
    return -sum(total * math.log2(total) for total in totals.tolist() if total > 0)
