"""Healthy stretches: the frame-level medium and the controllers bit by bit tell exactly the same, to the nanosecond.

Own proof, no source: this is what allows the cheap medium wherever everybody hears everybody and nobody misbehaves.
"""

from __future__ import annotations

import random

import pytest
from datalink_traffic import Driven, Submission, submissions

from simulator.datalink.bitwise import Bitwise
from simulator.datalink.frame import encode
from simulator.datalink.medium import Medium

pytestmark = pytest.mark.slow

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
@pytest.mark.parametrize("seed", range(100, 112))
def test_the_same_log_over_long_runs(seed: int) -> None:
    assert identical(seed, 8.0) > 100


def test_a_better_frame_just_before_everybody_starts() -> None:
    """Own rule: up to the very start of the bit a waiting frame gives way to one of a lower identifier."""
    bit_ns = 2000
    end_ns = 100_000 + encode(0x300, b"").length * bit_ns
    frames: list[Submission] = [
        (100_000, "A", 0x300, b"", {}),
        (end_ns + 1 * bit_ns, "A", 0x200, b"", {}),
        (end_ns + 1 * bit_ns, "B", 0x201, b"", {}),
        (end_ns + 3 * bit_ns - 10, "A", 0x100, b"", {}),
    ]
    runs = [Driven(make, ["A", "B"], 500_000) for make in (Medium, Bitwise)]
    for run in runs:
        run.feed(frames, 10_000_000)
    assert [attempt.frame.frame_id for attempt in runs[1].attempts] == [0x300, 0x100, 0x200, 0x201]
    assert runs[0].log == runs[1].log
