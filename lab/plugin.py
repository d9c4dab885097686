"""What the pytest fixtures do, behind the guard of ``pytest_sixtyohm``."""

from __future__ import annotations

from collections.abc import Iterable
from inspect import signature
from typing import TYPE_CHECKING

import faults as fault_room
from simulator.errors import BadRequest
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation

if TYPE_CHECKING:
    import pytest

    from faults import Fault


_MARK = '@pytest.mark.vehicle("pipkin", faults=["open line=high at=GBX"], seed=0)'


def simulation_of_mark(mark: pytest.Mark | None) -> Simulation:
    """The simulation that ``@pytest.mark.vehicle(name, faults=(), seed=0)`` asks for; Pipkin without a mark.

    Raises BadRequest where the mark has other arguments, and the errors of the reader and of the faults.
    """
    if mark is None:
        return _simulation()
    try:
        given = signature(_simulation).bind(*mark.args, **mark.kwargs)
    except TypeError as problem:
        raise BadRequest(f"{problem}; write {_MARK}") from None
    faults, seed = given.arguments.get("faults", ()), given.arguments.get("seed", 0)
    if isinstance(faults, str) or not isinstance(faults, Iterable):
        raise BadRequest(f"faults is a list of faults, not {faults!r}; write {_MARK}")
    if not isinstance(seed, int):
        raise BadRequest(f"seed is a whole number, not {seed!r}; write {_MARK}")
    return _simulation(*given.args, **given.kwargs)


def _simulation(vehicle: str = "pipkin", *, faults: Iterable[str | Fault] = (), seed: int = 0) -> Simulation:
    drawn = load_vehicle(find_vehicle(vehicle))
    parsed = tuple(fault_room.parse(fault) if isinstance(fault, str) else fault for fault in faults)
    return Simulation(drawn, faults=parsed, seed=seed)
