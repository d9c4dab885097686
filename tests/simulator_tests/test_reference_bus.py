"""The reference bus: readings at its diagnostic connector, worked out by hand from its wires and resistors.

The table the numbers come from is a worked example of our own; each is compared with what a workshop would accept.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import faults
from simulator.calculator import expected_resistance
from simulator.condition import DEAD
from simulator.reader import load_vehicle
from simulator.vehicle import Vehicle

FILE = Path(__file__).parents[1] / "files" / "vehicles" / "reference_bus.yaml"


@pytest.fixture(scope="module")
def bus() -> Vehicle:
    return load_vehicle(FILE)


def ohm_at_socket(vehicle: Vehicle, *texts: str) -> float:
    """High to low at DLC, everything off, with these faults."""
    faulty = faults.apply(vehicle, [faults.parse(text) for text in texts])
    rows = expected_resistance(faulty, faulty.network(), DEAD)
    ohm = next(row.ohm for row in rows if row.place == "DLC")
    assert ohm is not None
    return ohm


def test_it_is_the_bus_described(bus: Vehicle) -> None:
    """Worked example of our own, by Ohm's law and ISO 11898-2 terminators of 120 ohm."""
    network = bus.network()
    assert list(bus.modules) == ["M1", "M2", "M3", "M4", "M5", "X", "M7", "M8"]
    assert [run.length_m for run in network.runs] == [1.5] * 7 + [0.3] * 8
    assert {module.feed.fuse for module in bus.modules.values()} == {f"F{n}" for n in range(1, 9)}
    assert len({module.ground.point for module in bus.modules.values()}) == 8


@pytest.mark.parametrize(
    ("texts", "ohm", "tolerance"),
    [
        ([], 59.7, 0.05),
        (["missing_terminator at=M1"], 118.5, 1.5),
        (["extra_terminator at=S6"], 40, 0.5),
        (["wrong_terminator at=M1 ohm=180"], 71.5, 0.1),
        (["short between=high-low at=S8 ohm=0.000001"], 0.6, 0.02),
        (["short between=high-low at=S6 ohm=60"], 30, 0.3),
        (["open line=high run=S5-S6"], 119, 1),
        (["resistance line=high run=S5-S6 ohm=30"], 66.4, 0.15),
        (["crossed run=S5-S6"], 60, 0.5),
        (["open line=high at=X"], 59.8, 0.06),
        (["crossed at=X"], 60, 0.5),
        (["power_dropout module=X"], 60, 0.5),
        (["dead_module module=X"], 60, 0.5),
    ],
    ids=lambda value: " ".join(value) or "healthy" if isinstance(value, list) else "",
)
def test_ohms_at_the_socket(bus: Vehicle, texts: list[str], ohm: float, tolerance: float) -> None:
    """Worked example of our own, by Ohm's law and ISO 11898-2 terminators of 120 ohm."""
    # Computed on this bus for the trade's table of faults, rounded there as here.
    assert ohm_at_socket(bus, *texts) == pytest.approx(ohm, abs=tolerance)


def test_without_both_terminators_the_inputs_are_left(bus: Vehicle) -> None:
    """Own example; a differential input resistance within the window of ISO 11898-2 (12 to 100 kohm, from memory)."""
    # Eight inputs of 50 kohm between the lines: 6.25 kohm.
    both = ohm_at_socket(bus, "missing_terminator at=M1", "missing_terminator at=M8")
    assert both == pytest.approx(6_250, rel=0.01)
