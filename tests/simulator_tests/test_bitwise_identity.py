"""Healthy stretches: the frame-level medium and the controllers bit by bit tell exactly the same, to the nanosecond.

Own proof, no source: this is what allows the cheap medium wherever everybody hears everybody and nobody misbehaves.
"""

from __future__ import annotations

import random

import pytest
from datalink_traffic import Driven, submissions

from simulator.datalink.bitwise import Bitwise
from simulator.datalink.medium import Medium

RATES = [83_333, 125_000, 250_000, 500_000, 1_000_000]


def identical(seed: int, seconds: float) -> int:
    """Run the traffic of a seed through both; how many attempts."""
    draw = random.Random(seed)
    names = [f"N{number:02}" for number in range(draw.randrange(2, 25))]
    fd = seed % 3 == 2
    rate = 500_000 if fd else draw.choice(RATES)
    options = {"data_bit_rate": 2_000_000, "sample_point": 0.8, "data_sample_point": 0.75} if fd else {}
    frames = submissions(seed, names, seconds, draw.uniform(0.05, 0.98), rate, fd=fd)
    runs = [Driven(make, names, rate, **options) for make in (Medium, Bitwise)]
    for run in runs:
        run.feed(frames, int((seconds + 1) * 1e9))
    assert runs[0].log == runs[1].log
    return len(runs[0].log)


@pytest.mark.parametrize("seed", range(12))
def test_the_same_log(seed: int) -> None:
    assert identical(seed, 0.4) > 5


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 130))
def test_the_same_log_over_long_runs(seed: int) -> None:
    assert identical(seed, 8.0) > 100
