"""Who takes in lots what happens on a wire is told the same as those who are told one by one.

Own proof, no source: controllers that are looked at bit by bit hold the standard.
"""

from __future__ import annotations

import contextlib
import random
from typing import Any

import can
import pytest

import faults
from lab.controllers import Observer
from simulator.errors import BadRequest
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import Event
from simulator.simulation import Simulation

#: Those that bring errors in great numbers, codes and bus-off.
KINDS = ("short", "crossed", "open", "wrong_bit_rate", "dead_module", "flooding", "ground_dropout")
SECONDS = 4.8
#: Communication is judged from 3 s on.
SHORTED = "short between=high-low at=S1 ohm=1 from_s=3.1 until_s=4.5"


def lived(seed: int, *, unattended: bool) -> tuple[Any, ...]:
    """What is left of a few seconds in which faults come and go and a tester asks now and then."""
    draw = random.Random(seed)
    vehicle = load_vehicle(find_vehicle("pipkin"))
    catalogue = [fault for fault in faults.catalogue(vehicle) if fault.kind in KINDS]
    simulation = Simulation(vehicle, seed=seed, whole_frames=False, unattended=unattended)
    observer = Observer(simulation, SECONDS)
    told: list[Event] = []
    if seed % 2 == 0:
        simulation.inject(faults.parse(SHORTED))
    simulation.notice(told.append, in_lots=True)
    tester = simulation.connect() if draw.random() < 0.5 else None
    asked: list[Any] = []
    while simulation.t_ns < SECONDS * 1e9:
        begin_s = simulation.t_ns / 1e9 + 0.1 * draw.random()
        text = f"{draw.choice(catalogue)} from_s={begin_s:.6f} until_s={begin_s + 2 * draw.random():.6f}"
        with contextlib.suppress(BadRequest):
            simulation.inject(faults.parse(text))
        if tester is not None and draw.random() < 0.5:
            with contextlib.suppress(can.CanOperationError):
                tester.send(can.Message(arbitration_id=0x7E0 + draw.randrange(8), data=b"\x01\x3e"), timeout=0.01)
        simulation.advance(draw.random() * SECONDS / 2)
        asked.append(dict(simulation.troubles("LINE-1")))
    observer.close()
    if tester is not None:
        tester.shutdown()
    kinds = ("code", "state", "supply", "fault")
    events = sorted((event for event in told if event.kind in kinds), key=lambda one: (one.t_ns, one.kind, one.name))
    accounts = [
        (key, dict(one.errors), one.lost, one.overloads, one.counters, one.most, one.state)
        for key, one in observer.accounts.items()
    ]
    return accounts, observer.changes, observer.changed, events, asked


@pytest.mark.parametrize("seed", [2, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(10, 30))])
def test_the_same_codes_counts_and_changes(seed: int) -> None:
    one_by_one, in_lots = lived(seed, unattended=False), lived(seed, unattended=True)
    for ours, theirs in zip(in_lots, one_by_one, strict=True):
        assert ours == theirs
    if seed % 2 == 0:
        codes = [str(event.what) for event in one_by_one[3] if event.kind == "code"]
        assert any(code.startswith("U0073-88") for code in codes)
        assert sum(one_by_one[2].values()) > 1000
