"""Still possible: which single faults would give every valid reading taken, and what would tell two of them apart."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import faults as fault_room
from faults import Fault
from lab.bench import Bench, Traffic
from lab.slip import Slip
from simulator.condition import DEAD, Condition
from simulator.deviations import LINES
from simulator.errors import BadRequest
from simulator.probes import BODY, POSITIVE, Point, parse_probe, probe_name
from simulator.vehicle import Vehicle

#: The ohms that faults are tried with: 0.1 ohm to 10 kohm in half decades.
TRIED_OHMS = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1_000.0, 3_000.0, 10_000.0)
HEALTHY = "healthy"
LIVE = Condition()


@dataclass
class Candidate:
    """A single fault, or None for the healthy vehicle; ``out`` is the number of the slip that rules it out."""

    fault: Fault | None
    bench: Bench
    out: int | None = None

    @property
    def name(self) -> str:
        """The fault as on the command line, or ``healthy``."""
        return HEALTHY if self.fault is None else str(self.fault)


@dataclass
class Possible:
    """All candidates of a vehicle; slips are held against them one after another, each only once."""

    vehicle: Vehicle
    traffic: Traffic = field(default_factory=Traffic)
    more: Sequence[Fault] = ()

    def candidates(self) -> list[Candidate]:
        """Healthy, every fault of the catalogue, and the faults of ``more`` that are not in it."""
        drawn = self.vehicle.as_drawn()
        found = [Candidate(None, Bench(drawn, self.traffic))]
        listed = dict.fromkeys([*fault_room.catalogue(drawn, ohms=TRIED_OHMS), *self.more])
        return found + [Candidate(fault, Bench(fault.apply(drawn), self.traffic)) for fault in listed]

    def sift(self, slips: Iterable[Slip]) -> list[Candidate]:
        """Every candidate, each with the number of the first slip that rules it out, or None: still possible.

        Only valid slips count. Cheap readings are tried first.
        """
        found = self.candidates()
        counting = [slip for slip in slips if slip.state == "valid"]
        ohms, volts, calls = ([slip for slip in counting if slip.kind == kind] for kind in ("ohms", "volts", "call"))
        stages = [(slip, test) for test in (_may_fit, fits) for slip in ohms]
        stages += [(slip, _may_fit) for slip in [*volts, *calls]] + [(slip, fits) for slip in [*calls, *volts]]
        for slip, test in stages:
            for candidate in found:
                if candidate.out is None and not test(candidate.bench, slip):
                    candidate.out = slip.number
        return found


def still_possible(found: Iterable[Candidate]) -> list[Candidate]:
    """The candidates that no slip rules out."""
    return [candidate for candidate in found if candidate.out is None]


def now_and_then(found: Sequence[Candidate], slips: Sequence[Slip]) -> list[Candidate]:
    """Faults that come and go: every valid slip fits with the fault or without, and one at least only with it."""
    healthy = found[0].bench
    counting = [slip for slip in slips if slip.state == "valid"]
    sick = [slip for slip in counting if not fits(healthy, slip)]
    if not sick or len(sick) == len(counting):
        return []
    return [item for item in found if item.fault is not None and all(fits(item.bench, slip) for slip in sick)]


def fits(bench: Bench, slip: Slip) -> bool:
    """Whether a vehicle would give the reading of a slip, within the worst case of its parts and the meter."""
    if not _may_fit(bench, slip):
        return False
    if slip.kind == "call":
        return set(bench.silent(slip.condition)) == set(slip.silent)
    red, black = (parse_probe(bench.vehicle, text) for text in (slip.red, slip.black))
    if slip.kind == "ohms":
        return bench.ohms(slip.condition, red, black).holds(slip.value)
    return bench.volts(slip.condition, red, black).holds(slip.value)


def _may_fit(bench: Bench, slip: Slip) -> bool:
    """What can be said of a slip without tolerances and without running the network: False only where it cannot fit."""
    if slip.kind == "call":
        return bench.surely_silent(slip.condition) <= set(slip.silent)
    red, black = (parse_probe(bench.vehicle, text) for text in (slip.red, slip.black))
    may = bench.may_read_ohms if slip.kind == "ohms" else bench.may_read_volts
    return may(slip.condition, red, black, slip.value)


# ---------------------------------------------------------------------- telling two vehicles apart


def survey(
    vehicle: Vehicle, instruments: Sequence[str], actions: Sequence[str]
) -> Iterator[tuple[str, Condition, Point, Point]]:
    """The readings that a thorough student would take, cheap ones first: (kind, condition, red, black)."""
    if "call" in instruments:
        yield "call", LIVE, BODY, BODY
    if "volts" in instruments:
        for red, black in _live_pairs(vehicle):
            yield "volts", LIVE, red, black
    if "ohms" in instruments:
        conditions = [DEAD]
        if "unplug" in actions:
            conditions += [Condition(False, False, frozenset({name})) for name in vehicle.modules]
            ends = frozenset(t.at for n in vehicle.networks.values() for t in n.terminators if t.inside)
            conditions += [Condition(False, False, ends), Condition(False, False, frozenset(vehicle.modules))]
        if "part" in actions:
            partings = [(name, p.at) for name, network in vehicle.networks.items() for p in network.parting]
            conditions += [Condition(False, False, frozenset(), frozenset({pair})) for pair in partings]
        if "ignition" in actions:
            conditions.append(Condition(False, True))
        for condition in conditions:
            for red, black in _dead_pairs(vehicle, condition):
                yield "ohms", condition, red, black


def _lines(vehicle: Vehicle) -> Iterator[tuple[str, str]]:
    for name, network in vehicle.networks.items():
        for place in network.places:
            yield name, place


def _live_pairs(vehicle: Vehicle) -> Iterator[tuple[Point, Point]]:
    for module in vehicle.modules.values():
        yield ("supply", module.name), ("ground", module.name)
        yield ("supply", module.name), BODY
        yield ("ground", module.name), BODY
        if module.wake is not None:
            yield ("wake", module.name), BODY
    yield POSITIVE, BODY
    for name, place in _lines(vehicle):
        for line in LINES:
            yield ("place", name, place, line), BODY


def _dead_pairs(vehicle: Vehicle, condition: Condition) -> Iterator[tuple[Point, Point]]:
    for name, place in _lines(vehicle):
        high, low = (("place", name, place, line) for line in LINES)
        yield high, low
        for other in (BODY, POSITIVE):
            yield high, other
            yield low, other
    for name, network in vehicle.networks.items():
        for run in network.runs:
            for line in LINES:
                yield ("place", name, run.start, line), ("place", name, run.end, line)
    for module in vehicle.modules.values():
        yield ("ground", module.name), BODY
        yield ("supply", module.name), POSITIVE
        if module.wake is not None:
            yield ("wake", module.name), POSITIVE
            yield ("supply", module.name), ("wake", module.name)
    for one, other in pairwise(vehicle.modules):
        yield ("supply", one), ("supply", other)


def tell_apart(one: Bench, other: Bench, instruments: Sequence[str], actions: Sequence[str]) -> str | None:
    """A reading that gives one vehicle away against the other, in words, or None: nothing allowed tells them apart.

    Voltages are taken on a quiet network: what only shows in the mean over live traffic does not count.
    """
    vehicle = one.vehicle
    for kind, condition, red, black in survey(vehicle, instruments, actions):
        if kind == "call":
            apart = set(one.silent(condition)) != set(other.silent(condition))
        elif kind == "volts":
            apart = one.volts(condition, red, black, quiet=True).apart(other.volts(condition, red, black, quiet=True))
        else:
            apart = one.ohms(condition, red, black).apart(other.ohms(condition, red, black))
        if apart:
            return reading_name(vehicle, kind, condition, red, black)
    return None


def reading_name(vehicle: Vehicle, kind: str, condition: Condition, red: Point, black: Point) -> str:
    """A reading as one would type it, with what must be done before."""
    if kind == "call":
        return "call"
    words = [f"with {name} unplugged" for name in sorted(condition.unplugged)]
    if len(words) > 3:
        words = ["with every module unplugged"] if len(words) == len(vehicle.modules) else words
    words += [f"with {place} parted" for _, place in sorted(condition.parted)]
    words += ["with the ignition on"] if kind == "ohms" and condition.ignition_on else []
    return " ".join([kind, probe_name(vehicle, red), probe_name(vehicle, black), *words])


def findable(vehicle: Vehicle, fault: Fault, healthy: Bench, traffic: Traffic) -> bool:
    """Whether anything a student can measure differs from the healthy vehicle."""
    try:
        sick = Bench(fault.apply(vehicle), traffic)
    except BadRequest:
        return False
    every = ("ohms", "volts", "call")
    return tell_apart(healthy, sick, every, ("unplug", "part", "ignition")) is not None
