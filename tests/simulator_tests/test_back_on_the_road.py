"""A replaced unit on its way back into service: the whole pass over the simulated bus, and what then helps.

Refusal codes and their names: ISO 14229-1:2020, annex A.1. What a workshop does and in which order: common practice, no
source.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from workshop import Workshop, codes, routine

import faults
from simulator.diagnostics import Refusal
from simulator.errors import UnknownName
from simulator.world import AsFound


def whole_pass(shop: Workshop) -> None:
    """Every step of the track, in order, by requests over the bus and by hands."""
    track = shop.track
    assert not track.finished
    assert {step.word for step in track.steps()} <= {"ready", "not ready"}
    # it comes from its box without a configuration: it says so, sends nothing, and answers its name
    assert "U0300-55" in codes(shop)
    shop.world.connect_supply(13.6, 70.0)
    assert shop.word("supply") == "done"
    for number in ("22F187", "22F188"):
        assert shop.tester.ask(number)[:3] == bytes.fromhex("62" + number[2:])
    assert shop.word("identity") == "done"
    shop.write_all()
    assert (shop.word("write"), shop.track.step("write").helps) == ("ready", "cycle the key")
    shop.cycle_key()
    assert shop.word("write") == "done"
    for item in shop.service.configuration:
        asked = b"\x22" + item.number.to_bytes(2, "big")
        assert shop.tester.ask(asked) == b"\x62" + asked[1:] + item.data
    assert shop.word("read back") == "done"
    shop.idle()
    shop.level()
    assert shop.word("level") == "done", shop.track.step("level")
    shop.extended()
    assert shop.calibrate() == bytes.fromhex("71030310 00 64 00")
    assert shop.word("routine") == "done"
    shop.clear_all()
    assert shop.word("clear") == "done"
    assert "status 0x50" in shop.why("drive")
    shop.drive()
    assert shop.word("drive") == "done", shop.track.step("drive")
    shop.roll_call()
    assert shop.word("roll call") == "done", shop.track.step("roll call")
    assert track.finished


def test_the_whole_pass() -> None:
    whole_pass(Workshop())


@pytest.mark.slow
def test_the_whole_pass_on_the_van_through_its_gateway() -> None:
    whole_pass(Workshop("haulvey"))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["pipkin", "haulvey"])
def test_the_whole_pass_at_full_length(name: str) -> None:
    """From cold, with the road test of the vehicle file: fluid at 60 Celsius for a quarter of an hour."""
    shop = Workshop(name, celsius=24.0, minutes=15.0)
    whole_pass(shop)


def test_hot_fluid() -> None:
    shop = Workshop(celsius=97.0)
    shop.configure()
    shop.idle()
    shop.extended()
    refused = shop.tester.refusal(routine(1))
    assert Refusal(refused).words == "temperatureTooHigh"
    assert shop.track.step("routine").helps == "engine off, let it cool"


def test_a_unit_with_the_wrong_software() -> None:
    shop = Workshop(found=AsFound(fitted={"software_number": "GBX-S00001"}))
    assert shop.tester.ask("22F188")[3:] == b"GBX-S00001"
    shop.tester.ask("22F187")
    assert shop.word("identity") == "stopped"
    assert "U0300-00" in codes(shop)
    shop.ready_to_calibrate()
    refused = shop.tester.refusal(routine(1))
    assert Refusal(refused).words == "failurePreventsExecutionOfRequestedAction"
    # what then helps: the right unit
    shop.world.key(on=False)
    shop.track.fit()
    shop.world.key(on=True)
    shop.wait(1.0)
    shop.tester.ask("22F187"), shop.tester.ask("22F188")
    assert shop.word("identity") == "done"
    assert shop.word("write") == "ready"


# -- a battery too weak while writing -------------------------------------------------------------------------------

WEAK = "weak_battery open_circuit_volt=12.4 internal_ohm=0.04"


def broken_off() -> Workshop:
    """A tired battery without a support supply; three seconds into the writing somebody turns the blower on."""
    shop = Workshop(fault=WEAK)
    shop.extended()
    shop.simulation.at(shop.simulation.t_ns + 3_000_000_000, lambda: shop.world.switch_lamps(on=True))
    assert Refusal(shop.tester.refusal(shop.write_request(0))).words == "generalProgrammingFailure"
    return shop


def test_a_battery_too_weak_to_begin() -> None:
    shop = Workshop(fault="weak_battery open_circuit_volt=11.9 internal_ohm=0.06")
    shop.extended()
    assert shop.word("write") == "not ready"
    assert Refusal(shop.tester.refusal(shop.write_request(0))).words == "voltageTooLow"
    shop.world.connect_supply(13.5, 100.0)
    assert shop.tester.refusal(shop.write_request(0)) == 0


def test_a_write_that_breaks_off_leaves_a_unit_that_answers_its_name_and_nothing_else() -> None:
    shop = broken_off()
    assert shop.track.unit.broke_off == pytest.approx(3.0 / 8.0, abs=0.02)
    assert shop.why("write") == "it broke off at 37 %; the unit is in start-up mode"
    shop.world.switch_lamps(on=False)
    assert shop.word("write") == "stopped"
    assert shop.tester.ask("3E00") == b"\x7e\x00"
    assert shop.tester.ask("22F187")[0] == 0x62
    assert Refusal(shop.tester.refusal("222101")).words == "requestOutOfRange"
    assert Refusal(shop.tester.refusal(shop.write_request(0))).words == "requestOutOfRange"
    assert Refusal(shop.tester.refusal(routine(1))).words == "requestSequenceError"
    sent = set()
    shop.simulation.subscribe(lambda record: sent.add((record.transmitter, record.message)))
    shop.wait(1.0)
    assert ("ENG", "EngSpeed") in sent
    assert not {message for module, message in sent if module == "GBX" and message}
    # the key alone does not help
    shop.cycle_key()
    assert shop.word("write") == "stopped"
    assert "U0300-51" in codes(shop)
    # what then helps: a support supply, the programming session, its own key, everything anew, a reset
    shop.world.connect_supply(13.5, 100.0)
    assert shop.tester.ask("1002")[0] == 0x50
    shop.tester.unlock(0x11)
    for number in range(len(shop.service.configuration)):
        assert shop.tester.ask(shop.write_request(number))[0] == 0x6E
    assert shop.tester.ask("1101")[:2] == b"\x51\x01"
    shop.wait(1.0)
    assert shop.word("write") == "done"
    sent.clear()
    shop.wait(1.0)
    assert ("GBX", "GbxGear") in sent


def test_the_key_turned_off_while_writing() -> None:
    shop = Workshop()
    shop.world.connect_supply()
    shop.extended()
    # the request is on its way; the key goes off in the middle of the work
    shop.simulation.at(shop.simulation.t_ns + 3_000_000_000, lambda: shop.world.key(on=False))
    shop.tester.ask(shop.write_request(0), timeout=2.0)
    shop.wait(5.0)
    assert shop.track.unit.broke_off == pytest.approx(3.0 / 8.0, abs=0.02)


# -- level, clear, road ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("celsius", "litre", "word"), [(20.0, 0.073, "high"), (60.0, 0.073, "low")])
def test_the_level_closed_too_cold_or_too_hot(celsius: float, litre: float, word: str) -> None:
    # 5.2 litre x 0.0007 x 20 K = 0.073 litre
    shop = Workshop(celsius=celsius)
    shop.idle()
    shop.fill()
    shop.world.open_plug("GBX")
    shop.wait(160.0)
    shop.world.close_plug("GBX")
    step = shop.track.step("level")
    assert step.word == "stopped"
    assert step.why.endswith(f"litre too {word}")
    # a hundred seconds of idling move the fluid by some kelvin
    closed = shop.world.fluid("GBX").closed_celsius
    assert closed is not None
    by_hand = 5.2 / (1 + 0.0007 * (closed - 40.0)) - 5.2
    assert shop.world.fluid("GBX").error_litre == pytest.approx(by_hand, abs=0.006)
    assert abs(by_hand) == pytest.approx(litre, abs=0.03)


def test_drops_at_the_cold_end_of_the_window_are_right() -> None:
    # common practice, no source: closed at drops between 35 and 45 Celsius it is right, at 35.0 too. By hand: 6 litre
    # and a last drop above the edge at 35 Celsius are 6 / (1 - 5 x 0.0007) - 6 + 0.0096 = 0.031 litre too much at 40
    shop = Workshop("haulvey", celsius=34.0)
    shop.idle()
    shop.fill()
    while shop.world.state.fluid_celsius < 35.0:
        shop.wait(0.2)
    fluid = shop.world.fluid("GBX")
    fluid.litre = 6.0096 / (1.0 + 0.0007 * (shop.world.state.fluid_celsius - 40.0))
    shop.world.open_plug("GBX")
    assert shop.world.plug_words("GBX") == "drops"
    shop.world.close_plug("GBX")
    assert fluid.error_litre == pytest.approx(0.031, abs=0.0006)
    assert shop.track.step("level").word == "done"
    shop.world.add_fluid("GBX", 0.1)
    assert shop.track.step("level").word == "stopped"


@pytest.mark.slow
def test_a_wrong_axle_ratio_shows_when_it_is_read_back_and_on_the_road() -> None:
    shop = Workshop()
    shop.world.connect_supply()
    shop.extended()
    assert shop.tester.refusal(shop.write_request(0, (3_700).to_bytes(2, "big"))) == 0
    assert shop.tester.refusal(shop.write_request(1)) == 0
    shop.cycle_key()
    for item in shop.service.configuration:
        shop.tester.ask(b"\x22" + item.number.to_bytes(2, "big"))
    assert shop.word("read back") == "stopped"
    assert shop.why("read back") == "axle ratio reads 3.7, the vehicle has 4.06"
    shop.idle()
    shop.level()
    shop.extended()
    assert shop.calibrate()[4] == 0x00
    shop.clear_all()
    shop.drive()
    assert shop.word("drive") == "stopped"
    assert codes(shop) == ["P0720-00"]
    # what then helps: the right value, the key, a clear, the road again
    shop.world.stop_engine()
    shop.extended()
    assert shop.tester.refusal(shop.write_request(0)) == 0
    shop.cycle_key()
    shop.clear_all()
    shop.drive()
    assert shop.word("drive") == "done"


@pytest.mark.slow
def test_cleared_is_not_passed() -> None:
    shop = Workshop()
    shop.ready_to_calibrate()
    shop.calibrate()
    assert "codes have not been cleared" in shop.why("drive")
    shop.clear_all()
    shop.roll_call()
    assert shop.word("roll call") == "not ready"
    # round the block does not do
    shop.world.drive("brake\nselect drive\nrelease\nto 30 in 8\nwait 10\nto 0 in 6\nbrake\nselect park")
    shop.wait(40.0)
    assert shop.word("drive") == "ready"
    assert "not every gear" in shop.why("drive")
    assert "0x50" in shop.why("drive")


@pytest.mark.slow
def test_a_module_that_is_silent_in_the_last_roll_call() -> None:
    shop = Workshop()
    shop.ready_to_calibrate()
    shop.calibrate()
    shop.clear_all()
    shop.drive()
    shop.simulation.inject(faults.parse("open line=high at=CLU"))
    shop.roll_call()
    assert shop.word("roll call") == "stopped"
    assert shop.why("roll call") == "silent: CLU"


def steps_of_a_run() -> Iterator[str]:
    shop = Workshop()
    shop.ready_to_calibrate()
    shop.calibrate()
    yield from map(str, shop.track.steps())


@pytest.mark.slow
def test_the_same_work_gives_the_same_steps() -> None:
    assert list(steps_of_a_run()) == list(steps_of_a_run())


def test_a_unit_that_was_told_the_wrong_axle_before_shows_it_on_the_road() -> None:
    shop = Workshop(found=AsFound(told={"axle ratio": 3.7, "tyre size": 1.93}))
    assert (shop.word("write"), shop.word("read back"), shop.word("routine")) == ("done", "ready", "done")
    assert codes(shop) == []
    shop.clear_all()
    shop.drive()
    assert codes(shop) == ["P0720-00"]


def test_a_unit_whose_writing_broke_off_before_is_found_in_start_up_mode() -> None:
    shop = Workshop(found=AsFound(broke_off=0.4))
    assert shop.why("write") == "it broke off at 40 %; the unit is in start-up mode"
    shop.wait(5.0)
    assert codes(shop) == ["U0300-51"]


def test_what_nobody_can_be_told() -> None:
    with pytest.raises(UnknownName, match="axle ratio"):
        Workshop(found=AsFound(told={"axle": 3.7}))
    with pytest.raises(UnknownName, match="software_number"):
        Workshop(found=AsFound(fitted={"software": "1"}))
