"""Watched or not, a bus does the same: whatever is done to it, by lot, with everything that a controller can be asked.

Own proof, no source: a watched bus takes every bit at every controller, and must tell exactly the same.
"""

from __future__ import annotations

import random

import pytest
from bit_bench import BIT_NS, BitBench

from simulator.datalink.controller import Levels, Wiring
from simulator.datalink.frame import FD_LENGTHS

#: Seeds of a default run.
SAMPLE = 5


def drawn_wiring(draw: random.Random, nodes: list[str], foreign: float) -> Wiring:
    """Who is up and hears whom by lot; levels that come late, linger or float may differ by who drives.

    ``foreign``: how likely one node has a bit rate of its own.
    """
    up = [node for node in nodes if draw.random() < 0.93] or nodes[:1]
    odd = draw.sample(up, min(len(up), draw.randrange(4)))
    often = draw.choice([0.1, 0.4, 0.8])
    deaf, floats, floats_at_rest, held, stuck, mute = (
        frozenset(node for node in odd if draw.random() < chance)
        for chance in (0.7 * often, often, 0.3 * often, 0.1, 0.05, 0.15)
    )
    late, lingering = ({node: draw.randrange(4) for node in odd if draw.random() < often} for _ in range(2))
    differ, lot = draw.random() < 0.3, draw.getrandbits(30)

    def levels(driving: frozenset[str]) -> Levels:
        own_draw = random.Random(f"{lot}{sorted(driving)}")
        heard = [node for node in up if node not in deaf] if driving - deaf else []
        own = [node for node in driving & deaf if node not in heard]
        neither = [node for node in up if node in (floats if driving else floats_at_rest) and node not in own]
        dominant = [node for node in up if node in (*heard, *own, *held) and node not in neither]
        lags = [
            {node: max(0, bits - differ * own_draw.randrange(2)) for node, bits in one.items()} if driving else {}
            for one in (late, lingering)
        ]
        return Levels(tuple(dominant), tuple(neither), *lags)

    hearers = {node: levels(frozenset((node,))).dominant for node in up}
    rates = {draw.choice(up): draw.choice([495_000, 502_000, 250_000])} if draw.random() < foreign else {}
    return Wiring(hearers, mute=mute, stuck=stuck, levels=levels, parts=(tuple(up),), rates=rates)


def send(draw: random.Random, bench: BitBench, node: str, fd: bool) -> None:
    """A frame of any kind that a node can send."""
    extended, remote = draw.random() < 0.3, not fd and draw.random() < 0.1
    size = draw.choice(FD_LENGTHS) if fd and draw.random() < 0.3 else draw.randrange(9)
    bench.send(
        node, draw.getrandbits(29 if extended else draw.choice([3, 11])), b"" if remote else draw.randbytes(size),
        fd=fd, brs=fd and draw.random() < 0.8, extended=extended, remote=remote, kept=draw.random() < 0.2,
    )  # fmt: skip


def do(draw: random.Random, bench: BitBench, nodes: list[str], often: float) -> None:
    """Things done to a bus at one instant; ``often``: how likely samples are inverted."""
    if draw.random() < often:
        for _ in range(draw.randrange(1, 4)):
            some = draw.sample(nodes, draw.randrange(1, len(nodes) + 1) if draw.random() < 0.2 else 1)
            bench.flip(draw.randrange(1, draw.choice([30, 300])), *some)
    if draw.random() < 0.1:
        bench.medium.delay(bench.t_ns, draw.choice(nodes), draw.randrange(1, 3))
    if draw.random() < 0.1:
        sent, received = draw.choice([0, 100, 127, 130, 247]), draw.choice([0, 120, 127, 130])
        bench.medium.set_counters(bench.t_ns, draw.choice(nodes), sent, received)
    if draw.random() < 0.05:
        bench.medium.restart(bench.t_ns, draw.choice(nodes))


def history(seed: int, *, watched: bool, foreign: float) -> list[tuple[object, ...]]:
    """All that is told of what is done by lot, in the order of time."""
    draw = random.Random(seed)
    fd = draw.random() < 0.5
    nodes = up = [f"N{number}" for number in range(draw.randrange(2, 9))]
    kinds = ["fd", "tolerant", "classic"] if draw.random() < 0.5 else ["fd"]
    skills = {node: draw.choice(kinds) for node in nodes}
    rate = draw.choice([2_000_000, 5_000_000, 500_000]) if fd else None
    bench = BitBench(*nodes, data_bit_rate=rate, automatic=draw.random() < 0.8, skills=skills)
    if watched:
        bench.medium.watch(bench.t_ns, 0, 1 << 60)
    inverted, rewired = draw.choice([0.1, 0.5, 0.9]), draw.choice([0.05, 0.2, 0.5])
    for _ in range(50):
        if draw.random() < rewired:
            wiring = drawn_wiring(draw, nodes, foreign)
            up = list(wiring.hearers)
            bench.medium.rewire(bench.t_ns, wiring)
        for _ in range(draw.randrange(4)):
            node = draw.choice(nodes)
            send(draw, bench, node, fd and skills[node] == "fd" and draw.random() < 0.7)
        do(draw, bench, up, inverted)
        bench.run(bench.t_ns + draw.choice([5, 30, 150, 600, 3000]) * BIT_NS + draw.randrange(BIT_NS))
    return bench.told()


@pytest.mark.parametrize("foreign", [0.0, 0.5])
@pytest.mark.parametrize(
    "seed", [*range(SAMPLE), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(SAMPLE, 8))]
)
def test_watched_or_not_it_is_the_same(seed: int, foreign: float) -> None:
    assert history(seed, watched=False, foreign=foreign) == history(seed, watched=True, foreign=foreign)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8, 400))
def test_watched_or_not_it_is_the_same_sweep(seed: int) -> None:
    foreign = 0.5 * (seed % 4 == 0)
    assert history(seed, watched=False, foreign=foreign) == history(seed, watched=True, foreign=foreign)
