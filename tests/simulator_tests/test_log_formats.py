"""A run in every log format, read back by python-can's own readers: identical up to what the format can hold.

Sources: python-can's readers; its documentation of each format. What a format leaves out stands in ``KEEPS``.
"""

from __future__ import annotations

import json
import logging
import sqlite3
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import can
import pytest
from small_vehicle import gateway_vehicle, three_modules

import faults
from simulator.errors import BadRequest
from simulator.logs import EventLog, open_log
from simulator.record import FrameRecord
from simulator.simulation import Simulation

SMALL = three_modules()
LINE = SMALL.network()
FAST = replace(SMALL, networks={"LINE-1": replace(LINE, data_bit_rate=2_000_000, data_sample_point=0.8)})


class Keeps(NamedTuple):
    """What a format holds: time step in s, CAN FD flags, length of remote frames, identifier and data of errors."""

    step_s: float
    fd: bool = True
    remote_length: bool = True
    errors: str = "whole"
    only_data: bool = False


KEEPS = {
    ".asc": Keeps(1e-6, errors="bare"),
    ".blf": Keeps(2e-9),
    ".csv": Keeps(1e-12, fd=False),
    ".db": Keeps(1e-12, fd=False),
    ".log": Keeps(1e-6, remote_length=False, errors="bare"),
    ".mf4": Keeps(1e-9),
    ".trc": Keeps(1e-6, only_data=True),
}


def run(path: Path, *, until_s: float = 0.1) -> list[FrameRecord]:
    """Traffic of every kind, a short for a while, and what a log has to hold of it."""
    simulation = Simulation(FAST, faults=[faults.parse("short between=high-low at=DLC from_s=0.05 until_s=0.06")])
    records: list[FrameRecord] = []
    simulation.subscribe(records.append)
    bus = simulation.connect("DLC")
    for sent in (
        can.Message(arbitration_id=0x18DAF110, data=b"\x01\x02"),
        can.Message(arbitration_id=0x18DAF111, is_remote_frame=True, dlc=4),
        can.Message(arbitration_id=0x123, is_extended_id=False),
        can.Message(arbitration_id=0x124, is_extended_id=False, is_fd=True, data=bytes(range(20))),
        can.Message(arbitration_id=0x125, is_extended_id=False, is_fd=True, bitrate_switch=True, data=bytes(64)),
    ):
        bus.send(sent)
    with open_log(simulation, path):
        simulation.advance(until_s)
    simulation.advance(0.05)
    return [record for record in records if record.t_end_ns <= until_s * 1e9]


@pytest.mark.parametrize("ending", KEEPS)
def test_a_run_reads_back(tmp_path: Path, ending: str, caplog: pytest.LogCaptureFixture) -> None:
    keeps = KEEPS[ending]
    records = run(tmp_path / f"run{ending}")
    if keeps.only_data:
        records = [record for record in records if record.outcome == "ok" and not record.remote and not record.fd]
    else:
        assert Counter(record.outcome == "ok" for record in records)[False] > 3
        assert {(record.remote, record.fd, record.brs, record.extended) for record in records} == {
            (False, False, False, False), (False, False, False, True), (True, False, False, True),
            (False, True, False, False), (False, True, True, False),
        }  # fmt: skip
    messages = list(can.LogReader(tmp_path / f"run{ending}"))
    shown: list[tuple[int, bytes, int]] = []
    assert len(messages) == len(records)
    for message, record in zip(messages, records, strict=True):
        assert message.timestamp == pytest.approx(record.t_end_ns / 1e9, abs=keeps.step_s)
        assert message.is_error_frame == (record.outcome != "ok")
        if record.outcome != "ok":
            if keeps.errors == "whole":
                assert len(message.data) == 8
                shown.append((message.arbitration_id, bytes(message.data[2:4]), message.data[6]))
            continue
        assert (message.arbitration_id, message.is_extended_id) == (record.frame_id, record.extended)
        assert message.is_remote_frame == record.remote
        assert bytes(message.data) == (b"" if record.remote else record.data)
        if keeps.remote_length or not record.remote:
            assert message.dlc == len(record.data)
        if keeps.fd:
            flags = message.is_fd, message.bitrate_switch, message.error_state_indicator
            assert flags == (record.fd, record.brs, record.esi)
    if keeps.errors == "whole" and not keeps.only_data:
        # ENG is the first to send into the short: each attempt fails in SOF and costs 8, from 136 on without active
        # flags (their six bits fail too, at first); the last makes it bus-off
        first = next(number for number, (kind, _, _) in enumerate(shown) if kind == 0x240)
        assert {(kind, place) for kind, place, _ in shown[:first]} == {(0x288, b"\x88\x03")}
        assert [count for _, _, count in shown[1:first]] == list(range(144, 256, 8))
        assert shown[first] == (0x240, b"\x00\x00", 255)
    assert not [entry for entry in caplog.records if entry.levelno >= logging.WARNING]


def test_text_is_what_python_can_prints(tmp_path: Path) -> None:
    """There is no reader of .txt."""
    records = run(tmp_path / "run.txt")
    lines = (tmp_path / "run.txt").read_text(encoding="utf-8").splitlines()
    assert len(lines) == len(records)
    for line, record in zip(lines, records, strict=True):
        assert line.startswith(f"Timestamp: {record.t_end_ns / 1e9:15.6f}")
        if record.outcome == "ok":
            assert f"{record.frame_id:x}" in [word.lstrip("0") for word in line.split()]
        else:
            assert " E " in line


@pytest.mark.parametrize("ending", [".asc", ".blf", ".csv", ".db", ".jsonl", ".log", ".txt"])
def test_same_seed_same_bytes(tmp_path: Path, ending: str) -> None:
    """Own rule: no wall clock in a log. .trc has its own path in it, .mf4 its time of writing."""
    run(tmp_path / f"a{ending}")
    run(tmp_path / f"b{ending}")
    assert (tmp_path / f"a{ending}").read_bytes() == (tmp_path / f"b{ending}").read_bytes()


def test_the_event_log_holds_everything_on_one_clock(tmp_path: Path) -> None:
    records = run(tmp_path / "run.jsonl")
    events = [json.loads(line) for line in (tmp_path / "run.jsonl").read_text(encoding="utf-8").splitlines()]
    kinds = Counter(event["kind"] for event in events)
    assert {"frame", "fault", "state", "supply", "controller", "error"} <= set(kinds)
    assert kinds["frame"] == len(records)
    frames = [event for event in events if event["kind"] == "frame"]
    assert [event["t_end_ns"] for event in frames] == [record.t_end_ns for record in records]
    assert [bytes.fromhex(event["data"]) for event in frames] == [record.data for record in records]
    faulty = [(event["t_ns"], event["what"]) for event in events if event["kind"] == "fault"]
    assert faulty == [(50_000_000, "in"), (60_000_000, "out")]
    for event in events:
        if event["kind"] == "error":
            assert {"t_ns", "network", "name", "what", "place", "transmit_errors", "receive_errors"} <= set(event)
            assert 50_000_000 <= event["t_ns"] <= 62_000_000
    assert {event["what"] for event in events if event["kind"] == "controller"} >= {"error passive", "bus off"}


def test_a_file_that_is_there_is_replaced(tmp_path: Path) -> None:
    for ending in (".db", ".log"):
        path = tmp_path / f"run{ending}"
        assert len(run(path)) == len(run(path)) == len(list(can.LogReader(path)))


def rows_of(path: Path) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    """(columns, rows) of a database log."""
    database = sqlite3.connect(path)
    try:
        columns = database.execute("PRAGMA table_info(messages)").fetchall()
        return columns, database.execute("SELECT * FROM messages").fetchall()
    finally:
        database.close()


def test_a_database_is_complete_and_as_python_can_writes_it(tmp_path: Path) -> None:
    """Its SqliteWriter is the source of columns and values; of its thread, stop could leave out what was queued."""
    simulation = Simulation(FAST, faults=[faults.parse("short between=high-low at=DLC from_s=0.05 until_s=0.06")])
    heard: list[FrameRecord] = []
    simulation.subscribe(heard.append)
    with open_log(simulation, tmp_path / "ours.db"):
        simulation.advance(8)
    assert len(heard) > 1000
    theirs = can.SqliteWriter(tmp_path / "theirs.db")
    messages = list(can.LogReader(tmp_path / "ours.db"))
    for message in messages[:400]:
        theirs.on_message_received(message)
    theirs.stop()
    columns, rows = rows_of(tmp_path / "ours.db")
    assert len(messages) == len(rows) == len(heard)
    assert (columns, rows[:400]) == rows_of(tmp_path / "theirs.db")


@pytest.mark.parametrize("ending", [".db", ".jsonl", ".trc", ".txt"])
def test_a_place_where_no_file_can_be(tmp_path: Path, ending: str) -> None:
    with pytest.raises(BadRequest, match=rf"cannot write .*nowhere/run{ending}: No such file"):
        open_log(Simulation(SMALL), tmp_path / "nowhere" / f"run{ending}")


def test_several_logs_of_one_run(tmp_path: Path) -> None:
    """Nothing is written twice or left out beside another log."""
    simulation = Simulation(SMALL)
    with open_log(simulation, tmp_path / "a.jsonl") as events, open_log(simulation, tmp_path / "a.blf"):
        assert isinstance(events, EventLog)
        simulation.advance(0.5)
    frames = [line for line in (tmp_path / "a.jsonl").read_text(encoding="utf-8").splitlines() if '"frame"' in line]
    assert len(frames) == len(list(can.LogReader(tmp_path / "a.blf"))) > 50


@pytest.mark.parametrize("text", ["open line=high at=ENG", "crossed at=ENG", "stuck_recessive module=ENG"])
def test_the_event_log_is_in_the_order_of_time(text: str, tmp_path: Path) -> None:
    """Own rule: frames by their ends, all else by its instant; of two networks one tells while the other runs ahead."""
    logs, told = [], list[int]()
    for name in ("one.jsonl", "two.jsonl"):
        simulation = Simulation(gateway_vehicle(), faults=[faults.parse(text)], seed=3)
        simulation.subscribe(lambda record: told.append(record.t_end_ns))
        simulation.notice(lambda event: told.append(event.t_ns))
        with open_log(simulation, tmp_path / name):
            simulation.advance(0.3)
        logs.append((tmp_path / name).read_bytes())
    assert logs[0] == logs[1]  # the same seed
    lines = [json.loads(line) for line in logs[0].splitlines()]
    assert sum(line["kind"] == "error" for line in lines) > 20
    times = [line["t_end_ns"] if line["kind"] == "frame" else line["t_ns"] for line in lines]
    assert times == sorted(times)
    assert told[: len(told) // 2] != sorted(told[: len(told) // 2])
