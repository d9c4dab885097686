"""What fits? Readings taken on a vehicle, held against every single fault it could have."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

import faults as fault_room
from faults import Fault
from simulator.calculator import (
    METER_OHM,
    METER_TOLERANCE,
    OPEN_OHM,
    TERMINATOR_TOLERANCE,
    VOLT_SLACK,
    WIRE_TOLERANCE,
)
from simulator.circuit import Circuit, FaultTable
from simulator.deviations import LINES, Behaviour, Crossing, SilentMessage
from simulator.errors import BadRequest
from simulator.probes import BODY, Point, parse_probe, probe_name, probe_points
from simulator.rollcall import SilenceBook
from simulator.vehicle import Vehicle

Floats = NDArray[np.float64]
Connector = tuple[str, str]
HEALTHY = "healthy"
#: Before any reading, no fault weighs as much as so many kinds of fault at one place (own choice).
HEALTHY_WEIGHT = 20.0
#: Two faults whose readings are this close everywhere are the same to any meter: part of the value, and least step.
SAME = 1e-5
SAME_OHM = 1e-4
SAME_VOLT = 1e-4
#: Faults that may leave every resistance and quiet voltage as it is and still change who answers.
_DOING = (Behaviour, Crossing, SilentMessage)


@dataclass(frozen=True)
class OhmsTaken:
    """A resistance read with the battery off, in ohm (inf: OL), modules unplugged, connectors parted."""

    red: Point
    black: Point
    ohm: float
    unplugged: frozenset[str] = frozenset()
    parted: frozenset[tuple[str, str]] = frozenset()
    text: str = ""


@dataclass(frozen=True)
class VoltsTaken:
    """A voltage read with battery and ignition on and nobody sending, in volt."""

    red: Point
    black: Point
    volt: float
    text: str = ""


@dataclass(frozen=True)
class CallTaken:
    """A roll call with battery and ignition on: who was silent; all others answered."""

    silent: frozenset[str]
    text: str = ""


Taken = OhmsTaken | VoltsTaken | CallTaken


def parse_reading(vehicle: Vehicle, text: str) -> Taken:
    """A reading as typed: ``ohms DLC.high DLC.low 120 unplug=CLU``, ``volts GBX.supply battery.negative 12.4``,
    ``call silent=GBX``.

    Raises BadRequest or UnknownName, saying what to write instead.
    """
    words = text.split()
    kind, rest = (words[0], words[1:]) if words else ("", [])
    if kind == "call":
        return _parse_call(vehicle, rest, text)
    if kind not in ("ohms", "volts"):
        raise BadRequest(f"a reading begins with ohms, volts or call, not with '{kind}'")
    plain = [word for word in rest if "=" not in word]
    options = [word.partition("=") for word in rest if "=" in word]
    if len(plain) != 3:
        raise BadRequest(f"'{text}': write {kind} RED BLACK VALUE, as in '{kind} DLC.high DLC.low 60'")
    red, black = (parse_probe(vehicle, name) for name in plain[:2])
    value = _number(plain[2], kind)
    if kind == "volts":
        if options:
            raise BadRequest(f"'{text}': a voltage is read with everything plugged in; leave {options[0][0]}= out")
        return VoltsTaken(red, black, value, text)
    unplugged: set[str] = set()
    parted: set[tuple[str, str]] = set()
    for key, _, names in options:
        for name in names.split(","):
            if key == "unplug":
                unplugged.add(vehicle.module(name).name)
            elif key == "part":
                parted |= parted_at(vehicle, name)
            else:
                raise BadRequest(f"'{text}': no option '{key}'; write unplug=MODULE or part=PLACE")
    return OhmsTaken(red, black, value, frozenset(unplugged), frozenset(parted), text)


def parted_at(vehicle: Vehicle, place: str) -> set[tuple[str, str]]:
    """The connectors of a place, as (network, place), on every network that has one there. Raises BadRequest."""
    found = {(name, place) for name, network in vehicle.networks.items() if network.parting_at(place)}
    if not found:
        known = sorted({p.at for network in vehicle.networks.values() for p in network.parting})
        raise BadRequest(f"there is no connector to part at {place}; known: {', '.join(known) or 'none'}")
    return found


def _parse_call(vehicle: Vehicle, words: Sequence[str], text: str) -> CallTaken:
    key, _, names = words[0].partition("=") if len(words) == 1 else ("", "", "")
    if key != "silent":
        raise BadRequest(f"'{text}': write call silent=GBX,CLU, or call silent= where all answer")
    return CallTaken(frozenset(vehicle.module(name).name for name in names.split(",") if name), text)


def _number(text: str, kind: str) -> float:
    if kind == "ohms" and text.upper() == "OL":
        return math.inf
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        unit = "ohm, or OL" if kind == "ohms" else "volt"
        raise BadRequest(f"'{text}' is no reading: write a plain number in {unit}")
    return value


@dataclass
class Fits:
    """Faults that fit with their weights, best first; those out, by which reading; groups; what to read next.

    ``contradicting``: where nothing fits, the readings without any one of which something would.
    """

    fits: list[tuple[str, float]] = field(default_factory=list)
    out: list[tuple[str, str]] = field(default_factory=list)
    groups: list[list[str]] = field(default_factory=list)
    splitting: str | None = None
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
        self._tables: dict[frozenset[tuple[str, str]], FaultTable] = {}
        self._silent: dict[int, frozenset[str]] = {}
        self._book = SilenceBook()
        self._circuits: dict[int, tuple[Circuit, Circuit, Circuit]] = {}

    @cached_property
    def _prior(self) -> Floats:
        """One weight for every kind of fault at every place, shared by the severities that are tried there."""
        families = ["" if fault is None else _family(fault) for fault in self.faults]
        counts: dict[str, int] = {}
        for family in families:
            counts[family] = counts.get(family, 0) + 1
        prior = np.array([1.0 / counts[family] for family in families])
        prior[0] = HEALTHY_WEIGHT
        return prior

    def table(self, parted: frozenset[tuple[str, str]]) -> FaultTable:
        """The table of resistances with these connectors parted."""
        if parted not in self._tables:
            self._tables[parted] = FaultTable(self.cars, parted)
        return self._tables[parted]

    def silent(self, number: int) -> frozenset[str]:
        """Who is silent at the roll call with hypothesis ``number``."""
        if number not in self._silent:
            self._silent[number] = self._book.silent(self.cars[number])
        return self._silent[number]

    def _live(self, number: int) -> tuple[Circuit, Circuit, Circuit]:
        """The circuit with battery and ignition on: nominal, and with every part at either end of its tolerance."""
        if number not in self._circuits:
            car = self.cars[number]
            low, high = (
                Circuit(car, wire_factor=1 + s * WIRE_TOLERANCE, terminator_factor=1 + s * TERMINATOR_TOLERANCE)
                for s in (-1, 1)
            )
            self._circuits[number] = (Circuit(car), low, high)
        return self._circuits[number]

    # -- one reading --------------------------------------------------------------------------------------------

    def misfit(self, reading: Taken, among: Sequence[int]) -> Floats:
        """How far each hypothesis is from a reading: 0 at its expected value, 1 at its range's end, inf beyond."""
        if isinstance(reading, OhmsTaken):
            return self._ohms_misfit(reading, among)
        result = np.full(len(among), math.inf)
        for position, number in enumerate(among):
            if isinstance(reading, CallTaken):
                if self.silent(number) == reading.silent:
                    result[position] = 0.0
            else:
                result[position] = self._volt_misfit(reading, number)
        return result

    def _ohms_misfit(self, reading: OhmsTaken, among: Sequence[int]) -> Floats:
        table = self.table(reading.parted)
        ends = [reading.red, reading.black]
        nominal, least, greatest = (
            table.resistances(
                ends,
                unplugged=reading.unplugged,
                wire_factor=1 + sign * WIRE_TOLERANCE,
                terminator_factor=1 + sign * TERMINATOR_TOLERANCE,
            )[list(among), 0, 1]
            for sign in (0, -1, 1)
        )
        least = least * (1 - METER_TOLERANCE) - METER_OHM
        greatest = greatest * (1 + METER_TOLERANCE) + METER_OHM
        if reading.ohm > OPEN_OHM:
            return np.where(greatest > OPEN_OHM, 0.0, math.inf)
        return _distance(reading.ohm, nominal, least, greatest, SAME_OHM)

    def _volt_misfit(self, reading: VoltsTaken, number: int) -> float:
        volts = [circuit.volts().between(reading.red, reading.black) for circuit in self._live(number)]
        slack = VOLT_SLACK + METER_TOLERANCE * abs(volts[0])
        nominal, least, greatest = (np.array([v]) for v in (volts[0], min(volts) - slack, max(volts) + slack))
        return float(_distance(reading.volt, nominal, least, greatest, SAME_VOLT)[0])

    # -- all readings -------------------------------------------------------------------------------------------

    def against(self, readings: Sequence[Taken], *, suggest: bool = True) -> Fits:
        """Hold every hypothesis against the readings; resistances first, because they are quickest."""
        order = sorted(readings, key=lambda reading: (OhmsTaken, CallTaken, VoltsTaken).index(type(reading)))
        left = list(range(len(self.cars)))
        distance = np.zeros(len(self.cars))
        result = Fits()
        for reading in order:
            misfit = self.misfit(reading, left)
            for number, value in zip(left, misfit, strict=True):
                if math.isinf(value):
                    result.out.append((self.names[number], reading.text))
                distance[number] += value**2
            left = [number for number, value in zip(left, misfit, strict=True) if not math.isinf(value)]
        # A range's end counts as two standard deviations.
        weight = self._prior[left] * np.exp(-2.0 * distance[left])
        weight = weight / weight.sum() if len(left) else weight
        best = sorted(zip(left, weight, strict=True), key=lambda pair: (-pair[1], pair[0]))
        result.fits = [(self.names[number], float(share)) for number, share in best]
        grouped = self.groups([number for number, _ in best])
        result.groups = [[self.names[number] for number in group] for group in grouped]
        if not left:
            result.contradicting = self._contradicting(readings)
        elif suggest and len(grouped) > 1:
            result.splitting = self.next_reading(grouped, dict(zip(left, weight.tolist(), strict=True)))
        return result

    def _contradicting(self, readings: Sequence[Taken]) -> list[str]:
        """The readings without any one of which something would fit again."""
        everything = list(range(len(self.cars)))
        fitting = [np.isfinite(self.misfit(reading, everything)) for reading in readings]
        found = []
        for number, reading in enumerate(readings):
            others = [fits for other, fits in enumerate(fitting) if other != number]
            if not others or np.logical_and.reduce(others).any():
                found.append(reading.text)
        return found

    # -- what no reading tells apart ----------------------------------------------------------------------------

    def groups(self, numbers: Sequence[int]) -> list[list[int]]:
        """The hypotheses in groups that no reading anywhere tells apart, in the order given.

        Compared are all resistances between probe points with nothing, any one module, or any one connector apart, all
        voltages with nobody sending, and the roll call.
        """
        if not numbers:
            return []
        points = [parse_probe(self.vehicle, name) for name in probe_points(self.vehicle)]
        below = np.tril_indices(len(points), -1)
        cars = [self.cars[number] for number in numbers]
        groups = [list(range(len(numbers)))]
        for parted in (frozenset[Connector](), *(frozenset({connector}) for connector in self._connectors())):
            table = FaultTable(cars, parted)
            modules = () if parted else self.vehicle.modules
            for unplugged in (frozenset[str](), *(frozenset({module}) for module in modules)):
                groups = _split(groups, table.resistances(points, unplugged=unplugged)[:, below[0], below[1]], SAME_OHM)
        volts = np.zeros((len(numbers), len(points)))
        for n in (n for group in groups if len(group) > 1 for n in group):
            volts[n] = self._node_volts(numbers[n], points)
        groups = _split(groups, volts, SAME_VOLT)
        # Two circuits alike in all that could tell who hears whom only by what their modules do.
        names = sorted(self.vehicle.modules)
        rolls = np.zeros((len(numbers), len(names)))
        for group in groups:
            doing = [n for n in group if any(isinstance(item, _DOING) for item in cars[n].deviations)]
            for n in group if doing else ():
                silent = self.silent(numbers[n if n in doing else group[0]])
                rolls[n] = [1.0 if name in silent else 0.0 for name in names]
        return [[numbers[n] for n in group] for group in _split(groups, rolls, 0.5)]

    def _connectors(self) -> list[Connector]:
        return [(name, parting.at) for name, network in self.vehicle.networks.items() for parting in network.parting]

    def _node_volts(self, number: int, points: Sequence[Point]) -> Floats:
        volts = self._live(number)[0].volts()
        return np.array([volts.between(point, BODY) for point in points])

    # -- what to read next --------------------------------------------------------------------------------------

    def next_reading(self, groups: Sequence[Sequence[int]], weight: Mapping[int, float]) -> str | None:
        """The reading that divides the weight of these groups best, as one would type it; None where none does.

        Tried are the roll call, voltages to the body, and resistances between the lines of every place and from every
        line to its socket, as it is and with any one module unplugged.
        """
        heads = [group[0] for group in groups]
        share = np.array([sum(weight[number] for number in group) for group in groups])
        found = [(_bits(share, [self.silent(number) for number in heads]), "call")]
        points = [parse_probe(self.vehicle, name) for name in probe_points(self.vehicle)]
        volts = np.array([self._node_volts(number, points) for number in heads])
        for n, point in enumerate(points):
            name = f"volts {probe_name(self.vehicle, point)} battery.negative"
            found.append((_bits(share, _classes(volts[:, n], METER_TOLERANCE, 2 * VOLT_SLACK)), name))
        table = FaultTable([self.cars[number] for number in heads])
        pairs = self._useful_pairs()
        places = sorted({point for pair in pairs for point in pair})
        at = {point: n for n, point in enumerate(places)}
        for unplugged in (frozenset[str](), *(frozenset({module}) for module in self.vehicle.modules)):
            ohms = np.minimum(table.resistances(places, unplugged=unplugged), OPEN_OHM)
            state = "".join(f" unplug={module}" for module in unplugged)
            for red, black in pairs:
                names = " ".join(probe_name(self.vehicle, point) for point in (red, black))
                classes = _classes(ohms[:, at[red], at[black]], WIRE_TOLERANCE, 2 * METER_OHM)
                found.append((_bits(share, classes), f"ohms {names}{state}"))
        bits, text = max(found, key=lambda pair: round(pair[0], 6))
        return text if bits > 1e-9 else None

    def _useful_pairs(self) -> list[tuple[Point, Point]]:
        pairs: list[tuple[Point, Point]] = []
        for network in self.vehicle.networks.values():
            home = network.socket or network.places[0]
            for place in network.places:
                high, low = (("place", network.name, place, line) for line in LINES)
                pairs.append((high, low))
                if place != home:
                    pairs += [
                        (("place", network.name, place, line), ("place", network.name, home, line)) for line in LINES
                    ]
        return pairs


def _family(fault: Fault) -> str:
    return " ".join(word for word in str(fault).split(" ") if not word.startswith("ohm="))


def _distance(value: float, nominal: Floats, least: Floats, greatest: Floats, same: float) -> Floats:
    """How far a value is from the nominal one as part of the way to the range's end; inf beyond it."""
    with np.errstate(invalid="ignore", divide="ignore"):
        reach = np.where(value >= nominal, greatest - nominal, nominal - least)
        part = np.abs(value - nominal) / np.maximum(reach, same)
        inside = (least - same <= value) & (value <= greatest + same) & (nominal <= OPEN_OHM)
    return np.where(inside, np.minimum(part, 1.0), math.inf)


def _split(groups: Sequence[Sequence[int]], rows: Floats, same: float) -> list[list[int]]:
    """Divide groups so that within each all rows are alike, opens included.

    Rows that differ have different sums of weighed logarithms, as good as always; only neighbours in that order are
    compared entry by entry.
    """
    weights = np.cos(np.arange(rows.shape[1]) * 1.7) + 2.0
    key = np.log(np.minimum(np.abs(rows), 10 * OPEN_OHM) + 1.0) @ weights
    slack = weights.sum() * SAME * 2
    result: list[list[int]] = []
    for group in groups:
        if len(group) == 1:
            result.append(list(group))
            continue
        parts: list[list[int]] = []
        recent: list[list[int]] = []
        for number in sorted(group, key=lambda n: (key[n], n)):
            recent = [part for part in recent if key[number] - key[part[-1]] <= slack]
            for part in recent:
                if _alike(rows[part[0]], rows[number], same):
                    part.append(number)
                    break
            else:
                parts.append([number])
                recent.append(parts[-1])
        result += [sorted(part) for part in parts]
    return sorted(result)


def _alike(a: Floats, b: Floats, same: float) -> bool:
    opens = a > OPEN_OHM
    if not np.array_equal(opens, b > OPEN_OHM):
        return False
    a, b = a[~opens], b[~opens]
    return bool(np.all(np.abs(a - b) <= same + SAME * np.abs(a)))


def _classes(values: Floats, part: float, step: float) -> list[int]:
    """Readings that a meter tells apart: in rising order, a new class beyond a part of the value and a step."""
    classes = [0] * len(values)
    current, start = 0, float(np.min(values))
    for n in np.argsort(values, kind="stable"):
        if values[n] > start + 2 * part * abs(start) + step:
            current, start = current + 1, float(values[n])
        classes[n] = current
    return classes


def _bits(share: Floats, outcome: Sequence[object]) -> float:
    """The information a reading gives, in bits: the entropy of its outcomes."""
    totals: dict[object, float] = {}
    for part, kind in zip(share, outcome, strict=True):
        totals[kind] = totals.get(kind, 0.0) + float(part)
    return -sum(total * math.log2(total) for total in totals.values() if total > 0)
