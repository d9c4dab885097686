"""Modules questioned over the simulated bus, and the codes they store by themselves while the vehicle runs."""

from __future__ import annotations

import dataclasses
import gc
import sys
from pathlib import Path

import can
import cantools
import numpy as np
import pytest
from big_vehicle import big_vehicle
from questions import FUNCTIONAL_ID, Questions
from small_vehicle import small_message

import faults
from simulator.condition import Condition, ModuleState
from simulator.diagnostics import code_number, code_text
from simulator.diagnostics.reception import Checker
from simulator.kernels import payload as kernel
from simulator.modules.codec import Packer
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation
from simulator.vehicle import Message, Vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))
KEY_OFF = Condition(ignition_on=False)
BATTERY_OFF = Condition(battery_on=False, ignition_on=False)


def stored(simulation: Simulation, name: str) -> dict[str, int]:
    entries = simulation.modules[name].unit.memory.stored()
    return {code_text(entry.number): int(entry.status) for entry in entries}


def test_every_module_says_who_it_is() -> None:
    """ISO 14229-1, F190, over the bus in several frames; the same vehicle number from all."""
    questions = Questions(Simulation(PIPKIN))
    answers = {name: questions.ask(name, "22 F1 90") for name in PIPKIN.modules}
    assert len({tuple(answer) for answer in answers.values()}) == 1
    assert len(bytes.fromhex(answers["ENG"][0])) == 20
    serials = {questions.ask(name, "22 F1 8C")[0] for name in PIPKIN.modules}
    assert len(serials) == len(PIPKIN.modules)


def test_all_at_once() -> None:
    """ISO 15765-4: 7DF reaches everybody; ISO 14229-1: who has nothing to say is silent."""
    simulation = Simulation(PIPKIN)
    bus = simulation.connect()
    bus.set_filters([{"can_id": 0x700, "can_mask": 0x700}])
    for request, expected in (("023E00", 6), ("0201FF", 0), ("020100", 2), ("023E80", 0), ("02BA00", 0)):
        data = bytes.fromhex(request).ljust(8, b"\xcc")
        bus.send(can.Message(arbitration_id=FUNCTIONAL_ID, data=data, is_extended_id=False))
        simulation.advance(0.1)
        answers = [one for one in iter(lambda: bus.recv(0), None) if one.arbitration_id != FUNCTIONAL_ID]
        assert len(answers) == expected, request


def test_a_long_answer_to_a_question_for_all() -> None:
    """ISO 15765-2: the flow control of a functionally addressed request goes to the physical address of who answers."""
    simulation = Simulation(PIPKIN)
    questions = Questions(simulation)
    (answer,) = questions.ask("ENG", "09 02", address=FUNCTIONAL_ID)
    number = simulation.modules["ENG"].unit.identity.vehicle_number
    assert bytes.fromhex(answer) == b"\x49\x02\x01" + number.encode()


def test_a_tester_that_goes_away_in_the_middle_of_an_answer() -> None:
    """ISO 15765-2:2016, 9.8: without a flow control the module gives up after N_Bs, one second, and is free."""
    simulation = Simulation(PIPKIN)
    bus = simulation.connect()
    bus.set_filters([{"can_id": 0x7E9, "can_mask": 0x7FF}])
    request = can.Message(arbitration_id=0x7E1, data=bytes.fromhex("0322F190CCCCCCCC"), is_extended_id=False)
    present = can.Message(arbitration_id=0x7E1, data=bytes.fromhex("023E00CCCCCCCCCC"), is_extended_id=False)
    bus.send(request)
    first = bus.recv(0.1)
    assert first is not None
    assert first.data[0] == 0x10
    bus.send(present)
    assert bus.recv(0.9) is None
    simulation.advance(0.2)
    bus.send(present)
    answer = bus.recv(0.1)
    assert answer is not None
    assert bytes(answer.data[:3]) == b"\x02\x7e\x00"


@pytest.mark.slow
def test_an_answer_that_cannot_be_sent() -> None:
    """ISO 15765-2:2016, 9.8: after N_As, one second, a frame is taken back: it does not come when the line is free."""
    simulation = Simulation(PIPKIN)
    bus = simulation.connect()
    records = []
    simulation.subscribe(records.append)
    simulation.advance(0.1)
    request = can.Message(arbitration_id=0x7E1, data=bytes.fromhex("023E00CCCCCCCCCC"), is_extended_id=False)
    bus.send(request, timeout=0.1)
    short = faults.parse("stuck_dominant module=CLU")
    simulation.inject(short)
    simulation.advance(1.1)
    simulation.clear(short)
    records.clear()
    simulation.advance(0.5)
    assert {record.transmitter for record in records} >= {"ENG", "GBX"}
    assert not [record for record in records if record.frame_id == 0x7E9]
    bus.send(request)
    simulation.advance(0.1)
    assert [record.data[:3] for record in records if record.frame_id == 0x7E9] == [b"\x02\x7e\x00"]


def test_unplugging_with_the_ignition_on_stores_codes() -> None:
    """Trade practice: who works on a live network makes codes of his own; plugged in again they are earlier ones."""
    simulation = Simulation(PIPKIN)
    simulation.advance(5)
    simulation.condition = Condition(unplugged=frozenset({"GBX"}))
    simulation.advance(3)
    missing = {name for name in PIPKIN.modules if "U0101-87" in stored(simulation, name)}
    receive = {name for message in PIPKIN.network().messages if message.sender == "GBX" for name in message.receivers}
    assert missing == receive & set(PIPKIN.modules)
    simulation.condition = Condition()
    simulation.advance(3)
    assert {stored(simulation, name)["U0101-87"] for name in missing} == {0x2E}
    # the module that was off its supply begins a new cycle and has nothing to complain of
    assert stored(simulation, "GBX") == {}


def test_with_the_ignition_off_nothing_is_stored() -> None:
    simulation = Simulation(PIPKIN)
    simulation.advance(5)
    simulation.condition = KEY_OFF
    simulation.condition = Condition(ignition_on=False, unplugged=frozenset({"GBX"}))
    simulation.advance(60)
    simulation.condition = KEY_OFF
    simulation.condition = Condition()
    simulation.advance(6)
    assert not any(stored(simulation, name) for name in PIPKIN.modules)


def test_codes_survive_sleep_and_battery_off() -> None:
    """Trade practice: the memory is not volatile; the codes are those of an earlier cycle then."""
    simulation = Simulation(PIPKIN)
    fault = faults.parse("dead_module module=GBX")
    simulation.inject(fault)
    simulation.advance(6)
    simulation.condition = KEY_OFF
    simulation.advance(60)
    assert simulation.states["ENG"] is ModuleState.ASLEEP
    simulation.condition = BATTERY_OFF
    simulation.advance(60)
    simulation.clear(fault)
    simulation.condition = Condition()
    simulation.advance(1)
    assert stored(simulation, "ENG") == {"U0101-87": 0x6D}
    simulation.advance(5)
    assert stored(simulation, "ENG") == {"U0101-87": 0x2C}


def test_one_silent_message() -> None:
    """The code of its sender, in those modules that the database names as its receivers."""
    simulation = Simulation(PIPKIN, faults=[faults.parse("silent_message message=GbxFluid")])
    simulation.advance(7)
    receivers = next(one.receivers for one in PIPKIN.network().messages if one.name == "GbxFluid")
    assert {name for name in PIPKIN.modules if stored(simulation, name)} == set(receivers) & set(PIPKIN.modules)
    entry = simulation.modules["ENG"].unit.memory.entries[code_number("U0101-87")]
    assert entry.first is not None
    assert entry.first.detail == 672


@pytest.mark.parametrize(
    ("spoil", "code"),
    [("checksum", "U0402-83"), ("counter", "U0402-82"), ("range", "U0402-86")],
)
def test_messages_that_are_not_what_they_should_be(spoil: str, code: str) -> None:
    """SAE J2012: 82 counter, 83 checksum, 86 signal invalid. Somebody at the socket sends GbxGear for the gearbox:
    with a wrong checksum, with one and the same counter, with a selector position that the database does not have."""
    simulation = Simulation(PIPKIN, faults=[faults.parse("silent_message message=GbxGear")])
    message = next(one for one in PIPKIN.network().messages if one.name == "GbxGear")
    bus = simulation.connect()
    simulation.advance(3.2)
    packer = Packer(message)
    for count in range(200):
        data = bytearray(packer.payload(simulation.t_ns, 3 if spoil == "counter" else count))
        if spoil == "checksum":
            data[7] ^= 0x55
        if spoil == "range":
            data = bytearray(message.codec.encode(message.codec.decode(bytes(data), decode_choices=False) | {
                "GbxGear_Selector": 7}, strict=False))  # fmt: skip
            data[7] = int(kernel.crc_8.plain(np.frombuffer(bytes(data), np.uint8), 8, 7))
        bus.send(can.Message(arbitration_id=192, data=bytes(data), is_extended_id=False))
        simulation.advance(0.02)
    invalid = {one for one in stored(simulation, "ENG") if one.startswith("U04")}
    assert invalid == {code}
    assert stored(simulation, "ENG")[code] == 0x2F
    assert stored(simulation, "STA") == {}


def test_a_second_sender_beside_the_real_one() -> None:
    """Two senders of one message: the counter does not go on from one to the other."""
    simulation = Simulation(PIPKIN)
    message = next(one for one in PIPKIN.network().messages if one.name == "GbxGear")
    bus, packer = simulation.connect(), Packer(message)
    simulation.advance(3.2)
    for count in range(100):
        data = packer.payload(simulation.t_ns, 7 * count)
        bus.send(can.Message(arbitration_id=192, data=data, is_extended_id=False))
        simulation.advance(0.02)
    assert set(stored(simulation, "ENG")) == {"U0402-82"}


def test_good_messages_of_somebody_else_are_no_fault() -> None:
    """The same with nothing wrong in them: they stand in for the gearbox's own."""
    simulation = Simulation(PIPKIN, faults=[faults.parse("silent_message message=GbxGear")])
    message = next(one for one in PIPKIN.network().messages if one.name == "GbxGear")
    bus, packer = simulation.connect(), Packer(message)
    for count in range(300):
        data = packer.payload(simulation.t_ns, count)
        bus.send(can.Message(arbitration_id=192, data=data, is_extended_id=False))
        simulation.advance(0.02)
    assert stored(simulation, "ENG") == {}


MULTIPLEXED = """VERSION ""

NS_ :

BS_:

BU_: ENG GBX
BO_ 256 Mixed: 4 GBX
 SG_ Which M : 0|4@1+ (1,0) [0|15] "" ENG
 SG_ Level m0 : 8|8@1+ (1,0) [0|200] "" ENG
 SG_ Mixed_Counter m1 : 16|4@1+ (1,0) [0|15] "" ENG
"""


def test_what_a_multiplexer_does_not_have_is_invalid_and_what_it_hides_is_no_fault() -> None:
    """cantools refuses a value of the multiplexer that the database does not have; the counter is in one layout only.
    Source: cantools itself decodes the payloads."""
    codec = cantools.database.load_string(MULTIPLEXED, "dbc").get_message_by_name("Mixed")
    checker = Checker(Message("Mixed", 256, False, 4, None, "GBX", ("ENG",), (), codec=codec))
    shown, hidden, unknown = b"\x01\x00\x04\x00", b"\x00\x64\x00\x00", b"\x05\x00\x00\x00"
    with pytest.raises(cantools.errors.Error):
        codec.decode(unknown)
    assert "Mixed_Counter" not in codec.decode(hidden)
    assert checker.counter(shown) == 4
    assert checker.counter(hidden) is None
    assert checker.faults(shown, 3) == ()
    assert checker.faults(shown, 4) == (0x82,)
    assert checker.faults(hidden, 3) == ()
    assert checker.faults(b"\x00\xff\x00\x00", 3) == (0x86,)
    assert checker.faults(unknown, 3) == (0x86,)
    assert checker.counter(unknown) is None


def test_start_up_takes_its_time() -> None:
    """Own rule: from waking to the first frame ``startup_s``; the module neither sends nor acknowledges before."""
    slow = dataclasses.replace(PIPKIN.modules["GBX"], startup_s=0.5)
    vehicle = dataclasses.replace(PIPKIN, modules={**PIPKIN.modules, "GBX": slow})
    simulation = Simulation(vehicle, condition=KEY_OFF)
    records = []
    simulation.subscribe(records.append)
    simulation.advance(1)
    simulation.condition = Condition()
    simulation.advance(2)
    first = min(record.t_start_ns for record in records if record.transmitter == "GBX")
    assert 1_500_000_000 <= first < 1_530_000_000
    assert not any("GBX" in record.acknowledged_by for record in records if record.t_end_ns < 1_500_000_000)
    assert min(record.t_start_ns for record in records) < 1_100_000_000


def test_a_brown_out_resets_a_module() -> None:
    """Own rule: below 5.5 V it forgets its session and starts anew at 6.0 V; its codes stay."""
    simulation = Simulation(PIPKIN)
    questions = Questions(simulation)
    simulation.advance(5)
    questions.ask("GBX", "10 03")
    assert questions.ask("GBX", "22 F1 86") == ["62 F1 86 03"]
    fault = faults.parse("weak_battery open_circuit_volt=5.2 internal_ohm=0.01")
    simulation.inject(fault)
    simulation.advance(0.2)
    assert simulation.states["GBX"] is ModuleState.STARVED
    simulation.clear(fault)
    simulation.advance(0.01)
    assert questions.ask("GBX", "22 F1 86") == ["62 F1 86 01"]


def test_reset_over_the_bus() -> None:
    """ISO 14229-1, 10.3: it answers, is gone for its start-up time, and is back in the default session."""
    simulation = Simulation(PIPKIN)
    questions = Questions(simulation)
    records = []
    questions.ask("GBX", "10 03")
    assert questions.ask("GBX", "11 01") == ["51 01"]
    reset_ns = simulation.t_ns
    simulation.subscribe(records.append)
    simulation.advance(0.2)
    first = min(record.t_start_ns for record in records if record.transmitter == "GBX")
    assert first - reset_ns >= 30_000_000
    assert questions.ask("GBX", "22 F1 86") == ["62 F1 86 01"]


def test_communication_control_over_the_bus() -> None:
    """ISO 14229-1, 10.5: silent but for its answers; the others miss it; it comes back with the default session."""
    simulation = Simulation(PIPKIN)
    questions = Questions(simulation)
    simulation.advance(4)
    questions.ask("GBX", "10 03")
    assert questions.ask("GBX", "28 03 01") == ["68 03"]
    records = []
    simulation.subscribe(records.append)
    for _ in range(3):
        simulation.advance(1)
        assert questions.ask("GBX", "3E 00") == ["7E 00"]
    assert {record.frame_id for record in records if record.transmitter == "GBX"} == {0x7E9}
    assert stored(simulation, "ENG") == {"U0101-87": 0x2F}
    assert stored(simulation, "GBX") == {}
    simulation.advance(6)
    assert stored(simulation, "ENG") == {"U0101-87": 0x2E}
    # it misses others again, too
    simulation.inject(faults.parse("dead_module module=CLU"))
    simulation.advance(3)
    assert stored(simulation, "GBX") == {"U0155-87": 0x2F}


def test_code_setting_over_the_bus() -> None:
    """ISO 14229-1, 10.8: off for what one does oneself; on again, what is still wrong is stored."""
    simulation = Simulation(PIPKIN)
    questions = Questions(simulation)
    simulation.advance(5)
    questions.ask("ENG", "10 03")
    assert questions.ask("ENG", "85 02") == ["C5 02"]
    simulation.inject(faults.parse("dead_module module=GBX"))
    simulation.advance(3)
    assert stored(simulation, "ENG") == {}
    assert stored(simulation, "CLU") == {"U0101-87": 0x2F}
    assert questions.ask("ENG", "85 01") == ["C5 01"]
    simulation.advance(3)
    assert stored(simulation, "ENG") == {"U0101-87": 0x2F}


@pytest.mark.slow
def test_codes_are_read_where_wiring_lets_through() -> None:
    """What the socket sees: the gearbox, whose pair is open, stores codes that nobody can read."""
    simulation = Simulation(PIPKIN, faults=[faults.parse("open line=both at=GBX")])
    questions = Questions(simulation)
    simulation.advance(5)
    assert questions.ask("GBX", "19 02 08") == []
    assert questions.ask("ENG", "19 02 08") == ["59 02 FF C1 01 87 2F"]
    assert stored(simulation, "GBX")


def test_through_a_gateway() -> None:
    """Several frames both ways through the gateway of the Haulvey, to a module of each network."""
    vehicle = load_vehicle(find_vehicle("haulvey"))
    questions = Questions(Simulation(vehicle))
    for name in vehicle.modules:
        (answer,) = questions.ask(name, "22 F1 90")
        assert len(bytes.fromhex(answer)) == 20, name
    questions.unlock("GBX")
    assert questions.ask("GBX", b"\x2e\xf1\x98" + b"VAN SHOP 3")[-1] == "6E F1 98"


def test_who_is_missed_behind_a_gateway() -> None:
    """A message that a gateway passes on is missed as its first sender's, not as the gateway's."""
    vehicle = load_vehicle(find_vehicle("haulvey"))
    gateway = next(module for module in vehicle.modules.values() if module.routes)
    route = next(route for route in gateway.routes if route.messages)
    message = next(one for one in vehicle.networks[route.start].messages if one.name == route.messages[0])
    behind = next(one for one in vehicle.networks[route.end].messages if one.name == message.name)
    assert message.sender is not None
    simulation = Simulation(vehicle, faults=[faults.parse(f"dead_module module={message.sender}")])
    simulation.advance(7)
    code = f"{vehicle.modules[message.sender].lost_code}-87"
    for name in behind.receivers:
        if name in vehicle.modules:
            assert code in stored(simulation, name), name
            assert f"{gateway.lost_code}-87" not in stored(simulation, name)


def fd_vehicle() -> Vehicle:
    network = dataclasses.replace(PIPKIN.network(), data_bit_rate=2_000_000, data_sample_point=0.8)
    return dataclasses.replace(PIPKIN, networks={network.name: network})


def test_frames_of_can_fd() -> None:
    """ISO 15765-2: up to 62 byte in one frame; the answer has the format of the question."""
    simulation = Simulation(fd_vehicle())
    questions = Questions(simulation, fd=True)
    records = []
    simulation.subscribe(records.append)
    (answer,) = questions.ask("GBX", "22 F1 90 F1 8C F1 97")
    answers = [record for record in records if record.frame_id == 0x7E9]
    assert [record.fd for record in answers] == [True]
    assert len(bytes.fromhex(answer)) > 30
    assert len(bytes.fromhex(questions.ask("GBX", "19 0A")[0])) > 64
    assert len(bytes.fromhex(Questions(simulation).ask("GBX", "22 F1 90")[0])) == 20


def test_the_log_tells_codes() -> None:
    """Changes of a status byte are events, the same for the same seed."""
    logs = []
    for _ in range(2):
        simulation = Simulation(PIPKIN, faults=[faults.parse("dead_module module=GBX from_s=4 until_s=8")])
        log: list[object] = []
        simulation.notice(log.append)
        simulation.advance(10)
        logs.append(log)
    assert logs[0] == logs[1]
    told = [(event.name, event.what) for event in logs[0] if event.kind == "code"]
    assert ("ENG", "U0101-87 2F") in told
    assert ("ENG", "U0101-87 2E") in told


def thirty_modules() -> Vehicle:
    """Thirty modules in a row, each sending two messages to its neighbours."""
    vehicle = big_vehicle(30)
    names = list(vehicle.modules)
    (network,) = vehicle.networks.values()
    messages = []
    for n, name in enumerate(names):
        neighbours = [names[(n + step) % len(names)] for step in (1, 2, 3)]
        messages.append(small_message(f"{name}Fast", 0x100 + n, name, *neighbours, cycle_ms=50))
        messages.append(small_message(f"{name}Slow", 0x200 + n, name, *neighbours, cycle_ms=500))
    whole = dataclasses.replace(network, messages=tuple(messages), socket=network.socket or network.places[0])
    return dataclasses.replace(vehicle, networks={network.name: whole})


def question_all(seconds: int) -> tuple[int, int]:
    """Ask one module after the other, one question a second; answers, and how many blocks of memory more at the end."""
    vehicle = thirty_modules()
    simulation = Simulation(vehicle)
    questions = Questions(simulation)
    names = list(vehicle.modules)
    answered = before = 0
    for second in range(seconds):
        request = ("22 F1 90", "19 02 FF", "3E 00", "19 0A", "10 03", "22 12 34", "14 FF FF FF")[second % 7]
        answered += bool(questions.ask(names[second % 30], request))
        simulation.run_until_ns((second + 1) * 1_000_000_000)
        while questions.bus.recv(0) is not None:
            pass
        if second == seconds // 6:
            gc.collect()
            before = sys.getallocatedblocks()
    gc.collect()
    grown = sys.getallocatedblocks() - before
    assert not any(stored(simulation, name) for name in names)
    return answered, grown


@pytest.mark.slow
def test_thirty_modules_for_a_while() -> None:
    answered, _ = question_all(20)
    assert answered == 20


@pytest.mark.slow
def test_thirty_modules_for_an_hour_in_bounded_memory() -> None:
    """An hour of simulated time, 3600 questions: all answered; fewer than 2000 objects more than after ten minutes."""
    answered, grown = question_all(3600)
    assert answered == 3600
    assert grown < 2_000


def test_file_of_a_vehicle_that_tells_more(tmp_path: Path) -> None:
    """The keys of the vehicle file reach the module's answers."""
    text = Path(find_vehicle("pipkin")).read_text(encoding="utf-8")
    text = text.replace("maker: Fennimarrow Works", "maker: Fennimarrow Works\nvin: FMWSYNTHTC0000017")
    told = "{part_number: FMW-20-117, security_constant: 0x12345678, lamp: true, codes: {P0711-00: Fluid}}"
    text = text.replace("    title: Gearbox\n", f"    title: Gearbox\n    startup_s: 0.2\n    diagnostics: {told}\n")
    (tmp_path / "vehicle.yaml").write_text(text, encoding="utf-8")
    database = Path(find_vehicle("pipkin")).parent / "pipkin.dbc"
    (tmp_path / "pipkin.dbc").write_bytes(database.read_bytes())
    simulation = Simulation(load_vehicle(tmp_path / "vehicle.yaml"))
    questions = Questions(simulation)
    assert bytes.fromhex(questions.ask("ENG", "22 F1 90")[0])[3:] == b"FMWSYNTHTC0000017"
    assert bytes.fromhex(questions.ask("GBX", "22 F1 87")[0])[3:] == b"FMW-20-117"
    assert simulation.modules["GBX"].unit.identity.security_constant == 0x12345678
    unit = simulation.modules["GBX"].unit
    unit.check.report(simulation.t_ns, code_number("P0711-00"), failed=True)
    assert questions.ask("GBX", "19 02 80") == ["59 02 FF 07 11 00 AF"]
    assert questions.ask("GBX", "0A") == ["4A 01 07 11"]
