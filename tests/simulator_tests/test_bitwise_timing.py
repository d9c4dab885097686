"""Sampling finer than a bit, wrong bit rates, on the bit-level medium."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter

import pytest
from bit_bench import BIT_NS, BitBench
from datalink_traffic import Driven, submissions

from simulator.datalink.bitwise import Bitwise
from simulator.datalink.controller import Levels, Outcome, Wiring
from simulator.kernels import layout


class OutOfStep(Bitwise):
    """The bit-level medium with every controller on a clock of its own, although all run at one rate."""

    def rewire(self, t_ns: int, wiring: Wiring) -> None:
        super().rewire(t_ns, wiring)
        for island in self._islands:
            island.world[layout.TIMED] = 2
            island.set_off(t_ns)


@pytest.mark.parametrize("seed", range(8))
def test_out_of_step_is_the_same_engine(seed: int) -> None:
    """Own proof, no source: with equal rates both ways of taking time give one log, CAN FD with its two rates too."""
    names = [f"N{number}" for number in range(2 + seed % 4)]
    fd = seed % 2 == 1
    frames = submissions(seed, names, 0.1, 0.6, 500_000, fd=fd)
    options = {"data_bit_rate": 2_000_000, "data_sample_point": 0.8} if fd else {}
    runs = [Driven(make, names, 500_000, **options) for make in (Bitwise, OutOfStep)]
    for run in runs:
        run.feed(frames, 200_000_000)
    assert len(runs[0].log) > 20
    assert runs[0].log == runs[1].log


def test_half_the_bit_rate_disturbs_everybody() -> None:
    """Bosch CAN 2.0, 11.1: bits twice as long are stuff errors to the others, and theirs to it."""
    bench = BitBench("A", "B", "C")
    bench.wire("A", "B", "C", rates={"C": 250_000})
    for _ in range(40):
        bench.send("C", 0x50)
        bench.send("A", 0x60, bytes(2))
        bench.run(bench.t_ns + 2_000_000)
    done = Counter((one.node, one.outcome) for one in bench.attempts)
    assert done["C", Outcome.OK] == 0
    assert done["A", Outcome.DISTURBED] + done["A", Outcome.BIT_ERROR] > 10
    assert not [one for one in bench.attempts if "C" in one.received_by]
    assert "error passive" in {status for _, _, status in bench.changes}
    assert not [one for one in bench.troubles if one.kind == "undetected"]


@pytest.mark.parametrize(("per_mille", "works"), [(1, True), (5, True), (30, False)])
def test_oscillator_tolerance(per_mille: int, works: bool) -> None:
    """Bosch CAN 2.0, 13.11: resynchronisation carries clocks some parts in a thousand apart, not thirty."""
    bench = BitBench("A", "B", "C")
    bench.wire("A", "B", "C", rates={"C": 500_000 + 500 * per_mille})
    for _ in range(20):
        bench.send("C", 0x50, bytes(8))
        bench.send("A", 0x60, b"\xff" * 8)
        bench.run(bench.t_ns + 2_000_000)
    ok = Counter(one.node for one in bench.attempts if one.outcome is Outcome.OK and len(one.received_by) == 2)
    assert (ok["A"] == ok["C"] == 20) == works


def test_levels_of_a_set_that_are_no_union() -> None:
    """Own rule: B and C cancel each other on the wire, so two acknowledgements together are none; D's is one."""

    def levels(drivers: frozenset[str]) -> Levels:
        return Levels(()) if drivers in (frozenset(), frozenset("BC")) else Levels(tuple("ABCD"))

    for nodes, outcome in (("ABC", Outcome.NOT_ACKNOWLEDGED), ("ABCD", Outcome.OK)):
        bench = BitBench(*nodes)
        bench.medium.rewire(bench.t_ns, Wiring(dict.fromkeys(nodes, tuple(nodes)), levels=levels))
        bench.send("A", 0x60)
        bench.run(bench.t_ns + 70 * BIT_NS)
        assert [one.outcome for one in bench.attempts] == [outcome]
        assert (("bit 0", "ACK slot") in bench.kinds("B")) == (nodes == "ABC")


def test_undefined_levels_keep_the_last_value() -> None:
    """Vehicle file rule: between the receiver's thresholds the live bus keeps its last value; here B hears nothing."""

    def levels(drivers: frozenset[str]) -> Levels:
        return Levels(("A", "C"), ("B",)) if drivers else Levels(())

    bench = BitBench("A", "B", "C")
    bench.medium.rewire(bench.t_ns, Wiring(dict.fromkeys("ABC", tuple("ABC")), levels=levels))
    bench.send("A", 0x60)
    bench.run(bench.t_ns + 70 * BIT_NS)
    assert [one.received_by for one in bench.attempts] == [("C",)]
    assert not bench.kinds("B")


@pytest.mark.parametrize("more_ns", [0, 1, 999, 1999])
def test_a_window_may_begin_and_end_within_a_bit(more_ns: int) -> None:
    """Own rule: the bits kept are those that begin in the window, on a bus at rest too, and time goes on after it."""
    bench = BitBench("A", "B")
    bench.medium.set_counters(bench.t_ns, "A", 255, 0)
    bench.send("A", 0x123)
    bench.flip(12, "A")
    bench.run(bench.t_ns + 100 * BIT_NS)  # from here on A only counts recessive bits
    first_ns = bench.t_ns + more_ns
    last_ns = first_ns + 40 * BIT_NS
    bench.medium.watch(bench.t_ns, first_ns, last_ns)
    bench.run(last_ns + 2000 * BIT_NS)
    starts = [bit.t_start_ns for bit in bench.medium.bits]
    assert starts == list(range(-(-first_ns // BIT_NS) * BIT_NS, last_ns, BIT_NS))
    assert bench.medium.status("A") == "error active"


@pytest.mark.parametrize("seed", range(4))
def test_stretches_of_controllers_out_of_step_are_the_bits_of_those_in_step(seed: int) -> None:
    """Own proof, no source: in the middle of every bit both say the same of who drives, reads, and is where."""
    names = ["A", "B", "C"]
    frames = submissions(seed, names, 0.01, 0.7, 500_000)
    kept = []
    for make in (Bitwise, OutOfStep):
        run = Driven(make, names, 500_000)
        run.medium.watch(0, 0, 12_000_000)
        run.feed(frames, 12_000_000)
        kept.append(sorted(run.medium.bits, key=lambda bit: bit.t_start_ns))
    bits, stretches = kept
    assert all(bit.whole for bit in bits)
    assert not any(one.whole for one in stretches)
    starts = [one.t_start_ns for one in stretches]
    busy = 0
    for bit in bits:
        there = stretches[bisect_right(starts, (bit.t_start_ns + bit.t_end_ns) // 2) - 1]
        assert there[2:5] == bit[2:5]
        busy += bool(bit.driving)
    assert busy > 500
