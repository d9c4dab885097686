"""Speed of healthy networks by whole frames: fresh payloads, exact lengths, arbitration, logs; peers in the same run.

Twelve modules, 48 messages with moving signals, counter and checksum. Own aims: 50 times real time at 500 kbit/s and
60 % load with a binary log, 20 times with CAN FD at 500 kbit/s and 2 Mbit/s; half of them here, where others may run.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import can
import pytest
from random_traffic import busy_vehicle

from simulator.batch import Batch
from simulator.logs import EventLog, FrameLog
from simulator.simulation import Simulation

pytestmark = pytest.mark.benchmark


def processor_s(work: Callable[[], object]) -> float:
    """The best of three, in second of processor time."""
    times = []
    for _ in range(3):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def virtual_s(count: int, *, fd: bool) -> float:
    """Processor time of that many messages over python-can's virtual interface, to one receiver."""
    sender, receiver = (can.Bus(interface="virtual", channel="busy", fd=fd) for _ in range(2))
    message = can.Message(arbitration_id=0x123, data=bytes(64 if fd else 8), is_extended_id=False, is_fd=fd)

    def pass_on() -> None:
        for _ in range(count):
            sender.send(message)
            receiver.recv(0)

    spent = processor_s(pass_on)
    sender.shutdown()
    receiver.shutdown()
    return spent


@pytest.mark.parametrize(("fd", "load", "least"), [(False, 0.6, 25), (True, 0.6, 10)], ids=["classic", "FD"])
def test_a_loaded_network_with_a_binary_log(tmp_path: Path, fd: bool, load: float, least: float) -> None:
    """Peers: python-can's virtual interface with as many messages, and the real bus, which takes its own time."""
    simulation = Simulation(busy_vehicle(fd=fd))
    busy_ns = frames = 0

    def count(batch: Batch) -> None:
        nonlocal busy_ns, frames
        for _, total in batch.totals():
            busy_ns += total.busy_ns
            frames += total.frames

    simulation.subscribe(lambda record: None, count)
    with FrameLog(simulation, tmp_path / "run.blf"):
        simulation.advance(2.0)
        busy_ns = frames = 0
        spent_s = processor_s(lambda: simulation.advance(10.0))
    assert busy_ns / 30e9 >= load
    virtual = virtual_s(frames // 3, fd=fd)
    print(f"{10 / spent_s:.0f} times real time at {busy_ns / 30e9:.0%} load, the virtual bus {10 / virtual:.0f} times")
    assert 10 / spent_s > least
    assert spent_s < virtual


def test_the_event_log(tmp_path: Path) -> None:
    """Own aim: at least as quick as python-can's virtual interface passes as many messages on."""
    simulation = Simulation(busy_vehicle())
    with (tmp_path / "run.jsonl").open("w", encoding="utf-8") as stream:
        EventLog(simulation, stream)
        simulation.advance(2.0)
        spent_s = processor_s(lambda: simulation.advance(5.0))
    print(f"{5 / spent_s:.0f} times real time")
    assert 5 / spent_s > 25


def test_far_quicker_than_bit_by_bit() -> None:
    """The peer is the same network bit by bit."""
    spent = []
    for whole in (True, False):
        simulation = Simulation(busy_vehicle(), whole_frames=whole)
        simulation.subscribe(lambda record: None, lambda batch: None)
        simulation.advance(2.0)
        spent.append(processor_s(lambda simulation=simulation: simulation.advance(2.0)))  # type: ignore[misc]
    print(f"{2 / spent[0]:.0f} times real time by whole frames, {2 / spent[1]:.0f} bit by bit")
    assert spent[0] * 5 < spent[1]
