"""Vehicles made in memory for the tests of pictures and print: a tree or a looped network of any size, from a seed."""

from __future__ import annotations

import random

from simulator.vehicle import (
    Battery,
    Feed,
    Fuse,
    GroundPoint,
    GroundWire,
    Module,
    Network,
    Pair,
    Parting,
    Run,
    Terminator,
    Vehicle,
)  # fmt: skip

TITLES = ("Engine", "Gearbox", "Brakes", "Steering assist", "Body", "Cluster", "Climate", "Left door", "Tail lift pump")


def drawn_vehicle(modules: int, *, seed: int = 0, loops: int = 0, shape: str = "tree") -> Vehicle:
    """A vehicle of that many modules on one network; ``shape``: "tree", "star" or "ring"; ``loops`` more runs."""
    rng = random.Random(seed)
    names = [f"M{number:02d}" for number in range(modules)]
    runs, splices = _runs(rng, names, shape)
    pairs = {frozenset((run.start, run.end)) for run in runs}
    places = list(dict.fromkeys(place for run in runs for place in (run.start, run.end)))
    while loops:
        start, end = rng.sample(places, 2)
        if frozenset((start, end)) not in pairs:
            pairs.add(frozenset((start, end)))
            runs.append(Run(f"{start}-{end}", start, end, round(rng.uniform(0.5, 4.0), 1)))
            loops -= 1
    fuses = {f"F{n}": Fuse(f"F{n}", 0.005, rng.choice([5, 10, 20]), n % 4 == 3) for n in range(1 + modules // 2)}
    grounds = {
        f"G{n}": GroundPoint(f"G{n}", 0.001, rng.choice(["front left", "dash", ""])) for n in range(1 + modules // 4)
    }
    network = Network(
        "LINE-1", 500_000, 0.8, "none.dbc", Pair(0.052, 120.0, 5.0), tuple(runs),
        terminators=(Terminator(names[0], 120.0, True), Terminator(names[-1], 120.0, rng.random() < 0.5)),
        parting=tuple(Parting(s, (next(r.name for r in runs if s in (r.start, r.end)),)) for s in splices[:2]),
        socket="DLC",
    )  # fmt: skip
    return Vehicle(
        "Drawn", Battery(12.6, 0.01), fuses, grounds,
        {name: _module(rng, number, name, list(fuses), list(grounds)) for number, name in enumerate(names)},
        {"LINE-1": network}, maker="Fennimarrow Works",
    )  # fmt: skip


def _module(rng: random.Random, number: int, name: str, fuses: list[str], grounds: list[str]) -> Module:
    return Module(
        name, Feed(rng.choice(fuses), 0.05), GroundWire(rng.choice(grounds), 0.02), 20.0,
        0x600 + number, 0x680 + number, "U0100",
        wake=Feed(rng.choice(fuses), 0.1) if rng.random() < 0.6 else None, title=rng.choice(TITLES),
        reach_minutes=rng.randrange(2, 30),
    )  # fmt: skip


def _runs(rng: random.Random, names: list[str], shape: str) -> tuple[list[Run], list[str]]:
    def run(start: str, end: str, low: float, high: float) -> Run:
        own = f"stub of {end}" if rng.random() < 0.2 else f"{start}-{end}"
        return Run(own, start, end, round(rng.uniform(low, high), 1))

    if shape == "star":
        return [run("HUB", name, 0.5, 5.0) for name in [*names, "DLC"]], ["HUB"]
    if shape == "ring":
        around = [*names[:1], "DLC", *names[1:]]
        return [run(a, b, 0.5, 3.0) for a, b in zip(around, [*around[1:], around[0]], strict=True)], []
    splices = [f"S{number}" for number in range(1, 1 + max(2, len(names) // 3))]
    runs = [run(names[0], "S1", 0.5, 3.0)]
    for before, splice in enumerate(splices[1:]):
        start = splices[before] if rng.random() < 0.75 else rng.choice(splices[: before + 1])
        runs.append(run(start, splice, 0.4, 3.0))
    for name in names[1:-1]:
        others = [r.end for r in runs if r.end in names]
        start = rng.choice(others) if others and rng.random() < 0.1 else rng.choice(splices)
        runs.append(run(start, name, 0.2, 1.5))
    runs.append(run(splices[-1], names[-1], 0.5, 3.0))
    runs.append(run(rng.choice(splices), "DLC", 0.2, 1.5))
    return runs, splices
