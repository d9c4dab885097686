"""A connector at which every run of its place comes off: the place is still there, and open."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from small_vehicle import three_modules

from simulator.calculator import expected_resistance
from simulator.circuit import Circuit, FaultTable, spice_netlist
from simulator.condition import Condition
from simulator.vehicle import Parting


def test_a_place_all_of_whose_runs_come_off_reads_open() -> None:
    """Reasoned: nothing stays on the harness side of S1; beyond it the three runs are still joined."""
    vehicle = three_modules()
    network = vehicle.network()
    runs = tuple(run.name for run in network.runs if "S1" in (run.start, run.end))
    parting = (Parting("S1", runs),)
    vehicle = replace(vehicle, networks={network.name: replace(network, parting=parting)})
    apart = Condition(False, False, parted=frozenset({(network.name, "S1")}))
    expected = {item.place: item.ohm for item in expected_resistance(vehicle, vehicle.network(), apart)}
    assert expected["S1"] is None
    assert expected["S1.off"] == pytest.approx(expected["DLC"], rel=0.02)
    high, low = (("place", network.name, "S1", line) for line in ("high", "low"))
    off = ("off", network.name, "S1", "high")
    circuit = Circuit(vehicle, apart)
    assert math.isinf(circuit.resistance_ohm(high, low))
    assert math.isinf(circuit.resistance_ohm(high, off))
    assert math.isinf(FaultTable([vehicle], apart.parted).resistances([high, off])[0, 0, 1])
    assert "s1_high" in spice_netlist(vehicle, apart)
