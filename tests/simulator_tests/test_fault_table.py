"""The table of all faults against exact rational arithmetic, and against one circuit at a time."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from exact_network import ExactNetwork, as_float, ball
from random_vehicles import random_vehicle

import faults
from simulator.circuit import Circuit, FaultTable, resistance_table
from simulator.circuit.live import STATES, LiveTable
from simulator.condition import Condition
from simulator.errors import BadRequest
from simulator.probes import Point, parse_probe, probe_points
from simulator.reader import find_vehicle, load_vehicle
from simulator.vehicle import Vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))
#: Ohm that the table may be off: below 1 kohm, and from there on.
SMALL, LARGE = 1e-9, 1e-6
#: Ohm that a ball may be wide.
BOUND = 1e-40


def copies_of(vehicle: Vehicle) -> list[Vehicle]:
    """The vehicle as it is and with every fault of the catalogue."""
    return [vehicle, *(fault.apply(vehicle) for fault in faults.catalogue(vehicle))]


def points_of(vehicle: Vehicle) -> list[Point]:
    return [parse_probe(vehicle, name) for name in probe_points(vehicle)]


def check_against_exact(vehicle: Vehicle, every: int, number: Callable[..., Any] = Fraction) -> None:
    """Every value of each so-many-th row of the table: the elements are the product's, the arithmetic is not."""
    copies, points = copies_of(vehicle), points_of(vehicle)
    ohms = FaultTable(copies).resistances(points)
    for row in range(len(copies))[::every]:
        draft = Circuit(copies[row], Condition(battery_on=False, ignition_on=False)).draft
        nodes = [draft.node.get(point, draft.node.get(("place", *point[1:]))) for point in points]
        exact = ExactNetwork(zip(draft.start, draft.end, draft.ohm, strict=True), nodes, number).resistances()
        for i, a in enumerate(nodes):
            for j, b in enumerate(nodes[:i]):
                value, true = float(ohms[row, i, j]), exact[a, b]
                assert math.isinf(value) == (true is None), (row, points[i], points[j])
                assert value == ohms[row, j, i]
                if true is not None:
                    nearest, bound = as_float(true)
                    assert bound < BOUND
                    limit = SMALL if nearest < 1000 else LARGE
                    assert abs(value - nearest) <= limit, (row, points[i], points[j], value, nearest)


def vehicle_of_twelve(folder: Path) -> Vehicle:
    """The first vehicle drawn by lot that has ten modules or more."""
    rng = random.Random(12)
    while True:
        vehicle = load_vehicle(random_vehicle(rng, 12).write(folder))
        if len(vehicle.modules) >= 10:
            return vehicle


def test_pipkin_is_exact() -> None:
    """Exact rational arithmetic (fractions of the standard library): a row in fifty here, every row when slow."""
    check_against_exact(PIPKIN, every=50)


@pytest.mark.slow
def test_all_of_pipkin_is_exact() -> None:
    """Exact rational arithmetic (fractions of the standard library), every row."""
    check_against_exact(PIPKIN, every=1)


@pytest.mark.slow
def test_a_vehicle_of_twelve_modules_is_exact(tmp_path: Path) -> None:
    """Every row against balls, whose bounds are proven to hold the exact value; a row in sixty against fractions."""
    vehicle = vehicle_of_twelve(tmp_path)
    check_against_exact(vehicle, every=1, number=ball)
    check_against_exact(vehicle, every=60)


@pytest.mark.parametrize("seed", [3, 11])
def test_the_table_is_what_single_circuits_give(seed: int, tmp_path: Path) -> None:
    """With a module unplugged, a connector parted, and every part at one end of its tolerance."""
    rng = random.Random(seed)
    vehicle = load_vehicle(random_vehicle(rng, 6).write(tmp_path))
    copies, points = copies_of(vehicle), points_of(vehicle)
    connectors = [(name, p.at) for name, network in vehicle.networks.items() for p in network.parting]
    unplugged, parted = frozenset(rng.sample(list(vehicle.modules), 1)), frozenset(connectors[:1])
    table = FaultTable(copies, parted)
    among = sorted(rng.sample(range(len(copies)), 40))
    ohms = table.resistances(points, unplugged=unplugged, wire_factor=1.05, terminator_factor=0.98, among=among)
    for row, number in zip(ohms, among, strict=True):
        condition = Condition(False, False, unplugged, parted)
        circuit = Circuit(copies[number], condition, wire_factor=1.05, terminator_factor=0.98)
        for _ in range(6):
            i, j = rng.randrange(len(points)), rng.randrange(len(points))
            assert row[i, j] == pytest.approx(circuit.resistance_ohm(points[i], points[j]), rel=1e-9), number


@pytest.mark.parametrize("seed", [3, 11])
def test_the_live_table_is_what_single_circuits_give(seed: int, tmp_path: Path) -> None:
    """States, voltages at rest, and what every receiver sees of every transmitter."""
    rng = random.Random(seed)
    vehicle = load_vehicle(random_vehicle(rng, 6).write(tmp_path))
    copies, points = copies_of(vehicle), points_of(vehicle)
    table = LiveTable(copies)
    rest, hearing = table.at_rest(points), table.hearing()
    for number in rng.sample(range(len(copies)), 60):
        circuit = Circuit(copies[number])
        assert [STATES[n] for n in rest.states[number]] == list(circuit.states.values()), number
        quiet = circuit.volts()
        for _ in range(6):
            red, black = rng.choice(points), rng.choice(points)
            assert rest.between(red, black)[number] == pytest.approx(quiet.between(red, black), abs=1e-9), number
        assert np.array_equal(hearing.seen[number], table.seen_in(circuit)), number


def test_a_table_is_for_a_dead_vehicle_and_copies_of_one() -> None:
    """Own rule: bad input says what is wrong."""
    with pytest.raises(BadRequest, match="battery and ignition off"):
        resistance_table([PIPKIN], [("body",)], Condition())
    with pytest.raises(BadRequest, match="copies of one vehicle"):
        FaultTable([PIPKIN, load_vehicle(find_vehicle("pipkin"))])
    with pytest.raises(BadRequest, match="at least one"):
        FaultTable([])
