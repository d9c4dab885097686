"""The waveform against ngspice at 0.1 ns: another program, its own lines, its own steps, the whole supply with it.

The peer's netlist comes from :mod:`simulator.circuit.spice_waveform`; ngspice 39 or later. Limits: 20 mV at 1 ns steps,
50 mV with both terminators missing (this project's own; no outside source).
"""

from __future__ import annotations

import numpy as np
import pytest
from wave_peer import ngspice_waves, off_grid_vehicle, our_waves

import faults
from simulator.circuit import Circuit
from simulator.circuit.lines import LineNetwork, Ramp
from simulator.vehicle import Vehicle

DRIVE = ((0.0, 0.0), (45.0, 1.0), (1000.0, 1.0), (1045.0, 0.0))


def cases(vehicle: Vehicle) -> dict[str, tuple[list[str], float]]:
    """Faults as on the command line, and the largest difference allowed in volt at 1 ns."""
    net, names = vehicle.networks["LINE-1"], list(vehicle.modules)
    ends = [terminator.at for terminator in net.terminators]
    missing = [f"missing_terminator at={end}" for end in ends]
    return {
        "healthy": ([], 0.020),
        "one terminator missing": (missing[1:], 0.020),
        "both missing": (missing, 0.050),
        "10 m stub": ([f"long_stub at={names[2]} length_m=10"], 0.020),
        "one line open": ([f"open line=high run='{net.runs[4].name}' along=0.3"], 0.020),
        "H-L 5 ohm": ([f"short between=high-low at={net.runs[3].end} ohm=5"], 0.020),
        "200 ohm pin": ([f"resistance line=high at={names[0]} ohm=200"], 0.020),
        "ground lifted": ([f"ground_shift module={names[4]} volt=2"], 0.020),
        "crossed run": ([f"crossed run='{net.runs[4].name}'"], 0.020),
        "open pin": ([f"open line=low at={names[3]}"], 0.020),
        # More than twice the swing, and hardly damped: one line is held, the other moves between 12.5 and 8.3 V.
        "high to supply": (["short between=high-supply at=DLC"], 0.060),
    }


CASES = list(cases(off_grid_vehicle(12)))


def network(modules: int, case: str) -> tuple[LineNetwork, list[str]]:
    vehicle = off_grid_vehicle(modules)
    texts, _ = cases(vehicle)[case]
    faulty = faults.apply(vehicle, [faults.parse(text) for text in texts])
    names = list(vehicle.modules)
    places = [f"{names[0]}.pin", f"{names[-1]}.pin", "DLC", f"{names[2]}.pin", names[modules // 2]]
    return LineNetwork(Circuit(faulty), "LINE-1"), places


def differences(modules: int, case: str, ramps: list[Ramp], until_ns: float, steps: list[float]) -> list[float]:
    """Largest differences from ngspice, in volt, for each of our steps."""
    net, places = network(modules, case)
    t_ns = np.arange(-10.0, until_ns)
    theirs, _ = ngspice_waves(net, ramps, places, t_ns, 0.1)
    return [float(np.abs(our_waves(net, ramps, places, t_ns, step) - theirs).max()) for step in steps]


@pytest.mark.parametrize("case", ["healthy", "both missing"])
def test_near_ngspice(case: str) -> None:
    short = [Ramp("M00", ((0.0, 0.0), (45.0, 1.0), (300.0, 1.0), (345.0, 0.0)))]
    limit = cases(off_grid_vehicle(12))[case][1]
    (difference,) = differences(12, case, short, 600.0, [1.0])
    assert difference < limit, f"{difference * 1e3:.1f} mV"


@pytest.mark.slow
@pytest.mark.parametrize("modules", [12, 24])
@pytest.mark.parametrize("case", CASES)
def test_every_case_near_ngspice(modules: int, case: str) -> None:
    limit = cases(off_grid_vehicle(modules))[case][1]
    one, half, quarter = differences(modules, case, [Ramp("M00", DRIVE)], 2000.0, [1.0, 0.5, 0.25])
    print(f"{modules} modules, {case}: {one * 1e3:.2f} mV, {half * 1e3:.2f} mV, {quarter * 1e3:.2f} mV")
    assert one < limit, f"{one * 1e3:.1f} mV at 1 ns"
    # Second order in the step: half the step, a quarter of the difference, as long as the step makes most of it.
    assert half < 0.35 * one, f"{half * 1e3:.2f} mV at 0.5 ns of {one * 1e3:.2f} mV at 1 ns"
    assert quarter < 0.35 * half or quarter < 0.001


@pytest.mark.slow
def test_two_drivers_near_ngspice() -> None:
    """Arbitration: two modules drive, one later than the other; the acknowledge slot is the same with more of them."""
    ramps = [
        Ramp("M00", DRIVE),
        Ramp("M07", ((300.0, 0.0), (345.0, 1.0), (800.0, 1.0), (845.0, 0.0))),
        Ramp("M05", ((500.0, 0.0), (545.0, 1.0), (1300.0, 1.0), (1345.0, 0.0))),
    ]
    (difference,) = differences(12, "healthy", ramps, 2000.0, [1.0])
    assert difference < 0.020, f"{difference * 1e3:.1f} mV"


@pytest.mark.slow
def test_lumped_runs_near_ngspice() -> None:
    """At 10 ns most runs are shorter than a step: lumped, the levels between the edges are still the same."""
    net, places = network(12, "healthy")
    t_ns = np.arange(-10.0, 2000.0, 10.0)
    theirs, _ = ngspice_waves(net, [Ramp("M00", DRIVE)], places, t_ns, 0.2)
    from simulator.circuit.waves import Waves

    waves = Waves(net, 10.0)
    assert len(waves.short) > 4
    drivers = waves.drivers([Ramp("M00", DRIVE)])
    pairs = [net.driver_pins("M00")]
    ours = waves.advance(drivers, waves.begin(drivers), -20.0, len(t_ns), pairs).reshape(len(t_ns), -1)
    settled = ((t_ns > 400) & (t_ns < 1000)) | (t_ns > 1400)
    assert float(np.abs(ours - theirs[:, :2])[settled].max()) < 0.030
