"""Levels with one, two and all but one transmitter dominant at once (arbitration, the acknowledge slot)."""

from __future__ import annotations

import random
import re
from pathlib import Path

import ngspice
import pytest
from random_vehicles import random_vehicle

import faults
from simulator.circuit import TESTER, Circuit, spice_netlist
from simulator.circuit.circuit import SEEN
from simulator.condition import Condition
from simulator.probes import parse_probe, probe_points
from simulator.reader import find_vehicle, load_vehicle
from simulator.vehicle import Vehicle

SAMPLE, SWEEP = 3, 20
#: Volt that the circuit and ngspice may differ by.
LIMIT_VOLT = 1e-4


def check(vehicle: Vehicle, rng: random.Random) -> None:
    """Every probe point against ngspice with 1, 2 and N - 1 drivers on every network, drawn by lot."""
    circuit = Circuit(vehicle, Condition())
    probes = [name for name in probe_points(vehicle) if name != "battery.negative" and ".off." not in name]
    nodes = [(name.lower().replace(".", "_").replace("-", "_"), "0") for name in probes]
    body = parse_probe(vehicle, "battery.negative")
    for network in vehicle.networks:
        able = circuit.senders(network)
        for count in sorted({min(1, len(able)), min(2, len(able)), max(0, len(able) - 1)}):
            dominant = [(name, network) for name in rng.sample(able, count)]
            ours = circuit.volts(dominant)
            theirs = ngspice.between(spice_netlist(vehicle, Condition(), dominant), nodes)
            for name, volt in zip(probes, theirs, strict=True):
                point = parse_probe(vehicle, name)
                if circuit.joined(point, body):
                    assert ours.between(point, body) == pytest.approx(volt, abs=LIMIT_VOLT), (dominant, name)


def test_pipkin() -> None:
    """Peer: ngspice."""
    check(load_vehicle(find_vehicle("pipkin")), random.Random(0))


@pytest.mark.parametrize("seed", range(SAMPLE))
def test_drawn_vehicles(seed: int, tmp_path: Path) -> None:
    """Peer: ngspice."""
    rng = random.Random(seed)
    check(load_vehicle(random_vehicle(rng, 12).write(tmp_path)), rng)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 100 + SWEEP))
def test_sweep(seed: int, tmp_path: Path) -> None:
    """Peer: ngspice."""
    rng = random.Random(seed)
    check(load_vehicle(random_vehicle(rng, 40).write(tmp_path)), rng)


def test_ngspice_finds_its_own_answer() -> None:
    """The netlist tells ngspice where to begin: begun half a volt off, it comes to the same levels."""
    vehicle, dominant = load_vehicle(find_vehicle("pipkin")), [("GBX", "LINE-1"), ("CLU", "LINE-1")]
    netlist = spice_netlist(vehicle, Condition(), dominant)
    start = re.compile(r"^(\.nodeset .*=)(\S+)$", re.MULTILINE)
    off = start.sub(lambda found: f"{found[1]}{float(found[2]) + 0.5}", netlist)
    assert off != netlist
    nodes = [("dlc_high", "0"), ("dlc_low", "0"), ("gbx_high", "0"), ("clu_low", "0")]
    assert ngspice.between(off, nodes) == pytest.approx(ngspice.between(netlist, nodes), abs=1e-6)


@pytest.mark.parametrize("name", ["pipkin", "haulvey"])
def test_a_panel_reads_what_the_circuit_shows(name: str) -> None:
    """Own proof, no source: receivers one by one, by the voltages of all nodes; faults and drivers by lot."""
    vehicle, rng = load_vehicle(find_vehicle(name)), random.Random(name)
    catalogue = list(faults.catalogue(vehicle))
    met = set()
    for fault in rng.sample(catalogue, 60):
        circuit = Circuit(faults.apply(vehicle, [fault]), Condition())
        for network in vehicle.networks.values():
            ears = [(one, None) for one in circuit.senders(network.name)]
            if network.socket is not None:
                ears.append((TESTER, network.socket))
            panel = circuit.panel(network.name, ears)
            for count in (0, 1, 2, len(ears)):
                numbers = rng.sample(range(len(ears)), min(count, len(ears)))
                named = [ears[n] for n in numbers]
                drivers = [(who, network.name) if tap is None else (who, network.name, tap) for who, tap in named]
                volts = circuit.volts(drivers)
                expected = [circuit.sees(network.name, who, volts, tap) for who, tap in ears]
                assert [SEEN[code] for code in panel.read(numbers)] == expected, (fault, drivers)
                met |= set(expected)
    assert met == set(SEEN)
