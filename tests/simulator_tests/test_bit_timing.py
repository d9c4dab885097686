"""Bit timing: published examples of segments, synchronisation and clock tolerance, on the running controllers.

Sources: Bosch CAN Specification 2.0 (1991), part A, 7, and part B, 13; Bosch CAN FD Specification 1.0 (2012), 8;
captures of CAN FD traffic in sigrok-dumps, can/can_fd/arbitrary_traffic.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from bit_bench import BitBench
from can import BitTiming

from simulator.datalink import bitwise
from simulator.datalink.controller import Outcome
from simulator.datalink.frame import encode
from simulator.datalink.island import Timing
from simulator.kernels import layout, quanta
from simulator.reach import propagation_ns


@pytest.mark.parametrize(
    ("driver_ns", "line_ns", "receiver_ns", "needed_ns", "quantum_ns", "quanta_needed"),
    [(50, 220, 30, 600, 100, 6), (200, 220, 80, 1000, 1000, 1)],
)
def test_propagation_segment(
    driver_ns: int, line_ns: int, receiver_ns: int, needed_ns: int, quantum_ns: int, quanta_needed: int
) -> None:
    """Bosch CAN 2.0, 7.3.2 (1 Mbit/s, 6 quanta of 100 ns) and 7.3.1 (100 kbit/s, 1 quantum of 1 us): 40 m, 220 ns."""
    found_ns = propagation_ns(40, driver_ns + receiver_ns, line_ns / 40)
    assert found_ns == pytest.approx(needed_ns, abs=1e-9)
    assert -(-found_ns // quantum_ns) == quanta_needed


#: Clock in Hz, prescaler, segments before and after the sample point, jump width; bit rate; sample point and tolerance
#: in percent. The first from Bosch CAN 2.0, 7.5.2 (which prints 1.58 %), the others by its conditions I and II, 7.4.
SEGMENTS = [
    (8_000_000, 8, 5, 4, 4, 100_000, 60.0, 1.5873),
    (8_000_000, 1, 13, 2, 1, 500_000, 87.5, 0.3125),
    (8_000_000, 1, 13, 2, 2, 500_000, 87.5, 0.4854),
]


@pytest.mark.parametrize(("clock", "prescaler", "before", "after", "jump", "rate", "point", "percent"), SEGMENTS)
def test_clock_tolerance_of_published_segments(
    clock: int, prescaler: int, before: int, after: int, jump: int, rate: int, point: float, percent: float
) -> None:
    """See SEGMENTS; what the product takes python-can's BitTiming for."""
    timing = BitTiming(clock, prescaler, before, after, jump)
    assert (timing.bitrate, timing.sample_point) == (rate, point)
    # 40 m and 280 ns there: 1 of the quanta of the first setting, as Bosch CAN 2.0, 7.3.1 has it
    assert timing.oscillator_tolerance(280, 40) == pytest.approx(percent, abs=5e-5)


#: Payloads with the most and the fewest edges: all stuff bits, none, five of each level in turn.
PAYLOADS = [bytes.fromhex("01E1E1E1E1E1E00F"), b"\xff" * 8, bytes(8), bytes.fromhex("F83E0F83E0F83E0F")]


def exchange(rate: int, off: float, seed: int) -> tuple[int, int]:
    """Attempts and successes of a slow and a fast clock that send to each other and a third: 120 frames."""
    bench = BitBench("slow", "fast", "third", bit_rate=rate)
    rates = {"slow": round(rate * (1 - off)), "fast": round(rate * (1 + off)), "third": rate + 1}
    bench.wire("slow", "fast", "third", rates=rates)
    draw = random.Random(seed)
    for _ in range(60):
        for frame_id, node in ((0x078, "slow"), (0x079, "fast")):
            bench.send(node, frame_id, draw.choice([*PAYLOADS, draw.randbytes(8)]))
        bench.run(bench.t_ns + 400 * bench.bit_ns)
    return len(bench.attempts), sum(one.outcome is Outcome.OK for one in bench.attempts)


@pytest.mark.parametrize(("clock", "prescaler", "before", "after", "jump", "rate", "point", "percent"), SEGMENTS)
def test_clocks_within_the_tolerance_work_and_far_outside_do_not(
    monkeypatch: pytest.MonkeyPatch,
    clock: int, prescaler: int, before: int, after: int, jump: int, rate: int, point: float, percent: float,
) -> None:  # fmt: skip
    """The controllers themselves, with these segments, clocks apart by twice the tolerance: not one error."""
    length = 1 + before + after

    class Segments(Timing):
        def quanta(self, own_rate: int | None = None) -> list[list[int]]:
            return [[round(1e12 / (own_rate or self.bit_rate) / length), length, 1 + before, jump]] * 2

    monkeypatch.setattr(bitwise, "Timing", Segments)
    for seed in range(2):
        assert exchange(rate, percent / 100, seed) == (120, 120)
    attempts, done = exchange(rate, 2 * percent / 100, 0)
    assert done < attempts


def controller(*, sampled: bool = False, sends: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """A controller in a data field whose bit of 16 quanta of 1000 ps, sampled after 12, began at 0; and its timing."""
    rows = np.zeros((1, layout.ROW), np.int64)
    row = rows[0]
    row[layout.STATE], row[layout.FIELD] = layout.FRAME, layout.DATA
    row[layout.BIT] = row[layout.OUT] = row[layout.BEFORE] = row[layout.LEVEL] = row[layout.SEEN] = sends
    row[layout.SAMPLED] = sampled
    row[layout.DUE_PS] = 16_000 if sampled else 12_000
    return rows, np.array([[[1000, 16, 12, 1]] * 2], np.int64)


@pytest.mark.parametrize(
    ("edge", "sampled", "sends", "due"),
    [
        (0, False, 1, 12),  # in the synchronisation segment: nothing
        (1, False, 1, 13),  # all of it corrected
        (3, False, 1, 13),  # the segment before the sample point longer by the jump width
        (14, True, 1, 15),  # e = -2: the segment after it shorter by the jump width
        (15, True, 1, 12 + 15),  # e = -1: the next bit begins here
        (3, False, 0, 12),  # its own dominant bit comes late: nothing
    ],
)
def test_resynchronisation(edge: int, sampled: bool, sends: int, due: int) -> None:
    """Bosch CAN 2.0, 13.9, for 16 quanta and a jump width of 1."""
    rows, timing = controller(sampled=sampled, sends=sends)
    rows[0, layout.BEFORE] = 1
    quanta.synchronise(rows, 0, edge * 1000, timing, np.zeros(layout.WORLD, np.int64))
    assert rows[0, layout.DUE_PS] == due * 1000


def test_one_synchronisation_between_two_samples_and_only_to_edges_from_recessive() -> None:
    """Bosch CAN 2.0, 13.9.5, rules 1 and 2: a second edge is left alone, so is one after a dominant sample."""
    rows, timing = controller()
    world = np.zeros(layout.WORLD, np.int64)
    quanta.synchronise(rows, 0, 1000, timing, world)
    quanta.synchronise(rows, 0, 3000, timing, world)
    assert rows[0, layout.DUE_PS] == 13_000
    rows, timing = controller()
    rows[0, layout.BEFORE] = 0
    quanta.synchronise(rows, 0, 3000, timing, world)
    assert rows[0, layout.DUE_PS] == 12_000


def lengths_ns(bench: BitBench, length: int) -> list[int]:
    """How long each bit on the wire is, from SOF."""
    return [bit.t_end_ns - bit.t_start_ns for bit in bench.medium.bits[:length]]


def test_bits_at_the_switch_of_the_rate() -> None:
    """Bosch CAN FD 1.0, 8: in least quanta nominal 30, data 10, BRS 26, CRC delimiter 14; both together 40."""
    bench = BitBench("A", "B", bit_rate=100_000, sample_point=11 / 15, data_bit_rate=300_000, data_sample_point=0.6)
    frame = encode(0x123, bytes(8), fd=True, brs=True)
    bench.watch()
    bench.send("A", 0x123, bytes(8), fd=True, brs=True)
    bench.run(bench.t_ns + 10_000_000)
    quantum_ns = 1e9 / 100_000 / 30
    found = [length / quantum_ns for length in lengths_ns(bench, frame.length)]
    switch, back = frame.field("BRS").start, frame.field("CRC delimiter").start
    assert found[:switch] == pytest.approx([30] * switch, abs=0.01)
    assert found[switch] == pytest.approx(26, abs=0.01)
    assert found[switch + 1 : back] == pytest.approx([10] * (back - switch - 1), abs=0.01)
    assert found[back] == pytest.approx(14, abs=0.01)
    assert found[back + 1 :] == pytest.approx([30] * 9, abs=0.01)


@pytest.mark.parametrize(
    ("extended", "size", "microseconds", "within_ns"), [(False, 8, 80.0, 10), (True, 64, 336.5, 50)]
)
def test_captured_can_fd_frames(extended: bool, size: int, microseconds: float, within_ns: int) -> None:
    """sigrok-dumps can/can_fd/arbitrary_traffic, 100 MHz: 1 Mbit/s at 75 %, 2 Mbit/s at 80 %; 850 ns and 650 ns."""
    bench = BitBench("A", "B", bit_rate=1_000_000, sample_point=0.75, data_bit_rate=2_000_000, data_sample_point=0.8)
    data = bytes(range(size))
    frame = encode(0x42, data, extended=extended, fd=True, brs=True)
    bench.watch()
    bench.send("A", 0x42, data, extended=extended, fd=True, brs=True)
    bench.run(bench.t_ns + 10_000_000)
    found = lengths_ns(bench, frame.length)
    assert found[frame.field("BRS").start] == pytest.approx(850, abs=1)
    assert found[frame.field("CRC delimiter").start] == pytest.approx(650, abs=1)
    (attempt,) = bench.attempts
    assert attempt.t_end_ns - attempt.t_start_ns == pytest.approx(microseconds * 1000, abs=within_ns)


def test_a_captured_classic_frame_takes_its_time() -> None:
    """sigrok-test, mcp2515dm-bm-125kbits_msg_222_5bytes: 87 bits, 696 us at 125 kbit/s."""
    bench = BitBench("A", "B", bit_rate=125_000)
    bench.send("A", 0x222, bytes.fromhex("0011223344"))
    bench.run(bench.t_ns + 10_000_000)
    (attempt,) = bench.attempts
    assert attempt.t_end_ns - attempt.t_start_ns == 696_000
