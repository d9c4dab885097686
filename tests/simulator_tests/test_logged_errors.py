"""Error frames in python-can's log formats, and its filters: what each keeps of a controller that turns error passive.

Source of layout and bits: Linux, include/uapi/linux/can/error.h. What each format keeps: python-can 4.6's own writers
and readers (can/io), checked here by its readers.
"""

from __future__ import annotations

from pathlib import Path

import can
import pytest
from small_vehicle import three_modules

import faults
from simulator.logs import FrameLog
from simulator.simulation import Simulation

#: CAN_ERR_PROT | CAN_ERR_ACK | CAN_ERR_BUSERROR with CAN_ERR_CNT; CAN_ERR_PROT_TX, CAN_ERR_PROT_LOC_ACK.
NOT_ACKNOWLEDGED = 0x2A8, bytes.fromhex("00008019")


def logged(path: Path) -> list[can.Message]:
    """A lone node runs into error passive and is logged; what python-can reads from the file."""
    alone = faults.apply(three_modules(), [faults.parse(f"dead_module module={name}") for name in ("GBX", "CLU")])
    simulation = Simulation(alone)
    with FrameLog(simulation, path):
        simulation.advance(0.05)
    with can.LogReader(path) as reader:
        return [message for message in reader if message.is_error_frame]


@pytest.mark.parametrize("ending", [".blf", ".csv", ".db"])
def test_formats_that_keep_an_error_frame(tmp_path: Path, ending: str) -> None:
    read = [(one.arbitration_id, bytes(one.data)) for one in logged(tmp_path / f"run{ending}")]
    assert len(read) > 50
    assert {(identifier, data[:4]) for identifier, data in read} == {NOT_ACKNOWLEDGED}
    # the counters: 8 more for every attempt, and no more than 128 for the lone node
    assert [data[6] for _, data in read[:18]] == [*range(8, 136, 8), 128, 128]
    assert {data[7] for _, data in read} == {0}


@pytest.mark.parametrize("ending", [".asc", ".log"])
def test_formats_that_keep_only_that_there_was_one(tmp_path: Path, ending: str) -> None:
    read = logged(tmp_path / f"run{ending}")
    assert len(read) > 50
    assert not any(bytes(one.data) for one in read)


def test_a_format_that_has_none(tmp_path: Path) -> None:
    assert logged(tmp_path / "run.trc") == []


def test_a_filter_by_mask() -> None:
    """python-can: (can_id ^ identifier) & can_mask == 0; here all identifiers from 0x100 to 0x1FF."""
    simulation = Simulation(three_modules())
    sender, receiver = simulation.connect("DLC"), simulation.connect("DLC")
    receiver.set_filters([{"can_id": 0x100, "can_mask": 0x700}])
    for identifier in (0x123, 0x223):
        sender.send(can.Message(arbitration_id=identifier, is_extended_id=False), timeout=0.1)
    simulation.advance(0.1)
    got = {message.arbitration_id for message in iter(lambda: receiver.recv(0), None)}
    assert 0x123 in got
    assert all(identifier & 0x700 == 0x100 for identifier in got)
