"""Two vehicles whose circuits are written by hand for ngspice, element by element from the rules of the vehicle file.

Both solvers, the product's and the independent one of the tests, must give what ngspice makes of the hand-written
netlists in tests/files/by_hand: resistance to one part in a million, voltages to 10 microvolt.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path

import ngspice
import pytest
from reference_circuit import ReferenceCircuit

import faults
from simulator.circuit import Circuit
from simulator.condition import Condition
from simulator.probes import parse_probe
from simulator.reader import load_vehicle
from simulator.vehicle import Vehicle

BY_HAND = Path(__file__).parent.parent / "files" / "by_hand"


@dataclass(frozen=True)
class Sheet:
    """One hand-written netlist: which vehicle, in which condition, with which faults and transmitter."""

    netlist: str
    vehicle: str
    battery: bool
    ignition: bool
    faults: tuple[str, ...] = ()
    unplugged: tuple[str, ...] = ()
    dominant: tuple[tuple[str, str], ...] = ()
    states: dict[str, str] = field(default_factory=dict)

    def text(self) -> str:
        return (BY_HAND / self.netlist).read_text(encoding="ascii")

    def reference(self) -> ReferenceCircuit:
        text = (BY_HAND / self.vehicle).read_text(encoding="ascii")
        mappings = [dict(part.split("=") for part in f"kind={fault}".split(" ")) for fault in self.faults]
        return ReferenceCircuit(text, mappings, battery=self.battery, ignition=self.ignition, unplugged=self.unplugged)

    def product(self) -> tuple[Vehicle, Circuit]:
        vehicle = faults.apply(load_vehicle(BY_HAND / self.vehicle), [faults.parse(text) for text in self.faults])
        condition = Condition(self.battery, self.ignition, frozenset(self.unplugged))
        return vehicle, Circuit(vehicle, condition)


DEAD = [
    Sheet("one_network_dead.cir", "one_network.yaml", battery=False, ignition=False),
    Sheet(
        "two_networks_dead.cir",
        "two_networks.yaml",
        battery=False,
        ignition=False,
        faults=(
            "long_stub at=DOR length_m=3",
            "crossed run=BDY-S2",
            "wrong_terminator at=S2 ohm=150",
            "back_feed module=ENG fuse=F3 ohm=40",
        ),
    ),
]
LIVE = [
    Sheet(
        "one_network_live.cir",
        "one_network.yaml",
        battery=True,
        ignition=True,
        dominant=(("ENG", "LINE-1"),),
        states={"ENG": "awake", "GBX": "awake", "CLU": "awake"},
    ),
    Sheet(
        "two_networks_live.cir",
        "two_networks.yaml",
        battery=True,
        ignition=True,
        faults=(
            "resistance line=high at=BDY ohm=50",
            "short between=low-ground at=S2 ohm=20",
            "power_dropout module=GWY ohm=2",
        ),
        dominant=(("GWY", "BODY"),),
        states=dict.fromkeys(("ENG", "GWY", "BDY", "DOR"), "awake"),
    ),
    Sheet(
        "two_networks_evening.cir",
        "two_networks.yaml",
        battery=True,
        ignition=False,
        faults=("ground_shift module=DOR volt=1.5",),
        unplugged=("BDY",),
        dominant=(("DOR", "BODY"),),
        states={"ENG": "asleep", "GWY": "asleep", "BDY": "unpowered", "DOR": "awake"},
    ),
]


def node(probe: str) -> str:
    """The node of a probe point in the hand-written netlists."""
    return "0" if probe == "battery.negative" else probe.lower().replace(".", "_").replace("-", "_")


def joined_pairs(reference: ReferenceCircuit) -> list[tuple[str, str]]:
    """Pairs of probe points with a path between them, every point at least once."""
    probes = reference.probes()
    pairs = [(probe, "battery.negative") for probe in probes[2:]] + list(combinations(probes, 2))[::7]
    return [pair for pair in pairs if pair[0] != pair[1] and reference.resistance_ohm(*pair) < float("inf")]


@pytest.mark.parametrize("sheet", DEAD, ids=lambda sheet: sheet.netlist)
def test_resistance_of_both_solvers_is_that_of_the_hand_written_netlist(sheet: Sheet) -> None:
    """Peer: ngspice on netlists written by hand from the rules of the vehicle file."""
    reference, (vehicle, circuit) = sheet.reference(), sheet.product()
    pairs = joined_pairs(reference)
    expected = ngspice.resistances(sheet.text(), [(node(a), node(b)) for a, b in pairs])
    for (red, black), ohm in zip(pairs, expected, strict=True):
        assert reference.resistance_ohm(red, black) == pytest.approx(ohm, rel=1e-6), (red, black)
        measured = circuit.resistance_ohm(parse_probe(vehicle, red), parse_probe(vehicle, black))
        assert measured == pytest.approx(ohm, rel=1e-6), (red, black)


@pytest.mark.parametrize("sheet", LIVE, ids=lambda sheet: sheet.netlist)
def test_voltages_of_both_solvers_are_those_of_the_hand_written_netlist(sheet: Sheet) -> None:
    """Peer: ngspice on netlists written by hand from the rules of the vehicle file."""
    reference, (vehicle, circuit) = sheet.reference(), sheet.product()
    assert reference.states == sheet.states
    assert circuit.states == sheet.states
    theirs, ours = reference.volts(sheet.dominant), circuit.volts(sheet.dominant)
    probes = [probe for probe in reference.probes() if theirs.between(probe) is not None]
    expected = ngspice.between(sheet.text(), [(node(probe), "0") for probe in probes])
    for probe, volt in zip(probes, expected, strict=True):
        assert theirs.between(probe) == pytest.approx(volt, abs=1e-5), probe
        body = parse_probe(vehicle, "battery.negative")
        assert ours.between(parse_probe(vehicle, probe), body) == pytest.approx(volt, abs=1e-5), probe
