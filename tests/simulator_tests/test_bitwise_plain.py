"""The engine in step passes quickly over bits on which all agree, and lets one controller read for others.

Own proof, no source: a watched bus takes every bit at every controller, and must tell exactly the same.
"""

from __future__ import annotations

import random

import pytest
from bit_bench import BIT_NS, BitBench

from simulator.datalink.controller import Levels, Wiring
from simulator.datalink.frame import encode
from simulator.datalink.trouble import Trouble

#: Seeds of a default run.
SAMPLE = 7


def drawn_wiring(draw: random.Random, nodes: list[str]) -> Wiring:
    """Who hears whom by lot: mostly everybody, some deaf, mute or stuck, some between the levels, some late."""
    odd = draw.sample(nodes, draw.randrange(0, 3))
    deaf = frozenset(name for name in odd if draw.random() < 0.5)
    shaky = frozenset(name for name in odd if draw.random() < 0.4)
    late = {name: draw.randrange(2) for name in odd if draw.random() < 0.4}
    lingering = {name: draw.randrange(3) for name in odd if draw.random() < 0.4}

    def levels(driving: frozenset[str]) -> Levels:
        heard = [name for name in nodes if name not in deaf] if driving - deaf else []
        own = [name for name in driving & deaf if name not in heard]
        neither = [name for name in shaky if driving and name not in own]
        dominant = tuple(name for name in nodes if (name in heard or name in own) and name not in neither)
        return Levels(dominant, tuple(neither), late if driving else {}, lingering if driving else {})

    hearers = {name: levels(frozenset((name,))).dominant for name in nodes}
    mute = frozenset(name for name in odd if draw.random() < 0.1)
    return Wiring(hearers, mute=mute, levels=levels, parts=(tuple(nodes),))


def history(seed: int, *, watched: bool, fd: bool = False) -> list[tuple[object, ...]]:
    """All that is told of traffic, changes of the wiring and inverted samples of a seed, in the order of time.

    The counters are told with every error.
    """
    draw = random.Random(seed)
    nodes = [f"N{number}" for number in range(draw.randrange(2, 9))]
    bench = BitBench(*nodes, data_bit_rate=2_000_000 if fd else None)
    if watched:
        bench.medium.watch(bench.t_ns, 0, 1 << 60)
    for _ in range(40):
        if draw.random() < 0.2:
            bench.medium.rewire(bench.t_ns, drawn_wiring(draw, nodes))
        for _ in range(draw.randrange(3)):
            bench.send(draw.choice(nodes), draw.getrandbits(11), draw.randbytes(draw.randrange(9)), fd=fd, brs=fd)
        if draw.random() < 0.3:
            bench.flip(draw.randrange(1, 300), draw.choice(nodes))
        bench.run(bench.t_ns + draw.choice([30, 150, 600, 3000]) * BIT_NS + draw.randrange(BIT_NS))
    return bench.told()


@pytest.mark.parametrize("fd", [False, True])
@pytest.mark.parametrize(
    "seed", [*range(SAMPLE), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(SAMPLE, 12))]
)
def test_watched_or_not_it_is_the_same(seed: int, fd: bool) -> None:
    assert history(seed, watched=False, fd=fd) == history(seed, watched=True, fd=fd)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12, 212))
def test_watched_or_not_it_is_the_same_sweep(seed: int) -> None:
    assert history(seed, watched=False, fd=seed % 3 == 0) == history(seed, watched=True, fd=seed % 3 == 0)


def noticed_on_a_slow_line(inverted_bit: int, *, watched: bool) -> list[Trouble]:
    """What is noticed where S goes on reading two bits dominant, and one sample of it is inverted."""
    everybody = tuple("ABS")
    slow, quiet = Levels(everybody, (), {}, {"S": 2}), Levels((), (), {}, {})
    bench = BitBench(*everybody)
    wiring = Wiring(
        dict.fromkeys(everybody, everybody), levels=lambda driving: slow if driving else quiet, parts=(everybody,)
    )
    bench.medium.rewire(bench.t_ns, wiring)
    if watched:
        bench.medium.watch(bench.t_ns, 0, 1 << 60)
    bench.send("A", 0x123, b"\x35")
    bench.flip(inverted_bit, "S")
    bench.run(bench.t_ns + 1000 * BIT_NS)
    return bench.troubles


def test_an_inverted_sample_makes_no_line_quick() -> None:
    """The bit after it still lingers, and is a form error in a delimiter. Bosch CAN 2.0, part B, 10.3.3.2 and 11.1."""
    kinds = set()
    for inverted_bit in range(5, 60):
        quickly = noticed_on_a_slow_line(inverted_bit, watched=False)
        assert quickly == noticed_on_a_slow_line(inverted_bit, watched=True), inverted_bit
        kinds |= {(trouble.node, trouble.kind, trouble.place) for trouble in quickly}
    assert ("S", "form", "delimiter") in kinds


@pytest.mark.parametrize("watched", [False, True])
def test_who_waits_off_the_bus_knows_its_last_level(watched: bool) -> None:
    """It is recessive, so where its level floats later it comes back when asked to. Bosch CAN 2.0, 12.2 rule 12."""
    bench = BitBench("A", "B", "C", automatic=False)
    everybody = ("A", "B", "C")
    if watched:
        bench.medium.watch(bench.t_ns, 0, 1 << 60)
    bench.wire(*everybody, mute=frozenset("B"))
    bench.send("B", 0x123)
    bench.run(bench.t_ns + 3000 * BIT_NS)
    assert bench.medium.status("B") == "bus off"
    bench.send("A", 0x100, b"5")
    bench.run(bench.t_ns + 100 * BIT_NS)
    floats, drives = Levels((), ("B",)), Levels(everybody)
    bench.wire(*everybody, levels=lambda driving: drives if driving else floats)
    bench.medium.restart(bench.t_ns, "B")
    asked_ns = bench.t_ns
    bench.run(asked_ns + 2000 * BIT_NS)
    assert (asked_ns + 128 * 11 * BIT_NS, "B", "error active") in bench.changes


@pytest.mark.parametrize("rates", [{}, {"C": 500_100}])
@pytest.mark.parametrize("watched", [False, True])
def test_nobody_comes_back_on_a_level_that_floats(watched: bool, rates: dict[str, int]) -> None:
    """It reads its last level, a dominant one, so no recessive bits. Bosch CAN 2.0, 12.2 rule 12."""
    bench = BitBench("A", "B", "C")
    everybody = ("A", "B", "C")
    if watched:
        bench.medium.watch(bench.t_ns, 0, 1 << 60)
    bench.wire(*everybody, mute=frozenset("B"))
    bench.send("B", 0x123)
    while bench.medium.status("B") != "bus off":
        bench.run(bench.t_ns + 50 * BIT_NS)
    floats, drives = Levels((), ("B",)), Levels(everybody)
    bench.wire(*everybody, levels=lambda driving: drives if driving else floats, rates=rates)
    bench.send("A", 0x100, b"\x35")
    bench.run(bench.t_ns + 3000 * BIT_NS)
    assert bench.medium.status("B") == "bus off"
    bench.wire(*everybody, rates=rates)
    at_rest_ns = bench.t_ns
    bench.run(at_rest_ns + 1500 * BIT_NS)
    assert bench.changes[-1][1:] == ("B", "error active")
    # of the 128 times 11 recessive bits a few have gone before it began to float
    assert bench.changes[-1][0] - at_rest_ns > 120 * 11 * BIT_NS


def test_what_is_done_beside_an_inversion_is_not_done_to_the_past() -> None:
    """Own rule: who asks for an overload frame on a quiet bus sends it after what comes next, none before."""
    bench = BitBench("A", "B", "C")
    bench.medium.set_counters(bench.t_ns, "A", 250, 0)
    bench.send("A", 0x123, b"\x35")
    bench.flip(30, "B")
    bench.run(bench.t_ns + 200 * BIT_NS)
    assert bench.medium.status("A") == "bus off"
    bench.flip(100, "C")
    asked_ns = bench.t_ns
    bench.medium.delay(asked_ns, "B")
    bench.run(asked_ns + 1000 * BIT_NS)
    assert min(trouble.t_ns for trouble in bench.troubles if trouble.kind == "overload") > asked_ns


@pytest.mark.parametrize("order", ["ATB", "TAB", "BTA", "TBA"])
def test_a_receiver_that_reads_one_bit_otherwise_loses_no_bit(order: str) -> None:
    """Bosch CAN 2.0, 11.2: its CRC error shows after the ACK delimiter, wherever it stands among the controllers."""
    bench = BitBench(*order)
    frame = encode(0x123, b"\x35\x6a")
    bench.send("T", 0x123, b"\x35\x6a")
    bench.flip(frame.field("data").start + 6, "A")
    bench.run(bench.t_ns + 200 * BIT_NS)
    assert bench.kinds("A") == [("crc", "ACK delimiter")]
