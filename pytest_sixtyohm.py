"""The one file with a name of its own: the start of the command line, the pytest fixtures, the python-can interface.

``simulator``, ``faults`` and ``lab`` are common words. This file looks first whether another package of such a name
hides ours, and says so in one line with the remedy; so nothing of ours is imported before that.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from can import BusABC

    from simulator.simulation import Simulation

_PACKAGES = ("simulator", "faults", "lab")


def shadowed(home: Path | None = None) -> str | None:
    """One line that names a package hiding one of ours, and the remedy; None while all is well.

    ``home`` is the directory our packages live in, by default that of this file.
    """
    home = home or Path(__file__).resolve().parent
    for name in _PACKAGES:
        try:
            spec = importlib.util.find_spec(name)
        except ValueError:  # a module put into sys.modules by hand has no spec
            spec = None
        if spec is None:
            return f"the package '{name}' is missing beside {home}: install sixtyohm again (pip install sixtyohm)"
        origin = spec.origin or next(iter(spec.submodule_search_locations or ()), "")
        found = Path(origin).resolve()
        if home not in found.parents:
            place = found.parent if found.name == "__init__.py" else found
            return (
                f"another '{name}' ({place}) hides the one of sixtyohm ({home / name}): rename it, or take "
                f"{place.parent} off PYTHONPATH and off pytest's pythonpath"
            )
    return None


def main() -> int:
    """The console script ``sixtyohm``: the command line behind the guard; returns the exit status."""
    complaint = shadowed()
    if complaint is not None:
        print(f"sixtyohm: {complaint}", file=sys.stderr)
        return 1
    if not any(word.lower().endswith(".mf4") for word in sys.argv):
        # python-can would load it where it is installed, and pandas with it: a second for a format not asked for
        sys.modules.setdefault("asammdf", None)  # type: ignore[arg-type]
    from lab.command import main as command

    return command()


def __getattr__(name: str) -> type[BusABC]:
    """The class behind ``can.Bus(interface="sixtyohm")``, behind the guard. python-can shows the error it raises."""
    if name != "SixtyohmBus":
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    complaint = shadowed()
    if complaint is not None:
        raise ImportError(f"sixtyohm: {complaint}")
    from lab.canbus import SixtyohmBus

    return SixtyohmBus


if "pytest" in sys.modules:  # the console script starts in this file too, and must not wait for pytest
    import pytest

    def pytest_configure(config: pytest.Config) -> None:
        """Register the mark that says which vehicle a test gets."""
        config.addinivalue_line(
            "markers",
            "vehicle(name, faults=(), seed=0): the vehicle of the fixture 'simulation', a demo's name or a file; "
            "faults as on the command line or as objects of faults",
        )

    @pytest.fixture
    def simulation(request: pytest.FixtureRequest) -> Simulation:
        """A running vehicle on simulated time; ``@pytest.mark.vehicle("pipkin", faults=[...], seed=0)`` chooses it."""
        complaint = shadowed()
        if complaint is not None:
            pytest.fail(f"sixtyohm: {complaint}", pytrace=False)
        from lab.plugin import simulation_of_mark
        from simulator.errors import SixtyohmError

        try:
            return simulation_of_mark(request.node.get_closest_marker("vehicle"))
        except SixtyohmError as problem:
            told = str(problem)
        pytest.fail(f"pytest.mark.vehicle: {told}", pytrace=False)

    @pytest.fixture
    def tap(simulation: Simulation) -> Iterator[BusABC]:
        """A python-can bus at the diagnostic socket of ``simulation``; shut down after the test."""
        bus = simulation.connect()
        try:
            yield bus
        finally:
            bus.shutdown()
