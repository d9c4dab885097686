"""Runs a waveform's netlist in ngspice and brings its voltages onto our grid."""

from __future__ import annotations

import random
import resource
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_vehicles import drawn_vehicle
from numpy.typing import NDArray

from simulator.circuit.lines import LineNetwork, Ramp
from simulator.circuit.spice_waveform import spice_waveform
from simulator.circuit.waves import Waves
from simulator.vehicle import Vehicle

Floats = NDArray[np.float64]


def ngspice_waves(
    net: LineNetwork, ramps: Iterable[Ramp], places: Sequence[str], t_ns: Floats, step_ns: float
) -> tuple[Floats, float]:
    """(times, 2 x places) in volt at ``t_ns``, and the seconds that ngspice took."""
    if shutil.which("ngspice") is None:
        pytest.fail("ngspice is not on this machine, and this test needs it: apt-get install ngspice")
    start = float(t_ns[0])
    with tempfile.TemporaryDirectory() as folder:
        text = spice_waveform(
            net, ramps, from_ns=start, until_ns=float(t_ns[-1]), step_ns=step_ns, places=places, output="waves.txt"
        )
        path = Path(folder, "waves.cir")
        path.write_text(text, encoding="ascii")
        began = time.perf_counter()
        done = subprocess.run(
            ["ngspice", "-b", str(path)], capture_output=True, text=True, timeout=900, cwd=folder, check=False
        )
        took = time.perf_counter() - began
        answer = Path(folder, "waves.txt")
        if not answer.exists():
            pytest.fail(f"ngspice gave no answer:\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")
        table = np.loadtxt(answer)
    if table[-1, 0] * 1e9 < t_ns[-1] - start - 0.5:
        pytest.fail(f"ngspice stopped early:\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")
    columns = [np.interp(t_ns - start, table[:, 0] * 1e9, column) for column in table[:, 1:].T]
    return np.array(columns).T, took


def off_grid_vehicle(modules: int, seed: int = 3) -> Vehicle:
    """A drawn vehicle whose runs have lengths that no step divides."""
    vehicle = drawn_vehicle(modules, seed=seed)
    net, rng = vehicle.networks["LINE-1"], random.Random(seed + 1)
    runs = tuple(replace(run, length_m=round(run.length_m + rng.uniform(0.03, 0.17), 3)) for run in net.runs)
    return replace(vehicle, networks={"LINE-1": replace(net, runs=runs)})


def our_waves(net: LineNetwork, ramps: Iterable[Ramp], places: Sequence[str], t_ns: Floats, step_ns: float) -> Floats:
    """(times, 2 x places) in volt at ``t_ns``, which are whole nanoseconds from a step after rest."""
    waves = Waves(net, step_ns)
    drivers = waves.drivers(ramps)
    start, stride = float(t_ns[0]), round(1.0 / step_ns)
    steps = (len(t_ns) - 1) * stride + 1
    pairs = [net.driver_pins(name[:-4]) if name.endswith(".pin") else _pair(net, name) for name in places]
    out = waves.advance(drivers, waves.begin(drivers), start - step_ns, steps, pairs)
    return out[::stride].reshape(len(t_ns), -1)


def _pair(net: LineNetwork, place: str) -> tuple[int, int]:
    high = net.node(("place", net.network.name, place, "high"))
    return high, high + 1


def children_seconds() -> float:
    """Processor seconds that ended children have taken: ngspice's, whatever else the machine does."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime
