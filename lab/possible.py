"""Still possible: which single faults would give every reading taken that counts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

import faults as fault_room
from faults import Fault
from lab.bench import SLACK, Bench, Traffic
from lab.deadtables import DeadTables, holding
from lab.slip import Slip
from lab.tester import told_by
from simulator.condition import Condition
from simulator.probes import parse_probe
from simulator.silence import SilenceBook
from simulator.vehicle import Vehicle

Floats = NDArray[np.float64]
#: The ohms that faults are tried with: 0.1 ohm to 10 kohm in half decades.
TRIED_OHMS = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1_000.0, 3_000.0, 10_000.0)
HEALTHY = "healthy"
LIVE = Condition()


@dataclass
class Candidate:
    """A single fault, or None for the healthy vehicle; ``out`` is the number of the slip that rules it out."""

    fault: Fault | None
    vehicle: Vehicle
    traffic: Traffic
    out: int | None = None

    @property
    def name(self) -> str:
        """The fault as on the command line, or ``healthy``."""
        return HEALTHY if self.fault is None else str(self.fault)

    @cached_property
    def bench(self) -> Bench:
        """Its vehicle, ready to be asked."""
        return Bench(self.vehicle, self.traffic)


@dataclass
class Possible:
    """All candidates of a vehicle; slips are held against them one after another, each only once."""

    vehicle: Vehicle
    traffic: Traffic = field(default_factory=Traffic)
    more: Sequence[Fault] = ()
    _books: dict[Condition, SilenceBook] = field(default_factory=dict, init=False, repr=False)

    @cached_property
    def candidates(self) -> list[Candidate]:
        """Healthy, every fault of the catalogue, and the faults of ``more`` that are not in it."""
        drawn = self.vehicle.as_drawn()
        listed = dict.fromkeys([*fault_room.catalogue(drawn, ohms=TRIED_OHMS), *self.more])
        cars = [(None, drawn), *((fault, fault.apply(drawn)) for fault in listed)]
        return [Candidate(fault, car, self.traffic) for fault, car in cars]

    def sift(self, slips: Iterable[Slip]) -> list[Candidate]:
        """Every candidate, each with the number of the first slip that rules it out, or None: still possible.

        Only slips that count are held against them, those that cost least computing first.
        """
        found = self.candidates
        for candidate in found:
            candidate.out = None
        counting = [slip for slip in slips if slip.counts]
        ohms, volts, lamps, calls, configs = (
            [slip for slip in counting if slip.kind == kind] for kind in ("ohms", "volts", "lamp", "call", "config")
        )
        for slip in ohms:
            self._sift_ohms(slip)
        stages: list[tuple[Slip, Callable[[Bench, Slip], bool]]] = [(slip, _may_fit) for slip in [*configs, *volts]]
        stages += [(slip, fits) for slip in lamps]
        for slip in calls:
            if SilenceBook.answers_for(slip.condition):
                self._sift_call(slip)
            else:
                stages += [(slip, _may_fit), (slip, fits)]
        stages += [(slip, fits) for slip in volts]
        for slip, test in stages:
            for candidate in found:
                if candidate.out is None and not test(candidate.bench, slip):
                    candidate.out = slip.number
        return found

    @cached_property
    def _dead(self) -> DeadTables:
        return DeadTables([candidate.vehicle for candidate in self.candidates])

    def _left(self) -> NDArray[np.int64]:
        return np.array([n for n, candidate in enumerate(self.candidates) if candidate.out is None], np.int64)

    def _sift_ohms(self, slip: Slip) -> None:
        """An ohm reading, held against all candidates left at once."""
        left = self._left()
        points = [parse_probe(self.vehicle, text) for text in (slip.red, slip.black)]
        least, greatest = (part[:, 0, 1] for part in self._dead.ranges(slip.condition, points, left))
        fitting = holding(least, greatest, slip.value, SLACK, slip.leads_ohm)
        self._rule_out(left[~fitting], slip)

    def _sift_call(self, slip: Slip) -> None:
        """A roll call, held against all candidates left; run only for those who may be silent so."""
        book, wanted = self._book(slip.condition), frozenset(slip.silent)
        for test in (book.surely_silent, book.least_silent):
            self._rule_out([n for n in self._left().tolist() if not test(n) <= wanted], slip)
        self._rule_out([n for n in self._left().tolist() if book.silent(n) != wanted], slip)

    def _book(self, condition: Condition) -> SilenceBook:
        if condition not in self._books:
            self._books[condition] = SilenceBook([item.vehicle for item in self.candidates], condition)
        return self._books[condition]

    def _rule_out(self, numbers: Iterable[int], slip: Slip) -> None:
        for number in numbers:
            candidate = self.candidates[int(number)]
            candidate.out = slip.number if candidate.out is None else candidate.out


def still_possible(found: Iterable[Candidate]) -> list[Candidate]:
    """The candidates that no slip rules out."""
    return [candidate for candidate in found if candidate.out is None]


def now_and_then(found: Sequence[Candidate], slips: Sequence[Slip]) -> list[Candidate]:
    """Faults that come and go: every slip that counts fits with the fault or without, and one at least only with it."""
    healthy = found[0].bench
    counting = [slip for slip in slips if slip.counts]
    sick = [slip for slip in counting if not fits(healthy, slip)]
    if not sick or len(sick) == len(counting):
        return []
    return [item for item in found if item.fault is not None and all(fits(item.bench, slip) for slip in sick)]


def fits(bench: Bench, slip: Slip) -> bool:
    """Whether a vehicle would give the reading of a slip, within the worst case of its parts, leads and meter."""
    if not _may_fit(bench, slip):
        return False
    if slip.kind == "config":
        return True
    if slip.kind == "call":
        return set(bench.silent(slip.condition)) == set(slip.silent)
    red, black = (parse_probe(bench.vehicle, text) for text in (slip.red, slip.black))
    if slip.kind == "ohms":
        return bench.ohms(slip.condition, red, black).holds(slip.value, slip.leads_ohm)
    if slip.kind == "lamp":
        shown = (slip.value, *(slip.lost or ()))
        return all(found.holds(volt) for found, volt in zip(bench.lamp(slip.condition, red, black), shown, strict=True))
    return bench.volts(slip.condition, red, black).holds(slip.value)


def _may_fit(bench: Bench, slip: Slip) -> bool:
    """What can be said of a slip without running the network: False only where it cannot fit."""
    if slip.kind == "config":
        return all(_says(bench.vehicle, module, told) for module, told in (slip.told or {}).items())
    if slip.kind == "call":
        return bench.surely_silent(slip.condition) <= set(slip.silent)
    if slip.kind in ("ohms", "lamp"):
        return True
    red, black = (parse_probe(bench.vehicle, text) for text in (slip.red, slip.black))
    return bench.may_read_volts(slip.condition, red, black, slip.value)


def _says(vehicle: Vehicle, module: str, told: Mapping[str, str]) -> bool:
    """Whether a module of a vehicle would say of itself what it said."""
    own = told_by(vehicle, module)
    return all(own.get(name) == value for name, value in told.items())
