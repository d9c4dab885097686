"""A replaced unit on its way back into service: the whole pass over the simulated bus, and the ways to fail it.

Refusal codes and their names: ISO 14229-1:2020, annex A.1. Sessions, security access, the order of checks: the same
standard, 8.7 and 10; S3: ISO 14229-2:2013. What a workshop does and in which order: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from socket_client import SocketClient

import faults
from simulator.condition import Condition
from simulator.diagnostics import Refusal
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle
from simulator.world import BackOnTheRoad, World


class Workshop:
    """A vehicle with a replaced gearbox unit, a tester at its socket, and hands.

    ``minutes``: how long the road test is; the fluid begins at ``celsius``.
    """

    def __init__(
        self,
        name: str = "pipkin",
        *,
        celsius: float = 36.0,
        minutes: float = 1.0,
        fault: str = "",
        fitted: dict[str, str] | None = None,
    ) -> None:
        self.vehicle = shortened(load_vehicle(find_vehicle(name)), minutes)
        self.service = self.vehicle.road.service["GBX"]
        faulty = faults.parse(fault).apply(self.vehicle) if fault else self.vehicle
        self.simulation = Simulation(faulty, condition=Condition(ignition_on=False))
        self.world = World(self.simulation, celsius=celsius)
        self.track = BackOnTheRoad(self.world, "GBX", fitted)
        self.tester = SocketClient(self.simulation, "GBX")
        self.world.key(on=True)
        self.simulation.advance(1.0)

    def word(self, step: str) -> str:
        return self.track.step(step).word

    def why(self, step: str) -> str:
        return self.track.step(step).why

    def wait(self, seconds: float) -> None:
        self.simulation.advance(seconds)

    def extended(self) -> None:
        """The extended session, unlocked."""
        assert self.tester.ask("1003")[0] == 0x50
        self.tester.unlock()

    def write_request(self, number: int, data: bytes = b"") -> bytes:
        item = self.service.configuration[number]
        return b"\x2e" + item.number.to_bytes(2, "big") + (data or item.data)

    def write_all(self) -> None:
        self.extended()
        for number in range(len(self.service.configuration)):
            assert self.tester.ask(self.write_request(number))[0] == 0x6E
            assert self.tester.pending >= 1  # longer than P2, so "response pending" came first

    def cycle_key(self) -> None:
        self.world.key(on=False)
        self.wait(2.0)
        self.world.key(on=True)
        self.wait(2.0)

    def configure(self) -> None:
        self.world.connect_supply(13.6, 70.0)
        self.write_all()
        self.cycle_key()

    def idle(self) -> None:
        """The engine runs, foot on the brake, lever in park."""
        self.world.brake(held=True)
        assert self.world.start_engine() == ""
        self.wait(12.0)
        assert self.world.state.engine == "running"

    def fill(self) -> None:
        """Fluid in, and the circuits filled: the lever through every position."""
        self.world.add_fluid("GBX", 1.0)
        for position in ("reverse", "neutral", "drive", "park"):
            assert self.world.select(position)
            self.wait(4.0)

    def level(self) -> None:
        self.fill()
        while self.world.state.fluid < 36.0:
            self.wait(5.0)
        self.world.open_plug("GBX")
        while self.world.plug_words("GBX") != "drops":
            self.wait(5.0)
        self.world.close_plug("GBX")

    def ready_to_calibrate(self) -> None:
        self.configure()
        self.idle()
        self.level()
        self.extended()

    def calibrate(self) -> bytes:
        """Start the routine, keep the session alive to its end, and ask for its results."""
        started = self.tester.ask(routine(1))
        if started[0] == 0x7F:
            return started
        self.tester.keep_alive(45.0)
        return self.tester.ask(routine(3))

    def clear_all(self) -> None:
        for module in self.vehicle.modules:
            other = SocketClient(self.simulation, module)
            assert other.ask("14FFFFFF") == b"\x54"

    def roll_call(self) -> None:
        answering = []
        for module in self.vehicle.modules:
            other = SocketClient(self.simulation, module)
            if other.ask("3E00") == b"\x7e\x00":
                answering.append(module)
        self.track.note_roll_call(answering)

    def drive(self) -> None:
        """The route again and again, until nothing more comes of it."""
        self.world.disconnect_supply()
        for _ in range(4):
            self.world.drive(self.service.road_test.script)
            while self.world.state.legs:
                self.wait(20.0)
                if self.word("drive") in ("done", "stopped"):
                    self.world.drive("release\nto 0 in 20\nbrake\nselect park")
                    self.wait(25.0)
                    return


def shortened(vehicle: Vehicle, minutes: float) -> Vehicle:
    """The same with a shorter road test, on fluid that need not be as warm."""
    service = vehicle.road.service["GBX"]
    test = replace(service.road_test, minutes=minutes, fluid_celsius=36.0 if minutes < 5 else 60.0)
    return replace(vehicle, road=replace(vehicle.road, service={"GBX": replace(service, road_test=test)}))


def routine(control: int) -> bytes:
    return bytes((0x31, control, 0x03, 0x10))


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


def codes(shop: Workshop) -> list[str]:
    """What the unit stores now, by service 19 02."""
    from simulator.diagnostics import code_text

    answer = shop.tester.ask("190209")
    assert answer[:2] == b"\x59\x02"
    rows = answer[3:]
    return [code_text(int.from_bytes(rows[n : n + 3], "big")) for n in range(0, len(rows), 4)]


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


# -- the ways to fail it --------------------------------------------------------------------------------------------

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


def test_hot_fluid() -> None:
    shop = Workshop(celsius=97.0)
    shop.configure()
    shop.idle()
    shop.extended()
    refused = shop.tester.refusal(routine(1))
    assert Refusal(refused).words == "temperatureTooHigh"
    assert shop.track.step("routine").helps == "engine off, let it cool"


def test_a_unit_with_the_wrong_software() -> None:
    shop = Workshop(fitted={"software_number": "GBX-S00001"})
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
