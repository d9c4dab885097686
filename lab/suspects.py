"""Which single faults of the catalogue would show one resistance."""

from __future__ import annotations

import math

import numpy as np

import faults as fault_room
from faults import Fault
from lab.deadtables import DeadTables, holding
from simulator.condition import Condition
from simulator.deviations import LINES, BatteryValue, Behaviour, Fitted, GroundShift, SilentMessage, Told
from simulator.errors import BadRequest
from simulator.vehicle import Network, Vehicle

#: What a dead circuit does not show: who sends what, and sources that are off.
_LIVE_ONLY = (BatteryValue, Behaviour, Fitted, GroundShift, SilentMessage, Told)


def resistance_suspects(
    vehicle: Vehicle, network: Network, dead: Condition, place: str, ohm: float
) -> tuple[Fault, ...]:
    """The single faults whose expected range, high to low at a place, contains a reading in ohm; closest first.

    ``place`` may be the other side of a parted connector, ``PLACE.off``; ``dead`` is the condition of the reading,
    battery and ignition off; ``ohm`` inf means OL.
    """
    name, _, side = place.partition(".")
    points = [("off" if side else "place", network.name, name, line) for line in LINES]
    tried: list[Fault] = []
    cars = []
    for fault in fault_room.catalogue(vehicle):
        try:
            car = fault.apply(vehicle)
        except BadRequest:
            continue  # contradicts a fault that is there already
        if not all(isinstance(item, _LIVE_ONLY) for item in fault.deviations(vehicle)):
            tried.append(fault)
            cars.append(car)
    tables = DeadTables(cars)
    least, greatest = (part[:, 0, 1] for part in tables.ranges(dead, points))
    expected = tables.ohms(dead, points)[:, 0, 1]
    inside = np.flatnonzero(holding(least, greatest, None if math.isinf(ohm) else ohm, 0.0))
    off = {n: abs(ohm - expected[n]) / expected[n] if np.isfinite([ohm, expected[n]]).all() else 0.0 for n in inside}
    return tuple(tried[n] for n in sorted(inside, key=lambda n: off[n]))
