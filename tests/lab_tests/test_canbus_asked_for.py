"""What users of python-can have long asked of a virtual bus, each through python-can's own interface.

Sources: python-can, "Virtual interfaces", common limitations (no arbitration, no bit rate, no bus load, no
acknowledge); Bosch CAN Specification 2.0 (1991); Linux, include/uapi/linux/can/error.h. With the ignition off the
modules of Pipkin sleep: what is on the wire then comes from the taps alone, at least until one is woken by it.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

import can
import pytest

import faults
from simulator.reader import find_vehicle

BIT_S = 1 / 500_000
#: A published frame: identifier, data, bits on the wire from SOF to the end of EOF (sigrok test captures).
PUBLISHED, PUBLISHED_BITS = can.Message(arbitration_id=0x222, is_extended_id=False, data=b"\x00\x11\x22\x33\x44"), 87
INTERMISSION_BITS = 3
SHORT = faults.parse("short between=high-low at=DLC")


@pytest.fixture
def buses() -> Iterator[ExitStack]:
    """Buses that are shut down after the test."""
    with ExitStack() as stack:
        yield stack


def opened(buses: ExitStack, **options: object) -> can.BusABC:
    chosen = {"channel": "pipkin/LINE-1", "clock": "stepped", "ignition": "off"} | options
    bus = can.Bus(interface="sixtyohm", ignore_config=True, **chosen)  # type: ignore[arg-type]
    return buses.enter_context(bus)


def message(identifier: int, data: bytes = b"", **options: object) -> can.Message:
    return can.Message(arbitration_id=identifier, is_extended_id=False, data=data, **options)  # type: ignore[arg-type]


def received(bus: can.BusABC, seconds: float = 0.2) -> list[can.Message]:
    """All that arrives within so much simulated time."""
    bus.advance(seconds)  # type: ignore[attr-defined]
    return list(iter(lambda: bus.recv(0), None))


def test_arbitration(buses: ExitStack) -> None:
    """Bosch 10.3.1.2: of frames that wait at several nodes the lowest identifier goes first, without a gap."""
    one, two, listener = (opened(buses, tap=tap) for tap in ("DLC", "GBX", "ENG"))
    for number in range(0x300, 0x320, 4):
        one.send(message(number + 2))
        two.send(message(number))
        two.send(message(number + 3))
        one.send(message(number + 1))
    got = [frame.arbitration_id for frame in received(listener)]
    assert got == list(range(0x300, 0x320))


def test_a_data_frame_wins_over_the_remote_frame(buses: ExitStack) -> None:
    """Bosch 10.3.1.3: of equal identifiers the data frame goes first."""
    one, two, listener = (opened(buses, tap=tap) for tap in ("DLC", "GBX", "ENG"))
    for bus in (one, two):
        bus.send(message(0x100))
    one.send(message(0x123, is_remote_frame=True, dlc=2))
    two.send(message(0x123, b"\x01\x02"))
    kinds = [frame.is_remote_frame for frame in received(listener) if frame.arbitration_id == 0x123]
    assert kinds == [False, True]


def test_bit_rate(buses: ExitStack) -> None:
    """87 bits and 3 of intermission at 500 kbit/s: one of the published frame every 180 us, and no faster."""
    sender, listener = opened(buses), opened(buses, tap="ENG")
    for _ in range(100):
        sender.send(PUBLISHED)
    stamps = [frame.timestamp for frame in received(listener)]
    assert len(stamps) == 100
    gaps = [later - earlier for earlier, later in pairwise(stamps)]
    assert gaps == pytest.approx([(PUBLISHED_BITS + INTERMISSION_BITS) * BIT_S] * 99, abs=1e-9)


def test_bus_load(buses: ExitStack) -> None:
    """A bus that is full delays what is less urgent: it comes when the others are through."""
    busy, late, listener = (opened(buses, tap=tap) for tap in ("DLC", "GBX", "ENG"))
    for _ in range(500):
        busy.send(PUBLISHED)
    late.send(message(0x700))
    with pytest.raises(can.CanOperationError, match=r"0x701 was not acknowledged on LINE-1 within 0\.05 s"):
        late.send(message(0x701), timeout=0.05)
    got = received(listener)
    assert [frame.arbitration_id for frame in got] == [0x222] * 500 + [0x700]
    assert got[-1].timestamp == pytest.approx(500 * 180e-6 + 0.0001, abs=0.0001)


def test_a_full_transmit_queue(buses: ExitStack) -> None:
    """As with an adapter: python-can's CanOperationError, until something has been sent."""
    bus = opened(buses)
    opened(buses, tap="ENG")
    for _ in range(1000):
        bus.send(PUBLISHED)
    with pytest.raises(can.CanOperationError, match="the transmit queue on LINE-1 is full: 1000 messages wait"):
        bus.send(PUBLISHED)
    bus.recv(0.1)
    bus.send(PUBLISHED)
    bus.flush_tx_buffer()
    bus.send(PUBLISHED, timeout=0.001)


def test_acknowledge(buses: ExitStack) -> None:
    """Bosch 10.3.1.6: without anybody else there is no acknowledge; a second tap gives it."""
    bus = opened(buses)
    with pytest.raises(can.CanOperationError, match=r"0x222 was not acknowledged on LINE-1 within 0\.01 s"):
        bus.send(PUBLISHED, timeout=0.01)
    other = opened(buses, tap="ENG")
    bus.send(PUBLISHED, timeout=0.01)
    assert [frame.arbitration_id for frame in received(other)] == [0x222]


def test_states_and_bus_off(buses: ExitStack) -> None:
    """Bosch 12.2: alone, TEC stops at 128 and the state is passive; with a shorted pair it is bus-off, and recovers."""
    bus = opened(buses, receive_own_messages=True)
    assert bus.state is can.BusState.ACTIVE
    bus.send(PUBLISHED)
    bus.advance(0.01)  # type: ignore[attr-defined]
    assert bus.state is can.BusState.PASSIVE
    bus.flush_tx_buffer()
    with bus.hold() as simulation:  # type: ignore[attr-defined]
        simulation.inject(SHORT)
    with pytest.raises(can.CanOperationError, match="bus-off"):
        bus.send(PUBLISHED, timeout=1.0)
    assert bus.state is can.BusState.ERROR
    with pytest.raises(can.CanOperationError, match="bus-off"):
        bus.send(PUBLISHED)
    with bus.hold() as simulation:  # type: ignore[attr-defined]
        simulation.clear(SHORT)
    bus.advance(0.01)  # type: ignore[attr-defined]
    assert bus.state is can.BusState.ACTIVE


def test_error_frames(buses: ExitStack) -> None:
    """error.h: by default those about the controller's state, as from a driver without bus error reports."""
    states, everything, nothing = (opened(buses, error_frames=which) for which in ("states", True, "none"))
    for bus in (states, everything, nothing):
        bus.send(PUBLISHED)
    with states.hold() as simulation:  # type: ignore[attr-defined]
        simulation.inject(SHORT)
    got = [received(bus) for bus in (states, everything)]
    classes = [{frame.arbitration_id for frame in frames if frame.is_error_frame} for frames in got]
    assert {0x204, 0x240} <= classes[0] <= {0x204, 0x240, 0x300}
    assert classes[0] < classes[1]
    assert any(kind & 0x088 for kind in classes[1])
    assert not [frame for frame in received(nothing) if frame.is_error_frame]


def test_a_healthy_network_gives_no_error_frames(buses: ExitStack) -> None:
    bus = opened(buses, ignition="on")
    bus.send(PUBLISHED, timeout=0.1)
    assert not any(frame.is_error_frame for frame in (bus.recv(1.0) for _ in range(500)))


def test_confirmation_of_sending(buses: ExitStack) -> None:
    """python-can: receive_own_messages; the copy is marked as sent, comes in its place, and only once acknowledged."""
    bus = opened(buses, receive_own_messages=True)
    bus.send(PUBLISHED)
    assert all(frame.is_error_frame for frame in received(bus, 0.01))
    other = opened(buses, tap="ENG")
    own, theirs = next(frame for frame in received(bus) if not frame.is_error_frame), received(other)[0]
    assert (own.is_rx, theirs.is_rx) == (False, True)
    assert own.timestamp == theirs.timestamp
    assert own.equals(theirs, check_direction=False, check_channel=False)


def test_what_a_failing_periodic_task_does(buses: ExitStack) -> None:
    """Own rule, as with a send list in an adapter: it leaves turns out while bus-off and goes on after the recovery.

    Bosch 12.2, rule 12: 1408 recessive bits, so that of turns 1 ms apart the next that counts is the third or fourth.
    """
    bus, other = opened(buses), opened(buses, tap="ENG")
    task = bus.send_periodic(message(0x123, b"\x01"), 0.001)
    assert len(received(other, 0.0105)) == 11
    with bus.hold() as simulation:  # type: ignore[attr-defined]
        simulation.inject(SHORT)
    turned_off = [frame for frame in received(bus, 0.1) if frame.arbitration_id == 0x240]
    assert 100 / 4 - 1 <= len(turned_off) <= 100 / 3 + 1
    with bus.hold() as simulation:  # type: ignore[attr-defined]
        simulation.clear(SHORT)
    received(other, 0.01)
    assert len(received(other, 0.1)) == 100
    task.stop()
    received(other, 0.001)
    assert received(other, 0.1) == []


def test_a_periodic_message_that_waits_is_replaced(buses: ExitStack) -> None:
    """Own rule: nobody acknowledges for a while; what comes then is the last message, once.

    BDY has no wake pin: it would wake from the traffic and acknowledge.
    """
    bus = opened(buses, fault="dead_module module=BDY")
    bus.send_periodic([message(0x123, bytes([number])) for number in range(20)], 0.01)
    received(bus, 0.095)
    other = opened(buses, tap="ENG")
    assert [bytes(frame.data) for frame in received(other, 0.004)] == [b"\x09"]
    assert [bytes(frame.data) for frame in received(other, 0.01)] == [b"\x0a"]


def test_modify_stop_and_start_a_periodic_task(buses: ExitStack) -> None:
    """python-can: ModifiableCyclicTaskABC, RestartableCyclicTaskABC, duration, modifier_callback."""
    bus, other = opened(buses), opened(buses, tap="ENG")
    task = bus.send_periodic(message(0x123, b"\x01"), 0.01, duration=0.05)
    assert len(received(other)) == 5
    task.start()
    received(other, 0.025)
    task.modify_data(message(0x123, b"\x02"))
    assert [bytes(frame.data) for frame in received(other)] == [b"\x02", b"\x02"]
    with pytest.raises(ValueError, match="arbitration ID"):
        task.modify_data(message(0x124, b"\x02"))
    with pytest.raises(ValueError, match="number of new cyclic messages"):
        task.modify_data([message(0x123), message(0x123)])
    with pytest.raises(can.CanOperationError, match="no CAN FD network"):
        task.modify_data(message(0x123, is_fd=True))

    def count(sent: can.Message) -> None:
        sent.data[0] += 1

    bus.send_periodic(message(0x130, b"\x00"), 0.01, duration=0.03, modifier_callback=count)
    assert [bytes(frame.data) for frame in received(other)] == [b"\x01", b"\x02", b"\x03"]
    waiting = bus.send_periodic(message(0x131), 0.01, autostart=False)
    assert received(other) == []
    waiting.start()
    waiting.start()
    assert len(received(other, 0.015)) == 2
    bus.stop_all_periodic_tasks()
    assert received(other) == []
    with pytest.raises(ValueError, match=r"a period of 0 s"):
        bus.send_periodic(message(0x131), 0)


@pytest.fixture
def fast(tmp_path: Path) -> Path:
    """Pipkin with CAN FD."""
    shutil.copytree(find_vehicle("pipkin").parent, tmp_path / "fast")
    file = tmp_path / "fast" / "vehicle.yaml"
    text = file.read_text(encoding="utf-8")
    rates = "    data_bit_rate: 2000000\n    data_sample_point: 0.8\n"
    file.write_text(text.replace("    bit_rate: 500000\n", "    bit_rate: 500000\n" + rates), encoding="utf-8")
    return file


def test_can_fd(buses: ExitStack, fast: Path) -> None:
    """ISO 11898-1: BRS as sent; 160 bits of data take 320 us at 500 kbit/s and 80 us at 2 Mbit/s."""
    bus, other = opened(buses, channel=fast, fd=True, data_bitrate=2_000_000), opened(buses, channel=fast, tap="ENG")
    classic = opened(buses, channel=fast, tap="ENG", fd=False)
    assert [one.protocol for one in (bus, classic)] == [can.CanProtocol.CAN_FD, can.CanProtocol.CAN_20]
    for brs in (False, True):
        bus.send(message(0x123, bytes(20), is_fd=True, bitrate_switch=brs), timeout=0.1)
    bus.send(message(0x124))
    slow, quick, last = received(other)
    assert (slow.is_fd, slow.bitrate_switch, slow.error_state_indicator, slow.dlc) == (True, False, False, 20)
    assert (quick.is_fd, quick.bitrate_switch, quick.error_state_indicator, quick.dlc) == (True, True, False, 20)
    assert quick.timestamp - slow.timestamp < 0.32e-3 < slow.timestamp
    assert not last.is_fd
    assert [frame.arbitration_id for frame in received(classic)] == [0x124]
    with pytest.raises(can.CanOperationError, match="the tester has CAN FD off: send a classic message"):
        classic.send(message(0x123, bytes(20), is_fd=True))


def test_the_error_state_indicator(buses: ExitStack, fast: Path) -> None:
    """ISO 11898-1: an error passive node sends ESI recessive. Alone for a while, its TEC is 128."""
    bus = opened(buses, channel=fast)
    bus.send(message(0x123, is_fd=True))
    received(bus, 0.01)
    assert bus.state is can.BusState.PASSIVE
    other = opened(buses, channel=fast, tap="ENG")
    for _ in range(2):
        bus.send(message(0x124, is_fd=True), timeout=0.1)
    got = [frame for frame in received(other) if not frame.is_error_frame]
    assert [frame.error_state_indicator for frame in got] == [True, False, False]


def test_extended_and_remote(buses: ExitStack) -> None:
    bus, other = opened(buses), opened(buses, tap="ENG")
    for sent in (
        can.Message(arbitration_id=0x18DAF110, data=b"\x01\x02"),
        can.Message(arbitration_id=0x18DAF110, is_remote_frame=True, dlc=8),
        message(0x7FF, b""),
    ):
        bus.send(sent, timeout=0.1)
        got = other.recv(0.1)
        assert got is not None
        assert got.equals(sent, timestamp_delta=None, check_channel=False)


def test_filters(buses: ExitStack) -> None:
    """python-can: {can_id 0x100, can_mask 0x700} passes 0x123 and not 0x223."""
    bus = opened(buses)
    other = opened(buses, tap="ENG", can_filters=[{"can_id": 0x100, "can_mask": 0x700, "extended": False}])
    for identifier in (0x123, 0x223, 0x1FF):
        bus.send(message(identifier))
    assert [frame.arbitration_id for frame in received(other)] == [0x123, 0x1FF]
