"""Sampling finer than a bit, wrong bit rates, stuck transmitters, and worst response times, on the bit-level medium."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import pytest
from bit_bench import BIT_NS, BitBench
from datalink_traffic import Driven, submissions

from simulator.datalink.bitwise import Bitwise
from simulator.datalink.controller import Attempt, Outcome, Outgoing, Wiring
from simulator.datalink.frame import encode
from simulator.kernels import layout

pytestmark = pytest.mark.slow


class OutOfStep(Bitwise):
    """The bit-level medium with every controller on a clock of its own, although all run at one rate."""

    def rewire(self, t_ns: int, wiring: Wiring, **options: object) -> None:
        super().rewire(t_ns, wiring, **options)  # type: ignore[arg-type]
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


def test_stuck_dominant_with_and_without_time_out() -> None:
    """ISO 11898-2:2016: a transceiver with dominant time-out lets the bus go; without one nobody communicates."""
    for timeout_ns in (None, 2_000_000):
        bench = BitBench("A", "B", "C", dominant_timeout_ns=timeout_ns)
        bench.wire("A", "B", "C", stuck=["C"])
        bench.send("A", 0x60)
        bench.run(bench.t_ns + 50_000_000)
        done = [one for one in bench.attempts if one.outcome is Outcome.OK]
        assert [one.received_by for one in done] == ([] if timeout_ns is None else [("B", "C")])


def test_levels_of_a_set_that_are_no_union() -> None:
    """Own rule: B and C cancel each other on the wire, so two acknowledgements together are none; D's is one."""

    def levels(drivers: frozenset[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
        return ((), ()) if drivers in (frozenset(), frozenset("BC")) else (tuple("ABCD"), ())

    for nodes, outcome in (("ABC", Outcome.NOT_ACKNOWLEDGED), ("ABCD", Outcome.OK)):
        bench = BitBench(*nodes)
        bench.medium.rewire(bench.t_ns, Wiring(dict.fromkeys(nodes, tuple(nodes))), levels=levels)
        bench.send("A", 0x60)
        bench.run(bench.t_ns + 70 * BIT_NS)
        assert [one.outcome for one in bench.attempts] == [outcome]
        assert (("bit 0", "ACK slot") in bench.kinds("B")) == (nodes == "ABC")


def test_undefined_levels_keep_the_last_value() -> None:
    """Vehicle file rule: between the receiver's thresholds the live bus keeps its last value; here B hears nothing."""

    def levels(drivers: frozenset[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
        return (("A", "C"), ("B",)) if drivers else ((), ())

    bench = BitBench("A", "B", "C")
    bench.medium.rewire(bench.t_ns, Wiring(dict.fromkeys("ABC", tuple("ABC"))), levels=levels)
    bench.send("A", 0x60)
    bench.run(bench.t_ns + 70 * BIT_NS)
    assert [one.received_by for one in bench.attempts] == [("C",)]
    assert not bench.kinds("B")


@dataclass
class Periodic:
    """A message of the analysis: priority by identifier, period in ns."""

    frame_id: int
    size: int
    period_ns: int

    def bits(self) -> int:
        return encode(self.frame_id, bytes(self.size)).length + 3


def worst_ns(messages: list[Periodic], number: int, bit_ns: int) -> int:
    """Davis, Burns, Bril, Lukkien 2007 (Real-Time Systems 35), with exact lengths: the worst response."""
    own = messages[number]
    higher, lower = messages[:number], messages[number + 1 :]
    blocking = max((one.bits() * bit_ns for one in lower), default=0)
    length = own.bits() * bit_ns

    def fixed_point(start: int, others: list[Periodic], bit: int) -> int:
        t_ns, before = start, -1
        while t_ns != before:
            before = t_ns
            t_ns = start + sum(-(-(before + bit) // one.period_ns) * one.bits() * bit_ns for one in others)
        return t_ns

    busy, before = blocking + length, -1
    while busy != before:
        before = busy
        busy = blocking + sum(-(-before // one.period_ns) * one.bits() * bit_ns for one in [*higher, own])
    responses = [
        fixed_point(blocking + q * length, higher, bit_ns) - q * own.period_ns + length
        for q in range(-(-busy // own.period_ns))
    ]
    return max(responses)


def simulated_ns(messages: list[Periodic], number: int, bit_rate: int, until_ns: int) -> int:
    """The worst response of a message when all above it are released together, just after the longest one below."""
    bit_ns = 1_000_000_000 // bit_rate
    attempts: list[Attempt] = []
    medium = Bitwise(bit_rate, attempted=attempts.append)
    names = [f"N{one.frame_id}" for one in messages] + ["listener"]
    medium.rewire(0, Wiring(dict.fromkeys(names, tuple(names))))
    start_ns = 1_000_000
    released: list[tuple[int, int]] = []
    lower = sorted(messages[number + 1 :], key=Periodic.bits)
    if lower:
        released.append((start_ns - 1, messages.index(lower[-1])))
    for which, one in enumerate(messages[: number + 1]):
        released += [(start_ns + k * one.period_ns, which) for k in range(until_ns // one.period_ns + 1)]
    frames = {}
    for t_ns, which in sorted(released):
        while medium.deadline_ns < t_ns:
            medium.advance(medium.deadline_ns)
        frame = Outgoing(messages[which].frame_id, bytes(messages[which].size), kept=True)
        frames[id(frame)] = frame, t_ns
        medium.submit(t_ns, f"N{messages[which].frame_id}", frame)
    while medium.deadline_ns < start_ns + 2 * until_ns:
        medium.advance(medium.deadline_ns)
    own_id = messages[number].frame_id
    return max(one.t_end_ns + 3 * bit_ns - frames[id(one.frame)][1] for one in attempts if one.frame.frame_id == own_id)


THREE = [Periodic(1, 7, 2_500_000), Periodic(2, 7, 3_500_000), Periodic(3, 7, 3_500_000)]
#: The SAE benchmark as in Punnekkat, Hansson, Norstrom, RTAS 2000 (from memory): bytes and periods, highest first.
SAE = [
    Periodic(number + 1, size, period_ms * 1_000_000)
    for number, (size, period_ms) in enumerate(
        [(1, 1000), (2, 5), (1, 5), (2, 5), (1, 5), (2, 5), (6, 10), (1, 10), (2, 10), (2, 10), (1, 100), (4, 100),
         (1, 100), (1, 100), (3, 1000), (1, 1000), (1, 1000)]
    )
]  # fmt: skip


@pytest.mark.parametrize("number", range(3))
def test_three_messages_meet_their_worst_case(number: int) -> None:
    """Davis et al. 2007 (example from memory): in the critical instant the response is the computed one."""
    found = simulated_ns(THREE, number, 125_000, 40_000_000)
    worst = worst_ns(THREE, number, 8000)
    assert worst - 8000 <= found <= worst


@pytest.mark.parametrize("bit_rate", [125_000, 250_000, 500_000])
@pytest.mark.parametrize("number", [0, 1, 7, 11, 15, 16])
def test_sae_benchmark(number: int, bit_rate: int) -> None:
    """The same analysis on the SAE benchmark: never above the computed response, and at it in the critical instant."""
    found = simulated_ns(SAE, number, bit_rate, 60_000_000)
    worst = worst_ns(SAE, number, 1_000_000_000 // bit_rate)
    assert worst - 1_000_000_000 // bit_rate <= found <= worst
