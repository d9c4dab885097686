"""Error frames of a tester: SocketCAN's layout, and what follows on the wire.

Sources: Linux, include/uapi/linux/can/error.h (classes, bytes, places), drivers/net/can/dev/dev.c (which counter a
change of state names; from memory); Bosch CAN Specification 2.0 (1991), 12.2 (counters).
"""

from __future__ import annotations

import can
import pytest
from small_vehicle import three_modules

import faults
from simulator.datalink.trouble import Trouble
from simulator.errorframes import ErrorFrames, StateFrames, trouble_message
from simulator.interface import SimulatedBus
from simulator.simulation import Simulation

SMALL = three_modules()
COUNTERS = 0x200
#: Nobody acknowledges; the terminators are there.
ALONE = [faults.parse(f"stuck_recessive module={name}") for name in SMALL.modules]


def tap(simulation: Simulation, error_frames: ErrorFrames, **options: object) -> SimulatedBus:
    network = simulation.drawn.network()
    return SimulatedBus(simulation, network, "DLC", error_frames=error_frames, **options)  # type: ignore[arg-type]


def message(identifier: int = 0x123) -> can.Message:
    return can.Message(arbitration_id=identifier, is_extended_id=False, data=b"\x01")


def shown(frame: can.Message) -> tuple[int, str]:
    assert frame.is_error_frame
    assert not frame.is_extended_id
    assert frame.dlc == 8
    return frame.arbitration_id, bytes(frame.data).hex(" ")


def trouble(kind: str, place: str, *, left: int = 1, transmitting: bool = False) -> Trouble:
    return Trouble(0, "tester", kind, place, transmitting, left, 0, 0)


def test_bus_off() -> None:
    """error.h: CAN_ERR_BUSOFF with CAN_ERR_CNT; a counter above 255 is shown as 255. Then CAN_ERR_RESTARTED."""
    states = StateFrames()
    assert [shown(frame) for frame in states.changes((256, 0))] == [(0x240, "00 00 00 00 00 00 ff 00")]
    assert list(states.changes((256, 0))) == []
    assert [shown(frame) for frame in states.changes((0, 0))] == [(0x300, "00 00 00 00 00 00 00 00")]


@pytest.mark.parametrize(
    ("counters", "identifier", "data"),
    [
        ((128, 0), 0x204, "00 20 00 00 00 00 80 00"),  # CAN_ERR_CRTL_TX_PASSIVE
        ((96, 0), 0x204, "00 08 00 00 00 00 60 00"),  # TX_WARNING
        ((0, 96), 0x204, "00 04 00 00 00 00 00 60"),  # RX_WARNING
        ((0, 135), 0x204, "00 10 00 00 00 00 00 87"),  # RX_PASSIVE
        ((96, 127), 0x204, "00 0c 00 00 00 00 60 7f"),  # both warn
    ],
)
def test_states(counters: tuple[int, int], identifier: int, data: str) -> None:
    """error.h: class CAN_ERR_CRTL, data[1] the state, data[6] and data[7] the counters; and active again."""
    states = StateFrames()
    assert [shown(frame) for frame in states.changes(counters)] == [(identifier, data)]
    assert [shown(frame) for frame in states.changes((0, 0))] == [(0x204, "00 40 00 00 00 00 00 00")]


@pytest.mark.parametrize(
    ("noticed", "identifier", "data"),
    [
        (trouble("stuff", "data"), 0x088, "00 00 04 0a 00 00"),
        (trouble("ack", "ACK slot", transmitting=True), 0x0A8, "00 00 80 19 00 00"),
        (trouble("bit 0", "ID", left=11, transmitting=True), 0x088, "00 00 88 02 00 00"),
        (trouble("bit 0", "ID", left=4, transmitting=True), 0x088, "00 00 88 02 00 00"),
        (trouble("bit 1", "ID", left=3, transmitting=True), 0x088, "00 00 90 06 00 00"),
        (trouble("stuff", "ID extension", left=18), 0x088, "00 00 04 07 00 00"),
        (trouble("stuff", "ID extension", left=13), 0x088, "00 00 04 0f 00 00"),
        (trouble("stuff", "ID extension", left=5), 0x088, "00 00 04 0e 00 00"),
        (trouble("crc", "ACK delimiter"), 0x088, "00 00 00 08 00 00"),
        (trouble("form", "EOF", left=3), 0x088, "00 00 02 1a 00 00"),
        (trouble("overload", "intermission"), 0x088, "00 00 20 12 00 00"),
        (trouble("lost arbitration", "ID", left=1, transmitting=True), 0x002, "0a 00 00 00 00 00"),
        (trouble("lost arbitration", "RTR", transmitting=True), 0x002, "0b 00 00 00 00 00"),
        (trouble("lost arbitration", "ID extension", left=18, transmitting=True), 0x002, "0d 00 00 00 00 00"),
    ],
)
def test_layout(noticed: Trouble, identifier: int, data: str) -> None:
    """error.h: class bits, kind in data[2] with 0x80 on transmission, place in data[3]; the counters come on top."""
    found_id, found = shown(trouble_message(noticed, (0, 0)))
    assert (found_id & ~COUNTERS, found[:17]) == (identifier, data)


def test_a_lone_tester_turns_passive_and_stays() -> None:
    """Bosch 12.2, exception 1 of rule 3: without an acknowledge TEC stops at 128; warnings from 96 on."""
    simulation = Simulation(SMALL, faults=ALONE)
    bus = tap(simulation, ErrorFrames.ALL)
    bus.send(message())
    simulation.advance(0.05)
    got = list(iter(lambda: bus.recv(0), None))
    errors = [frame for frame in got if frame.arbitration_id & 0x080]
    assert {shown(frame)[0] for frame in errors} == {0x2A8}
    assert {bytes(frame.data)[2:4] for frame in errors} == {b"\x80\x19"}
    assert [frame.data[6] for frame in errors[:20]] == [*range(8, 129, 8), 128, 128, 128, 128]
    states = [shown(frame) for frame in got if frame.arbitration_id & 0x004]
    assert states == [(0x204, "00 08 00 00 00 00 60 00"), (0x204, "00 20 00 00 00 00 80 00")]
    assert [frame.timestamp for frame in got] == sorted(frame.timestamp for frame in got)
    assert bus.state is can.BusState.PASSIVE


def test_the_road_to_bus_off_and_back() -> None:
    """Bosch 12.2: 32 bit errors make 256; 128 times 11 recessive bits later it is back with both counters at 0."""
    fault = faults.parse("short between=high-low at=DLC")
    simulation = Simulation(SMALL, faults=[*ALONE, fault])
    bus = tap(simulation, ErrorFrames.STATES)
    with pytest.raises(can.CanOperationError, match=r"was not acknowledged .*: the tester's controller is bus-off"):
        bus.send(message(), timeout=0.1)
    assert bus.state is can.BusState.ERROR
    off_ns = simulation.t_ns
    for timeout in (None, 0, 0.1):
        with pytest.raises(can.CanOperationError, match="the tester on LINE-1 is bus-off"):
            bus.send(message(), timeout=timeout)
    simulation.clear(fault)
    simulation.advance(0.01)
    got = [shown(frame) for frame in iter(lambda: bus.recv(0), None)]
    assert [identifier for identifier, _ in got] == [0x204, 0x204, 0x240, 0x300]
    assert [data[3:5] for _, data in got] == ["08", "20", "00", "00"]
    assert got[-1][1] == "00 00 00 00 00 00 00 00"
    assert bus.state is can.BusState.ACTIVE
    assert simulation.t_ns - off_ns >= 128 * 11 * 2000
    bus.send(message())


def test_who_asks_for_none_gets_none() -> None:
    """Own rule: ``simulation.connect`` gives frames alone."""
    simulation = Simulation(SMALL, faults=ALONE)
    bus = simulation.connect("DLC")
    bus.send(message())
    assert bus.recv(0.05) is None


def test_lost_arbitration_is_told_with_its_bit() -> None:
    """error.h: CAN_ERR_LOSTARB, data[0] the bit. 0x0A1 loses to ENG's 0x0A0 in the last bit of the identifier."""
    simulation = Simulation(SMALL)
    bus = tap(simulation, ErrorFrames.ALL)
    for _ in range(200):
        bus.send(message(0x0A1))
    simulation.advance(0.1)
    lost = [shown(frame) for frame in iter(lambda: bus.recv(0), None) if frame.is_error_frame]
    assert lost
    assert {(identifier, data[:2]) for identifier, data in lost} == {(0x202, "0a")}


def test_filters_work_on_error_frames_too() -> None:
    """python-can's filters look at the identifier, which is the class here."""
    simulation = Simulation(SMALL, faults=ALONE)
    bus = tap(simulation, ErrorFrames.ALL, can_filters=[{"can_id": 0x004, "can_mask": 0x004}])
    bus.send(message())
    simulation.advance(0.05)
    assert {shown(frame)[0] for frame in iter(lambda: bus.recv(0), None)} == {0x204}


def test_room_for_messages() -> None:
    """Own rule: what finds no room is lost, the oldest stay."""
    simulation = Simulation(SMALL)
    bus = tap(simulation, ErrorFrames.NONE, room=5)
    all_of_them = tap(simulation, ErrorFrames.NONE)
    simulation.advance(1.0)
    kept = list(iter(lambda: bus.recv(0), None))
    assert [frame.timestamp for frame in kept] == [all_of_them.recv(0).timestamp for _ in range(5)]


def test_lost_arbitration_is_told_by_whole_frames_too() -> None:
    """Own rule: it makes no difference to a tester that wants all whether a network could run by whole frames."""
    told = []
    for whole in (True, False):
        simulation = Simulation(SMALL, whole_frames=whole)
        bus = tap(simulation, ErrorFrames.ALL)
        for _ in range(40):
            simulation.advance(0.0101)
            for number in range(8):
                bus.send(message(0x7F0 + number))
            simulation.advance(0.004)
        got = [bus.recv(0) for _ in range(3000)]
        told.append([(one.timestamp, one.is_error_frame, one.arbitration_id) for one in got if one is not None])
    assert told[0] == told[1]
    assert any(is_error and identifier & 0x002 for _, is_error, identifier in told[0])
