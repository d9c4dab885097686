"""The wave kernel by itself: compiled and as plain Python it gives the same, and its legs agree with a search.

Sources: the piecewise-linear legs are this project's own model; no outside source.
"""

from __future__ import annotations

import random

import numpy as np
import pytest

from simulator.circuit import Circuit
from simulator.circuit.lines import LineNetwork, Ramp
from simulator.circuit.waves import Waves
from simulator.kernels import lines as kernel
from simulator.reader import find_vehicle, load_vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))


def plain(function: object) -> object:
    """A kernel's own Python function; the kernels it calls stay as they are."""
    return function.__wrapped__  # type: ignore[attr-defined]


@pytest.mark.parametrize("step_ns", [1.0, 6.0])
def test_kernel_compiled_and_plain_agree(step_ns: float) -> None:
    net = LineNetwork(Circuit(PIPKIN), "LINE-1")
    waves = Waves(net, step_ns)
    ramps = [Ramp("GBX", ((0.0, 0.0), (45.0, 1.0))), Ramp("ENG", ((20.0, 0.0), (65.0, 1.0)))]
    drivers = waves.drivers(ramps)
    probes = np.arange(len(waves.lines.rest))
    found = []
    for run in (kernel.advance, plain(kernel.advance)):
        out = np.empty((60, len(probes)))
        run(waves.lines, drivers, waves.begin(drivers), waves.reach, 0.0, step_ns, probes, out)  # type: ignore[operator]
        found.append(out)
    assert found[0] == pytest.approx(found[1], abs=1e-9)
    assert np.ptp(found[0], axis=0).max() > 0.5


def test_kernel_legs_agree_with_a_search() -> None:
    """Currents against the fixed point found by halving steps, for ports and levels drawn by lot."""
    rng = random.Random(1)
    for _ in range(200):
        z = rng.uniform(5.0, 300.0)
        a, d, b = z + rng.uniform(0.0, 50.0), z + rng.uniform(0.0, 50.0), rng.uniform(-z, z)
        want_high, want_low = rng.uniform(-3.0, 9.0), rng.uniform(-3.0, 9.0)
        share, ohm, limit = rng.choice([0.01, 0.3, 1.0]), 21.0, 0.07
        high, low = kernel.two_legs(a, b, b, d, want_high, want_low, ohm, limit, share)
        x = y = 0.0
        for _ in range(4000):
            x += 0.05 * (share * min(max((want_high - a * x + b * y) / ohm, 0.0), limit) - x)
            y += 0.05 * (share * min(max((want_low - d * y + b * x) / ohm, 0.0), limit) - y)
        assert (high, low) == pytest.approx((x, y), abs=1e-6)
