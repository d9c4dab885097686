"""Who looks at a network, or listens to it, at an awkward instant changes nothing.

Own proof, no source: the bit engine, asked bit by bit, holds the standard.
"""

from __future__ import annotations

import io
import json
import random
from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

import pytest
from random_traffic import busy_vehicle

import faults
from simulator.logs import EventLog
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import FrameRecord
from simulator.simulation import Simulation


def broken(*, unattended: bool = True, count: int = 6) -> Simulation:
    """Modules on one network, the plug of one of which has lost CAN-H."""
    simulation = Simulation(busy_vehicle(count), seed=1, unattended=unattended)
    simulation.inject(faults.parse("open line=high at=N3"))
    return simulation


def parted(told: Callable[[Simulation, FrameRecord], None], *, unattended: bool = True) -> list[FrameRecord]:
    """The frames of a network that has come apart into halves with clocks in step; ``told`` hears of each."""
    simulation = Simulation(busy_vehicle(8), seed=1, whole_frames=False, unattended=unattended)
    simulation.advance(0.03)
    for line in ("high", "low"):
        simulation.inject(faults.parse(f"open line={line} run=S3-S4"))
    found: list[FrameRecord] = []

    def hear(record: FrameRecord) -> None:
        found.append(record)
        told(simulation, record)

    simulation.subscribe(hear)
    simulation.advance(0.17)
    return found


def test_frames_of_both_halves_that_end_at_one_instant_are_told_once_though_somebody_asks_in_between() -> None:
    expected = parted(lambda simulation, record: None, unattended=False)
    both = [t_ns for t_ns, count in Counter(record.t_end_ns for record in expected).items() if count > 1]
    assert both

    def ask(simulation: Simulation, record: FrameRecord) -> None:
        if record.t_end_ns in both:
            simulation.status("LINE", "N0")

    assert parted(ask) == expected


def test_what_was_noticed_before_anybody_listened_is_counted_though_not_told() -> None:
    counts: list[Mapping[tuple[str, str, str], int]] = []
    heard: list[list[Any]] = []
    for unattended in (False, True):
        simulation = broken(unattended=unattended)
        simulation.advance(0.05)
        told: list[Any] = []
        for _ in range(3):
            simulation.advance(0.0301)
            began_ns = simulation.t_ns
            simulation.overhear(lambda network, trouble, began_ns=began_ns, told=told: told.append((began_ns, trouble)))
        simulation.advance(0.02)
        counts.append(simulation.troubles("LINE"))
        # what has been noticed in the last millisecond may be told later
        heard.append([one for one in told if one[1].t_ns < simulation.t_ns - 1_000_000])
    assert counts[0] == counts[1]
    assert sorted(heard[0]) == sorted(heard[1])
    assert all(trouble.t_ns > began_ns for began_ns, trouble in heard[0])


@pytest.mark.parametrize("number", [3, 10, 40])
def test_what_comes_right_after_a_frame_costs_its_transmitter_what_it_costs_a_transmitter(number: int) -> None:
    """Sixteen dominant bits and more after the frame, before intermission is over: overload flags, then errors."""
    seen = []
    for whole in (False, True):
        simulation = Simulation(busy_vehicle(6), seed=1, whole_frames=whole, unattended=False)
        ended: list[FrameRecord] = []
        simulation.subscribe(ended.append)
        while len(ended) < number:
            simulation.step(simulation.t_ns + 100_000_000)
        simulation.inject(faults.parse("stuck_dominant module=N5"))
        simulation.advance(0.0001)
        assert simulation.counters("LINE", ended[number - 1].transmitter)[0] > 0
        seen.append([simulation.counters("LINE", f"N{n}") for n in range(6)])
    assert seen[0] == seen[1]


@pytest.mark.parametrize("times", [3, pytest.param(8, marks=pytest.mark.slow)])
def test_a_log_ends_with_all_that_was_noticed_by_then_whoever_asked_before(times: int) -> None:
    """What is told late is told when a log is flushed; the tail depends on no query, and on no way to compute it."""
    draw = random.Random(1)
    tails: set[int] = set()
    for _ in range(times):
        asked_ns, end_ns = draw.randrange(20_000_000, 49_000_000), draw.randrange(50_000_000, 60_000_000)
        logs = []
        for unattended, asks in ((False, False), (True, False), (True, True)):
            simulation = broken(unattended=unattended)
            stream = io.StringIO()
            log = EventLog(simulation, stream)
            if asks:
                simulation.run_until_ns(asked_ns)
                simulation.status("LINE", "N0")
            simulation.run_until_ns(end_ns)
            log.flush()
            logs.append(stream.getvalue())
            before = stream.getvalue()
            log.flush()
            assert stream.getvalue() == before
        assert logs[0] == logs[1] == logs[2]
        kinds = "error", "overload", "undetected"
        noticed = [line for line in map(json.loads, logs[0].splitlines()) if line["kind"] in kinds]
        assert len(noticed) == sum(simulation.troubles("LINE").values()) - lost(simulation)
        tails.add(end_ns - noticed[-1]["t_ns"])
    # somebody was in the middle of an error in some of them
    assert min(tails) < 200_000


def lost(simulation: Simulation) -> int:
    return sum(count for (_, kind, _), count in simulation.troubles("LINE").items() if kind == "lost arbitration")


def test_who_asks_while_the_end_of_an_attempt_is_told_hears_of_all_that_was_noticed_by_then() -> None:
    """Several controllers notice something at one instant: who is told of the first may ask for the others."""
    seen: list[list[Any]] = [[], []]
    for asked, unattended in zip(seen, (False, True), strict=True):
        simulation = Simulation(busy_vehicle(6), seed=1, unattended=unattended)
        simulation.inject(faults.parse("wrong_bit_rate module=N3 bit_rate=250000"))

        def ask(record: FrameRecord, asked: list[Any] = asked, simulation: Simulation = simulation) -> None:
            if len(asked) % 7 == 0 or record.outcome != "ok":
                asked.append((record.t_end_ns, simulation.troubles("LINE"), simulation.last_trouble("LINE", "N0")))
            else:
                asked.append(None)

        simulation.subscribe(ask)
        simulation.advance(0.06)
    assert seen[0] == seen[1]


@pytest.mark.parametrize("number", [6, 11, 15])
def test_a_message_that_is_switched_off_while_it_waits_goes_out_by_whole_frames_too(number: int) -> None:
    """The controller has the frame; what its module does from then on changes nothing."""
    found = []
    for whole in (False, True):
        simulation = Simulation(busy_vehicle(2), seed=1, whole_frames=whole, unattended=False)
        records: list[FrameRecord] = []
        simulation.subscribe(records.append)
        while len(records) < number:
            simulation.step(simulation.t_ns + 100_000_000)
        simulation.inject(faults.parse("not_configured module=N1"))
        simulation.advance(0.05)
        found.append(records)
    assert found[0][number].transmitter == "N1"
    assert found[0] == found[1]


@pytest.mark.parametrize("listened", [False, True])
def test_nothing_noticed_is_lost_where_there_is_no_room_left_for_notes(listened: bool) -> None:
    """A module that errs in every bit fills the notes before a frame ends; frames of a gateway come in between."""
    counted = []
    for unattended in (True, False):
        simulation = Simulation(load_vehicle(find_vehicle("haulvey")), seed=3, unattended=unattended)
        simulation.inject(faults.parse("open line=high at=GBX"))
        if listened:
            simulation.overhear(lambda network, trouble: None)
        found = []
        for step in range(40):
            simulation.advance(0.011 + 0.00037 * step)
            found.append(dict(simulation.troubles("DRIVE")))
        counted.append(found)
    assert counted[0] == counted[1]
    assert sum(counted[0][-1].values()) > 5000


@pytest.mark.parametrize(
    "text", ["open line=high at=N3", "short between=high-low at=S3", "crossed at=N4", "flooding module=N2"]
)
def test_who_is_told_of_an_attempt_may_ask_for_counters_at_once_and_disturbs_nobody(text: str) -> None:
    """Counters and states of all on the wire, at the end of every attempt, are those of controllers looked at."""
    found: list[list[object]] = []
    for unattended in (False, True):
        simulation = Simulation(busy_vehicle(6), seed=1, unattended=unattended)
        simulation.inject(faults.parse(text))
        simulation.advance(0.01)
        seen: list[object] = []

        def ask(record: FrameRecord, simulation: Simulation = simulation, seen: list[object] = seen) -> None:
            beside = simulation.counters_beside("LINE", record.transmitter)
            assert {name: simulation.counters("LINE", name) for name in beside} == beside
            status = {name: simulation.status("LINE", name) for name in beside}
            seen.append((record, tuple(beside.items()), tuple(status.items())))

        simulation.subscribe(ask)
        simulation.advance(0.05)
        found.append(seen)
        network = simulation._media["LINE"]
        assert bool(network._alone) is unattended
    assert len(found[0]) > 20
    assert found[0] == found[1]
