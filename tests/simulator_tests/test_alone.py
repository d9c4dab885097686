"""A module cut off from its lines, with a terminator inside and without."""

from __future__ import annotations

import pytest
from small_vehicle import three_modules

import faults
from simulator.simulation import Simulation

SMALL = three_modules()


@pytest.mark.parametrize(("module", "counters"), [("ENG", (128, 0)), ("GBX", (0, 255))])
def test_alone_with_and_without_a_terminator(module: str, counters: tuple[int, int]) -> None:
    """Bosch CAN 2.0, 12.2, exception 1 of rule 3: alone it is error passive for want of ACK, and never bus-off.

    Without any terminator: 2 x 25 kohm and 35 pF are 1.75 us, so 3.4 V take 3.4 us to 0.5 V, longer than a bit of 2 us.
    """
    simulation = Simulation(SMALL, faults=[faults.parse(f"open line=both at={module}")])
    seen: set[str | float] = set()
    simulation.notice(
        lambda event: seen.add(event.what) if event.kind == "controller" and event.name == module else None
    )
    simulation.advance(0.5)
    assert simulation.counters("LINE-1", module) == counters
    assert seen == {"error passive"}
