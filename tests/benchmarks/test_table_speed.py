"""Speed of readings, of the table of all faults and of what fits, each against ngspice in the same run.

Both sides in second of processor time, so that others on the machine do not decide; only ratios are asserted.
"""

from __future__ import annotations

import functools
import itertools
import resource
import time
from collections.abc import Callable

import ngspice
import pytest
from big_vehicle import big_vehicle, line_points, many_copies
from pytest_benchmark.fixture import BenchmarkFixture

import faults
from lab.fits import WhatFits, parse_reading
from simulator.circuit import Circuit, FaultTable, spice_netlist
from simulator.condition import DEAD
from simulator.deviations import LINES
from simulator.probes import Point
from simulator.reader import find_vehicle, load_vehicle
from simulator.vehicle import Vehicle

pytestmark = pytest.mark.benchmark
PIPKIN = load_vehicle(find_vehicle("pipkin"))
HIGH, LOW = (("place", "LINE-1", "DLC", line) for line in LINES)


def seconds(work: Callable[[], object], rounds: int = 5) -> float:
    """The best of some rounds, in second of this process's time."""
    times = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def spice_seconds(vehicle: Vehicle, pairs: list[tuple[str, str]], rounds: int = 3) -> float:
    """The best of some runs of ngspice on the dead circuit, all pairs in one run, in second of its own time."""
    netlist = spice_netlist(vehicle, DEAD)
    times = []
    for _ in range(rounds):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        ngspice.resistances(netlist, pairs)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(times)


def spice_node(point: Point) -> str:
    return "_".join(point[2:]).lower()


def spice_per_value(vehicle: Vehicle, points: list[Point]) -> float:
    """One value of many in one run, which spares ngspice its start for each."""
    pairs = list(itertools.combinations(map(spice_node, points), 2))[:150]
    return spice_seconds(vehicle, pairs) / len(pairs)


def test_one_reading_after_a_fault_changed(benchmark: BenchmarkFixture) -> None:
    """At least 20 times faster than ngspice on the same netlist."""
    some = itertools.cycle(faults.catalogue(PIPKIN, kinds=["open", "resistance", "short"]))

    def reading() -> float:
        return Circuit(next(some).apply(PIPKIN), DEAD).resistance_ohm(HIGH, LOW)

    for _ in range(200):
        reading()
    benchmark(reading)
    ours = seconds(lambda: [reading() for _ in range(100)]) / 100
    theirs = spice_seconds(PIPKIN, [("dlc_high", "dlc_low")])
    print(f"one reading {ours * 1e3:.2f} ms, ngspice {theirs * 1e3:.1f} ms: {theirs / ours:.0f} times")
    assert theirs / ours >= 20


def test_all_pairs_of_places_for_every_single_fault_of_pipkin(benchmark: BenchmarkFixture) -> None:
    """At least 1,000 times faster per value."""
    table = FaultTable([PIPKIN, *(fault.apply(PIPKIN) for fault in faults.catalogue(PIPKIN))])
    points: list[Point] = [("place", "LINE-1", p, line) for p in PIPKIN.networks["LINE-1"].places for line in LINES]
    table.resistances(points)
    benchmark(table.resistances, points)
    whole = seconds(lambda: table.resistances(points))
    ours = whole / (len(table) * len(points) * (len(points) - 1) / 2)
    theirs = spice_per_value(PIPKIN, points)
    print(f"{len(table)} faults: {whole * 1e3:.1f} ms, {theirs / ours:.0f} times faster than ngspice per value")
    assert theirs / ours >= 1000


def test_two_thousand_faults_of_sixty_modules(benchmark: BenchmarkFixture) -> None:
    """2,000 faults x 1,770 pairs; own goal 200 ms on a quiet machine. Here the ratio per value."""
    vehicle = big_vehicle(60)
    points = line_points(vehicle, 2)
    copies = many_copies(vehicle, 2000)
    FaultTable(copies[:2]).resistances(points)
    start = time.process_time()
    table = FaultTable(copies)
    prepared = time.process_time() - start
    table.resistances(points)
    benchmark.pedantic(table.resistances, (points,), rounds=5)
    whole = seconds(lambda: table.resistances(points))
    ours = whole / (2000 * 1770)
    theirs = spice_per_value(vehicle, points)
    print(f"{whole * 1e3:.0f} ms (prepared in {prepared * 1e3:.0f} ms), {theirs / ours:.0f} times faster per value")
    assert theirs / ours >= 1000


@functools.cache
def everything_prepared() -> tuple[WhatFits, float]:
    """All tables and roll calls of the Pipkin, and the seconds they took."""
    what = WhatFits(PIPKIN)
    start = time.process_time()
    what.prepare()
    return what, time.process_time() - start


@pytest.mark.parametrize(
    "texts",
    [["ohms DLC.high DLC.low 120"], ["ohms DLC.high DLC.low 58"], ["call silent=GBX"]],
    ids=["120", "58", "call"],
)
def test_what_fits_once_loaded(benchmark: BenchmarkFixture, texts: list[str]) -> None:
    """Every single fault held against readings, groups and the next reading; own goal 100 ms.

    The peer would run its netlist once for every fault, for one reading alone.
    """
    what, prepared = everything_prepared()
    readings = [parse_reading(PIPKIN, text) for text in texts]
    what.against(readings)
    benchmark.pedantic(what.against, (readings,), rounds=5)
    ours = seconds(lambda: what.against(readings))
    theirs = spice_seconds(PIPKIN, [("dlc_high", "dlc_low")]) * len(what.cars)
    print(f"{len(what.cars)} faults: {ours * 1e3:.0f} ms (all prepared in {prepared:.1f} s), {theirs / ours:.0f} times")
    assert theirs / ours >= 100
