"""Frame logs in the formats of python-can, read back with python-can."""

from __future__ import annotations

from pathlib import Path

import can
import pytest

import faults
from simulator.errors import BadRequest
from simulator.logs import FrameLog
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation

PIPKIN = load_vehicle(find_vehicle("pipkin"))


def write(path: Path, *texts: str) -> list:
    simulation = Simulation(PIPKIN, faults=[faults.parse(text) for text in texts])
    records: list = []
    simulation.subscribe(records.append)
    with FrameLog(simulation, path):
        simulation.advance(0.1)
    simulation.advance(0.01)
    return [record for record in records if record.t_end_ns <= 100_000_000]


@pytest.mark.parametrize("ending", [".asc", ".blf", ".log", ".csv", ".mf4"])
def test_what_is_written_is_read_back(tmp_path: Path, ending: str) -> None:
    """Source: python-can's readers."""
    path = tmp_path / f"run{ending}"
    records = write(path)
    messages = list(can.LogReader(path))
    assert [message.arbitration_id for message in messages] == [record.frame_id for record in records]
    assert [bytes(message.data) for message in messages] == [record.data for record in records]
    for message, record in zip(messages, records, strict=True):
        assert message.timestamp == pytest.approx(record.t_end_ns / 1e9, abs=2e-6)


@pytest.mark.parametrize("ending", [".asc", ".log", ".csv", ".blf"])
def test_two_runs_write_the_same_bytes(tmp_path: Path, ending: str) -> None:
    """Own rule: no wall clock in a log."""
    first, second = tmp_path / f"a{ending}", tmp_path / f"b{ending}"
    write(first)
    write(second)
    assert first.read_bytes() == second.read_bytes()


def test_failed_attempts_are_error_frames(tmp_path: Path) -> None:
    """python-can: Message.is_error_frame."""
    path = tmp_path / "bad.blf"
    write(path, "short between=high-low at=DLC")
    messages = list(can.LogReader(path))
    assert messages
    assert all(message.is_error_frame for message in messages)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("run.text", r"no log format ends in '.text'; did you mean '.txt'"),
        ("nowhere/run.asc", "cannot write .*nowhere/run.asc: No such file"),
    ],
)
def test_refusals(tmp_path: Path, name: str, text: str) -> None:
    """Own rule: one clear line."""
    with pytest.raises(BadRequest, match=text):
        FrameLog(Simulation(PIPKIN), tmp_path / name)


def test_every_format_has_the_same_times(tmp_path: Path) -> None:
    """The first and the last frame of a run, read back by python-can's own readers, to the format's resolution."""
    times = {}
    for ending in (".blf", ".log", ".asc", ".csv"):
        simulation = Simulation(PIPKIN, seed=5)
        log = FrameLog(simulation, tmp_path / f"run{ending}")
        simulation.advance(0.3)
        log.close()
        stamps = [message.timestamp for message in can.LogReader(tmp_path / f"run{ending}")]
        times[ending] = (stamps[0], stamps[-1], len(stamps))
    for ending, (first, last, count) in times.items():
        assert count == times[".log"][2], ending
        assert (first, last) == pytest.approx(times[".log"][:2], abs=2e-6), ending
