"""The pytest fixtures, as a project of somebody else uses them. Source: README.md, "Developer"; our own contract."""

from __future__ import annotations

from importlib.metadata import entry_points
from pathlib import Path

import pytest

from pytest_sixtyohm import shadowed

pytest_plugins = ["pytester"]

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def project(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    """A project of somebody else, in which sixtyohm is installed."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    installed = any(found.value == "pytest_sixtyohm" for found in entry_points(group="pytest11"))
    if not installed:
        pytester.plugins = ["pytest_sixtyohm"]
    return pytester


def run(project: pytest.Pytester, *arguments: str) -> pytest.RunResult:
    return project.runpytest_subprocess("-p", "no:cacheprovider", "--strict-markers", *arguments)


def test_a_test_gets_a_vehicle_and_a_tap(project: pytest.Pytester) -> None:
    project.makepyfile(
        """
        import can, pytest

        def test_default(simulation):
            assert simulation.vehicle.name == "Pipkin"
            simulation.advance(0.1)
            assert simulation.t_ns == 100_000_000

        @pytest.mark.vehicle("pipkin", faults=["dead_module module=GBX"], seed=3)
        def test_marked(simulation, tap):
            assert simulation.seed == 3
            assert isinstance(tap, can.BusABC)
            heard = {tap.recv(1.0).arbitration_id for _ in range(100)}
            senders = {m.sender for m in simulation.vehicle.network().messages if m.frame_id in heard}
            assert "ENG" in senders and "GBX" not in senders

        def test_faults_as_objects():
            import faults

            assert str(faults.DeadModule(module="GBX")) == "dead_module module=GBX"
        """
    )
    run(project).assert_outcomes(passed=3)


@pytest.mark.slow
def test_the_tap_is_shut_down(project: pytest.Pytester) -> None:
    project.makepyfile(
        """
        seen = []

        def test_one(tap):
            seen.append(tap)

        def test_two():
            assert seen[0]._is_shutdown
        """
    )
    run(project).assert_outcomes(passed=2)


def test_the_mark_is_registered(project: pytest.Pytester) -> None:
    run(project, "--markers").stdout.fnmatch_lines(["@pytest.mark.vehicle(name, faults=(), seed=0): *"])


@pytest.mark.slow
def test_wrong_arguments_of_the_mark_are_told(project: pytest.Pytester) -> None:
    project.makepyfile(
        """
        import pytest

        @pytest.mark.vehicle("pipkn")
        def test_name(simulation): ...

        @pytest.mark.vehicle(faults=["opn line=high at=GBX"])
        def test_fault(simulation): ...

        @pytest.mark.vehicle("pipkin", sed=3)
        def test_keyword(simulation): ...

        @pytest.mark.vehicle(faults="open line=high at=GBX")
        def test_no_list(simulation): ...

        @pytest.mark.vehicle(faults=[3])
        def test_no_fault(simulation): ...
        """
    )
    result = run(project)
    result.assert_outcomes(errors=5)
    told = [line for line in result.outlines if line.startswith("pytest.mark.vehicle: ")]
    parts = "did you mean 'pipkin'", "did you mean 'open'", "'sed'", "a list", "no fault"
    for line, part in zip(told, parts, strict=True):
        assert part in line
    assert "Traceback" not in result.stdout.str()
    assert "def " not in result.stdout.str()


def test_a_project_with_a_package_called_lab_is_told(project: pytest.Pytester) -> None:
    project.makepyfile(**{"lab/__init__": "", "test_it": "def test_it(simulation): ..."})
    result = run(project)
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*sixtyohm: another 'lab' (*) hides the one of sixtyohm*"])


def test_nothing_is_told_while_all_is_well() -> None:
    assert shadowed() is None
    assert "another 'simulator'" in str(shadowed(Path("/somewhere/else")))
