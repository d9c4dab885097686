"""Healthy stretches by whole frames, others unattended: the same event log, to the byte, as bit by bit.

Own proof, no source: the bit engine holds the standard; this allows the quick way wherever nobody misbehaves.
"""

from __future__ import annotations

import contextlib
import io
import random
from typing import Any

import can
import pytest
from random_traffic import random_vehicle

import faults
from simulator.condition import Condition
from simulator.errors import BadRequest
from simulator.logs import EventLog
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle

LOST = "lost arbitration"


class Run:
    """A vehicle to which a seed's things are done; ``log`` is its event log, ``seen`` what was asked on the way."""

    def __init__(
        self, vehicle: Vehicle, seed: int, *, whole: bool, singly: bool = False, unattended: bool = True
    ) -> None:
        self.draw = random.Random(seed)
        self.simulation = Simulation(vehicle, seed=seed, whole_frames=whole, unattended=unattended)
        self.stream = io.StringIO()
        self.events = EventLog(self.simulation, self.stream)
        if singly:
            self.simulation.subscribe(lambda record: None)
        self.vehicle = vehicle
        self.catalogue = list(faults.catalogue(vehicle))
        self.seen: list[Any] = []
        self.lost: list[dict[tuple[str, str, str], int]] = []
        self.taps: list[can.BusABC] = []
        self.planned: list[Any] = []

    @property
    def log(self) -> str:
        """The event log so far."""
        self.events.flush()
        return self.stream.getvalue()

    def interfere(self) -> None:
        """One thing, by lot; what contradicts itself is refused and changes nothing."""
        draw, simulation = self.draw, self.simulation
        kinds = ["send", "connect", "disconnect", "inject", "clear", "ignition", "ask"]
        what = draw.choices(kinds, [6, 2, 1, 2, 4, 1, 2])[0]
        if what == "send" and self.taps:
            self.send(draw.choice(self.taps))
        elif what == "connect" and len(self.taps) < 3:
            network = draw.choice(list(self.vehicle.networks.values()))
            self.taps.append(simulation.connect(draw.choice(network.places), network.name))
        elif what == "disconnect" and self.taps:
            self.taps.pop().shutdown()
        elif what == "inject":
            with contextlib.suppress(BadRequest):
                simulation.inject(self.fault())
        elif what == "clear" and simulation.faults:
            simulation.clear(draw.choice(simulation.faults))
        elif what == "ignition":
            simulation.condition = Condition(ignition_on=draw.random() < 0.7)
        elif what == "ask":
            self.ask()

    def fault(self) -> Any:
        """A fault that is there for a while, now, later or again and again."""
        fault = self.draw.choice(self.catalogue)
        begin_s = self.simulation.t_ns / 1e9 + self.draw.random() * 0.02
        if self.draw.random() < 0.3:
            return faults.parse(f"{fault} from_s={begin_s:.6f} on_s=0.004 off_s=0.013")
        return faults.parse(f"{fault} from_s={begin_s:.6f} until_s={begin_s + self.draw.random() * 0.03:.6f}")

    def send(self, tap: can.BusABC) -> None:
        """A tester sends, with an identifier of its own or of somebody's message, and may wait for something."""
        ids = [one.frame_id for one in self.vehicle.networks[tap.network].messages if not one.extended]  # type: ignore[attr-defined]
        frame_id = self.draw.choice([self.draw.randrange(0x800), self.draw.choice([*ids, 0x600])])
        message = can.Message(
            arbitration_id=frame_id, is_extended_id=False, data=self.draw.randbytes(self.draw.randrange(9))
        )
        with contextlib.suppress(can.CanOperationError):
            tap.send(message, timeout=self.draw.choice([None, 0.003]))
        if self.draw.random() < 0.5:
            got = tap.recv(0.004)
            self.seen.append(got and (got.timestamp, got.arbitration_id, bytes(got.data)))

    def ask(self) -> None:
        """Who received what last, who lost arbitration how often, and how the controllers are."""
        simulation = self.simulation
        for network in self.vehicle.networks.values():
            lost = {key: count for key, count in simulation.troubles(network.name).items() if key[1] == LOST}
            self.seen.append({key: count for key, count in simulation.troubles(network.name).items() if key[1] != LOST})
            self.lost.append(lost)
            for name in self.vehicle.modules:
                self.seen.append((simulation.counters(network.name, name), simulation.status(network.name, name)))
                for message in network.messages[:5]:
                    self.seen.append(simulation.last_received_ns(network.name, message.name, name))

    def go(self, times: int, longest_s: float) -> None:
        """Let time pass, with something in between."""
        for _ in range(times):
            self.simulation.advance(self.draw.random() ** 3 * longest_s)
            self.interfere()
        self.simulation.advance(longest_s / 3)
        self.ask()


def same(seed: int, times: int, longest_s: float, vehicle: Vehicle | None = None) -> None:
    vehicle = vehicle or random_vehicle(seed)
    runs = [
        Run(vehicle, seed, whole=False, unattended=False),
        Run(vehicle, seed, whole=False),
        Run(vehicle, seed, whole=True),
        Run(vehicle, seed, whole=True, singly=True, unattended=False),
    ]
    for run in runs:
        run.go(times, longest_s)
    by_bits, *others = runs
    for run in others:
        for ours, theirs in zip(run.log.splitlines(), by_bits.log.splitlines(), strict=False):
            assert ours == theirs
        assert run.log == by_bits.log
        assert run.seen == by_bits.seen
        for ours_lost, theirs_lost in zip(run.lost, by_bits.lost, strict=True):
            # of a frame on the wire it is told sooner or later
            for key in {**ours_lost, **theirs_lost}:
                assert abs(ours_lost.get(key, 0) - theirs_lost.get(key, 0)) <= 1


@pytest.mark.parametrize("seed", range(10))
def test_the_same_log(seed: int) -> None:
    same(seed, 6, 0.06)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", ["pipkin", "haulvey"])
def test_the_same_log_with_gateways_and_diagnosis(name: str, seed: int) -> None:
    same(seed, 10, 0.05, load_vehicle(find_vehicle(name)))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 160))
def test_the_same_log_over_long_runs(seed: int) -> None:
    same(seed, 40, 0.4)


@pytest.mark.parametrize("seed", [1, 3, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(10, 30))])
def test_the_same_log_where_messages_are_passed_on_and_nobody_listens_singly(seed: int) -> None:
    """All networks as one, and each by itself again: faults come and go, the key is turned, somebody asks."""
    vehicle = load_vehicle(find_vehicle("haulvey"))
    runs = [Run(vehicle, seed, whole=whole, unattended=whole) for whole in (False, True)]
    joined = False
    for run in runs:
        for _ in range(4):
            run.simulation.advance(run.draw.random() ** 2 * 0.25)
            joined = joined or run.simulation._media._joined is not None
            what = run.draw.choice(["inject", "clear", "ignition", "ask"])
            if what == "inject":
                with contextlib.suppress(BadRequest):
                    run.simulation.inject(run.fault())
            elif what == "clear" and run.simulation.faults:
                run.simulation.clear(run.simulation.faults[0])
            elif what == "ignition":
                run.simulation.condition = Condition(ignition_on=run.draw.random() < 0.7)
            run.ask()
        run.simulation.advance(0.15)
    assert joined
    by_bits, at_once = runs
    assert at_once.log == by_bits.log
    assert at_once.seen == by_bits.seen
