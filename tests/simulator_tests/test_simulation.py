"""A vehicle that runs: load, determinism, faults that come and go, supply states, who hears whom."""

from __future__ import annotations

import io
import itertools
import json
from collections import Counter
from dataclasses import replace

import can
import pytest
from big_vehicle import big_vehicle
from small_vehicle import small_message, three_modules

import faults
from simulator.condition import Condition, ModuleState, Surroundings
from simulator.datalink.frame import encode
from simulator.deviations import Behaviour
from simulator.errors import BadRequest, UnknownName
from simulator.logs import EventLog
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import Event, FrameRecord
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))
SMALL = three_modules()


def watch(simulation: Simulation) -> list[FrameRecord]:
    records: list[FrameRecord] = []
    simulation.subscribe(records.append)
    return records


def run(*texts: str, vehicle: Vehicle = SMALL, seconds: float = 0.5, **options: object) -> tuple[Simulation, Counter]:
    """Run with faults as on the command line; outcomes counted by (transmitter, outcome)."""
    simulation = Simulation(vehicle, faults=[faults.parse(text) for text in texts], **options)  # type: ignore[arg-type]
    records = watch(simulation)
    simulation.advance(seconds)
    return simulation, Counter((record.transmitter, record.outcome) for record in records)


def test_healthy_vehicle_sends_its_database() -> None:
    """Cycle times of the database; every other module acknowledges and receives."""
    simulation = Simulation(PIPKIN)
    records = watch(simulation)
    simulation.advance(1.0)
    sent = Counter(record.message for record in records)
    for message in PIPKIN.network().messages:
        assert abs(sent[message.name] - 1000 / message.cycle_ms) <= 1
    assert {record.outcome for record in records} == {"ok"}
    for record in records:
        others = tuple(name for name in PIPKIN.modules if name != record.transmitter)
        assert record.acknowledged_by == record.received_by == others
    assert set(simulation.states.values()) == {ModuleState.AWAKE}


def test_records_are_exact_frames() -> None:
    """Lengths and dominant bits are those of the frame bit by bit; frames are three bits apart at least."""
    simulation = Simulation(PIPKIN)
    records = watch(simulation)
    simulation.advance(0.3)
    end_ns = 0
    for record in records:
        frame = encode(record.frame_id, record.data, acknowledged=False)
        assert (record.length_bits, record.dominant_bits) == (frame.length, frame.bits.count(0))
        assert record.t_end_ns - record.t_start_ns == frame.length * 2000
        assert record.t_start_ns >= end_ns + 3 * 2000 or end_ns == 0
        end_ns = record.t_end_ns


def test_load_of_the_demo() -> None:
    """Common practice, no source: a healthy high-speed network is loaded to less than a third or so."""
    simulation = Simulation(PIPKIN)
    records = watch(simulation)
    simulation.advance(2.0)
    load = sum(record.length_bits + 3 for record in records) / (2.0 * 500_000)
    assert 0.2 < load < 0.4


@pytest.mark.parametrize("texts", [(), ("open line=high at=GBX on_s=0.1 off_s=0.07 jitter_s=0.01 seed=3",)])
def test_same_seed_same_bytes(texts: tuple[str, ...]) -> None:
    """Own rule: the record follows from vehicle, faults and seed alone, however time is cut into pieces."""

    def log(seed: int, pieces: int) -> str:
        simulation = Simulation(PIPKIN, faults=[faults.parse(text) for text in texts], seed=seed)
        stream = io.StringIO()
        log = EventLog(simulation, stream)
        for _ in range(pieces):
            simulation.advance(0.6 / pieces)
        log.flush()
        return stream.getvalue()

    assert log(1, 1) == log(1, 1) == log(1, 6)
    assert log(1, 1) != log(2, 1)


def test_dead_module() -> None:
    """Contract: as unpowered for ever; its terminator stays, so the others go on."""
    simulation, seen = run("dead_module module=GBX")
    assert simulation.states["GBX"] is ModuleState.UNPOWERED
    assert set(seen) == {("ENG", "ok"), ("CLU", "ok")}


def test_not_configured_acknowledges_but_sends_nothing() -> None:
    """Contract: still acknowledges."""
    simulation = Simulation(SMALL, faults=[faults.parse("not_configured module=GBX")])
    records = watch(simulation)
    simulation.advance(0.2)
    assert {record.transmitter for record in records} == {"ENG", "CLU"}
    assert all("GBX" in record.acknowledged_by for record in records)


def test_silent_message() -> None:
    """Contract: only that message is missing."""
    simulation = Simulation(PIPKIN, faults=[faults.parse("silent_message message=GbxGear")])
    records = watch(simulation)
    simulation.advance(0.2)
    assert {message.name for message in PIPKIN.network().messages} - {r.message for r in records} == {"GbxGear"}


def test_stuck_dominant_stops_everything_until_cleared() -> None:
    """Bosch CAN 2.0, 10.3: nobody can start on a wire that never turns recessive; contract: while awake."""
    fault = faults.parse("stuck_dominant module=GBX")
    simulation = Simulation(SMALL)
    records = watch(simulation)
    simulation.advance(0.1)
    simulation.inject(fault)
    simulation.advance(0.0005)
    records.clear()
    simulation.advance(0.2)
    assert records == []
    simulation.clear(fault)
    simulation.advance(0.2)
    assert {(record.transmitter, record.outcome) for record in records} >= {("ENG", "ok"), ("GBX", "ok"), ("CLU", "ok")}


def test_stuck_recessive_neither_sends_nor_acknowledges() -> None:
    """Contract: never dominant, so every own frame is a bit error; the rest communicate."""
    simulation = Simulation(SMALL, faults=[faults.parse("stuck_recessive module=GBX")])
    records = watch(simulation)
    simulation.advance(0.2)
    assert {r.outcome for r in records if r.transmitter == "GBX"} == {"bit error"}
    assert {r.acknowledged_by for r in records if r.transmitter == "ENG"} == {("CLU",)}


def test_flooding_with_the_lowest_identifier_leaves_no_room() -> None:
    """Bosch CAN 2.0, arbitration: the lowest identifier always wins, back to back at intermission."""
    simulation = Simulation(SMALL, faults=[faults.parse("flooding module=GBX id=0")])
    records = watch(simulation)
    simulation.advance(0.2)
    flood = [record for record in records if record.transmitter == "GBX"]
    assert len(flood) > 700
    assert {r.transmitter for r in records} == {"GBX"}
    steps = {b.t_start_ns - a.t_end_ns for a, b in itertools.pairwise(flood)}
    assert steps == {3 * 2000}


def test_flooding_with_a_high_identifier_fills_the_gaps() -> None:
    """The same with the last identifier: all others come through."""
    _, seen = run("flooding module=GBX id=0x7FF")
    assert seen["ENG", "ok"] == 50
    assert seen["GBX", "ok"] > 1000


def test_wrong_bit_rate_disturbs_and_is_not_understood() -> None:
    """Contract: its frames are not understood and it understands none."""
    _simulation, seen = run("wrong_bit_rate module=GBX bit_rate=250000")
    assert seen["GBX", "ok"] == 0
    assert seen["ENG", "disturbed"] > 0
    assert seen["ENG", "ok"] > 0


def test_open_run_cuts_the_network_in_two() -> None:
    """ISO 11898-2 levels from the circuit: each half with one terminator still works on its own."""
    simulation = Simulation(SMALL, faults=[faults.parse("open line=both run=S1-DLC")])
    records = watch(simulation)
    simulation.advance(0.2)
    assert {r.acknowledged_by for r in records if r.transmitter == "ENG"} == {("GBX",)}
    assert {r.outcome for r in records if r.transmitter == "CLU"} == {"not acknowledged"}


def test_short_between_the_lines_stops_everybody() -> None:
    """ISO 11898-2: no difference, no dominant bit; each transmitter reads recessive and goes bus-off."""
    _simulation, seen = run("short between=high-low at=DLC", seconds=0.1)
    assert {outcome for _, outcome in seen} == {"bit error"}
    assert {name for name, _ in seen} == set(SMALL.modules)


def test_lone_module_stays_error_passive() -> None:
    """Bosch CAN 2.0, 12.2, final note: a lone node never goes bus-off."""
    condition = Condition(unplugged=frozenset({"GBX", "CLU"}))
    simulation, seen = run(condition=condition)
    assert set(seen) == {("ENG", "not acknowledged")}
    assert simulation.counters("LINE-1", "ENG") == (128, 0)
    assert simulation.status("LINE-1", "ENG") == "error passive"
    assert simulation.status("LINE-1", "GBX") == "down"


def test_unplugging_and_plugging_while_it_runs() -> None:
    """Own rule: conditions act at once."""
    simulation = Simulation(SMALL)
    records = watch(simulation)
    simulation.advance(0.1)
    simulation.condition = Condition(unplugged=frozenset({"GBX"}))
    records.clear()
    simulation.advance(0.1)
    assert {record.transmitter for record in records} == {"ENG", "CLU"}
    simulation.condition = Condition()
    records.clear()
    simulation.advance(0.1)
    assert {record.transmitter for record in records} == {"ENG", "GBX", "CLU"}


def test_condition_that_does_not_exist_changes_nothing() -> None:
    """Own rule: a clear error, and the run goes on as before."""
    simulation = Simulation(SMALL)
    with pytest.raises(UnknownName, match="no module called 'GBK'; did you mean 'GBX'"):
        simulation.condition = Condition(unplugged=frozenset({"GBK"}))
    assert simulation.condition == Condition()
    simulation.advance(0.1)


def test_timeline_of_a_fault() -> None:
    """Contract, part 4: from_s, until_s, on_s with off_s."""
    events: list[Event] = []
    simulation = Simulation(
        SMALL, faults=[faults.parse("dead_module module=GBX from_s=0.1 until_s=0.35 on_s=0.1 off_s=0.05")]
    )
    simulation.notice(events.append)
    simulation.advance(0.5)
    seen = [(event.t_ns / 1e9, event.what) for event in events if event.kind == "fault"]
    assert seen == [(0.1, "in"), (0.2, "out"), (0.25, "in"), (0.35, "out")]
    states = [(event.t_ns / 1e9, event.what) for event in events if event.kind == "state"]
    assert states == [(0.1, "unpowered"), (0.2, "awake"), (0.25, "unpowered"), (0.35, "awake")]


def test_fault_that_waits_for_its_surroundings() -> None:
    """Contract, part 4: shaken, wet, cranking, warmer_than_celsius."""
    fault = faults.parse("dead_module module=GBX cranking=true")
    simulation = Simulation(SMALL, faults=[fault])
    simulation.advance(0.1)
    assert simulation.faults_in_force == ()
    simulation.surroundings = Surroundings(cranking=True)
    assert simulation.faults_in_force == (fault,)
    assert simulation.states["GBX"] is ModuleState.UNPOWERED
    simulation.surroundings = Surroundings()
    assert simulation.states["GBX"] is ModuleState.AWAKE


def test_contradicting_faults_are_refused() -> None:
    """Contract, part 4: two faults that set one value to different numbers are an error."""
    simulation = Simulation(SMALL, faults=[faults.parse("wrong_terminator at=ENG ohm=60")])
    with pytest.raises(BadRequest, match="set one value to different numbers"):
        simulation.inject(faults.parse("wrong_terminator at=ENG ohm=70"))
    assert len(simulation.faults) == 1
    with pytest.raises(BadRequest, match="the fault 'dead_module module=GBX' is not in; in are: wrong_terminator"):
        simulation.clear(faults.parse("dead_module module=GBX"))
    simulation.advance(0.05)


@pytest.mark.parametrize(
    ("wrong", "complaint"),
    [
        ("dead_module module=GBX", r"is no fault: write faults\.parse\('dead_module module=GBX'\)"),
        (7, r"7 is no fault: write one of faults, like faults\.parse"),
        (faults.DeadModule, "is no fault: write one of faults"),
        (faults.parse("dead_module module=GBK from_s=9"), "did you mean 'GBX'"),
    ],
)
def test_what_is_no_fault_here_is_refused_and_changes_nothing(wrong: object, complaint: str) -> None:
    """Own rule: told at once, also of a fault that comes later; the run goes on as before."""
    simulation = Simulation(SMALL)
    with pytest.raises(BadRequest, match=complaint):
        simulation.inject(wrong)  # type: ignore[arg-type]
    with pytest.raises(BadRequest, match=complaint):
        Simulation(SMALL, faults=[wrong])  # type: ignore[list-item]
    assert simulation.faults == ()
    simulation.advance(0.05)


@pytest.mark.parametrize("seconds", ["1", None, float("nan"), float("inf"), -0.1])
def test_time_advances_by_a_number_of_seconds(seconds: object) -> None:
    """Own rule: a clear error, and the clock stands where it was."""
    simulation = Simulation(SMALL)
    with pytest.raises(BadRequest, match="write a number of seconds, 0 or more"):
        simulation.advance(seconds)  # type: ignore[arg-type]
    assert simulation.t_ns == 0


def test_contradicting_faults_from_a_callback_are_refused_there() -> None:
    """Own rule: the complaint comes to the callback that injects, and the run goes on."""
    simulation = Simulation(SMALL, faults=[faults.parse("wrong_terminator at=ENG ohm=60")])
    complaints: list[str] = []

    def meddle(record: FrameRecord) -> None:
        with pytest.raises(BadRequest) as caught:
            simulation.inject(faults.parse("wrong_terminator at=ENG ohm=70"))
        complaints.append(str(caught.value))

    simulation.subscribe(meddle)
    simulation.advance(0.05)
    assert complaints
    assert len(simulation.faults) == 1


def test_faults_injected_from_a_callback_act_right_after() -> None:
    """Own rule: what a subscriber does in the middle of the medium's work has its turn at the same instant."""
    simulation = Simulation(SMALL)
    records = watch(simulation)
    fault = faults.parse("dead_module module=GBX")
    simulation.subscribe(lambda record: simulation.inject(fault) if not simulation.faults else None)
    simulation.advance(0.3)
    assert simulation.faults_in_force == (fault,)
    assert {record.transmitter for record in records[1:]} == {"ENG", "CLU"}


# -- supply


def test_module_without_a_wake_pin_sleeps_after_the_last_traffic() -> None:
    """Contract, part 2: called while the ignition is on and for sleep_s after the last traffic on its networks."""
    simulation = Simulation(SMALL)
    simulation.advance(1.0)
    assert simulation.states["CLU"] is ModuleState.AWAKE
    simulation.condition = Condition(ignition_on=False)
    assert simulation.states == {
        "ENG": ModuleState.ASLEEP,
        "GBX": ModuleState.ASLEEP,
        "CLU": ModuleState.AWAKE,
    }
    simulation.advance(29.0)
    assert simulation.states["CLU"] is ModuleState.AWAKE
    simulation.advance(1.1)
    assert simulation.states["CLU"] is ModuleState.ASLEEP


def test_traffic_wakes_it_again() -> None:
    """Contract, part 2, the same sentence: a tester's frame is traffic."""
    simulation = Simulation(SMALL, condition=Condition(ignition_on=False))
    simulation.advance(1.0)
    assert simulation.states["CLU"] is ModuleState.ASLEEP
    bus = simulation.connect("DLC")
    bus.send(can.Message(arbitration_id=0x7E2, is_extended_id=False, data=b"\x02\x3e\x00"), timeout=0.1)
    assert simulation.states["CLU"] is ModuleState.AWAKE
    answer = bus.recv(0.1)
    assert answer is not None
    assert answer.arbitration_id == 0x7EA


def test_starved_module_comes_back_at_six_volt() -> None:
    """Contract, part 2: was awake, supply below 5.5 V: starved; awake again at 6.0 V."""
    drops = ["from_s=0.1 until_s=0.2 open_circuit_volt=5.9", "from_s=0.2 until_s=0.3 open_circuit_volt=5.2"]
    drops += ["from_s=0.3 until_s=0.4 open_circuit_volt=5.9"]
    texts = [f"weak_battery internal_ohm=0.01 {drop}" for drop in drops]
    simulation = Simulation(SMALL, faults=[faults.parse(text) for text in texts])
    records = watch(simulation)
    seen = []
    for _ in range(5):
        records.clear()
        simulation.advance(0.05)
        seen.append((*{str(state) for state in simulation.states.values()}, bool(records)))
        simulation.advance(0.05)
    assert seen == [("awake", True), ("awake", True), ("starved", False), ("starved", False), ("awake", True)]


def test_supply_voltages_are_events() -> None:
    """12.6 V less the drop of the loads over battery, fuse and wires."""
    events: list[Event] = []
    simulation = Simulation(SMALL)
    now = {event.name: event.what for event in simulation.events_now() if event.kind == "supply"}
    assert set(now) == set(SMALL.modules)
    assert all(12.4 < volt < 12.6 for volt in now.values())
    simulation.notice(events.append)
    simulation.condition = Condition(battery_on=False)
    assert {event.what for event in events if event.kind == "supply"} == {0.0}
    assert {event.what for event in events if event.kind == "state"} == {"unpowered"}


def test_flooding_ends_when_the_fault_is_cleared() -> None:
    """Own rule: what still waits of the flood is withdrawn."""
    fault = faults.parse("flooding module=GBX id=0x7FF")
    simulation = Simulation(SMALL, faults=[fault])
    records = watch(simulation)
    simulation.advance(0.1)
    simulation.clear(fault)
    simulation.advance(0.001)
    records.clear()
    simulation.advance(0.1)
    assert 0x7FF not in {record.frame_id for record in records}


def test_event_log_lines() -> None:
    """Own format: one JSON object a line, kind first, the present state at the beginning."""
    simulation = Simulation(SMALL, faults=[faults.parse("dead_module module=GBX from_s=0.05")])
    stream = io.StringIO()
    log = EventLog(simulation, stream)
    simulation.advance(0.1)
    log.flush()
    lines = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert lines[0] == {"kind": "state", "t_ns": 0, "name": "ENG", "what": "awake"}
    assert {line["kind"] for line in lines} == {"state", "supply", "frame", "fault"}
    assert {"kind": "fault", "t_ns": 50_000_000, "name": "dead_module module=GBX from_s=0.05", "what": "in"} in lines
    frame = next(line for line in lines if line["kind"] == "frame")
    assert frame["data"] == "00" * 8
    assert list(frame)[:5] == ["kind", "t_start_ns", "t_end_ns", "network", "transmitter"]


def test_behaviours_need_no_fault_class() -> None:
    """House rule: the simulation reads the description only."""
    vehicle = SMALL.deviating(Behaviour("GBX", "not_configured"))
    simulation = Simulation(vehicle)
    records = watch(simulation)
    simulation.advance(0.1)
    assert {record.transmitter for record in records} == {"ENG", "CLU"}


def test_networks_of_different_speed_run_side_by_side() -> None:
    """Own rule: every network has its own bit time."""
    fast = SMALL.network()
    vehicle = replace(SMALL, networks={"LINE-1": replace(fast, bit_rate=125_000)})
    simulation = Simulation(vehicle)
    records = watch(simulation)
    simulation.advance(0.1)
    assert all(r.t_end_ns - r.t_start_ns == r.length_bits * 8000 for r in records)


def test_as_many_nodes_as_a_network_may_have() -> None:
    """Own limit: 62 nodes, one bit each. The last ones send and acknowledge like the first; one more is refused, and
    nothing has changed then."""
    vehicle = big_vehicle(62)
    last = small_message("Last", 0x100, "M61", "M0")
    (network,) = vehicle.networks.values()
    network = replace(network, bit_rate=125_000, messages=(last, small_message("First", 0x101, "M0")))
    records: list[FrameRecord] = []
    for whole_frames in (True, False):
        simulation = Simulation(
            replace(vehicle, networks={"L": network}), whole_frames=whole_frames, condition=Condition()
        )
        simulation.advance(0.05)
        simulation.subscribe(records.append)
        with pytest.raises(BadRequest, match="63 nodes: 62 is the most"):
            simulation.connect()
        simulation.advance(0.05)
        simulation.condition = Condition(unplugged=frozenset({"M1"}))
        simulation.connect()  # now there is room
        simulation.advance(0.05)
    half = len(records) // 2
    assert records[:half] == records[half:]
    assert {record.outcome for record in records} == {"ok"}
    by_last = [record for record in records[:half] if record.transmitter == "M61"]
    assert set(by_last[0].received_by) == {f"M{number}" for number in range(61)}
    assert set(by_last[-1].received_by) == {"tester2", "M0", *(f"M{number}" for number in range(2, 61))}


def test_a_tester_that_leaves_when_it_hears_something_costs_the_others_nothing() -> None:
    """Own rule: every tester that stays hears every frame."""

    class Leaver:
        listening = by_request = told_of_losses = False

        def __init__(self, simulation: Simulation) -> None:
            self.name, self.network, self.place = simulation.tester_name(), "LINE-1", "DLC"
            self.heard, self._simulation = 0, simulation
            simulation.attach(self)

        def received(self, record: FrameRecord, frame: object) -> None:
            self.heard += 1
            self._simulation.detach(self)

        def attempted(self, record: FrameRecord, frame: object) -> None:
            raise AssertionError("it sends nothing")

        def troubled(self, trouble: object) -> None:
            raise AssertionError("nothing is wrong")

        def changed(self, t_ns: int, status: str) -> None:
            raise AssertionError("nothing is wrong")

    simulation = Simulation(PIPKIN)
    leaver, other = Leaver(simulation), simulation.connect("GBX")
    records = watch(simulation)
    simulation.advance(0.05)
    assert leaver.heard == 1
    heard = [other.recv(0) for _ in records]
    assert [message and message.arbitration_id for message in heard] == [record.frame_id for record in records]
    assert other.recv(0) is None
