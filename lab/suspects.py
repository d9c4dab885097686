"""Still possible: which single faults of the catalogue would give the readings taken."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator

import faults as fault_room
from faults import Fault
from lab.instruments import INPUT_OHM
from simulator.calculator import (
    METER_TOLERANCE,
    OPEN_OHM,
    TERMINATOR_TOLERANCE,
    VOLT_SLACK,
    WIRE_TOLERANCE,
    worst_case,
)
from simulator.circuit import Circuit
from simulator.condition import Condition
from simulator.deviations import LINES, BatteryValue, Behaviour, GroundShift, SilentMessage
from simulator.errors import BadRequest
from simulator.probes import Point
from simulator.vehicle import Network, Vehicle

#: A reading taken: given a vehicle with a fault in it, would it read so?
Check = Callable[[Vehicle], bool]

#: What a dead circuit does not show: who sends what, and sources that are off.
_LIVE_ONLY = (BatteryValue, Behaviour, GroundShift, SilentMessage)


def suspects(vehicle: Vehicle, checks: Iterable[Check]) -> tuple[Fault, ...]:
    """The single faults that, put into the vehicle, pass every check, in the order of the catalogue.

    Put the cheap checks first: a fault that fails one is not tried on the next.
    """
    tests = tuple(checks)
    return tuple(fault for fault, car in _with_each(vehicle) if all(test(car) for test in tests))


def resistance_suspects(
    vehicle: Vehicle, network: Network, dead: Condition, place: str, ohm: float
) -> tuple[Fault, ...]:
    """The single faults whose expected range, high to low at a place, contains a reading in ohm; closest first.

    ``place`` may be the other side of a parted connector, ``PLACE.off``; ``dead`` is the condition of the reading,
    battery and ignition off; ``ohm`` inf means OL.
    """
    name, _, side = place.partition(".")
    high, low = (("off" if side else "place", network.name, name, line) for line in LINES)
    found: list[tuple[float, Fault]] = []
    for fault, car in _with_each(vehicle):
        if all(isinstance(item, _LIVE_ONLY) for item in fault.deviations(vehicle)):
            continue
        if resistance_within(car, dead, high, low, None if math.isinf(ohm) else ohm):
            expected = Circuit(car, dead).resistance_ohm(high, low)
            found.append((abs(ohm - expected) / expected if math.isfinite(expected) else 0.0, fault))
    return tuple(fault for _, fault in sorted(found, key=lambda item: item[0]))


def resistance_within(vehicle: Vehicle, condition: Condition, red: Point, black: Point, ohm: float | None) -> bool:
    """Whether a reading in ohm (None: OL) lies within the worst case of the tolerances of parts and meter."""
    nominal = Circuit(vehicle, condition).resistance_ohm(red, black)
    if ohm is None or nominal > OPEN_OHM:
        return ohm is None and nominal > OPEN_OHM
    if not _near(nominal, ohm):
        return False
    _, least, greatest = worst_case(vehicle, condition, red, black)
    return least <= ohm <= greatest


def volt_within(vehicle: Vehicle, condition: Condition, red: Point, black: Point, volt: float | None) -> bool:
    """Whether a voltage read while nobody sends lies within the tolerances of parts and meter, as in ``fits``."""
    expected = [
        Circuit(
            vehicle,
            condition,
            meter=(red, black, INPUT_OHM),
            wire_factor=1 + sign * WIRE_TOLERANCE,
            terminator_factor=1 + sign * TERMINATOR_TOLERANCE,
        )
        .volts()
        .between(red, black)
        for sign in (0, -1, 1)
    ]
    slack = VOLT_SLACK + METER_TOLERANCE * abs(expected[0])
    return volt is not None and min(expected) - slack <= volt <= max(expected) + slack


def _near(expected: float, ohm: float) -> bool:
    """A cheap first look: the worst case never reaches further than this from the expected value."""
    return 0.9 * expected - 1.0 <= ohm <= 1.1 * expected + 1.0


def _with_each(vehicle: Vehicle) -> Iterator[tuple[Fault, Vehicle]]:
    """Every fault of the catalogue and the vehicle it makes; one that contradicts a fault already there is left out."""
    for fault in fault_room.catalogue(vehicle):
        try:
            car = fault.apply(vehicle)
        except BadRequest:
            continue
        yield fault, car
