"""Waves on lines against numbers that anybody can work out: reflections, lattice, decay, line constants.

Driver of the static model (0.8 V and 21 ohm a leg, VCC 5 V); each test states its source.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import skrf

from simulator.circuit import Circuit
from simulator.circuit.lines import LineNetwork, Ramp
from simulator.circuit.waves import Waves
from simulator.vehicle import (
    Battery,
    Feed,
    Fuse,
    GroundPoint,
    GroundWire,
    Module,
    Network,
    Pair,
    Run,
    Terminator,
    Transceiver,
    Vehicle,
)

STEEP = ((0.0, 0.0), (1e-3, 1.0))
#: Two legs of 21 ohm and two contacts.
SOURCE_OHM = 42.01
FREE = Transceiver(bias_ohm=1e9, unpowered_ohm=1e9)


def line_vehicle(
    runs: list[tuple[str, str, float]], terminators: dict[str, float], *, ohm_per_m: float = 1e-6
) -> Vehicle:
    """Modules A, B, ... at the plugs of that name, whose inputs load nothing; the pair hardly has resistance."""
    places = dict.fromkeys(place for start, end, _ in runs for place in (start, end))
    net = Network(
        "N", 500_000, 0.8, "none.dbc", Pair(ohm_per_m, 120.0, 5.0),
        tuple(Run(f"{start}-{end}", start, end, length) for start, end, length in runs),
        terminators=tuple(Terminator(at, ohm) for at, ohm in terminators.items()), socket=runs[0][0],
    )  # fmt: skip
    modules = {
        name: Module(name, Feed("F", 1e-6), GroundWire("G", 1e-6), 1e6, n, 64 + n, "U0100", transceiver=FREE)
        for n, name in enumerate(place for place in places if len(place) == 1)
    }
    fuses, grounds = {"F": Fuse("F", 1e-6, 5)}, {"G": GroundPoint("G", 1e-6)}
    return Vehicle("Line", Battery(12.0, 1e-6), fuses, grounds, modules, {"N": net})


def difference(
    vehicle: Vehicle, place: str, corners: tuple[tuple[float, float], ...], steps: int, step_ns: float = 1.0,
    capacitance: tuple[float, float] = (0.0, 0.0),
) -> np.ndarray:  # fmt: skip
    """(steps,) high minus low from the first step after rest, module A driving."""
    net = LineNetwork(Circuit(vehicle), "N", capacitance)
    waves = Waves(net, step_ns)
    drivers = waves.drivers([Ramp("A", corners)])
    high = net.node(("place", "N", place, "high"))
    out = waves.advance(drivers, waves.begin(drivers), 0.0, steps, [(high, high + 1)])
    return out[:, 0, 0] - out[:, 0, 1]


def test_lattice_of_a_missing_terminator() -> None:
    """V0 = 2.000 V, reflection -0.588 at the source, +1 at the far end: a hand-worked lattice of the static model."""
    vehicle = line_vehicle([("A", "B", 40.0)], {"A": 120.0})
    near, far = (difference(vehicle, place, STEEP, 1400) for place in "AB")
    delay = 200
    for volts, reads in (
        (near, [2.000, 2.000, 2.824, 2.824, 2.339, 2.339]),
        (far, [0.0, 4.0, 4.0, 1.647, 1.647, 3.031]),
    ):
        for n, volt in enumerate(reads):
            assert volts[n * delay + 100] == pytest.approx(volt, abs=0.005), n
    assert difference(vehicle, "A", STEEP, 20000)[-1] == pytest.approx(2.519, abs=0.005)


def test_release_with_a_missing_terminator() -> None:
    """The near end falls at once to half of 2.519 V, stays for there and back, then 0: the same lattice."""
    vehicle = line_vehicle([("A", "B", 40.0)], {"A": 120.0})
    volts = difference(vehicle, "A", (*STEEP, (20000.0, 1.0), (20000.001, 0.0)), 20900)
    assert volts[20100] == pytest.approx(1.259, abs=0.005)
    assert volts[20390] == pytest.approx(1.259, abs=0.005)
    assert volts[20500] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("ohm", [60.0, 40.0, 100.0, 130.0, 240.0, 120.0, 1e9])
def test_reflection_of_a_load(ohm: float) -> None:
    """A wave reflected at a load against scikit-rf's load-impedance function (a peer): -0.333 for 60 ohm on 120 ohm."""
    vehicle = line_vehicle([("A", "B", 40.0)], {"B": ohm} if ohm < 1e6 else {})
    volts = difference(vehicle, "B", STEEP, 350)
    wave = 3.4 * 120.0 / (120.0 + SOURCE_OHM)
    theirs = complex(np.squeeze(skrf.tlineFunctions.zl_2_Gamma0(120.0, ohm)))
    assert volts[300] / wave - 1.0 == pytest.approx(theirs.real, abs=1e-4)
    assert theirs.imag == pytest.approx(0.0, abs=1e-12)


def test_a_stub_takes_a_third() -> None:
    """At a joint of three equal lines 2/3 goes on and -1/3 comes back: textbook, two lines in parallel as the load."""
    vehicle = line_vehicle([("A", "J1", 40.0), ("J1", "B", 40.0), ("J1", "C", 40.0)], {"B": 120.0})
    wave = 3.4 * 120.0 / (120.0 + SOURCE_OHM)
    assert difference(vehicle, "J1", STEEP, 350)[300] == pytest.approx(wave * 2 / 3, rel=1e-4)
    theirs = complex(np.squeeze(skrf.tlineFunctions.zl_2_Gamma0(120.0, 60.0)))
    assert 1.0 + theirs.real == pytest.approx(2 / 3, rel=1e-9)


@pytest.mark.parametrize(("ohm", "fall_ns"), [(60.0, 49.9), (120.0, 116.4), (10_000.0, 11_480.0)])
def test_decay_of_a_lumped_bus(ohm: float, fall_ns: float) -> None:
    """600 pF and a resistor: R C ln(V0 / 0.5 V) from the dominant level."""
    vehicle = line_vehicle([("A", "B", 0.001)], {"A": ohm})
    step = 0.25 if ohm < 1000 else 5.0
    corners = (*STEEP, (60_000.0, 1.0), (60_000.001, 0.0))
    count = round((60_000.0 + 1.3 * fall_ns) / step)
    volts = difference(vehicle, "A", corners, count, step, capacitance=(0.0, 0.3))
    t_ns = (np.arange(count) + 1) * step - 60_000.0
    first = int(np.argmax((t_ns > 0) & (volts < 0.5)))
    part = (volts[first - 1] - 0.5) / (volts[first - 1] - volts[first])
    assert t_ns[first - 1] + part * step == pytest.approx(fall_ns, rel=0.01)


def test_line_constants() -> None:
    """5 ns/m and 120 ohm are 41.67 pF/m and 0.600 uH/m: C' = delay / Z, L' = delay * Z."""
    net = LineNetwork(Circuit(line_vehicle([("A", "B", 1.0)], {})), "N", (0.0, 0.0))
    waves = Waves(net, 10.0)  # lumped
    assert sum(waves.store_g[waves.store_node % 2 == 0]) * 10.0 / 2.0 * 1e3 == pytest.approx(41.67, abs=0.01)  # pF
    ohm_per_step = 1.0 / waves.lump_y[0]
    assert ohm_per_step * 10.0 / 2.0 == pytest.approx(600.0, rel=1e-3)  # nH


def test_loaded_line_is_slower_and_lower() -> None:
    """100 pF every 2.449 m bring 120 ohm down to 85.3 ohm: Z / sqrt(1 + C / (d C')), textbook, from memory."""
    spacing, load_pf = 100.0 / (0.98 * 41.667), 100.0
    assert spacing == pytest.approx(2.449, abs=0.01)
    places = [chr(ord("A") + n) for n in range(26)]
    runs = [(a, b, spacing) for a, b in pairwise(places)]
    loaded = difference(line_vehicle(runs, {}), "A", ((0.0, 0.0), (200.0, 1.0)), 420, capacitance=(0.0, load_pf / 1000))
    plain = line_vehicle([("A", "B", 1000.0)], {})
    bare = difference(plain, "A", ((0.0, 0.0), (200.0, 1.0)), 420)
    seen = [42.0 * volt / (3.4 - volt) for volt in (float(bare[399]), float(np.mean(loaded[300:400])))]
    assert seen[0] == pytest.approx(120.0, abs=0.1)
    assert seen[1] == pytest.approx(120.0 / math.sqrt(1 + load_pf / (spacing * 41.667)), abs=3.0)


def test_a_loop_and_a_cut_settle_to_the_circuit_at_rest() -> None:
    """A ring, a run open in one line, a cut at either end, two lines of almost no length: all end at the DC values."""
    import faults

    ring = line_vehicle(
        [("A", "B", 3.0), ("B", "C", 2.2), ("C", "A", 4.1), ("C", "D", 0.0001)],
        {"A": 120.0, "D": 120.0},
        ohm_per_m=0.05,
    )
    texts = [
        "",
        "open line=high run=A-B",
        "open line=both run=B-C along=0",
        "resistance line=low run=B-C along=1 ohm=30",
    ]
    for text in texts:
        vehicle = faults.apply(ring, [faults.parse(text)]) if text else ring
        circuit = Circuit(vehicle)
        net = LineNetwork(circuit, "N")
        for step in (0.4, 1.0, 7.0, 40.0):
            waves = Waves(net, step)
            drivers = waves.drivers([Ramp("A", ((0.0, 0.0), (45.0, 1.0)))])
            pins = list(net.pins.values())
            out = waves.advance(drivers, waves.begin(drivers), 0.0, round(60_000 / step), pins)[-1]
            volts = circuit.volts([("A", "N")])
            for (high, low), module in zip(out, net.pins, strict=True):
                for volt, line in ((high, "high"), (low, "low")):
                    assert volt == pytest.approx(volts.at(("pin", "N", module, line)), abs=0.003), (text, step, module)
