"""A tester that only listens, and one that comes back from bus-off by request only: what the others see of them.

Sources: ISO 11898-1:2015, bus monitoring (only recessive bits leave the node; dominant ones it has to send are led
back inside it) and 12.1.4 (recovery on request); Bosch CAN Specification 2.0 (1991), part B, 10.2.4 and 12.2.
"""

from __future__ import annotations

import io
import json
import random
from typing import Any

import can
import pytest
from datalink_traffic import Driven, submissions

import faults
from simulator.condition import Condition
from simulator.datalink.bitwise import Bitwise
from simulator.datalink.controller import Attempt, Levels, Outcome, Outgoing, Wiring
from simulator.interface import SimulatedBus
from simulator.logs import EventLog
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import FrameRecord
from simulator.simulation import Simulation

PIPKIN = load_vehicle(find_vehicle("pipkin"))
HAULVEY = load_vehicle(find_vehicle("haulvey"))
BIT_NS = 2000
SHORT = faults.parse("short between=high-low at=DLC")
FRAME = can.Message(arbitration_id=0x222, is_extended_id=False, data=b"\x00\x11\x22\x33\x44")


def medium(wiring: Wiring) -> tuple[Bitwise, list[Attempt]]:
    attempts: list[Attempt] = []
    made = Bitwise(500_000, attempted=attempts.append)
    made.rewire(0, wiring)
    run(made, 100 * BIT_NS)
    return made, attempts


def run(one: Bitwise, until_ns: int) -> None:
    while one.deadline_ns <= until_ns:
        one.advance(one.deadline_ns)


def heard(*nodes: str, listening: str) -> Wiring:
    everybody = dict.fromkeys(nodes, nodes)
    return Wiring(everybody | {listening: (listening,)}, listening=frozenset({listening}))


def test_a_listener_acknowledges_nothing_but_receives_what_others_acknowledge() -> None:
    """ISO 11898-1:2015, bus monitoring; Bosch 10.2.4: valid for a receiver up to the last but one bit of EOF."""
    alone, attempts = medium(heard("A", "L", listening="L"))
    alone.submit(200_000, "A", Outgoing(0x123, b"\x11"))
    run(alone, 1_000_000)
    assert {(one.outcome, one.acknowledged_by, one.received_by) for one in attempts} == {
        (Outcome.NOT_ACKNOWLEDGED, (), ())
    }
    assert len(attempts) > 3
    both, attempts = medium(heard("A", "B", "L", listening="L"))
    both.submit(200_000, "A", Outgoing(0x123, b"\x11"))
    run(both, 1_000_000)
    (through,) = attempts
    assert (through.outcome, through.acknowledged_by, through.received_by) == (Outcome.OK, ("B",), ("B", "L"))


def test_a_listener_reads_its_own_flag_and_nobody_else_does() -> None:
    """ISO 11898-1:2015, bus monitoring: a flag that starts at one bit of its own is not an error in sending it."""
    one, attempts = medium(heard("A", "B", "L", listening="L"))
    one.submit(200_000, "A", Outgoing(0x123, b"\x11\x22\x33\x44"))
    one.disturb(200_000 + 30 * BIT_NS, "L")
    run(one, 1_000_000)
    (through,) = attempts
    assert (through.outcome, through.received_by) == (Outcome.OK, ("B",))
    assert one.counters("A") == one.counters("B") == (0, 0)
    kinds = {kind for node, kind, _ in one.troubles() if node == "L"}
    assert kinds
    assert "bit 0" not in kinds, "its flag was read back dominant"
    assert one.counters("L")[0] == 0
    assert one.counters("L")[1] > 0
    assert {node for node, _, _ in one.troubles()} == {"L"}


def test_what_a_listener_reads_of_levels() -> None:
    """Own rule: its own dominant bits are there at once for itself, and change nothing for anybody else."""
    asked: list[frozenset[str]] = []

    def levels(driving: frozenset[str]) -> Levels:
        asked.append(driving)
        return Levels(("B",) if driving else (), ("L",), {"L": 3, "B": 1}, {"B": 2})

    wiring = Wiring(dict.fromkeys("ABL", ("A", "B", "L")), levels=levels, listening=frozenset("L"))
    assert wiring.read(frozenset("AL")) == Levels(("B", "L"), (), {"B": 1}, {"B": 2})
    assert wiring.read(frozenset("L")) == Levels(("L",), (), {"B": 1}, {"B": 2})
    assert wiring.read(frozenset("A")).neither == ("L",)
    assert asked == [frozenset("A"), frozenset(), frozenset("A")]


def test_by_request_of_one_node_only() -> None:
    """ISO 11898-1:2015, 12.1.4: without a request it stays off, while the other controller comes back by itself."""
    wiring = Wiring(dict.fromkeys("ABC", ("A", "B", "C")), by_request=frozenset("A"), levels=lambda driving: Levels(()))
    one, _ = medium(wiring)
    for node in "AB":
        one.submit(200_000, node, Outgoing(0x100 + ord(node), b""))
    run(one, 2_000_000)
    assert one.status("A") == one.status("B") == "bus off"
    quiet = Wiring(dict.fromkeys("ABC", ("A", "B", "C")), by_request=frozenset("A"))
    one.rewire(2_000_000, quiet)
    run(one, 2_000_000 + 129 * 11 * BIT_NS)
    assert (one.status("A"), one.status("B")) == ("bus off", "error active")
    one.restart(10_000_000, "A")
    run(one, 10_000_000 + 127 * 11 * BIT_NS)
    assert one.status("A") == "bus off"
    run(one, 10_000_000 + 129 * 11 * BIT_NS)
    assert one.status("A") == "error active"


class Beside(Bitwise):
    """The bit-level medium with a listener beside those who send, on a line of a length by class."""

    listeners: tuple[str, ...] = ("L",)
    delay_ns = 0.0

    def rewire(self, t_ns: int, wiring: Wiring) -> None:
        nodes = (*wiring.hearers, *self.listeners)
        hearers = dict.fromkeys(wiring.hearers, nodes) | {one: (one,) for one in self.listeners}
        apart = {(one, other): self.delay_ns for one in nodes for other in nodes if one != other and self.delay_ns}
        super().rewire(t_ns, Wiring(hearers, listening=frozenset(self.listeners), delays_ns=apart))


class Afar(Beside):
    """Edges take a while."""

    delay_ns = 120.0


@pytest.mark.parametrize("medium_of", [Beside, Afar])
@pytest.mark.parametrize("seed", [0, 1, 2, 3, 3801])
def test_a_listener_that_is_often_in_error_disturbs_nobody(seed: int, medium_of: type[Beside]) -> None:
    """ISO 11898-1:2015, bus monitoring: whatever it misreads, and in CAN FD too, the others run as without it."""
    names = [f"N{number}" for number in range(3)]
    fd = seed % 2 == 1
    frames = submissions(seed, names, 0.05, 0.9 if seed == 3801 else 0.5, 500_000, fd=fd)
    options = {"data_bit_rate": 2_000_000, "data_sample_point": 0.8} if fd else {}
    alone = type("Alone", (medium_of,), {"listeners": ()})
    without, beside = (Driven(make, names, 500_000, **options) for make in (alone, medium_of))
    without.feed(frames, 60_000_000)
    draw = random.Random(seed)
    for t_ns in range(1_000_000, 50_000_000, 1_000_000):
        beside.medium.disturb(t_ns + draw.randrange(900_000), "L")
    beside.feed(frames, 60_000_000)
    heard = [(*one[:-1], tuple(name for name in one[-1] if name != "L")) for one in beside.log if one[1] != "L"]
    assert heard == without.log
    errors = sum(count for (node, _, _), count in beside.medium.troubles().items() if node == "L")
    assert errors > 10
    assert any("L" in one.received_by for one in beside.attempts)
    assert not any("L" in one.acknowledged_by for one in beside.attempts)


class Kept(io.StringIO):
    """A log that can be read when it is closed."""

    def close(self) -> None:
        pass


def lines_without(name: str, text: str) -> list[dict[str, Any]]:
    """The lines of an event log, without those of a node and without it among the receivers."""
    found = []
    for line in map(json.loads, text.splitlines()):
        if line.get("name") != name:
            if "received_by" in line:
                line["received_by"].remove(name) if name in line["received_by"] else None
            found.append(line)
    return found


def logged(vehicle: Any, fault: str, tap: tuple[str, str] | None, seconds: float) -> tuple[str, int]:
    """The event log of a run, and how many messages a listener at a (network, place) got."""
    simulation = Simulation(vehicle, faults=[faults.parse(fault)] if fault else [], seed=5)
    kept = Kept()
    with EventLog(simulation, kept):
        bus = None
        if tap is not None:
            bus = SimulatedBus(simulation, vehicle.network(tap[0]), tap[1], listen_only=True)
        simulation.advance(seconds)
    got = 0 if bus is None else len(list(iter(lambda: bus.recv(0), None)))
    return kept.getvalue(), got


@pytest.mark.parametrize(
    ("fault", "place"),
    [
        ("", "DLC"),
        ("dead_module module=GBX", "DLC"),
        ("crossed at=GBX", "GBX"),
        ("open line=high at=ENG", "ENG"),
        ('open line=high run="gearbox stub"', "GBX"),
        ("stuck_recessive module=BRK", "DLC"),
        ("stuck_dominant module=BRK", "DLC"),
        ("flooding module=GBX", "DLC"),
        ("wrong_bit_rate module=GBX bit_rate=250000", "GBX"),
        ("short between=high-low at=DLC", "DLC"),
        ("missing_terminator at=ENG", "GBX"),
    ],
)
def test_nobody_else_notices_a_listener(fault: str, place: str) -> None:
    """ISO 11898-1:2015, bus monitoring: what everybody else sends, reads and counts is as without it, to the byte."""
    without, _ = logged(PIPKIN, fault, None, 0.2)
    with_it, _ = logged(PIPKIN, fault, ("LINE-1", place), 0.2)
    assert lines_without("tester", with_it) == [json.loads(line) for line in without.splitlines()]
    assert not any("tester" in line.get("acknowledged_by", ()) for line in map(json.loads, with_it.splitlines()))


def test_nobody_notices_a_listener_on_two_networks() -> None:
    """As above, where a gateway joins the networks, and by whole frames as long as all is healthy."""
    without, _ = logged(HAULVEY, "", None, 0.3)
    with_it, got = logged(HAULVEY, "", ("DRIVE", "GBX"), 0.3)
    assert lines_without("tester", with_it) == [json.loads(line) for line in without.splitlines()]
    assert got > 50


def asleep(**options: Any) -> tuple[Simulation, SimulatedBus]:
    """A tap on the Pipkin, whose modules sleep."""
    simulation = Simulation(PIPKIN, condition=Condition(ignition_on=False))
    return simulation, SimulatedBus(simulation, PIPKIN.network("LINE-1"), "DLC", **options)


def test_a_lone_sender_and_a_listener() -> None:
    """Bosch 12.2, rule 3, exception 1: unacknowledged for ever, yet never bus-off; taking part changes that.

    While the sender is error active its flag is where a receiver expects the frame's end (10.3.2); the recessive flag
    of an error passive one disturbs nobody (11.1.2), so then the listener gets the frame, each time it is repeated.
    """
    simulation, sender = asleep()
    records: list[FrameRecord] = []
    simulation.subscribe(records.append)
    listener = SimulatedBus(simulation, PIPKIN.network("LINE-1"), "DLC", listen_only=True)
    with pytest.raises(can.CanOperationError, match="not acknowledged"):
        sender.send(FRAME, timeout=0.02)
    assert simulation.counters("LINE-1", "tester") == (128, 0)
    outcomes = [(record.outcome, record.acknowledged_by, record.received_by) for record in records]
    assert outcomes[:16] == [("not acknowledged", (), ())] * 16
    assert set(outcomes[16:]) == {("not acknowledged", (), ("tester2",))}
    assert len(list(iter(lambda: listener.recv(0), None))) == len(outcomes[16:]) > 50
    listener.state = can.BusState.ACTIVE
    simulation.advance(0.001)
    sender.send(FRAME, timeout=0.02)
    got = listener.recv(0.01)
    assert got is not None
    assert got.arbitration_id == FRAME.arbitration_id


def test_a_listener_sends_nothing() -> None:
    """Own rule, and what the error says."""
    _, bus = asleep(listen_only=True)
    for send in (lambda: bus.send(FRAME), lambda: bus.send(FRAME, 0.1), lambda: bus.send_periodic(FRAME, 0.1)):
        with pytest.raises(can.CanOperationError, match="only listens and sends nothing: leave listen_only out"):
            send()


def test_state_says_and_sets_whether_a_tap_listens() -> None:
    """Own rule: PASSIVE as with other interfaces of python-can; what waits is taken back, a task goes on later."""
    simulation, bus = asleep()
    other = SimulatedBus(simulation, PIPKIN.network("LINE-1"), "GBX")
    assert bus.state is can.BusState.ACTIVE
    task = bus.send_periodic(FRAME, 0.01)
    simulation.advance(0.095)
    bus.state = can.BusState.PASSIVE
    assert bus.state is can.BusState.PASSIVE
    assert len(list(iter(lambda: other.recv(0), None))) == 10
    simulation.advance(0.1)
    assert other.recv(0) is None
    bus.state = can.BusState.ACTIVE
    assert bus.state is can.BusState.ACTIVE
    simulation.advance(0.1)
    assert len(list(iter(lambda: other.recv(0), None))) == 10
    task.stop()
    with pytest.raises(can.CanOperationError, match=r"cannot be set to .*ERROR: write can.BusState.ACTIVE"):
        bus.state = can.BusState.ERROR
    bus.shutdown()
    with pytest.raises(can.CanOperationError, match="has been shut down"):
        bus.state = can.BusState.PASSIVE


def test_back_from_bus_off_by_request() -> None:
    """ISO 11898-1:2015, 12.1.4; Bosch 12.2, rule 12: 128 times 11 recessive bits after the request."""
    simulation, bus = asleep(by_request=True)
    simulation.inject(SHORT)
    bus.send(FRAME)
    simulation.advance(0.1)
    assert bus.state is can.BusState.ERROR
    simulation.clear(SHORT)
    simulation.advance(1.0)
    assert bus.state is can.BusState.ERROR
    with pytest.raises(can.CanOperationError, match=r"bus-off: it sends again once it is asked to come back \(set bus"):
        bus.send(FRAME)
    begin_ns = simulation.t_ns
    bus.state = can.BusState.ACTIVE
    assert bus.state is can.BusState.ERROR, "it has to count first"
    simulation.run_until_ns(begin_ns + 127 * 11 * BIT_NS)
    bus.state = can.BusState.ACTIVE  # asked again it does not begin to count anew
    simulation.run_until_ns(begin_ns + 129 * 11 * BIT_NS)
    assert bus.state is can.BusState.ACTIVE
    assert simulation.counters("LINE-1", "tester") == (0, 0)


def test_asked_where_recovery_is_automatic() -> None:
    """Own rule: to ask a controller that comes back by itself, or is not off, changes nothing."""
    simulation, bus = asleep()
    bus.state = can.BusState.ACTIVE
    simulation.inject(SHORT)
    bus.send(FRAME)
    simulation.advance(0.1)
    bus.state = can.BusState.ACTIVE
    assert bus.state is can.BusState.ERROR
    simulation.clear(SHORT)
    simulation.advance(0.1)
    assert bus.state is can.BusState.ACTIVE
