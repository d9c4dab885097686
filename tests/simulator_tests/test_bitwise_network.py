"""The medium of one network by itself: who hears whom, what waits, nodes that come and go."""

from __future__ import annotations

import itertools

import pytest

from simulator.datalink.bitwise import Bitwise
from simulator.datalink.controller import NEVER_NS, Attempt, Outcome, Outgoing, Wiring
from simulator.datalink.frame import encode

BIT_NS = 2000  # 500 kbit/s


class Bench:
    """A medium with a record of what happened on it; every node hears every other unless told otherwise."""

    def __init__(self, *nodes: str, **wiring: object) -> None:
        self.attempts: list[Attempt] = []
        self.changes: list[tuple[int, str, str]] = []
        self.medium = Bitwise(
            500_000,
            attempted=self.attempts.append,
            changed=lambda t, node, status: self.changes.append((t, node, status)),
        )
        self.wire(*nodes, **wiring)
        self.run(100 * BIT_NS)

    def wire(self, *nodes: str, t_ns: int = 0, hearers: dict | None = None, **wiring: object) -> None:
        everybody = dict.fromkeys(nodes, nodes) | (hearers or {})
        self.medium.rewire(t_ns, Wiring(everybody, **wiring))  # type: ignore[arg-type]

    def run(self, until_ns: int) -> None:
        while self.medium.deadline_ns <= until_ns:
            self.medium.advance(self.medium.deadline_ns)

    def bits(self, attempt: Attempt, start_ns: int) -> tuple[float, float]:
        return (attempt.t_start_ns - start_ns) / BIT_NS, (attempt.t_end_ns - start_ns) / BIT_NS


def test_one_frame_reaches_everybody() -> None:
    """Bosch CAN 2.0, 10.3.1.6: every receiver acknowledges; lengths from the frame bit by bit."""
    bench = Bench("A", "B", "C")
    bench.medium.submit(200_000, "A", Outgoing(0x123, b"\x11\x22", name="Some"))
    bench.run(10_000_000)
    (attempt,) = bench.attempts
    frame = encode(0x123, b"\x11\x22", acknowledged=False)
    assert attempt.outcome is Outcome.OK
    assert attempt.acknowledged_by == attempt.received_by == ("B", "C")
    assert (attempt.length_bits, attempt.dominant_bits) == (frame.length, frame.bits.count(0))
    assert attempt.t_end_ns - attempt.t_start_ns == frame.length * BIT_NS
    assert bench.medium.deadline_ns == NEVER_NS


def test_arbitration_and_intermission() -> None:
    """Worked example, Bosch CAN 2.0 rules: 0x100 and 0x101 together; 48 bits, next SOF at 51, end at bit 96."""
    bench = Bench("A", "B", "C")
    bench.medium.submit(0, "A", Outgoing(0x101, b""))
    bench.medium.submit(0, "B", Outgoing(0x100, b""))
    bench.run(10_000_000)
    first, second = bench.attempts
    assert (first.frame.frame_id, second.frame.frame_id) == (0x100, 0x101)
    start = first.t_start_ns
    assert bench.bits(first, start) == (0, 48)
    assert bench.bits(second, start) == (51, 97)
    assert bench.medium.counters("A") == (0, 0)


@pytest.mark.parametrize(
    ("low", "high"),
    [
        (Outgoing(0x123, b""), Outgoing(0x123, b"", remote=True)),
        (Outgoing(0x123, b"", remote=True), Outgoing(0x123 << 18, b"", extended=True)),
        (Outgoing(0x123 << 18, b"", extended=True), Outgoing(0x123 << 18, b"", extended=True, remote=True)),
        (Outgoing(0x122 << 18 | 0x3FFFF, b"", extended=True), Outgoing(0x123, b"")),
    ],
)
def test_order_of_equal_base_identifiers(low: Outgoing, high: Outgoing) -> None:
    """Follows from RTR, SRR, IDE (Bosch CAN 2.0, 10.3.1.2): base data, base remote, extended data, extended remote."""
    bench = Bench("A", "B", "C")
    bench.medium.submit(0, "A", high)
    bench.medium.submit(0, "B", low)
    bench.run(10_000_000)
    assert [attempt.frame for attempt in bench.attempts] == [low, high]


def test_lone_node() -> None:
    """Bosch CAN 2.0, 12.2 with the exception of rule 3: SOF every 54 bits 16 times, then every 62; never bus-off."""
    bench = Bench("A")
    bench.medium.submit(0, "A", Outgoing(0x123, b""))
    bench.run(2_000_000_000)
    starts = [attempt.t_start_ns // BIT_NS for attempt in bench.attempts[:40]]
    steps = [after - before for before, after in itertools.pairwise(starts)]
    assert steps[:15] == [54] * 15
    assert starts[16] - starts[0] == 872
    assert steps[16:] == [62] * 23
    assert {attempt.outcome for attempt in bench.attempts} == {Outcome.NOT_ACKNOWLEDGED}
    assert bench.medium.counters("A") == (128, 0)
    assert bench.changes == [(bench.attempts[15].t_end_ns - 14 * BIT_NS, "A", "error passive")]


def test_bit_errors_lead_to_bus_off_and_back() -> None:
    """Bosch CAN 2.0, 12.2: 16 errors to error passive, 32 to bus-off; back after 128 times 11 recessive bits.

    Its active flags do not show either: rule 4 costs 8 for each of their bits, so the first attempt makes it passive.
    """
    bench = Bench("A", "B", mute=frozenset({"A"}))
    bench.medium.submit(0, "A", Outgoing(0x123, b""))
    bench.run(10_000_000)
    statuses = [status for _, _, status in bench.changes[:3]]
    assert statuses == ["error passive", "bus off", "error active"]
    off_ns, back_ns = bench.changes[1][0], bench.changes[2][0]
    assert {attempt.outcome for attempt in bench.attempts} == {Outcome.BIT_ERROR}
    # its SOF never shows on the wire; told at the end of that bit
    assert bench.attempts[15].t_start_ns + BIT_NS == off_ns
    assert back_ns - off_ns == 1408 * BIT_NS
    assert bench.medium.counters("B") == (0, 0)


def test_recovery_under_traffic_takes_one_sequence_per_frame() -> None:
    """Bosch CAN 2.0, 12.2 rule 12: back-to-back frames leave one sequence of 11 recessive bits each, 128 frames."""
    bench = Bench("A", "B", "C", mute=frozenset({"A"}))
    bench.medium.submit(0, "A", Outgoing(0x123, b""))
    while bench.medium.status("A") != "bus off":
        bench.medium.advance(bench.medium.deadline_ns)
    t_ns = bench.changes[-1][0]
    bench.attempts.clear()
    bench.medium.submit(t_ns, "B", Outgoing(0x10, b""))
    while bench.medium.status("A") == "bus off":
        t_ns = bench.medium.deadline_ns
        bench.medium.advance(t_ns)
        bench.medium.submit(t_ns, "B", Outgoing(0x10, b""))
    assert 126 <= len(bench.attempts) <= 130


def test_nobody_in_earshot_acknowledges() -> None:
    """ISO 11898-1: a receiver whose acknowledgement does not reach the transmitter is none to it."""
    bench = Bench("A", "B", hearers={"A": ("A", "B"), "B": ("B",)})
    bench.medium.submit(0, "A", Outgoing(0x123, b""))
    bench.run(1_000_000)
    assert {attempt.outcome for attempt in bench.attempts} == {Outcome.NOT_ACKNOWLEDGED}
    assert bench.attempts[0].received_by == ()


def test_two_halves_work_apart() -> None:
    """Own rule: nodes that do not hear each other share nothing."""
    bench = Bench(hearers={"A": ("A", "B"), "B": ("A", "B"), "C": ("C", "D"), "D": ("C", "D")})
    bench.medium.submit(0, "A", Outgoing(0x123, b""))
    bench.medium.submit(0, "C", Outgoing(0x124, b""))
    bench.run(1_000_000)
    assert [(one.t_start_ns, one.received_by) for one in bench.attempts] == [
        (bench.attempts[0].t_start_ns, ("B",)),
        (bench.attempts[0].t_start_ns, ("D",)),
    ]


def test_hidden_nodes_collide_at_those_who_hear_both() -> None:
    """Bosch CAN 2.0, 10.7 and 11.1: A and C do not hear each other, B hears a mixture of both and flags it."""
    bench = Bench("A", "B", "C", hearers={"A": ("A", "B"), "B": ("A", "B", "C"), "C": ("B", "C")})
    bench.medium.submit(200_000, "A", Outgoing(0x100, bytes(8)))
    bench.run(210_000)
    bench.medium.submit(210_000, "C", Outgoing(0x200, bytes(8)))
    bench.run(600_000)
    assert {one.outcome for one in bench.attempts} == {Outcome.DISTURBED}
    assert {one.node for one in bench.attempts} == {"A", "C"}
    assert bench.medium.counters("B")[1] > 0


def test_held_dominant_nobody_communicates_until_released() -> None:
    """Bosch CAN 2.0, 12.2 rule 6: a transmitter caught by a stuck wire goes bus-off; after release 11 bits of quiet."""
    bench = Bench("A", "B", "C")
    bench.medium.submit(200_000, "A", Outgoing(0x100, bytes(8)))
    bench.run(210_000)
    bench.wire("A", "B", "C", t_ns=210_000, held=frozenset({"A", "B", "C"}))
    bench.run(1_000_000)
    # 8 more every 8 bits: A's stuff error in arbitration costs nothing, then 32 times 8 bits after the 14th
    off_ns = next(t_ns for t_ns, node, status in bench.changes if (node, status) == ("A", "bus off"))
    assert off_ns == 200_000 + (10 + 14 + 31 * 8) * BIT_NS
    assert bench.medium.status("B") == "error passive"
    bench.medium.submit(1_000_000, "B", Outgoing(0x200, b""))
    bench.run(100_000_000)
    assert [one.outcome for one in bench.attempts] == [Outcome.DISTURBED]
    bench.wire("A", "B", "C", t_ns=100_000_000)
    bench.run(200_000_000)
    done = bench.attempts[1:]
    assert [(one.node, one.outcome) for one in done] == [("B", Outcome.OK), ("A", Outcome.OK)]
    assert done[0].t_start_ns == 100_000_000 + 11 * BIT_NS
    assert done[1].t_start_ns >= 100_000_000 + 1408 * BIT_NS


def test_equal_identifiers_with_other_data_destroy_each_other() -> None:
    """Bosch CAN 2.0, 11.1.1: after arbitration a difference is a bit error for the one that sent recessive."""
    bench = Bench("A", "B", "C")
    bench.medium.submit(0, "A", Outgoing(0x100, b"\x00"))
    bench.medium.submit(0, "B", Outgoing(0x100, b"\x01"))
    bench.run(400_000)
    assert {one.outcome for one in bench.attempts} == {Outcome.DISTURBED}
    assert {one.node for one in bench.attempts} == {"A", "B"}


def test_counters_fall_with_every_success() -> None:
    """Bosch CAN 2.0, 12.2 rules 3 and 7: plus 8 for a failure, minus 1 for a success."""
    bench = Bench("A")
    bench.medium.submit(200_000, "A", Outgoing(0x100, b""))
    bench.run(200_000 + 150 * BIT_NS)
    before = bench.medium.counters("A")[0]
    assert before == 8 * len(bench.attempts)
    bench.wire("A", "B", t_ns=200_000 + 150 * BIT_NS)
    bench.run(10_000_000)
    assert bench.attempts[-1].outcome is Outcome.OK
    assert bench.medium.counters("A")[0] == 8 * (len(bench.attempts) - 1) - 1


def test_a_node_that_goes_down_breaks_its_frame_and_forgets() -> None:
    """Own rule: without supply in the middle of a frame, the others see an error and the node's queue is gone."""
    bench = Bench("A", "B")
    bench.medium.submit(200_000, "A", Outgoing(0x100, bytes(8)))
    bench.run(210_000)
    bench.wire("B", t_ns=210_000)
    bench.run(500_000)
    bench.wire("A", "B", t_ns=500_000)
    bench.run(10_000_000)
    assert [one.outcome for one in bench.attempts] == [Outcome.BIT_ERROR]
    assert bench.medium.counters("B") == (0, 1)
    assert bench.medium.counters("A") == (0, 0)


def test_a_receiver_that_goes_down_breaks_nothing() -> None:
    """Own rule: the frame goes on, and the rest acknowledge."""
    bench = Bench("A", "B", "C")
    bench.medium.submit(200_000, "A", Outgoing(0x100, bytes(8)))
    bench.run(210_000)
    bench.wire("A", "B", t_ns=210_000)
    bench.run(10_000_000)
    assert [(one.outcome, one.received_by) for one in bench.attempts] == [(Outcome.OK, ("B",))]


@pytest.mark.parametrize(("left", "received"), [(("A",), ()), (("A", "C"), ("C",)), (("A", "B"), ("B",))])
def test_who_acknowledged_and_went_down_is_named(left: tuple[str, ...], received: tuple[str, ...]) -> None:
    """Bosch CAN 2.0, part B, 10.3.1.6: the ACK slot decides, whatever becomes of the receivers in the bits after it."""
    frame = encode(0x100, bytes(8))
    for bit in (frame.field("ACK delimiter").start, len(frame.bits) - 2):
        bench = Bench("A", "B", "C")
        bench.medium.submit(200_000, "A", Outgoing(0x100, bytes(8)))
        t_ns = 200_000 + bit * BIT_NS + 100
        bench.run(t_ns)
        bench.wire(*left, t_ns=t_ns)
        bench.run(10_000_000)
        found = [(one.outcome, one.acknowledged_by, one.received_by) for one in bench.attempts]
        assert found == [(Outcome.OK, tuple(sorted(("B", "C"), key=lambda name: (name not in left, name))), received)]


def test_who_acknowledged_a_frame_that_broke_off_is_named() -> None:
    """Own rule: its transmitter goes down after the ACK slot; who has gone before it has acknowledged too.

    The next frame of the same node has nothing of that.
    """
    bench = Bench("A", "B", "C")
    bench.medium.submit(200_000, "A", Outgoing(0x100, bytes(8)))
    end_ns = 200_000 + len(encode(0x100, bytes(8)).bits) * BIT_NS
    for left, t_ns in ((("A", "C"), end_ns - 5 * BIT_NS), (("C",), end_ns - 4 * BIT_NS), (("A", "C"), 500_000)):
        bench.run(t_ns)
        bench.wire(*left, t_ns=t_ns)
    bench.medium.submit(600_000, "A", Outgoing(0x101, b""))
    bench.run(10_000_000)
    found = [(one.outcome, one.acknowledged_by, one.received_by) for one in bench.attempts]
    assert found == [(Outcome.BIT_ERROR, ("C", "B"), ()), (Outcome.OK, ("C",), ("C",))]


def test_a_newer_frame_replaces_a_waiting_one_of_its_identifier() -> None:
    """Common practice, no source: a transmit mailbox per message; a tester's frames wait in line instead."""
    bench = Bench("A", "B")
    bench.medium.submit(0, "A", Outgoing(0x100, b"\x01"))
    bench.medium.submit(0, "A", Outgoing(0x100, b"\x02"))
    bench.medium.submit(0, "B", Outgoing(0x200, b"\x01", kept=True))
    bench.medium.submit(0, "B", Outgoing(0x200, b"\x02", kept=True))
    bench.run(10_000_000)
    assert [one.frame.data for one in bench.attempts] == [b"\x02", b"\x01", b"\x02"]


def test_withdrawn_frames_are_not_sent() -> None:
    """Own rule."""
    bench = Bench("A", "B")
    frame = Outgoing(0x100, b"", kept=True)
    bench.medium.submit(0, "A", frame)
    bench.medium.withdraw(0, "A", frame)
    bench.run(10_000_000)
    assert bench.attempts == []


def test_rate_switch_shortens_a_frame() -> None:
    """Captured CAN FD traffic, sigrok-dumps can/can_fd: 80.0 us from SOF to the end of EOF at 1/2 Mbit/s."""
    attempts: list[Attempt] = []
    medium = Bitwise(
        1_000_000, sample_point=0.75, data_bit_rate=2_000_000, data_sample_point=0.8, attempted=attempts.append
    )
    medium.rewire(0, Wiring({"A": ("A", "B"), "B": ("A", "B")}))
    medium.submit(0, "A", Outgoing(0x42, bytes(range(8)), fd=True, brs=True))
    while medium.deadline_ns < NEVER_NS:
        medium.advance(medium.deadline_ns)
    assert attempts[0].t_end_ns - attempts[0].t_start_ns == 80_000
