"""What the pytest fixtures do, behind the guard of ``pytest_sixtyohm``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import faults as fault_room
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pytest

    from faults import Fault


def simulation_of_mark(mark: pytest.Mark | None) -> Simulation:
    """The simulation that ``@pytest.mark.vehicle(name, faults=(), seed=0)`` asks for; Pipkin without a mark.

    Raises TypeError where the mark has other arguments, and the errors of the reader and of the faults.
    """
    return _simulation() if mark is None else _simulation(*mark.args, **mark.kwargs)


def _simulation(vehicle: str = "pipkin", *, faults: Iterable[str | Fault] = (), seed: int = 0) -> Simulation:
    drawn = load_vehicle(find_vehicle(vehicle))
    parsed = tuple(fault_room.parse(fault) if isinstance(fault, str) else fault for fault in faults)
    return Simulation(drawn, faults=parsed, seed=seed)
