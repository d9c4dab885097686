"""The vehicle that moves: its quantities hang together, on the bus too; warmth, battery, and what people do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cantools
import pytest
from cantools.database.can import Database

import dbc_demo
import faults
from simulator.condition import Condition
from simulator.drive import SCRIPTS
from simulator.errors import BadFile, BadRequest, UnknownName
from simulator.quantities import QUANTITIES
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import FrameRecord
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle
from simulator.world import State, World
from simulator.world.powertrain import step

#: Every gear in a minute.
HURRY = """
    start
    brake
    select reverse
    release
    to 8 in 4
    to 0 in 3
    brake
    select drive
    release
    to 95 in 36
    to 0 in 15
"""
HURRY_S = 62.0
#: Stops and starts its engine by itself, once.
ONE_STOP = """
    start
    stop-start on
    brake
    select drive
    release
    to 30 in 6
    to 0 in 5
    brake
    wait 5
    release
    to 20 in 5
    to 0 in 5
    brake
    select park
"""
#: Quantities that do not jump.
SMOOTH = ("coolant_temperature", "oil_temperature", "fluid_temperature", "road_speed", "distance", "battery_voltage")


@pytest.fixture(scope="module")
def pipkin() -> Vehicle:
    return load_vehicle(find_vehicle("pipkin"))


@pytest.fixture(scope="module")
def database() -> Database:
    found = cantools.database.load_file(Path(next(iter(dbc_demo.__path__))) / "pipkin" / "pipkin.dbc")
    assert isinstance(found, Database)
    return found


def drive(vehicle: Vehicle, script: str, seconds: float, *, whole_frames: bool = True) -> list[FrameRecord]:
    simulation = Simulation(vehicle, whole_frames=whole_frames)
    records: list[FrameRecord] = []
    World(simulation, script=script)
    simulation.subscribe(records.append)
    simulation.advance(seconds)
    return records


def decoded(records: list[FrameRecord], database: Database) -> Iterator[tuple[float, str, dict[str, float]]]:
    """(end in s, message, values as numbers) of every frame, read by cantools."""
    for record in records:
        values = database.decode_message(record.frame_id, record.data, decode_choices=False)
        yield record.t_end_ns / 1e9, str(record.message), values  # type: ignore[misc]


@pytest.fixture(scope="module")
def drove(pipkin: Vehicle) -> list[FrameRecord]:
    return drive(pipkin, HURRY, HURRY_S)


def test_on_the_bus_all_wheels_have_one_speed_and_the_gear_tells_the_engine(
    pipkin: Vehicle, database: Database, drove: list[FrameRecord]
) -> None:
    # turns = speed / circumference x axle x gear: by hand, with the numbers of the vehicle file
    road, latest, gears = pipkin.road.drivetrain, {}, set()
    assert road is not None
    checked, steady_s, engaged = 0, 0.0, (0.0, 0.0)
    for t_s, message, values in decoded(drove, database):
        latest |= values
        if message == "BrkWheelFront":
            assert values["BrkWheelFront_Left"] == values["BrkWheelFront_Right"]
        if message == "BrkWheelRear":
            assert values["BrkWheelRear_Left"] == values["BrkWheelRear_Right"]
        if message != "EngSpeed" or t_s < 1.0 or "BrkWheelFront_Left" not in latest:
            continue
        steady_s = t_s if (latest["GbxGear_Actual"], latest["GbxGear_Shifting"]) != engaged else steady_s
        engaged = latest["GbxGear_Actual"], latest["GbxGear_Shifting"]
        gear, kmh, rpm = (latest[key] for key in ("GbxGear_Actual", "BrkWheelFront_Left", "EngSpeed_Crank"))
        gears.add(gear)
        ratio = road.reverse if gear < 0 else road.gears[int(gear) - 1] if gear else 0.0
        through = kmh / 3.6 / road.tyre_m * 60.0 * road.axle * ratio
        if latest["GbxGear_Shifting"] == 0 and gear and through > 1_300.0 and t_s - steady_s > 0.15:
            # a frame is up to 20 ms older than the other, and the engine gains up to 30 turns in that
            assert rpm == pytest.approx(through, abs=60.0), (t_s, gear, kmh)
            checked += 1
    assert gears == {-1, 0, 1, 2, 3, 4, 5, 6}
    assert checked > 2_000


def test_counters_and_checksums_go_on(database: Database, drove: list[FrameRecord]) -> None:
    # CRC-8 of SAE J1850 bit by bit: polynomial 0x1D, start 0xFF, final exclusive-or 0xFF
    last: dict[str, int] = {}
    for record in drove[:20_000]:
        message = database.get_message_by_frame_id(record.frame_id)
        if f"{message.name}_Counter" not in message.signal_tree:
            continue
        counter, crc = record.data[6] & 0xF, 0xFF
        assert last.get(message.name, (counter - 1) & 0xF) == (counter - 1) & 0xF
        last[message.name] = counter
        for byte in record.data[:7]:
            crc ^= byte
            for _ in range(8):
                crc = (crc << 1) ^ (0x1D if crc & 0x80 else 0)
                crc &= 0xFF
        assert record.data[7] == crc ^ 0xFF
    assert len(last) >= 8


def test_what_is_on_the_bus_is_what_the_world_says(pipkin: Vehicle, database: Database) -> None:
    simulation = Simulation(pipkin)
    world = World(simulation, script="every gear")
    records: list[FrameRecord] = []
    simulation.subscribe(records.append)
    checked = 0
    for _ in range(20):
        simulation.advance(2.37)
        records.clear()
        wanted = {name: world.value(name) for name in SMOOTH}
        simulation.advance(0.13)
        after = {name: world.value(name) for name in SMOOTH}
        values: dict[str, float] = {}
        for _, _, found in decoded(records[:40], database):
            values = found | values
        for signal, quantity in pipkin.network().quantities:
            if signal in values and quantity in SMOOTH:
                low, high = sorted((wanted[quantity], after[quantity]))
                step = database_step(database, signal)
                assert low - step <= values[signal] <= high + step, (signal, quantity)
                checked += 1
    assert checked > 100


def database_step(database: Database, signal: str) -> float:
    """The resolution of a signal."""
    return next(float(one.scale) for message in database.messages for one in message.signals if one.name == signal)


@pytest.mark.parametrize("script", [*SCRIPTS, ""])
def test_every_word_the_world_can_say_is_one_of_its_words(pipkin: Vehicle, script: str) -> None:
    simulation = Simulation(pipkin)
    world = World(simulation, script=script)
    for _ in range(8):
        simulation.advance(3.1)
        for name, quantity in QUANTITIES.items():
            if name == "supply_voltage":
                continue  # every module has its own
            value = world.value(name)
            assert not quantity.words or value in range(len(quantity.words)), name


def test_the_same_seed_gives_the_same_frames_whole_or_bit_by_bit(pipkin: Vehicle) -> None:
    assert drive(pipkin, "every gear", 2.0) == drive(pipkin, "every gear", 2.0, whole_frames=False)


def test_a_module_sends_the_voltage_at_its_own_pins(pipkin: Vehicle, database: Database) -> None:
    # by hand, Ohm's law with the numbers of the vehicle file: 2 ohm more in the feed of the engine module alone
    poor_s, contacts = 5.03, 0.010
    simulation = Simulation(pipkin, faults=[faults.parse(f"power_dropout module=ENG ohm=2 from_s={poor_s}")])
    records: list[FrameRecord] = []
    World(simulation)
    simulation.subscribe(records.append)
    simulation.advance(8)
    paths = {
        name: pipkin.fuses[module.feed.fuse].ohm + module.feed.ohm + module.ground.ohm + module.draw_ohm + contacts
        + pipkin.grounds[module.ground.point].ohm
        for name, module in pipkin.modules.items()
    }  # fmt: skip
    wanted = {}
    for added in (0.0, 2.0):
        ohms = paths | {"ENG": paths["ENG"] + added}
        clamps = 12.6 / (1.0 + pipkin.battery.internal_ohm * sum(1.0 / ohm for ohm in ohms.values()))
        wanted[added] = {name: clamps * pipkin.modules[name].draw_ohm / ohm for name, ohm in ohms.items()}
    senders = {"EngHeat": "ENG", "GbxFluid": "GBX", "StaMotor": "STA", "BdyComfort": "BDY"}
    seen = set()
    for t_s, message, values in decoded(records, database):
        if message in senders and not poor_s < t_s < poor_s + 0.15:  # a frame on its way tells of its beginning
            told = values[f"{message}_SupplyVolt"]
            assert told == pytest.approx(wanted[2.0 if t_s > poor_s else 0.0][senders[message]], abs=0.051), t_s
            seen.add((message, t_s > poor_s))
    assert len(seen) == 8
    assert wanted[2.0]["ENG"] < 10.9


def test_battery_at_rest_while_cranking_and_charging(pipkin: Vehicle) -> None:
    # Common practice, no source: rest 12.5 V or more, cranking above 9.6, charging 13.5 to 14.7
    simulation = Simulation(pipkin, condition=Condition(ignition_on=False))
    world = World(simulation)
    assert world.battery_volt >= 12.5
    world.key(on=True)
    simulation.advance(1.0)
    assert world.start_engine() == ""
    assert 9.6 < world.battery_volt < 11.5
    assert simulation.surroundings.cranking
    simulation.advance(2.0)
    assert world.state.engine == "running"
    assert 13.5 <= world.battery_volt <= 14.7
    assert not simulation.surroundings.cranking
    world.stop_engine()
    assert world.battery_volt < 13.0


def test_a_weak_battery_sags_and_does_not_start(pipkin: Vehicle) -> None:
    weak = faults.parse("weak_battery open_circuit_volt=11.9 internal_ohm=0.06").apply(pipkin)
    simulation = Simulation(weak)
    world = World(simulation)
    first = world.battery_volt
    simulation.advance(120.0)
    assert world.battery_volt < first - 0.3
    assert world.start_engine() == ""
    assert world.battery_volt < 7.5
    simulation.advance(5.0)
    assert world.state.engine == "stopped"
    # a support supply beside it, strong enough, helps
    world.connect_supply(13.5, 300.0)
    assert world.start_engine() == ""
    simulation.advance(5.0)
    assert world.state.engine == "running"


def test_lamps_load_the_battery(pipkin: Vehicle) -> None:
    simulation = Simulation(pipkin)
    world = World(simulation)
    before = world.battery_volt
    world.switch_lamps(on=True)
    # 25 A through 10 mohm
    assert before - world.battery_volt == pytest.approx(0.25, abs=0.03)


def test_what_a_driver_cannot_do(pipkin: Vehicle) -> None:
    simulation = Simulation(pipkin)
    world = World(simulation)
    assert not world.select("drive")  # out of park only with the brake held
    world.brake(held=True)
    assert world.select("drive")
    assert world.start_engine() == "the selector is in drive"
    assert world.select("neutral")
    assert world.start_engine() == ""
    simulation.advance(3.0)
    assert world.start_engine() == "the engine runs already"
    world.key(on=False)
    assert world.state.engine == "stopped"
    assert world.start_engine() == "the ignition is off"
    for wrong in (lambda: world.select("fourth"), lambda: world.value("mood"), lambda: world.fluid("ENG")):
        with pytest.raises(UnknownName):
            wrong()
    with pytest.raises(BadRequest):
        world.connect_supply(99.0, 10.0)
    with pytest.raises(BadFile):
        world.drive("teleport")


def test_the_engine_warms_in_minutes_and_cools_in_hours(pipkin: Vehicle) -> None:
    # Common practice, no source: at idle the fluid goes from 26 to 35 Celsius in some minutes and to 80 in tens of
    # minutes; hot fluid does not come back into the window within an hour.
    drivetrain = pipkin.road.drivetrain
    assert drivetrain is not None

    def minutes_until(state: State, celsius: float) -> tuple[State, float]:
        seconds, rises = 0.0, state.fluid_celsius < celsius
        while (state.fluid_celsius < celsius) is rises:
            state, seconds = step(drivetrain, state, 0.2), seconds + 0.2
        return state, seconds / 60.0

    idling = State(engine="running", fluid_celsius=26.0, coolant_celsius=26.0)
    idling, to_35 = minutes_until(idling, 35.0)
    idling, to_45 = minutes_until(idling, 45.0)
    idling, to_70 = minutes_until(idling, 70.0)
    assert 3.0 < to_35 < 8.0
    assert 3.0 < to_45 < 10.0
    assert 20.0 < to_70 < 60.0
    _, back = minutes_until(replace(idling, engine="stopped"), 45.0)
    assert back > 55.0


def test_stop_start(pipkin: Vehicle) -> None:
    simulation = Simulation(pipkin)
    world = World(simulation, script=ONE_STOP)
    seen = set()
    while world.state.legs:
        simulation.advance(0.5)
        state = world.state
        seen.add((state.engine, state.standing, state.selector))
    assert ("stopped", True, "drive") in seen
    assert ("cranking", True, "drive") in seen
    assert ("running", False, "drive") in seen
    assert ("stopped", False, "drive") not in seen
    assert (world.state.selector, world.state.engine) == ("park", "stopped")  # with the last press of the brake


def test_an_action_in_the_middle_of_a_drive_counts_from_then_on(pipkin: Vehicle) -> None:
    simulation = Simulation(pipkin)
    world = World(simulation, script="every gear")
    simulation.advance(60.03)
    kmh = world.state.kmh
    assert kmh > 30.0
    world.key(on=False)
    simulation.advance(1.0)
    assert world.state.engine == "stopped"
    assert world.state.engine_rpm < 2_000.0
    assert world.state.kmh == kmh
