"""The gateway: what it passes on, when, to whom; the Haulvey, where the socket sees nobody without it."""

from __future__ import annotations

import random
from dataclasses import replace

import can
import pytest
from questions import Questions
from small_vehicle import gateway_vehicle

import faults
from simulator.condition import Condition
from simulator.modules.gateway import PASS_ON_NS, modules_behind
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import FrameRecord
from simulator.rollcall import roll_call
from simulator.silence import SilenceBook
from simulator.simulation import Simulation
from simulator.vehicle import Route, Vehicle

DRIVE = ("ENG", "GBX", "BRK", "STA", "SEL", "PMP")
CABIN = ("BDY", "CLU", "DRL", "DRR", "HVA")


@pytest.fixture(scope="module")
def haulvey() -> Vehicle:
    return load_vehicle(find_vehicle("haulvey"))


def silent(vehicle: Vehicle, *texts: str) -> set[str]:
    return set(roll_call(vehicle, faults=[faults.parse(text) for text in texts]).silent)


def test_everybody_answers_at_the_spur(haulvey: Vehicle) -> None:
    assert modules_behind(haulvey, "SPUR") == tuple(haulvey.modules)
    assert silent(haulvey) == set()


@pytest.mark.parametrize(
    ("fault", "missing"),
    [
        ("dead_module module=GWY", {*DRIVE, *CABIN, "GWY"}),
        ("open line=high run=DLC-GWY", {*DRIVE, *CABIN, "GWY"}),
        ("power_dropout fuse=F15", {*DRIVE, *CABIN, "GWY"}),
        ("short between=high-low at=S3", set(DRIVE)),
        ("short between=high-low at=S7", set(CABIN)),
        # the gateway's own contacts of one network only
        ("open line=both at=GWY network=CABIN", set(CABIN)),
        ("open line=both at=GBX", {"GBX"}),
        # the shared ones: relay, fuse of the doors
        ("power_dropout fuse=RL3", {"GBX", "PMP"}),
        ("power_dropout fuse=F13", {"DRL", "DRR"}),
        ("power_dropout fuse=F23", {"GBX", "SEL"}),
    ],
)
def test_the_socket_sees_what_wiring_and_gateway_let_through(haulvey: Vehicle, fault: str, missing: set[str]) -> None:
    # Trade practice: a gateway that is gone looks like a dead vehicle at the socket while the vehicle runs.
    assert silent(haulvey, fault) == missing


def test_a_network_that_the_gateway_does_not_open_stays_dark(haulvey: Vehicle) -> None:
    assert set(roll_call(haulvey, Condition(ignition_on=False)).answering) == {"GWY", "BDY", "DRL", "DRR"}


def test_a_message_is_passed_on_as_it_came(haulvey: Vehicle) -> None:
    simulation = Simulation(haulvey)
    seen: dict[str, list[FrameRecord]] = {"DRIVE": [], "CABIN": []}

    def note(record: FrameRecord) -> None:
        if record.message == "GbxGear" and record.outcome == "ok":
            seen[record.network].append(record)

    simulation.subscribe(note)
    simulation.advance(2.0)
    came, passed = seen["DRIVE"], seen["CABIN"]
    assert len(came) - 1 <= len(passed) <= len(came)
    assert {record.transmitter for record in passed} == {"GWY"}
    for before, after in zip(came, passed, strict=False):
        assert after.data == before.data  # counter and checksum included
        assert after.t_start_ns >= before.t_end_ns + PASS_ON_NS
        # it waits for its turn: at most two of the longest frames of the slower network, 135 bit of 8 us
        assert after.t_start_ns - before.t_end_ns < PASS_ON_NS + 2 * 135 * 8_000


def test_what_has_no_source_is_not_passed_on(haulvey: Vehicle) -> None:
    names = set()
    simulation = Simulation(faults.parse("dead_module module=GBX").apply(haulvey))
    simulation.subscribe(lambda record: names.add((record.network, record.message)))
    simulation.advance(1.0)
    assert ("CABIN", "EngSpeed") in names
    assert ("CABIN", "GbxGear") not in names


def test_one_passed_on_message_can_be_silent(haulvey: Vehicle) -> None:
    names = set()
    simulation = Simulation(faults.parse("silent_message message=EngSpeed network=CABIN").apply(haulvey))
    simulation.subscribe(lambda record: names.add((record.network, record.message)))
    simulation.advance(0.5)
    assert ("DRIVE", "EngSpeed") in names
    assert ("CABIN", "EngSpeed") not in names


def test_a_gateway_without_configuration_carries_diagnosis_and_no_messages(haulvey: Vehicle) -> None:
    bare = faults.parse("not_configured module=GWY").apply(haulvey)
    names = set()
    simulation = Simulation(bare)
    simulation.subscribe(lambda record: names.add((record.network, record.message)))
    simulation.advance(0.5)
    assert not {name for network, name in names if network == "CABIN"} & {"EngSpeed", "GbxGear"}
    assert roll_call(bare).silent == ()


def test_requests_keep_their_order_through_the_gateway(haulvey: Vehicle) -> None:
    simulation = Simulation(haulvey)
    tester, heard = simulation.connect(), []
    simulation.subscribe(lambda record: heard.append(record) if record.frame_id == 0x7E1 else None)
    for number in range(5):
        # first frame and consecutive frames of one request (ISO 15765-2): the gateway must not let one overtake
        tester.send(can.Message(arbitration_id=0x7E1, data=[0x21 + number, *[number] * 7], is_extended_id=False))
    simulation.advance(0.2)
    assert [record.data[0] for record in heard if record.network == "DRIVE"] == [0x21, 0x22, 0x23, 0x24, 0x25]
    # a request to the gateway itself goes nowhere else
    simulation.subscribe(lambda record: heard.append(record) if record.frame_id == 0x710 else None)
    tester.send(can.Message(arbitration_id=0x710, data=bytes.fromhex("023E00CCCCCCCCCC"), is_extended_id=False))
    simulation.advance(0.1)
    assert {record.network for record in heard if record.frame_id == 0x710} == {"SPUR"}


def test_the_same_seed_gives_the_same_log(haulvey: Vehicle) -> None:
    def log() -> list[FrameRecord]:
        records: list[FrameRecord] = []
        simulation = Simulation(haulvey, seed=5)
        simulation.subscribe(records.append)
        simulation.advance(0.5)
        return records

    assert log() == log()


def with_fd(*networks: str) -> Vehicle:
    """The small vehicle with a gateway that carries diagnosis; these networks run CAN FD."""
    vehicle = gateway_vehicle()
    fast = {
        name: replace(network, data_bit_rate=2_000_000, data_sample_point=0.75) if name in networks else network
        for name, network in vehicle.networks.items()
    }
    gateway = replace(vehicle.modules["GWY"], routes=(Route("DRIVE", "CABIN", (), True),))
    return replace(vehicle, networks=fast, modules={**vehicle.modules, "GWY": gateway})


def test_diagnosis_in_frames_of_can_fd_goes_through_where_both_networks_have_them() -> None:
    # ISO 15765-2: up to 62 byte in one frame of CAN FD, the answer in the format of the question
    simulation = Simulation(with_fd("DRIVE", "CABIN"))
    records: list[FrameRecord] = []
    simulation.subscribe(records.append)
    (answer,) = Questions(simulation, "DRIVE", fd=True).ask("DRL", "22 F1 90 F1 8C F1 97 F1 87")
    assert len(bytes.fromhex(answer)) > 30
    carried = [record for record in records if record.frame_id in (0x7E2, 0x7EA)]
    assert [(record.network, record.frame_id) for record in carried] == [
        ("DRIVE", 0x7E2), ("CABIN", 0x7E2), ("CABIN", 0x7EA), ("DRIVE", 0x7EA),
    ]  # fmt: skip
    assert all(record.fd and record.brs and record.outcome == "ok" for record in carried)


def test_a_frame_too_long_for_the_other_network_stays_where_it_is() -> None:
    # a classic frame has eight byte at most (ISO 11898-1): a network must not suffer from what does not fit into one
    simulation = Simulation(with_fd("DRIVE"))
    records: list[FrameRecord] = []
    simulation.subscribe(records.append)
    questions = Questions(simulation, "DRIVE", fd=True)
    assert questions.ask("DRL", "22 F1 90 F1 8C F1 97 F1 87") == []
    assert not [record for record in records if record.network == "CABIN" and record.frame_id == 0x7E2]
    assert {record.outcome for record in records} == {"ok"}
    # a short one is carried as a classic frame
    assert questions.ask("DRL", "3E 00") == ["7E 00"]


@pytest.mark.slow
def test_what_a_table_of_faults_says_is_what_each_roll_call_says(haulvey: Vehicle) -> None:
    """Shared roll calls behind a gateway, against a roll call of each vehicle by itself; faults by lot, seed 11."""
    chosen = random.Random(11).sample(list(faults.catalogue(haulvey)), 20)
    copies = [haulvey, *(fault.apply(haulvey) for fault in chosen)]
    book = SilenceBook(copies)
    for number, copy in enumerate(copies):
        assert book.silent(number) == frozenset(roll_call(copy).silent), str(copy.deviations)
