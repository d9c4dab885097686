"""The waveform of random vehicles under random faults: it begins and, given time, ends at the circuit at rest.

The circuit at rest is exact and checked elsewhere; no outside source.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from random_vehicles import random_case

import faults
from simulator.circuit import Circuit
from simulator.circuit.hearing import who_hears_whom
from simulator.circuit.lines import LineNetwork, Ramp
from simulator.circuit.waveform import waveform
from simulator.circuit.waves import Waves
from simulator.condition import Condition
from simulator.datalink.frame import encode
from simulator.probes import BODY
from simulator.reader import find_vehicle, load_vehicle

STEP_NS, STEPS = 10.0, 300_000  # three milliseconds: a cut-off line behind a megohm takes half of one


def check(seed: int, folder: Path) -> None:
    case = random_case(seed, most_modules=14)
    vehicle = load_vehicle(case.vehicle.write(folder))
    vehicle = faults.apply(vehicle, [faults.parse(text) for text in case.fault_texts])
    circuit = Circuit(vehicle, Condition(True, True, frozenset(case.unplugged), frozenset(case.parted)))
    for network in vehicle.networks:
        net = LineNetwork(circuit, network)
        known = {p: n for p, n in net.nodes.items() if p in circuit.draft.node and circuit.joined(p, BODY)}
        rest = circuit.volts()
        for point, node in known.items():
            assert net.rest_volts[node] == pytest.approx(rest.at(point), abs=1e-5), (seed, point)
        for sender in circuit.senders(network)[:1]:
            waves = Waves(net, STEP_NS)
            drivers = waves.drivers([Ramp(sender, ((0.0, 0.0), (45.0, 1.0)))])
            state = waves.begin(drivers)
            waves.advance(drivers, state, 0.0, STEPS, [])
            pairs = [(node, node + 1) for node in range(0, len(net.nodes), 2)]
            last = waves.advance(drivers, state, STEPS * STEP_NS, 1, pairs)[0]
            driven = circuit.volts([(sender, network)])
            for point, node in known.items():
                assert last[node // 2, node % 2] == pytest.approx(driven.at(point), abs=0.01), (seed, point)
        who_hears_whom(vehicle, circuit.condition, network)


@pytest.mark.parametrize("seed", range(4))
def test_ends_where_the_circuit_rests(seed: int, tmp_path: Path) -> None:
    check(seed, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4, 60))
def test_ends_where_the_circuit_rests_many(seed: int, tmp_path: Path) -> None:
    check(seed, tmp_path)


@pytest.mark.parametrize(
    ("rates", "step_ns"), [((10_000, None), 50.0), ((5_000, None), 100.0), ((1_000_000, 8_000_000), 1.0)]
)
def test_slowest_and_fastest_rates(rates: tuple[int, int | None], step_ns: float) -> None:
    """Settled bits of a frame at either end of the range read as sent at the socket."""
    frame = encode(0x155, bytes(range(8)), fd=rates[1] is not None, brs=rates[1] is not None)
    wave = waveform(
        load_vehicle(find_vehicle("pipkin")), transmitter="BRK", frame=frame, places=["DLC"],
        bit_rate=rates[0], data_bit_rate=rates[1], step_ns=step_ns,
    )  # fmt: skip
    starts = np.array(wave.bit_starts_ns)
    middle = 0.1 * starts[:-1] + 0.9 * starts[1:] + 30.0
    high, low = wave.sample(wave.places["DLC"], middle)
    slot = frame.field("ACK slot").start
    assert np.array_equal((high - low)[:slot] < 0.9, np.frombuffer(frame.bits, np.uint8)[:slot] == 1)
