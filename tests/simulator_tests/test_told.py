"""What a module was told, and which unit it is, where a fault has left that wrong: over the bus, and on the road.

Failure types of U0300: SAE J2012-DA (51 not programmed, 55 not configured), from memory. Refusal codes: ISO
14229-1:2020, annex A. That a wrong axle ratio shows as a speed that does not fit is common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from socket_client import SocketClient
from workshop import Workshop, codes

import faults
from simulator.condition import Condition
from simulator.diagnostics import Refusal, Status, code_number, code_text
from simulator.errors import UnknownName
from simulator.loaded import identity_of
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation
from simulator.world import AsFound, BackOnTheRoad, World, as_found

if TYPE_CHECKING:
    from simulator.vehicle import Vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))
HAULVEY = load_vehicle(find_vehicle("haulvey"))
#: Pull away, drive long enough for the speeds to be compared, stop.
ROUND = "start\nbrake\nselect drive\nrelease\nto 50 in 12\nwait 15\nto 0 in 10\nbrake\nselect park\nrelease\nstop"
RATIO = 'wrong_value module=GBX name="axle ratio" value=3.7'
HALF = "half_written module=GBX part=0.4"


def running(vehicle: Vehicle, text: str, seconds: float = 6.0) -> Simulation:
    simulation = Simulation(vehicle)
    simulation.inject(faults.parse(text))
    simulation.advance(seconds)
    return simulation


def stored(simulation: Simulation, module: str) -> list[str]:
    return [code_text(entry.number) for entry in simulation.modules[module].unit.memory.stored()]


def driven(simulation: Simulation, script: str = ROUND) -> World:
    world = World(simulation)
    simulation.advance(world.drive(script) + 10.0)
    return world


def test_a_wrong_value_is_read_and_nothing_else_shows_while_it_stands() -> None:
    simulation = running(PIPKIN, RATIO)
    assert SocketClient(simulation, "GBX").ask("222101") == bytes.fromhex("622101") + (3700).to_bytes(2, "big")
    assert SocketClient(simulation, "GBX").ask("222102") == bytes.fromhex("622102") + (1930).to_bytes(2, "big")
    assert {name: stored(simulation, name) for name in PIPKIN.modules} == {name: [] for name in PIPKIN.modules}


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (RATIO, ["P0720-00"]),
        ("wrong_value module=GBX name=tyre-size value=2.1", ["P0720-00"]),
        ("wrong_value module=GBX name=axle-ratio value=4.1", []),  # 1 %: within what tyres wear
        ("half_written module=GBX", ["U0300-51"]),  # in start-up mode nothing is compared
    ],
)
def test_what_a_wrong_value_does_on_the_road(text: str, found: list[str]) -> None:
    simulation = running(PIPKIN, text, 1.0)
    assert driven(simulation).state.distance_km > 41_200.3
    assert stored(simulation, "GBX") == found


def test_a_right_unit_drives_without_a_code_and_its_monitors_run() -> None:
    simulation = Simulation(HAULVEY)
    driven(simulation)
    assert stored(simulation, "GBX") == []
    entry = simulation.modules["GBX"].unit.memory.entries[code_number("P0720-00")]
    assert not entry.status & (Status.NOT_COMPLETED_SINCE_CLEAR | Status.NOT_COMPLETED_THIS_CYCLE)


def test_a_cleared_code_comes_back_after_as_long_as_the_first_time() -> None:
    simulation = running(PIPKIN, RATIO, 1.0)
    world = driven(simulation)
    assert SocketClient(simulation, "GBX").ask("14FFFFFF") == b"\x54"
    assert stored(simulation, "GBX") == []
    simulation.advance(world.drive("start\nbrake\nselect drive\nrelease\nto 50 in 12") + 1.0)
    assert stored(simulation, "GBX") == []
    simulation.advance(20.0)
    assert stored(simulation, "GBX") == ["P0720-00"]


def test_a_writing_that_broke_off_leaves_a_module_that_answers_its_name_and_sends_nothing() -> None:
    simulation = running(PIPKIN, HALF)
    tester = SocketClient(simulation, "GBX")
    assert tester.ask("3E00") == b"\x7e\x00"
    assert tester.ask("22F187")[3:].decode() == identity_of(PIPKIN, "GBX").part_number
    assert Refusal(tester.refusal("222101")).words == "requestOutOfRange"
    assert tester.ask("222101F186") == bytes.fromhex("62F18601")  # what is not there is left out
    assert stored(simulation, "GBX") == ["U0300-51"]
    assert stored(simulation, "ENG") == ["U0101-87"]


def test_half_written_is_worse_than_not_configured_and_a_value_it_does_not_keep() -> None:
    simulation = running(PIPKIN, "not_configured module=GBX")
    tester = SocketClient(simulation, "GBX")
    assert tester.ask("222101") == bytes.fromhex("622101FFFF")
    assert stored(simulation, "GBX") == ["U0300-55"]
    for text in (HALF, RATIO):
        simulation.inject(faults.parse(text))
    simulation.advance(2.0)
    assert Refusal(tester.refusal("222101")).words == "requestOutOfRange"
    assert "U0300-51" in stored(simulation, "GBX")


def test_another_unit_says_its_own_numbers() -> None:
    simulation = running(HAULVEY, "wrong_unit module=ENG part_number=SKV-1 software_number=SKV-S1")
    tester = SocketClient(simulation, "ENG")
    assert tester.ask("22F187")[3:] == b"SKV-1"
    assert tester.ask("22F188")[3:] == b"SKV-S1"
    assert tester.ask("0904")[3:] == b"SKV-S1".ljust(16, b"\0")
    assert stored(simulation, "ENG") == ["U0300-00"]
    assert stored(simulation, "GBX") == []  # it sends all the same


def test_it_comes_and_goes_with_the_faults_timeline() -> None:
    simulation = running(PIPKIN, f"{HALF} from_s=2 until_s=6", 5.0)
    assert Refusal(SocketClient(simulation, "GBX").refusal("222101")).words == "requestOutOfRange"
    simulation.advance(5.0)
    assert SocketClient(simulation, "GBX").ask("222101")[0] == 0x62
    entry = simulation.modules["GBX"].unit.memory.entries[code_number("U0300-51")]
    assert not entry.is_now
    assert entry.occurrences == 1


# -- mended on the way back -----------------------------------------------------------------------------------------


def found_with(*texts: str) -> AsFound:
    return as_found(faults.apply(PIPKIN, [faults.parse(text) for text in texts]), "GBX")


def test_how_a_unit_is_found() -> None:
    assert found_with() == AsFound(told={"axle ratio": 4.06, "tyre size": 1.93})
    assert found_with(RATIO).told == {"axle ratio": 3.7, "tyre size": 1.93}
    assert found_with(HALF, RATIO) == AsFound(broke_off=0.4, blank=True)
    assert found_with("not_configured module=GBX") == AsFound(blank=True)
    assert found_with("wrong_unit module=GBX part_number=1").fitted == {"part_number": "1"}
    with pytest.raises(UnknownName, match="no unit with a way back into service called 'ENG'"):
        as_found(PIPKIN, "ENG")


def test_a_wrong_value_is_mended_by_writing_it() -> None:
    shop = Workshop(found=found_with(RATIO))
    assert (shop.word("routine"), shop.word("level")) == ("done", "done")
    shop.world.connect_supply()
    shop.extended()
    assert shop.tester.refusal(shop.write_request(0)) == 0
    shop.cycle_key()
    for item in shop.service.configuration:
        shop.tester.ask(b"\x22" + item.number.to_bytes(2, "big"))
    assert (shop.word("read back"), shop.word("routine")) == ("done", "done")
    shop.clear_all()
    shop.drive()
    assert (shop.word("drive"), codes(shop)) == ("done", [])


def test_a_unit_that_has_lost_all_keeps_its_fluid_and_is_written_in_an_ordinary_session() -> None:
    shop = Workshop(found=found_with("not_configured module=GBX"))
    assert (shop.word("write"), shop.word("level")) == ("ready", "done")
    shop.configure()
    assert (shop.word("write"), shop.word("routine")) == ("done", "not ready")


def test_whoever_works_on_a_unit_lets_its_monitors_look() -> None:
    simulation = Simulation(PIPKIN, condition=Condition())
    world = World(simulation)
    BackOnTheRoad(world, "GBX", found_with(RATIO))
    simulation.advance(world.drive(ROUND) + 10.0)
    assert stored(simulation, "GBX") == ["P0720-00"]
    assert simulation.modules["GBX"].unit.memory.entries[code_number("P0720-00")].occurrences == 1
