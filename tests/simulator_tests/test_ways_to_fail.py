"""The ways to fail the return to service, each with the refusal that it meets.

Refusal codes and their names: ISO 14229-1:2020, annex A.1. Sessions, security access, the order of checks: the same
standard, 8.7 and 10. What must hold for a calibration: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from workshop import Workshop, routine

from simulator.diagnostics import Refusal

Way = Callable[[Workshop], int]
WAYS: dict[str, tuple[Refusal, Way]] = {}


def way(refusal: Refusal) -> Callable[[Way], Way]:
    """A way to fail, and the refusal that it meets."""

    def note(function: Way) -> Way:
        WAYS[function.__name__] = refusal, function
        return function

    return note


@way(Refusal.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION)
def written_in_the_default_session(shop: Workshop) -> int:
    return shop.tester.refusal(shop.write_request(0))


@way(Refusal.SECURITY_ACCESS_DENIED)
def written_without_a_key(shop: Workshop) -> int:
    shop.tester.ask("1003")
    return shop.tester.refusal(shop.write_request(0))


@way(Refusal.INVALID_KEY)
def a_wrong_key(shop: Workshop) -> int:
    shop.tester.ask("1003")
    shop.tester.ask("2701")
    return shop.tester.refusal("270200000000")


@way(Refusal.EXCEEDED_NUMBER_OF_ATTEMPTS)
def a_wrong_key_three_times(shop: Workshop) -> int:
    shop.tester.ask("1003")
    for _ in range(2):
        shop.tester.ask("2701")
        shop.tester.ask("270200000000")
    shop.tester.ask("2701")
    return shop.tester.refusal("270200000000")


@way(Refusal.REQUIRED_TIME_DELAY_NOT_EXPIRED)
def asked_again_before_the_delay_is_over(shop: Workshop) -> int:
    a_wrong_key_three_times(shop)
    refused = shop.tester.refusal("2701")
    shop.tester.keep_alive(11.0)
    assert shop.tester.refusal("2701") == 0
    return refused


@way(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
def written_a_byte_short(shop: Workshop) -> int:
    shop.extended()
    return shop.tester.refusal(shop.write_request(0, b"\x01"))


@way(Refusal.REQUEST_OUT_OF_RANGE)
def written_a_ratio_of_nothing(shop: Workshop) -> int:
    shop.extended()
    return shop.tester.refusal(shop.write_request(0, b"\x00\x00"))


@way(Refusal.VOLTAGE_TOO_HIGH)
def written_at_too_high_a_voltage(shop: Workshop) -> int:
    shop.world.connect_supply(16.5, 100.0)
    shop.extended()
    return shop.tester.refusal(shop.write_request(0))


@way(Refusal.ENGINE_IS_RUNNING)
def written_with_the_engine_running(shop: Workshop) -> int:
    shop.idle()
    shop.extended()
    assert shop.word("write") == "not ready"
    return shop.tester.refusal(shop.write_request(0))


@way(Refusal.VEHICLE_SPEED_TOO_HIGH)
def written_while_it_rolls(shop: Workshop) -> int:
    shop.world.drive("start\nbrake\nselect drive\nrelease\nto 20 in 5\nstop\nto 10 in 60")
    shop.wait(10.0)
    shop.extended()
    return shop.tester.refusal(shop.write_request(0))


@way(Refusal.REQUEST_SEQUENCE_ERROR)
def calibrated_before_it_is_configured(shop: Workshop) -> int:
    shop.idle()
    shop.extended()
    assert shop.why("routine") == "it has no configuration in force"
    return shop.tester.refusal(routine(1))


@way(Refusal.REQUEST_SEQUENCE_ERROR)
def calibrated_before_the_key_was_cycled(shop: Workshop) -> int:
    shop.world.connect_supply()
    shop.write_all()
    shop.idle()
    shop.extended()
    return shop.tester.refusal(routine(1))


@way(Refusal.REQUEST_SEQUENCE_ERROR)
def results_of_a_calibration_that_never_ran(shop: Workshop) -> int:
    shop.configure()
    shop.extended()
    return shop.tester.refusal(routine(3))


@way(Refusal.ENGINE_IS_NOT_RUNNING)
def calibrated_with_the_engine_off(shop: Workshop) -> int:
    shop.configure()
    shop.world.brake(held=True)
    shop.extended()
    return shop.tester.refusal(routine(1))


@way(Refusal.ENGINE_RUN_TIME_TOO_LOW)
def calibrated_right_after_the_start(shop: Workshop) -> int:
    shop.configure()
    shop.world.brake(held=True)
    shop.world.start_engine()
    shop.wait(3.0)
    shop.extended()
    return shop.tester.refusal(routine(1))


@way(Refusal.RPM_TOO_HIGH)
def calibrated_with_a_foot_on_the_accelerator(shop: Workshop) -> int:
    shop.ready_to_calibrate()
    shop.world.hold_engine(1_800.0)
    shop.wait(2.0)
    refused = shop.tester.refusal(routine(1))
    shop.world.hold_engine(0.0)
    shop.wait(2.0)
    assert shop.tester.refusal(routine(1)) == 0
    return refused


@way(Refusal.BRAKE_SWITCH_NOT_CLOSED)
def calibrated_without_the_brake(shop: Workshop) -> int:
    shop.ready_to_calibrate()
    shop.world.brake(held=False)
    return shop.tester.refusal(routine(1))


@way(Refusal.SHIFTER_LEVER_NOT_IN_PARK)
def calibrated_in_neutral(shop: Workshop) -> int:
    shop.ready_to_calibrate()
    shop.world.select("neutral")
    return shop.tester.refusal(routine(1))


@way(Refusal.TEMPERATURE_TOO_LOW)
def calibrated_with_cold_fluid(shop: Workshop) -> int:
    shop.configure()
    shop.idle()
    shop.extended()
    return shop.tester.refusal(routine(1))


@way(Refusal.VOLTAGE_TOO_HIGH)
def calibrated_at_too_high_a_voltage(shop: Workshop) -> int:
    shop.ready_to_calibrate()
    shop.world.connect_supply(16.5, 200.0)
    return shop.tester.refusal(routine(1))


@way(Refusal.BUSY_REPEAT_REQUEST)
def started_while_it_runs(shop: Workshop) -> int:
    shop.ready_to_calibrate()
    assert shop.tester.refusal(routine(1)) == 0
    assert shop.word("routine") == "running"
    return shop.tester.refusal(routine(1))


@way(Refusal.SUB_FUNCTION_NOT_SUPPORTED)
def a_control_that_no_routine_has(shop: Workshop) -> int:
    shop.ready_to_calibrate()
    return shop.tester.refusal(routine(4))


#: Ways that need a unit ready for its calibration: that takes some seconds of computing each.
LATE = sorted(name for name, (_, function) in WAYS.items() if "ready_to_calibrate" in function.__code__.co_names)


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[pytest.mark.slow] if name in LATE else []) for name in sorted(WAYS)]
)
def test_a_way_to_be_refused(name: str) -> None:
    refusal, function = WAYS[name]
    code = function(Workshop(celsius=18.0 if "cold" in name else 36.0))
    assert Refusal(code).words == refusal.words


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(WAYS))
def test_a_way_to_be_refused_on_the_van(name: str) -> None:
    refusal, function = WAYS[name]
    code = function(Workshop("haulvey", celsius=18.0 if "cold" in name else 36.0))
    assert Refusal(code).words == refusal.words


def test_one_visit_with_all_that_must_hold_broken_in_turn() -> None:
    """The same preconditions one after the other, each made good again: the unit forgets no refusal and keeps none."""
    shop = Workshop()
    shop.ready_to_calibrate()
    world = shop.world
    for disturb, mend, refusal in (
        (lambda: world.brake(held=False), lambda: world.brake(held=True), Refusal.BRAKE_SWITCH_NOT_CLOSED),
        (lambda: world.select("neutral"), lambda: world.select("park"), Refusal.SHIFTER_LEVER_NOT_IN_PARK),
        (lambda: world.hold_engine(1_800.0), lambda: world.hold_engine(0.0), Refusal.RPM_TOO_HIGH),
        (lambda: world.connect_supply(16.5, 200.0), lambda: world.connect_supply(13.5), Refusal.VOLTAGE_TOO_HIGH),
        (lambda: None, lambda: None, None),
    ):
        disturb()
        shop.wait(1.5)
        code = shop.tester.refusal(routine(1))
        assert code == (refusal or 0), refusal
        mend()
        shop.wait(1.5)
    assert Refusal(shop.tester.refusal(routine(1))).words == "busyRepeatRequest"
    # released at sixty percent
    shop.tester.keep_alive(0.6 * 30.0 - 2.0)
    world.brake(held=False)
    shop.wait(1.0)
    state, percent, code = shop.tester.ask(routine(3))[4:]
    assert (state, Refusal(code).words) == (0x02, "brakeSwitchNotClosed")
    assert 55 <= percent <= 65


def test_there_are_enough_ways() -> None:
    assert len(WAYS) >= 20
    assert len({refusal for refusal, _ in WAYS.values()}) >= 16


# -- what must hold to the end --------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("disturb", "words", "refusal"),
    [
        (lambda shop: shop.world.brake(held=False), "the brake is not held", "brakeSwitchNotClosed"),
        (lambda shop: shop.world.select("neutral"), "the selector is in neutral", "shifterLeverNotInPark"),
        (lambda shop: shop.world.stop_engine(), "the engine does not run", "engineIsNotRunning"),
        (lambda shop: shop.world.hold_engine(2_000.0), "the engine turns at", "rpmTooHigh"),
        (lambda shop: shop.world.connect_supply(17.0, 200.0), "above 14.8", "voltageTooHigh"),
    ],
)
def test_lost_on_the_way(disturb: Callable[[Workshop], object], words: str, refusal: str) -> None:
    shop = Workshop()
    shop.ready_to_calibrate()
    assert shop.tester.ask(routine(1))[0] == 0x71
    shop.tester.keep_alive(0.6 * 30.0)
    disturb(shop)
    shop.tester.keep_alive(15.0)
    answer = shop.tester.ask(routine(3))
    state, percent, code = answer[4:]
    assert state == 0x02  # not complete
    assert 58 <= percent <= 68
    assert Refusal(code).words == refusal
    assert shop.word("routine") == "stopped"
    assert words in shop.why("routine")
    assert shop.world.calibration == "failed"


def test_the_session_ends_without_tester_present() -> None:
    shop = Workshop()
    shop.ready_to_calibrate()
    assert shop.tester.ask(routine(1))[0] == 0x71
    shop.wait(8.0)
    shop.extended()
    assert shop.tester.ask(routine(3))[4] == 0x02
    assert shop.why("routine").startswith("the diagnostic session has ended, at 1")  # S3: after 5 of 30 s


@pytest.mark.slow
def test_the_key_turned_off_while_calibrating() -> None:
    shop = Workshop()
    shop.ready_to_calibrate()
    shop.tester.ask(routine(1))
    shop.tester.keep_alive(10.0)
    shop.cycle_key()
    assert shop.word("routine") == "stopped"


@pytest.mark.slow
def test_stopped_by_the_tester() -> None:
    shop = Workshop()
    shop.ready_to_calibrate()
    shop.tester.ask(routine(1))
    shop.tester.keep_alive(10.0)
    assert shop.tester.ask(routine(2))[4] == 0x02
    assert shop.calibrate()[4:] == bytes((0x00, 100, 0x00))  # again, and to the end


@pytest.mark.slow
def test_too_little_fluid_ends_the_calibration() -> None:
    shop = Workshop(celsius=50.0)
    shop.configure()
    shop.idle()
    shop.extended()
    state, percent, code = shop.calibrate()[4:]
    assert (state, Refusal(code).words) == (0x02, "failurePreventsExecutionOfRequestedAction")
    assert percent == 60
    assert shop.track.step("routine").helps == "put the fluid level right"
