"""Frames in batches: logs hold the same bytes as frame by frame, and python-can reads back what its writer gives."""

from __future__ import annotations

import io
import resource
from dataclasses import replace
from pathlib import Path

import can
import cantools
import pytest
from random_traffic import busy_vehicle, random_vehicle

import faults
from simulator.batch import Batch, merged
from simulator.logs import EventLog, FrameLog
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import FrameRecord
from simulator.simulation import Simulation
from simulator.tester import message_of
from simulator.vehicle import Message, Vehicle

BUSY = busy_vehicle()
BUSY_FD = busy_vehicle(fd=True)


def log(vehicle: Vehicle, path: Path, *, whole: bool, seconds: float = 0.35) -> list[FrameRecord]:
    """Write a run in which a fault comes and goes; its records."""
    name = next(iter(vehicle.modules))
    fault = faults.parse(f"dead_module module={name} from_s=0.2 until_s=0.25")
    simulation = Simulation(vehicle, faults=[fault], whole_frames=whole)
    records: list[FrameRecord] = []
    simulation.subscribe(records.append, lambda batch: records.extend(batch.records()))
    with FrameLog(simulation, path):
        simulation.advance(seconds)
    return records


@pytest.mark.parametrize("ending", [".blf", ".asc", ".log", ".csv"])
@pytest.mark.parametrize("vehicle", [BUSY, BUSY_FD], ids=["classic", "FD"])
def test_the_same_bytes_as_frame_by_frame(tmp_path: Path, vehicle: Vehicle, ending: str) -> None:
    """Source: python-can's own writers, which get one message after the other in the run bit by bit."""
    at_once, by_bits = tmp_path / f"whole{ending}", tmp_path / f"bits{ending}"
    records = log(vehicle, at_once, whole=True)
    assert records == log(vehicle, by_bits, whole=False)
    assert at_once.read_bytes() == by_bits.read_bytes()


def test_python_can_reads_back_what_its_writer_gives(tmp_path: Path) -> None:
    """Source: python-can's BLFWriter and BLFReader, over several containers of compressed objects."""
    ours, theirs = tmp_path / "ours.blf", tmp_path / "theirs.blf"
    records = log(BUSY_FD, ours, whole=True, seconds=4.0)
    with can.BLFWriter(theirs) as writer:
        writer.start_timestamp = 0.0
        for record in records:
            message = message_of(record)
            if record.outcome != "ok":
                message = can.Message(timestamp=record.t_end_ns / 1e9, is_error_frame=True, dlc=0)
            message.channel = 0
            writer.on_message_received(message)
    assert ours.read_bytes() == theirs.read_bytes()
    assert theirs.stat().st_size > 100_000
    for message, other in zip(can.BLFReader(ours), can.BLFReader(theirs), strict=True):
        assert message.equals(other, timestamp_delta=None)
        assert message.timestamp == other.timestamp


@pytest.mark.parametrize("seed", range(3))
def test_batches_of_several_networks_come_in_the_order_of_time(seed: int) -> None:
    """Own rule: by the ends of the frames; at one instant the networks in the order of the file."""
    batches: list[Batch] = []
    simulation = Simulation(random_vehicle((2, 5, 9)[seed]), seed=seed)
    simulation.subscribe(lambda record: None, batches.append)
    simulation.advance(0.5)
    ends = [end for batch in batches for end in batch.t_end_ns.tolist()]
    assert ends == sorted(ends)
    assert len(ends) > 50
    halves = [Batch(one.sent, one.frames[::2], one.payloads[::2]) for one in batches]
    others = [Batch(one.sent, one.frames[1::2], one.payloads[1::2]) for one in batches]
    for whole, half, other in zip(batches, halves, others, strict=True):
        assert list(merged([half, other]).records()) == list(whole.records())


def test_most_of_a_healthy_run_comes_in_batches() -> None:
    """Own rule: bit by bit only around what interferes."""
    counts = {"batches": 0, "single": 0}
    simulation = Simulation(load_vehicle(find_vehicle("pipkin")))

    def single(record: FrameRecord) -> None:
        counts["single"] += 1

    def batch(frames: Batch) -> None:
        counts["batches"] += len(frames)

    simulation.subscribe(single, batch)
    simulation.advance(1.0)
    assert counts["single"] == 0
    assert counts["batches"] > 500


def test_what_only_the_codec_can_pack_keeps_its_network_bit_by_bit() -> None:
    """Own rule: a half-precision float is beyond the kernel, so nothing comes in batches, and all goes on as ever."""
    text = """VERSION ""
BU_: N0
BO_ 9 Half: 4 N0
 SG_ Half_Value : 0|16@1- (1,0) [0|0] "" N0
SIG_VALTYPE_ 9 Half_Value : 1;
"""
    codec = cantools.database.load_string(text, "dbc").messages[0]
    half = Message("Half", 9, False, 4, 10, "N0", (), (), False, codec)
    network = replace(BUSY.networks["LINE"], messages=(*BUSY.networks["LINE"].messages, half))
    simulation = Simulation(replace(BUSY, networks={"LINE": network}))
    records: list[FrameRecord] = []
    batches: list[Batch] = []
    simulation.subscribe(records.append, batches.append)
    simulation.advance(0.1)
    assert not batches
    sent = [record.message for record in records]
    assert 9 <= sent.count("Half") <= 10
    assert len(sent) > 200


def test_one_by_one_where_somebody_needs_it() -> None:
    """Own rule: a callback without batches gets every record at its own instant, and may act on it."""
    simulation = Simulation(BUSY)
    seen = 0

    def at_its_instant(record: FrameRecord) -> None:
        nonlocal seen
        assert record.t_end_ns == simulation.t_ns
        seen += 1
        if seen == 100:
            simulation.inject(faults.parse("dead_module module=N3"))
        if seen > 110:
            assert record.transmitter != "N3"

    simulation.subscribe(at_its_instant)
    simulation.advance(0.2)
    assert seen > 200


@pytest.mark.parametrize("whole", [True, False])
def test_who_received_what_last(whole: bool) -> None:
    """Own rule: the end of the last frame, the same in batches and bit by bit; what a dead module misses it keeps."""
    simulation = Simulation(BUSY, whole_frames=whole)
    records: list[FrameRecord] = []
    simulation.subscribe(records.append, lambda batch: records.extend(batch.records()))
    message = next(one for one in BUSY.networks["LINE"].messages if one.sender == "N1")
    assert simulation.last_received_ns("LINE", message.name, "N3") == -1
    simulation.advance(0.3)
    dead = faults.parse("dead_module module=N3")
    simulation.inject(dead)
    before_ns = simulation.last_received_ns("LINE", message.name, "N3")
    simulation.advance(0.3)
    ends = [record.t_end_ns for record in records if record.message == message.name]
    assert (
        simulation.last_received_ns("LINE", message.name, "N3")
        == before_ns
        == max(end for end in ends if end <= 300_000_000)
    )
    assert simulation.last_received_ns("LINE", message.name, "N2") == max(ends)
    assert simulation.last_received_ns("LINE", message.name, "N1") == -1


@pytest.mark.slow
def test_an_hour_needs_no_more_memory_than_a_minute(tmp_path: Path) -> None:
    """Own bound: 20 MB more after an hour of simulated traffic than after a minute, logs written on the way."""
    simulation = Simulation(BUSY)

    class Nowhere(io.StringIO):
        def writelines(self, lines: object) -> None:
            for _ in lines:  # type: ignore[attr-defined]
                pass

    (tmp_path / "hour.blf").symlink_to("/dev/null")
    EventLog(simulation, Nowhere())
    with FrameLog(simulation, tmp_path / "hour.blf"):
        simulation.advance(60.0)
        before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        simulation.advance(3540.0)
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
    assert grown_kb < 20_000


@pytest.mark.slow
def test_memory_stays_where_faults_come_and_go() -> None:
    """Own bound: 20 MB more after two hundred changes between whole frames and bits than after twenty."""
    fault = faults.parse("dead_module module=N3 on_s=0.01 off_s=0.09")
    simulation = Simulation(BUSY, faults=[fault])
    simulation.subscribe(lambda record: None, lambda batch: None)
    simulation.advance(2.0)
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    simulation.advance(18.0)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 20_000
