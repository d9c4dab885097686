"""A vehicle of many modules on one main line, and many single faults of it, for tests of speed."""

from __future__ import annotations

import math

from simulator.deviations import LINES, Bridge, GroundShift, PinSeries, RunSeries
from simulator.probes import Point
from simulator.vehicle import (
    Battery,
    Feed,
    Fuse,
    GroundPoint,
    GroundWire,
    Module,
    Network,
    Pair,
    Run,
    Terminator,
    Vehicle,
)  # fmt: skip


def big_vehicle(count: int) -> Vehicle:
    """So many modules, each on a stub of its own; three to a fuse, four ground points."""
    fuses = {f"F{i}": Fuse(f"F{i}", 0.0077, 10) for i in range(count // 3)}
    fuses["R1"] = Fuse("R1", 0.002, 30, True)
    grounds = {f"G{i}": GroundPoint(f"G{i}", 0.001) for i in range(4)}
    modules = {
        f"M{i}": Module(
            f"M{i}", Feed(f"F{i % (count // 3)}", 0.08), GroundWire(f"G{i % 4}", 0.03), 24, 0x700 + i, 0x600 + i,
            "U0100", wake=Feed("R1", 0.1),
        )
        for i in range(count)
    }  # fmt: skip
    runs = [Run(f"S{i}-M{i}", f"S{i}", f"M{i}", 0.3) for i in range(count)]
    runs += [Run(f"S{i - 1}-S{i}", f"S{i - 1}", f"S{i}", 0.7) for i in range(1, count)]
    ends = (Terminator("M0", 120, True), Terminator(f"M{count - 1}", 120, True))
    network = Network("L", 500_000, 0.8, "none.dbc", Pair(0.052, 120, 5), tuple(runs), ends, socket="S5")
    return Vehicle("Big", Battery(12.6, 0.01), fuses, grounds, modules, {"L": network})


def many_copies(vehicle: Vehicle, count: int) -> list[Vehicle]:
    """So many copies with one fault each: bad contacts, bad runs and shorts of several sizes everywhere."""
    (network,) = vehicle.networks.values()
    pins = [
        PinSeries("L", m, line, ohm) for m in vehicle.modules for line in LINES for ohm in (math.inf, 1, 10, 100, 1e3)
    ]
    runs = [RunSeries("L", r.name, line, 0.5, ohm) for r in network.runs for line in LINES for ohm in (math.inf, 1, 10)]
    shorts = [
        Bridge(("place", "L", module, line), end, ohm)
        for module in vehicle.modules
        for ohm in (0.1, 1, 10, 100, 1e3)
        for line, end in (("high", ("place", "L", module, "low")), ("high", ("body",)), ("low", ("positive",)))
    ]
    copies = [vehicle.deviating(item) for item in [*pins, *runs, *shorts][:count]]
    return copies + [vehicle.deviating(GroundShift("M1", 1.0))] * (count - len(copies))


def line_points(vehicle: Vehicle, every: int) -> list[Point]:
    """Both lines at every so-many-th module."""
    return [("place", "L", name, line) for name in list(vehicle.modules)[::every] for line in LINES]
