"""The tester's bus: python-can on simulated time."""

from __future__ import annotations

from dataclasses import replace

import can
import pytest
from small_vehicle import gateway_vehicle, three_modules

import faults
from simulator.condition import DEAD, Condition
from simulator.errors import BadRequest, UnknownName
from simulator.interface import LONGEST_WAIT_S, SimulatedBus
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation

PIPKIN = load_vehicle(find_vehicle("pipkin"))
SMALL = three_modules()


def ask(identifier: int = 0x7E0) -> can.Message:
    return can.Message(arbitration_id=identifier, is_extended_id=False, data=b"\x02\x3e\x00\xcc\xcc\xcc\xcc\xcc")


def test_request_and_answer() -> None:
    """ISO 14229-1, TesterPresent; ISO 14229-2: an answer within 50 ms."""
    simulation = Simulation(PIPKIN)
    with simulation.connect("DLC", "LINE-1") as bus:
        bus.set_filters([{"can_id": 0x7E9, "can_mask": 0x7FF, "extended": False}])
        bus.send(ask(0x7E1), timeout=0.1)
        sent_s = simulation.t_ns / 1e9
        answer = bus.recv(1.0)
    assert answer is not None
    assert (answer.arbitration_id, bytes(answer.data)) == (0x7E9, b"\x02\x7e\x00\xcc\xcc\xcc\xcc\xcc")
    assert sent_s < answer.timestamp < sent_s + 0.05


def test_messages_arrive_in_order_with_simulated_timestamps() -> None:
    """python-can: timestamps in second; ours are the end of each frame."""
    simulation = Simulation(PIPKIN)
    records = []
    simulation.subscribe(records.append)
    bus = simulation.connect()
    got = [bus.recv(1.0) for _ in range(50)]
    heard = [record for record in records if "tester" in record.received_by]
    assert [message.timestamp for message in got] == [record.t_end_ns / 1e9 for record in heard[:50]]
    assert [bytes(message.data) for message in got] == [record.data for record in heard[:50]]
    assert simulation.t_ns == records[-1].t_end_ns


def test_the_tester_acknowledges() -> None:
    """Contract: the tester listens, acknowledges and loads nothing; so a lone module's frames are acknowledged."""
    simulation = Simulation(SMALL, condition=Condition(unplugged=frozenset({"GBX", "CLU"})))
    bus = simulation.connect("DLC")
    records = []
    simulation.subscribe(records.append)
    assert bus.recv(1.0) is not None
    simulation.advance(0.1)
    assert {record.acknowledged_by for record in records} == {("tester",)}
    bus.shutdown()
    records.clear()
    simulation.advance(0.1)
    assert {record.outcome for record in records} == {"not acknowledged"}


def test_time_passes_only_as_far_as_needed() -> None:
    """Own rule: recv ends at the message or at the timeout of simulated time."""
    simulation = Simulation(SMALL, condition=DEAD)
    bus = simulation.connect("DLC")
    assert bus.recv(0.25) is None
    assert simulation.t_ns == 250_000_000
    assert bus.recv(0) is None
    assert simulation.t_ns == 250_000_000
    assert bus.recv() is None
    assert simulation.t_ns == 250_000_000 + round(LONGEST_WAIT_S * 1e9)


def test_filters_of_python_can() -> None:
    """python-can: a message passes if it matches one filter; waiting goes on past what does not match."""
    simulation = Simulation(PIPKIN)
    bus = simulation.connect()
    bus.set_filters([{"can_id": 0x370, "can_mask": 0x7FF, "extended": False}])
    message = bus.recv(1.0)
    assert message is not None
    assert message.arbitration_id == 0x370
    bus.set_filters([{"can_id": 0x123, "can_mask": 0x7FF, "extended": False}])
    start_ns = simulation.t_ns
    assert bus.recv(0.2) is None
    assert simulation.t_ns == start_ns + 200_000_000
    bus.set_filters(None)
    assert bus.recv(0.2) is not None


def test_own_messages() -> None:
    """python-can: receive_own_messages is off unless asked for; own messages are marked as sent."""
    simulation = Simulation(SMALL)
    quiet, own = simulation.connect("DLC"), simulation.connect("DLC", receive_own_messages=True)
    for bus in (quiet, own):
        bus.set_filters([{"can_id": 0x555, "can_mask": 0x7FF, "extended": False}])
        bus.send(ask(0x555), timeout=0.1)
    first, second = own.recv(0.01), own.recv(0.01)
    assert (first.is_rx, second.is_rx) == (True, False)
    other = quiet.recv(0.01)
    assert other.is_rx
    assert quiet.recv(0.01) is None
    assert quiet.name != own.name


def test_short_between_the_lines_nothing_arrives_nothing_is_acknowledged() -> None:
    """Contract: after the lines touch, nothing arrives and send never gets acknowledged."""
    simulation = Simulation(PIPKIN)
    bus = simulation.connect("DLC")
    assert bus.recv(0.1) is not None
    simulation.inject(faults.parse("short between=high-low at=DLC"))
    while bus.recv(0) is not None:
        pass
    assert bus.recv(0.05) is None
    with pytest.raises(can.CanOperationError, match=r"0x7E0 was not acknowledged on LINE-1 within 0\.05 s"):
        bus.send(ask(), timeout=0.05)
    assert bus.state in (can.BusState.PASSIVE, can.BusState.ERROR)


def test_a_failed_send_is_not_repeated_later() -> None:
    """Own rule: what send gave up on does not come as a surprise after the repair."""
    fault = faults.parse("short between=high-low at=DLC")
    simulation = Simulation(SMALL, faults=[fault])
    bus = simulation.connect("DLC")
    with pytest.raises(can.CanOperationError):
        bus.send(ask(), timeout=0.01)
    records = []
    simulation.subscribe(records.append)
    simulation.clear(fault)
    simulation.advance(0.2)
    assert "tester" not in {record.transmitter for record in records}


def test_queued_messages_keep_their_order() -> None:
    """Own rule: a tester's frames of one identifier wait in line; send without a timeout only queues."""
    simulation = Simulation(SMALL)
    bus = simulation.connect("DLC")
    records = []
    simulation.subscribe(records.append)
    for number in range(5):
        bus.send(can.Message(arbitration_id=0x555, is_extended_id=False, data=[number]))
    assert simulation.t_ns == 0
    simulation.advance(0.1)
    assert [record.data for record in records if record.transmitter == "tester"] == [bytes([n]) for n in range(5)]


def test_extended_and_remote_messages() -> None:
    """Bosch CAN 2.0, 10.3.1.2 and 10.3.2: 29 bits; a remote frame asks for a length and carries nothing."""
    simulation = Simulation(SMALL)
    sender, receiver = simulation.connect("DLC"), simulation.connect("ENG")
    receiver.set_filters([{"can_id": 0x18DAF110, "can_mask": 0x1FFFFFFF, "extended": True}])
    sender.send(can.Message(arbitration_id=0x18DAF110, data=b"\x01"), timeout=0.1)
    sender.send(can.Message(arbitration_id=0x18DAF110, is_remote_frame=True, dlc=4), timeout=0.1)
    plain, remote = receiver.recv(0.1), receiver.recv(0.1)
    assert (plain.is_extended_id, plain.is_remote_frame, bytes(plain.data)) == (True, False, b"\x01")
    assert (remote.is_remote_frame, remote.dlc, bytes(remote.data)) == (True, 4, b"")


def test_taps_at_several_places() -> None:
    """ISO 11898-2 levels at each place: behind the break the tester hears only its own half."""
    simulation = Simulation(SMALL, faults=[faults.parse("open line=both run=S1-DLC")])
    front, back = simulation.connect("ENG"), simulation.connect("DLC")
    simulation.advance(0.3)
    assert {message.arbitration_id for message in iter(lambda: front.recv(0), None)} == {0x0A0, 0x0C0}
    assert {message.arbitration_id for message in iter(lambda: back.recv(0), None)} == {0x260}


def test_periodic_messages_on_simulated_time() -> None:
    """python-can: send_periodic; no thread, every period of simulated time."""
    simulation = Simulation(SMALL)
    bus, listener = simulation.connect("DLC"), simulation.connect("ENG")
    listener.set_filters([{"can_id": 0x555, "can_mask": 0x7FF, "extended": False}])
    task = bus.send_periodic(ask(0x555), 0.01, duration=0.1)
    assert len([listener.recv(0.015) for _ in range(10)]) == 10
    assert listener.recv(0.05) is None
    task = bus.send_periodic(ask(0x555), 0.01)
    simulation.advance(0.025)
    task.stop()
    simulation.advance(0.1)
    times = [message.timestamp for message in iter(lambda: listener.recv(0), None)]
    assert len(times) == 3
    assert times[2] - times[0] == pytest.approx(0.02, abs=0.001)


@pytest.mark.parametrize(
    ("message", "text"),
    [
        (can.Message(is_error_frame=True), "cannot send error frames"),
        (can.Message(is_fd=True, data=bytes(12)), "LINE-1 is no CAN FD network"),
        (can.Message(arbitration_id=0x800, is_extended_id=False), "does not fit into 11 bits"),
    ],
)
def test_messages_that_cannot_be_sent(message: can.Message, text: str) -> None:
    """Own rule: python-can's own error type, and why."""
    bus = Simulation(SMALL).connect("DLC")
    with pytest.raises(can.CanOperationError, match=text):
        bus.send(message)


def test_can_fd_on_a_network_with_a_data_bit_rate() -> None:
    """ISO 11898-1 lengths; modules switch the rate, payloads between two lengths are filled with 0xCC."""
    network = SMALL.network()
    wide = tuple(replace(message, is_fd=True, length=10) for message in network.messages)
    fast = replace(network, data_bit_rate=2_000_000, data_sample_point=0.8, messages=wide)
    simulation = Simulation(replace(SMALL, networks={"LINE-1": fast}))
    bus, other = simulation.connect("DLC"), simulation.connect("ENG")
    message = bus.recv(0.1)
    assert (message.is_fd, message.bitrate_switch, message.dlc) == (True, True, 12)
    assert bytes(message.data) == bytes(10) + b"\xcc\xcc"
    other.set_filters([{"can_id": 0x555, "can_mask": 0x7FF, "extended": False}])
    sent = can.Message(arbitration_id=0x555, is_extended_id=False, is_fd=True, bitrate_switch=False, data=bytes(20))
    bus.send(sent, timeout=0.1)
    got = other.recv(0.1)
    assert (got.is_fd, got.bitrate_switch, len(got.data)) == (True, False, 20)
    bus.send(ask(0x7E1), timeout=0.1)
    bus.set_filters([{"can_id": 0x7E9, "can_mask": 0x7FF, "extended": False}])
    assert bus.recv(0.1) is not None


def test_where_there_is_nothing_to_tap() -> None:
    """Own rule: a clear error."""
    simulation = Simulation(SMALL)
    with pytest.raises(UnknownName, match="no place called 'DLD'; did you mean 'DLC'"):
        simulation.connect("DLD")
    gateway = Simulation(gateway_vehicle())
    with pytest.raises(BadRequest, match="there is no socket to connect to"):
        gateway.connect(network="CABIN")
    assert gateway.connect().network == "DRIVE"
    assert gateway.connect("DRL").network == "CABIN"


def test_a_bus_knows_its_state_and_cannot_set_its_error_state() -> None:
    """python-can: BusABC.state."""
    bus = Simulation(SMALL).connect("DLC")
    assert isinstance(bus, SimulatedBus)
    assert bus.state is can.BusState.ACTIVE
    with pytest.raises(can.CanOperationError, match="follows from what happens on the wire"):
        bus.state = can.BusState.ERROR
    bus.shutdown()
    bus.shutdown()
    with pytest.raises(can.CanOperationError, match="has been shut down"):
        bus.send(ask())
