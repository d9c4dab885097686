"""Random vehicles, faults and conditions: the product's circuit against ngspice and against the independent solver.

A case is a vehicle of 2 to 40 modules on one to three networks under up to three faults of wiring, termination and
supply, in a random condition of the bench. The default suite takes a sample; the full sweep is marked slow.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import networkx
import ngspice
import pytest
from random_vehicles import RandomCase, random_case
from reference_circuit import ReferenceCircuit

import faults
from simulator.circuit import Circuit, spice_netlist
from simulator.condition import Condition
from simulator.probes import parse_probe
from simulator.reader import load_vehicle
from simulator.vehicle import Vehicle

SAMPLE, WIDE_SAMPLE = 6, 25
SWEEP = 300


@pytest.fixture(params=[*range(SAMPLE), *(pytest.param(n, marks=pytest.mark.slow) for n in range(SAMPLE, WIDE_SAMPLE))])
def case(request: pytest.FixtureRequest) -> RandomCase:
    return random_case(request.param, most_modules=20)


def faulty(case: RandomCase, folder: Path) -> Vehicle:
    """The product's vehicle with the case's faults, which it reads as command-line strings."""
    return faults.apply(load_vehicle(case.vehicle.write(folder)), [faults.parse(text) for text in case.fault_texts])


def condition(case: RandomCase, *, battery: bool) -> Condition:
    ignition = case.ignition if battery == case.battery else False
    return Condition(battery, ignition, frozenset(case.unplugged), frozenset(case.parted))


def reference(case: RandomCase, *, battery: bool) -> ReferenceCircuit:
    return case.reference(battery=battery, ignition=condition(case, battery=battery).ignition_on)


def nodes(vehicle: Vehicle, pair: tuple[str, str]) -> tuple[str, str]:
    """The nodes of the exported netlist: the probe points in lower case with ``_`` for ``.`` and ``-``."""
    red, black = (
        "0" if probe == "battery.negative" else probe.lower().replace(".", "_").replace("-", "_") for probe in pair
    )
    return red, black


def check_resistance(case: RandomCase, folder: Path) -> None:
    vehicle, theirs = faulty(case, folder), reference(case, battery=False)
    circuit, graph = Circuit(vehicle, condition(case, battery=False)), theirs.graph()
    joined, measured = [], []
    for red, black in case.pairs:
        ohm = circuit.resistance_ohm(parse_probe(vehicle, red), parse_probe(vehicle, black))
        path = networkx.has_path(graph, theirs.node(red), theirs.node(black))
        assert math.isinf(ohm) != path, f"seed {case.seed} {case.fault_texts}: {red} {black} reads {ohm}"
        assert ohm == pytest.approx(theirs.resistance_ohm(red, black), rel=1e-9), (case.seed, red, black)
        if path and red != black and networkx.has_path(graph, theirs.node(black), "body"):
            joined.append((red, black))
            measured.append(ohm)
    netlist = spice_netlist(vehicle, condition(case, battery=False))
    expected = ngspice.resistances(netlist, [nodes(vehicle, pair) for pair in joined]) if joined else []
    for pair, ohm, spice in zip(joined, measured, expected, strict=True):
        assert ohm == pytest.approx(spice, rel=1e-6), (case.seed, case.fault_texts, pair)


def check_states_and_levels(case: RandomCase, folder: Path) -> None:
    vehicle, theirs = faulty(case, folder), reference(case, battery=True)
    circuit = Circuit(vehicle, condition(case, battery=True))
    assert circuit.states == theirs.states, (case.seed, case.fault_texts)
    for network in vehicle.networks:
        assert sorted(circuit.senders(network)) == sorted(theirs.senders(network)), case.seed
    dominant = some_transmitters(case, theirs)
    solved, ours = theirs.volts(dominant), circuit.volts(dominant)
    probes = [probe for pair in case.pairs for probe in pair if solved.between(probe) is not None]
    netlist = spice_netlist(vehicle, condition(case, battery=True), dominant)
    spice = ngspice.between(netlist, [nodes(vehicle, (probe, "battery.negative")) for probe in probes])
    body = parse_probe(vehicle, "battery.negative")
    for probe, volt in zip(probes, spice, strict=True):
        measured = ours.between(parse_probe(vehicle, probe), body)
        assert measured == pytest.approx(volt, abs=1e-4), (case.seed, case.fault_texts, dominant, probe)
        assert measured == pytest.approx(solved.between(probe), abs=1e-5), (case.seed, case.fault_texts, probe)
    for network in vehicle.networks:
        for module in theirs.senders(network):
            told = circuit.reads(network, module, dominant)
            assert told == theirs.reads(solved, network, module), (case.seed, module)


def some_transmitters(case: RandomCase, theirs: ReferenceCircuit) -> list[tuple[str, str]]:
    """Up to three transmitters that are dominant at once."""
    able = [(module, network) for network in theirs.networks for module in theirs.senders(network)]
    rng = random.Random(case.seed)
    return rng.sample(able, min(len(able), rng.choice([0, 1, 1, 1, 2, 3])))


def test_resistance_is_that_of_ngspice_and_of_the_independent_solver(case: RandomCase, tmp_path: Path) -> None:
    """Peers: ngspice, and the independent solver in tests/reference_circuit.py."""
    check_resistance(case, tmp_path)


def test_states_and_levels_are_those_of_ngspice_and_of_the_independent_solver(case: RandomCase, tmp_path: Path) -> None:
    """Peers: ngspice, and the independent solver in tests/reference_circuit.py."""
    check_states_and_levels(case, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000, 1000 + SWEEP))
def test_sweep_over_many_vehicles(seed: int, tmp_path: Path) -> None:
    """Peers: ngspice, and the independent solver in tests/reference_circuit.py."""
    case = random_case(seed)
    check_resistance(case, tmp_path)
    check_states_and_levels(case, tmp_path)


def test_the_same_seed_gives_the_same_case() -> None:
    """Own rule: deterministic."""
    first, second = random_case(7), random_case(7)
    assert (first.vehicle.text, first.vehicle.databases) == (second.vehicle.text, second.vehicle.databases)
    assert (first.fault_texts, first.pairs, first.parted) == (second.fault_texts, second.pairs, second.parted)


def test_a_machine_without_ngspice_fails_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Own rule: a missing peer is no pass."""
    monkeypatch.setattr("ngspice.shutil.which", lambda _: None)
    with pytest.raises(pytest.fail.Exception, match="ngspice is not on this machine"):
        ngspice.between("nothing", [("a", "0")])
