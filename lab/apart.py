"""What would tell two vehicles apart: the readings a thorough student could take, and the cheapest one that does."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from faults import Fault
from lab.bench import ENDS, SLACK, Bench, Traffic
from lab.deadtables import DeadTables, Floats
from lab.possible import LIVE
from lab.tester import told_by
from simulator.calculator import METER_TOLERANCE, OPEN_OHM, VOLT_SLACK
from simulator.circuit.live import LiveTable
from simulator.condition import DEAD, Condition
from simulator.deviations import LINES
from simulator.errors import BadRequest
from simulator.probes import BODY, POSITIVE, Point, parse_probe, probe_name, probe_points
from simulator.vehicle import Vehicle

_EVERY_INSTRUMENT = ("ohms", "volts", "call")
_EVERY_ACTION = ("unplug", "part", "battery", "ignition", "covers", "config")


@dataclass(frozen=True)
class Standing:
    """Where a student stands: the plugs reached, whether the covers are off, and the state of the car."""

    reached: frozenset[str] = frozenset()
    covers_off: bool = False
    condition: Condition = LIVE


@dataclass(frozen=True)
class Measure:
    """A reading that could be taken: ohms, volts, call or config, in a condition, the first two between two points."""

    kind: str
    condition: Condition
    red: Point = BODY
    black: Point = BODY

    def named(self, vehicle: Vehicle) -> str:
        """As one would type it, with what must be done before."""
        if self.kind in ("call", "config"):
            return self.kind
        condition = self.condition
        words = [f"with {name} unplugged" for name in sorted(condition.unplugged)]
        if len(words) > 3:
            words = ["with every module unplugged"] if len(words) == len(vehicle.modules) else words
        words += [f"with {place} parted" for _, place in sorted(condition.parted)]
        words += ["with the ignition on"] if self.kind == "ohms" and condition.ignition_on else []
        return " ".join([self.kind, probe_name(vehicle, self.red), probe_name(vehicle, self.black), *words])

    def cost(self, vehicle: Vehicle, standing: Standing) -> tuple[float, frozenset[str]]:
        """Minutes from where the student stands, each way counted once, and the actions it takes."""
        now, then = standing.condition, self.condition
        verbs = ["battery"] if now.battery_on != then.battery_on else []
        verbs += ["ignition"] if now.ignition_on != then.ignition_on else []
        verbs += ["unplug"] * len(then.unplugged - now.unplugged) + ["plug"] * len(now.unplugged - then.unplugged)
        verbs += ["part"] * len(then.parted - now.parted) + ["join"] * len(now.parted - then.parted)
        ends = [point for point in (self.red, self.black) if point[0] in ("place", "off")]
        bare = {point[1:3] for point in ends if point[2] not in vehicle.modules} | (then.parted - now.parted)
        if not standing.covers_off and any(place != vehicle.networks[net].socket for net, place in bare):
            verbs.append("covers")
        ways = {point[2] for point in ends if point[2] in vehicle.modules} | (then.unplugged - now.unplugged)
        ways |= {point[1] for point in (self.red, self.black) if point[0] in ("supply", "wake", "ground")}
        minutes = sum(vehicle.modules[name].reach_minutes for name in ways - standing.reached)
        minutes += sum(vehicle.action_minutes(verb) for verb in verbs)
        minutes += vehicle.action_minutes(self.kind if self.kind in ("call", "config") else "read")
        verbs += ["config"] if self.kind == "config" else []
        return minutes, frozenset({"plug": "unplug", "join": "part"}.get(verb, verb) for verb in verbs)


def survey(vehicle: Vehicle, instruments: Sequence[str], actions: Sequence[str]) -> Iterator[Measure]:
    """The readings that a thorough student would take with these instruments and actions."""
    if "call" in instruments:
        yield Measure("call", LIVE)
    if "config" in actions:
        yield Measure("config", LIVE)
    if "volts" in instruments:
        for red, black in _live_pairs(vehicle):
            yield Measure("volts", LIVE, red, black)
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
            for red, black in _dead_pairs(vehicle):
                if not condition.ignition_on or red[0] in ("supply", "wake"):  # the key matters to feeds only
                    yield Measure("ohms", condition, red, black)


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


def _dead_pairs(vehicle: Vehicle) -> Iterator[tuple[Point, Point]]:
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


class _Outcomes:
    """What the first of several vehicles reads against each of the others, computed when asked for."""

    def __init__(self, benches: Sequence[Bench]) -> None:
        self._benches = benches
        self._cars = [bench.vehicle for bench in benches]
        self._points = [parse_probe(self._cars[0], name) for name in probe_points(self._cars[0])]
        self._at = {point: n for n, point in enumerate(self._points)}
        self._dead = DeadTables(self._cars)
        self._ranges: dict[Condition, tuple[Floats, Floats]] = {}

    @cached_property
    def _rest(self) -> list[tuple[Floats, NDArray[np.int64]]]:
        live = LiveTable(self._cars)
        found = [live.at_rest(self._points, wire_factor=wire, terminator_factor=end) for wire, end in ENDS]
        return [(rest.volt, rest.island) for rest in found]

    def apart(self, measure: Measure, number: int) -> bool:
        """Whether a reading surely differs between the first vehicle and the one of that number."""
        one, other = self._benches[0], self._benches[number]
        if measure.kind == "call":
            return set(one.silent(measure.condition)) != set(other.silent(measure.condition))
        if measure.kind == "config":
            silent = {*one.silent(measure.condition), *other.silent(measure.condition)}
            asked = [name for name in one.vehicle.modules if name not in silent]
            return any(told_by(one.vehicle, name) != told_by(other.vehicle, name) for name in asked)
        if measure.kind == "ohms":
            if measure.condition not in self._ranges:
                self._ranges[measure.condition] = self._dead.ranges(measure.condition, self._points)
            red, black = self._at[measure.red], self._at[measure.black]
            least, greatest = (part[[0, number], red, black] for part in self._ranges[measure.condition])
            if greatest.min() > OPEN_OHM:
                return False
            return bool(least[0] > greatest[1] + SLACK or least[1] > greatest[0] + SLACK)
        if not self._may_be_apart(measure, number):
            return False
        ends = (measure.condition, measure.red, measure.black)
        return one.volts(*ends, quiet=True).apart(other.volts(*ends, quiet=True))

    def _may_be_apart(self, measure: Measure, number: int) -> bool:
        """A cheap look without the meter's own resistance."""
        red, black = self._at[measure.red], self._at[measure.black]
        volts = np.array(
            [
                np.where(island[:, red] == island[:, black], volt[:, red] - volt[:, black], 0.0)[[0, number]]
                for volt, island in self._rest
            ]
        )
        return bool(abs(volts[0, 0] - volts[0, 1]) > VOLT_SLACK + METER_TOLERANCE * np.abs(volts).min())


def separating(
    benches: Sequence[Bench], instruments: Sequence[str], actions: Sequence[str], standing: Standing
) -> list[tuple[str, float] | None]:
    """For each vehicle but the first: the cheapest reading that gives it away against the first, and its minutes.

    None where nothing allowed does. Voltages are taken on a quiet network: what only shows in the mean over live
    traffic does not count.
    """
    vehicle = benches[0].vehicle
    priced = []
    for measure in survey(vehicle, instruments, actions):
        minutes, needed = measure.cost(vehicle, standing)
        if needed <= {*actions}:
            priced.append((minutes, measure))
    priced.sort(key=lambda item: item[0])
    outcomes = _Outcomes(benches)
    found: list[tuple[str, float] | None] = [None] * (len(benches) - 1)
    for minutes, measure in priced:
        open_ones = [number for number, reading in enumerate(found, 1) if reading is None]
        if not open_ones:
            break
        for number in open_ones:
            if outcomes.apart(measure, number):
                found[number - 1] = (measure.named(vehicle), minutes)
    return found


def findable(vehicle: Vehicle, fault: Fault, healthy: Bench, traffic: Traffic) -> bool:
    """Whether anything a student can measure differs from the healthy vehicle."""
    try:
        sick = Bench(fault.apply(vehicle), traffic)
    except BadRequest:
        return False
    return separating([healthy, sick], _EVERY_INSTRUMENT, _EVERY_ACTION, Standing())[0] is not None
