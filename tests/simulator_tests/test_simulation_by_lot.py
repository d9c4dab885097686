"""Whatever is done to a running vehicle, in any order: it goes on, and its medium stays in order."""

from __future__ import annotations

import contextlib
import random

import can
import pytest
from small_vehicle import gateway_vehicle, three_modules

import faults
from simulator.circuit import Circuit
from simulator.condition import Condition, ModuleState
from simulator.errors import BadRequest
from simulator.interface import SimulatedBus
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import FrameRecord
from simulator.simulation import Simulation

VEHICLES = [load_vehicle(find_vehicle("pipkin")), three_modules(), gateway_vehicle()]
CATALOGUES = [faults.catalogue(vehicle) for vehicle in VEHICLES]


class Handling:
    """A vehicle to which things are done by lot."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        which = self.rng.randrange(len(VEHICLES))
        self.vehicle, self.catalogue = VEHICLES[which], CATALOGUES[which]
        self.simulation = Simulation(self.vehicle, seed=seed)
        self.simulation.subscribe(self.check_record)
        self.taps: list[SimulatedBus] = []
        self.last: dict[tuple[str, str], int] = {}

    def check_record(self, record: FrameRecord) -> None:
        assert record.t_start_ns < record.t_end_ns
        assert record.t_start_ns <= self.simulation.t_ns
        key = record.network, record.transmitter
        assert self.last.get(key, -1) <= record.t_start_ns
        self.last[key] = record.t_start_ns
        assert 0 <= record.dominant_bits <= record.length_bits
        if record.outcome == "ok":
            assert record.acknowledged_by
            assert record.transmitter not in record.received_by

    def check_controllers(self) -> None:
        for network in self.vehicle.networks:
            for name in self.vehicle.modules:
                transmit, receive = self.simulation.counters(network, name)
                status = self.simulation.status(network, name)
                assert (status == "bus off") == (transmit >= 256)
                assert (status == "error passive") == (transmit < 256 and max(transmit, receive) >= 128)

    def do(self) -> None:
        """One thing, by lot; what contradicts itself is refused and changes nothing."""
        rng, simulation = self.rng, self.simulation
        action = rng.choices(["inject", "clear", "condition", "connect", "disconnect", "send"], [8, 4, 2, 2, 1, 3])[0]
        if action == "inject":
            with contextlib.suppress(BadRequest):
                simulation.inject(rng.choice(self.catalogue))
        elif action == "clear" and simulation.faults:
            simulation.clear(rng.choice(simulation.faults))
        elif action == "condition":
            unplugged = frozenset(rng.sample(sorted(self.vehicle.modules), rng.choice([0, 0, 1, 2])))
            simulation.condition = Condition(rng.random() < 0.8, rng.random() < 0.6, unplugged)
        elif action == "connect":
            places = [(place, one.name) for one in self.vehicle.networks.values() for place in one.places]
            self.taps.append(simulation.connect(*rng.choice(places)))
        elif action == "disconnect" and self.taps:
            self.taps.pop().shutdown()
        elif action == "send" and self.taps:
            self.send(rng.choice(self.taps))

    def send(self, tap: SimulatedBus) -> None:
        data = bytes(self.rng.randrange(9))
        message = can.Message(arbitration_id=self.rng.randrange(0x800), is_extended_id=False, data=data)
        with contextlib.suppress(can.CanOperationError):
            tap.send(message, timeout=self.rng.choice([None, 0.003]))


def handle(seed: int) -> None:
    handling = Handling(seed)
    for _ in range(25):
        handling.do()
        handling.check_controllers()
        handling.simulation.advance(handling.rng.random() * 0.008)
        handling.check_controllers()


@pytest.mark.parametrize("seed", range(12))
def test_it_goes_on(seed: int) -> None:
    """Own rules: records in order, counters and states that agree (Bosch CAN 2.0, 12.1), no way to stop it."""
    handle(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [*range(12, 24), *range(1000, 1600)])
def test_it_goes_on_for_long(seed: int) -> None:
    """The same, many more times."""
    handle(seed)


def test_supply_that_never_comes_to_rest() -> None:
    """Own rule: where standby alone drops the supply below 6 V and none lets it rise again, there is no supply."""
    texts = ["ground_dropout ground=G1 ohm=10000", "short between=high-supply at=GBX ohm=1"]
    vehicle = faults.apply(three_modules(), [faults.parse(text) for text in texts])
    circuit = Circuit(vehicle, Condition(ignition_on=False))
    assert circuit.states["ENG"] is ModuleState.UNPOWERED
