"""What fits? Readings taken on a vehicle, held against every single fault it could have."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

import faults as fault_room
from faults import Fault
from lab.alike import SAME, SAME_OHM, SAME_VOLT, split
from lab.deadtables import DeadTables, holding
from lab.instruments import INPUT_OHM
from lab.taken import CallTaken, OhmsTaken, Taken, VoltsTaken, parse_reading
from simulator.calculator import (
    METER_OHM,
    METER_TOLERANCE,
    OPEN_OHM,
    TERMINATOR_TOLERANCE,
    VOLT_SLACK,
    WIRE_TOLERANCE,
)
from simulator.circuit import Circuit
from simulator.circuit.live import STATES, AtRest, LiveTable
from simulator.condition import ModuleState
from simulator.deviations import Behaviour, Crossing, PinSeries, RunSeries, SilentMessage, StubLength, SupplySeries
from simulator.errors import BadRequest
from simulator.probes import Point, parse_probe, probe_points
from simulator.vehicle import Vehicle

if TYPE_CHECKING:
    from simulator.silence import SilenceBook

__all__ = ["HEALTHY", "Fits", "Suggestion", "WhatFits", "family", "parse_reading"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Connector = tuple[str, str]
HEALTHY = "healthy"
#: Before any reading, no fault weighs as much as so many kinds of fault at one place (own choice).
HEALTHY_WEIGHT = 20.0
#: The ends of the tolerances of wires and terminators.
ENDS = tuple((1 + sign * WIRE_TOLERANCE, 1 + sign * TERMINATOR_TOLERANCE) for sign in (-1, 1))
#: Up to so many faults are sorted into groups once and for all; of more, only those that come near the readings.
WHOLE = 6000
#: ... but not for the sake of so few.
FEW = 500
#: Faults that may leave every resistance and quiet voltage as it is and still change who answers.
_DOING = (Behaviour, Crossing, SilentMessage, StubLength)
#: Series resistance from which a line may hang on inputs alone, and the part of a voltage that a voltmeter's 10 Mohm
#: take off at most where none does: a single powered input of 50 kohm.
HANGING_OHM = 2000.0
LOADED_PART = 0.005


@dataclass(frozen=True)
class Suggestion:
    """A reading worth taking next, as one would type it without its value, what it tells in bits, what it costs."""

    reading: str
    bits: float
    minutes: float


@dataclass
class Fits:
    """Faults that fit with their weights, best first; those out, by which reading; groups; what to read next.

    ``groups`` are what no reading anywhere tells apart, best first. ``contradicting``: where nothing fits, the readings
    without any one of which something would.
    """

    fits: list[tuple[str, float]] = field(default_factory=list)
    out: list[tuple[str, str]] = field(default_factory=list)
    groups: list[list[str]] = field(default_factory=list)
    splitting: Suggestion | None = None
    contradicting: list[str] = field(default_factory=list)


class WhatFits:
    """Every single fault of a vehicle, ready to be held against readings.

    Kinds with an ohm are tried from 0.1 ohm to 10 kohm in steps below half a decade. Tables are made when first needed
    and kept.
    """

    def __init__(self, vehicle: Vehicle, faults: Iterable[Fault] | None = None) -> None:
        self.vehicle = vehicle
        if faults is None:
            faults = fault_room.catalogue(vehicle.as_drawn(), ohms=fault_room.FINE_OHMS)
        self.faults: list[Fault | None] = [None]
        self.cars = [vehicle]
        for fault in faults:
            try:
                self.cars.append(fault.apply(vehicle))
            except BadRequest:
                continue  # contradicts a fault that is there already
            self.faults.append(fault)
        self.names = [HEALTHY if fault is None else str(fault) for fault in self.faults]
        self.points = tuple(parse_probe(vehicle, name) for name in probe_points(vehicle))
        self._rest: dict[tuple[float, float], AtRest] = {}
        self._loads: dict[tuple[int, Point, Point], float] = {}

    def prepare(self) -> None:
        """Make all tables now, so that every question after it is quick; else each is made when first needed."""
        for parted in (frozenset[Connector](), *(frozenset({connector}) for connector in self.connectors())):
            self.dead.table(parted)
        for ends in ((1.0, 1.0), *ENDS):
            self.at_rest(*ends)
        self.silent(range(len(self.cars)))
        if len(self.cars) <= WHOLE:
            self.alike_at_rest(np.arange(len(self.cars)))

    @cached_property
    def prior(self) -> Floats:
        """One weight for every kind of fault at every place, shared by the severities that are tried there."""
        families = ["" if fault is None else family(fault) for fault in self.faults]
        counts: dict[str, int] = {}
        for name in families:
            counts[name] = counts.get(name, 0) + 1
        prior = np.array([1.0 / counts[name] for name in families])
        prior[0] = HEALTHY_WEIGHT
        return prior

    @cached_property
    def dead(self) -> DeadTables:
        """The tables of resistances."""
        return DeadTables(self.cars)

    @cached_property
    def _live(self) -> LiveTable:
        return LiveTable(self.cars)

    def at_rest(self, wire: float = 1.0, terminator: float = 1.0) -> AtRest:
        """Every hypothesis with battery and ignition on and nobody sending, all wires and terminators scaled."""
        if (wire, terminator) not in self._rest:
            self._rest[wire, terminator] = self._live.at_rest(
                self.points, wire_factor=wire, terminator_factor=terminator
            )
        return self._rest[wire, terminator]

    def silent(self, numbers: Sequence[int] | Ints) -> list[frozenset[str]]:
        """Who is silent at the roll call with each of these hypotheses."""
        return [self._book.silent(int(number)) for number in numbers]

    def surely_silent(self, numbers: Sequence[int] | Ints) -> list[frozenset[str]]:
        """Who cannot answer the roll call with each of these hypotheses, whatever happens; nothing is run for it."""
        return [self._book.surely_silent(int(number)) for number in numbers]

    @cached_property
    def _book(self) -> SilenceBook:
        from simulator.silence import SilenceBook  # only here, because it loads all that runs

        return SilenceBook(self.cars)

    # -- one reading --------------------------------------------------------------------------------------------

    def misfit(self, reading: Taken, among: Sequence[int] | Ints) -> Floats:
        """How far each hypothesis is from a reading: 0 at its expected value, 1 at its range's end, inf beyond."""
        among = np.asarray(among, np.int64)
        if isinstance(reading, CallTaken):
            fits = [self._answers(number, reading) for number in among.tolist()]
            return np.where(np.array(fits, bool), 0.0, math.inf)
        if isinstance(reading, VoltsTaken):
            return self._volts_misfit(reading, among)
        result = np.full(len(among), math.inf)
        near = self.near(reading, among)
        if near.any():
            result[near] = self._ohms_misfit(reading, among[near])
        return result

    def near(self, reading: Taken, among: Ints) -> NDArray[np.bool_]:
        """Which hypotheses may fit a reading, or be alike to one that does: a cheap look that lets too many pass."""
        if isinstance(reading, CallTaken):
            # Nothing is run for who cannot be silent so.
            return np.array([self._book.surely_silent(number) <= reading.silent for number in among.tolist()], bool)
        if isinstance(reading, VoltsTaken):
            return np.isfinite(self._volts_misfit(reading, among, slack=VOLT_SLACK))
        nominal = self._ohms(reading, among)
        if reading.ohm > OPEN_OHM:
            return nominal > OPEN_OHM / 1.1
        # No part is off by more than 5 %, the meter by 1 %.
        with np.errstate(invalid="ignore"):
            return np.abs(reading.ohm - nominal) <= 0.07 * nominal + METER_OHM + 0.01

    def _ohms(self, reading: OhmsTaken, among: Ints) -> Floats:
        found: Floats = self.dead.ohms(reading.condition, [reading.red, reading.black], among)[:, 0, 1]
        return found

    def _ohms_misfit(self, reading: OhmsTaken, among: Ints) -> Floats:
        points, nominal = [reading.red, reading.black], self._ohms(reading, among)
        least, greatest = (part[:, 0, 1] for part in self.dead.ranges(reading.condition, points, among))
        if reading.ohm > OPEN_OHM:
            return np.where(holding(least, greatest, None, 0.0), 0.0, math.inf)
        return _distance(reading.ohm, nominal, least, greatest, SAME_OHM)

    def _volts_misfit(self, reading: VoltsTaken, among: Ints, slack: float = 0.0) -> Floats:
        nominal, *ends = (
            self.at_rest(*factors).between(reading.red, reading.black)[among] for factors in ((1.0, 1.0), *ENDS)
        )
        least, greatest = np.minimum(nominal, np.minimum(*ends)), np.maximum(nominal, np.maximum(*ends))
        slack = slack + VOLT_SLACK + METER_TOLERANCE * np.maximum(np.abs(least), np.abs(greatest))
        toward = np.where(self._hanging[among], 0.0, 1.0 - LOADED_PART)
        least, greatest = np.minimum(least, least * toward) - slack, np.maximum(greatest, greatest * toward) + slack
        for n in np.flatnonzero(self._hanging[among] & (least <= reading.volt) & (reading.volt <= greatest)):
            part = self._load(int(among[n]), reading.red, reading.black)
            nominal[n] *= part
            lowest, highest = (pick(end[n] for end in ends) * part for pick in (min, max))
            least[n], greatest[n] = min(nominal[n], lowest) - slack[n], max(nominal[n], highest) + slack[n]
        return _distance(reading.volt, nominal, least, greatest, SAME_VOLT)

    @cached_property
    def _hanging(self) -> NDArray[np.bool_]:
        """Which hypotheses leave a line or a supply to inputs alone, so that a voltmeter pulls it down."""
        awake = (self.at_rest().states == STATES.index(ModuleState.AWAKE)).all(axis=1)
        parted = [
            any(isinstance(d, PinSeries | RunSeries | SupplySeries) and d.ohm > HANGING_OHM for d in car.deviations)
            for car in self.cars
        ]
        return ~awake | np.array(parted, bool)

    def _load(self, number: int, red: Point, black: Point) -> float:
        """The part of a voltage that a meter's 10 Mohm leave, with one hypothesis; asked of its circuit once."""
        key = (number, red, black)
        if key not in self._loads:
            car = self.cars[number]
            bare, loaded = (
                Circuit(car, meter=meter).volts().between(red, black) for meter in (None, (red, black, INPUT_OHM))
            )
            self._loads[key] = loaded / bare if bare else 1.0
        return self._loads[key]

    def moving(self, readings: Sequence[Taken]) -> list[bool]:
        """Which hypotheses change the value of any of these readings by more than a meter's last digits."""
        moved = np.zeros(len(self.cars), bool)
        everything = np.arange(len(self.cars))
        for reading in readings:
            if isinstance(reading, CallTaken):
                silent = self.silent(everything)
                moved |= np.array([one != silent[0] for one in silent])
                continue
            volts = isinstance(reading, VoltsTaken)
            values = self.at_rest().between(reading.red, reading.black) if volts else self._ohms(reading, everything)
            shown = np.minimum(values, OPEN_OHM)
            least = VOLT_SLACK if volts else METER_OHM
            moved |= np.abs(shown - shown[0]) > least + METER_TOLERANCE * np.abs(shown[0])
        return moved.tolist()

    # -- all readings -------------------------------------------------------------------------------------------

    def against(self, readings: Sequence[Taken], *, sort: bool = True) -> Fits:
        """Hold every hypothesis against the readings; ``sort`` what fits into groups and say what to read next.

        What no reading tells apart fits or goes out together, so that chance at the end of a range never divides it.
        """
        # Roll calls last: each that must be run costs more than all the others.
        order = sorted(readings, key=lambda reading: (OhmsTaken, VoltsTaken, CallTaken).index(type(reading)))
        left = np.arange(len(self.cars))
        lost_to = np.full(len(self.cars), -1)
        for turn, reading in enumerate(order):
            near = self.near(reading, left)
            lost_to[left[~near]] = turn
            left = left[near]
        group_of = self.alike_at_rest(left)
        total = np.zeros(len(left))
        for turn, reading in enumerate(order):
            misfit = self.misfit(reading, left)
            if not isinstance(reading, CallTaken):
                # A group is as near as the nearest of its members.
                misfit = _least_of_group(misfit, group_of)
            lost = np.isinf(misfit)
            lost_to[left[lost]] = turn
            left, group_of, total = left[~lost], group_of[~lost], total[~lost] + misfit[~lost] ** 2
        # A range's end counts as two standard deviations.
        weight = self.prior[left] * np.exp(-2.0 * total)
        weight = weight / weight.sum() if len(left) else weight
        result = Fits(out=[(self.names[n], order[turn].text) for n, turn in enumerate(lost_to.tolist()) if turn >= 0])
        best = np.lexsort((left, -weight))
        result.fits = [(self.names[left[n]], float(weight[n])) for n in best]
        if not sort:
            return result
        grouped: dict[int, list[int]] = {}
        group_of = self.groups(left)
        for n in best:
            grouped.setdefault(int(group_of[n]), []).append(int(n))
        result.groups = [[self.names[left[n]] for n in members] for members in grouped.values()]
        if not len(left):
            result.contradicting = self._contradicting(readings)
        elif len(grouped) > 1:
            from lab.nextreading import next_reading

            heads = [int(left[members[0]]) for members in grouped.values()]
            share = [float(weight[members].sum()) for members in grouped.values()]
            result.splitting = next_reading(self, heads, share, [reading.text for reading in readings])
        return result

    def _contradicting(self, readings: Sequence[Taken]) -> list[str]:
        """The readings without any one of which something would fit again."""
        everything = np.arange(len(self.cars))
        calls = [reading for reading in readings if isinstance(reading, CallTaken)]
        fitting = [
            None if isinstance(reading, CallTaken) else np.isfinite(self.misfit(reading, everything))
            for reading in readings
        ]
        found = []
        for number, reading in enumerate(readings):
            others = [fits for other, fits in enumerate(fitting) if other != number and fits is not None]
            left = everything[np.logical_and.reduce(others)] if others else everything
            wanted = [call for call in calls if call is not reading]
            # One that fits is enough, and the healthy vehicle comes first.
            if any(all(self._answers(one, call) for call in wanted) for one in left.tolist()):
                found.append(reading.text)
        return found

    def _answers(self, number: int, call: CallTaken) -> bool:
        """Whether a hypothesis fits a roll call; it is run only where it may."""
        book = self._book
        for least in (book.surely_silent, book.least_silent):
            if not least(number) <= call.silent:
                return False
        return book.silent(number) == call.silent

    # -- what no reading tells apart ----------------------------------------------------------------------------

    def groups(self, numbers: Ints) -> Ints:
        """The group of each of these hypotheses, as a number: what no reading anywhere tells apart has the same.

        Compared are all voltages with nobody sending, all resistances between probe points with nothing, any one
        module, or any one connector apart, and the roll call.
        """
        kinds: dict[tuple[int, frozenset[str]], int] = {}
        found = np.zeros(len(numbers), np.int64)
        groups = self.alike_at_rest(numbers)
        doing = np.array([self._doing(number) for number in numbers.tolist()], bool)
        for group in np.unique(groups):
            members = np.flatnonzero(groups == group)
            silent = [frozenset[str]()] * len(members)
            if len(members) > 1 and doing[members].any():
                # Of those that differ in nothing the roll call could show, one is asked for all.
                quiet = numbers[members[~doing[members]]][:1]
                asked = np.where(doing[members], numbers[members], quiet[0] if len(quiet) else -1)
                silent = self.silent(asked)
            for member, one in zip(members, silent, strict=True):
                found[member] = kinds.setdefault((int(group), one), len(kinds))
        return found

    def _doing(self, number: int) -> bool:
        """Whether two circuits alike at rest may differ in who hears whom: by what modules do, and by long stubs."""
        return any(isinstance(item, _DOING) for item in self.cars[number].deviations)

    def alike_at_rest(self, numbers: Ints) -> Ints:
        """Likewise by voltages and resistances alone, which the roll call never joins again."""
        if "_all_alike" in self.__dict__ or FEW < len(numbers) <= len(self.cars) <= WHOLE:
            return self._all_alike[numbers]
        return self._sorted_out(numbers)

    @cached_property
    def _all_alike(self) -> Ints:
        return self._sorted_out(np.arange(len(self.cars)))

    def _sorted_out(self, numbers: Ints) -> Ints:
        groups = [numbers.tolist()]
        rest = self.at_rest()
        volts = np.where(rest.island < 0, rest.volt, 0.0)[:, : len(self.points)]
        groups = _refine(groups, lambda some: volts[some], SAME_VOLT)
        below = np.tril_indices(len(self.points), -1)
        for parted in (frozenset[Connector](), *(frozenset({connector}) for connector in self.connectors())):
            modules = () if parted else self.vehicle.modules
            for unplugged in (frozenset[str](), *(frozenset({module}) for module in modules)):

                def rows(
                    some: Ints, parted: frozenset[Connector] = parted, unplugged: frozenset[str] = unplugged
                ) -> Floats:
                    found: Floats = self.dead.table(parted).resistances(self.points, unplugged=unplugged, among=some)
                    return found[:, below[0], below[1]]

                groups = _refine(groups, rows, SAME_OHM)
        turn = {number: at for at, group in enumerate(sorted(sorted(group) for group in groups)) for number in group}
        return np.array([turn[number] for number in numbers.tolist()], np.int64)

    def connectors(self) -> list[Connector]:
        """Every in-line connector, as (network, place)."""
        return [(name, parting.at) for name, network in self.vehicle.networks.items() for parting in network.parting]


#: Pairs are made of these kinds only, each with these ohms: what is most often found two at a time (own choice).
PAIR_KINDS = (
    "open",
    "resistance",
    "short",
    "crossed",
    "missing_terminator",
    "wrong_terminator",
    "extra_terminator",
    "power_dropout",
    "ground_dropout",
    "wake_dropout",
    "dead_module",
)
PAIR_OHMS = (1.0, 100.0)
#: Of more single faults than these, pairs are not tried.
MOST_IN_PAIRS = 300


class PairsOfFaults(WhatFits):
    """Pairs of faults of a coarse catalogue; those that contradict each other are left out."""

    def __init__(self, vehicle: Vehicle, singles: Sequence[Fault]) -> None:
        super().__init__(vehicle, ())
        self._weights = [0.0]
        for one, other in combinations(singles, 2):
            try:
                car = other.apply(one.apply(vehicle))
            except BadRequest:
                continue
            self.cars.append(car)
            self.names.append(f"{one} + {other}")
            self._weights.append(1.0)

    @cached_property
    def prior(self) -> Floats:
        """All pairs weigh the same; no fault at all is not asked here."""
        return np.array(self._weights)


def pairs_that_fit(vehicle: Vehicle, readings: Sequence[Taken]) -> Fits:
    """Pairs of faults that fit readings: of those single faults that change any value read, a coarse list.

    Raises BadRequest where the vehicle has too many faults for that.
    """
    singles = fault_room.catalogue(vehicle.as_drawn(), ohms=PAIR_OHMS, kinds=PAIR_KINDS)
    alone = WhatFits(vehicle, singles)
    moved = alone.moving(readings)
    chosen = [fault for fault, moves in zip(alone.faults, moved, strict=True) if fault is not None and moves]
    if len(chosen) > MOST_IN_PAIRS:
        raise BadRequest(f"{len(chosen)} faults touch these readings, too many to try in pairs; leave --pairs out")
    return PairsOfFaults(vehicle, chosen).against(readings, sort=False)


def family(fault: Fault) -> str:
    """The kind of a fault and its place: what it is but for its ohm."""
    return " ".join(word for word in str(fault).split(" ") if not word.startswith("ohm="))


def _refine(groups: Sequence[Sequence[int]], rows: Callable[[Ints], Floats], same: float) -> list[list[int]]:
    """Divide groups by rows of readings, asked for (in rising order) only where a group has more than one member."""
    open_ones = [group for group in groups if len(group) > 1]
    if not open_ones:
        return [list(group) for group in groups]
    some = np.array(sorted(number for group in open_ones for number in group), np.int64)
    at = {number: n for n, number in enumerate(some.tolist())}
    parts = split([[at[number] for number in group] for group in open_ones], rows(some), same)
    done = [list(group) for group in groups if len(group) == 1]
    return sorted(done + [[int(some[n]) for n in part] for part in parts])


def _least_of_group(values: Floats, group_of: Ints) -> Floats:
    """For every entry the least value in its group."""
    if not len(values):
        return values
    _, turn = np.unique(group_of, return_inverse=True)
    least = np.full(int(turn.max()) + 1, math.inf)
    np.minimum.at(least, turn, values)
    result: Floats = least[turn]
    return result


def _distance(value: float, nominal: Floats, least: Floats, greatest: Floats, same: float) -> Floats:
    """How far a value is from the nominal one as part of the way to the range's end; inf beyond it."""
    with np.errstate(invalid="ignore", divide="ignore"):
        reach = np.where(value >= nominal, greatest - nominal, nominal - least)
        part = np.abs(value - nominal) / np.maximum(reach, same)
        # As far as two members of a group may be apart, both being alike to a third.
        slack = 2 * (same + SAME * np.abs(nominal))
        inside = (least - slack <= value) & (value <= greatest + slack) & (nominal <= OPEN_OHM)
    return np.where(inside, np.minimum(part, 1.0), math.inf)
