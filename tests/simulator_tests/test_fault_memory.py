"""Fault codes, the life of a status byte, what makes a module store a code, what makes it forget."""

from __future__ import annotations

import pytest
import udsoncan
from diagnostic_bench import PIPKIN, SECOND_NS, Ear

from simulator.diagnostics import (
    AGEING_CYCLES,
    Configuration,
    Entry,
    FaultMemory,
    SelfCheck,
    Snapshot,
    Status,
    World,
    code_number,
    code_text,
)
from simulator.errors import BadRequest

SHOT = Snapshot(1_000, 12.6)


@pytest.mark.parametrize(
    ("text", "number"),
    [("U0121-00", 0xC12100), ("C0203-00", 0x420300), ("B0123-44", 0x812344), ("U0100-87", 0xC10087)],
)
def test_codes_as_numbers(text: str, number: int) -> None:
    """SAE J2012 as udsoncan reads it; the numbers were read in public examples."""
    assert code_number(text) == number
    assert code_text(number) == text
    assert udsoncan.Dtc(number).id_iso() == text


def test_what_is_no_code() -> None:
    with pytest.raises(BadRequest, match="'X0100' is no fault code; write one like U0101-87"):
        code_number("X0100")


def test_the_bits_are_those_of_the_standard() -> None:
    """udsoncan's bits of the status byte, ISO 14229-1 annex D.2."""
    names = {
        Status.TEST_FAILED: "test_failed",
        Status.FAILED_THIS_CYCLE: "test_failed_this_operation_cycle",
        Status.PENDING: "pending",
        Status.CONFIRMED: "confirmed",
        Status.NOT_COMPLETED_SINCE_CLEAR: "test_not_completed_since_last_clear",
        Status.FAILED_SINCE_CLEAR: "test_failed_since_last_clear",
        Status.NOT_COMPLETED_THIS_CYCLE: "test_not_completed_this_operation_cycle",
        Status.WARNING: "warning_indicator_requested",
    }
    for bit, name in names.items():
        parsed = udsoncan.Dtc.Status.from_byte(bit)
        assert [other for other in names.values() if getattr(parsed, other)] == [name]


def test_life_of_a_status_byte() -> None:
    """ISO 14229-1 annex D: threshold 1, no warning lamp; clear 50, fail 2F, pass 2E, next cycle 6C, pass 2C, end 28."""
    entry = Entry(code_number("U0101-87"))
    seen = [int(entry.status)]
    for step in (
        lambda: entry.failed(SHOT),
        entry.passed,
        lambda: (entry.end_cycle(), entry.begin_cycle()),
        entry.passed,
        entry.end_cycle,
    ):
        step()
        seen.append(int(entry.status))
    assert seen == [0x50, 0x2F, 0x2E, 0x6C, 0x2C, 0x28]


def healthy_cycle(entry: Entry) -> None:
    entry.begin_cycle()
    entry.passed()
    entry.end_cycle()


def test_ageing() -> None:
    """Common practice: forgotten after 40 cycles that were tested and did not fail; then 20, and cleared 50."""
    entry = Entry(code_number("U0101-87"))
    entry.begin_cycle()
    entry.failed(SHOT)
    entry.end_cycle()
    for cycle in range(AGEING_CYCLES):
        assert entry.status & Status.CONFIRMED, cycle
        healthy_cycle(entry)
    assert (AGEING_CYCLES, int(entry.status)) == (40, 0x20)
    assert entry.first is None
    entry.clear()
    assert entry.status == 0x50


def test_ageing_begins_anew_with_each_failure_and_needs_a_test() -> None:
    """ISO 14229-1 annex D.3: only cycles whose test has completed count."""
    entry = Entry(1)
    entry.failed(SHOT)
    for _ in range(39):
        healthy_cycle(entry)
    for _ in range(10):
        entry.begin_cycle()
        entry.end_cycle()
    assert entry.aged == 39
    entry.begin_cycle()
    entry.failed(SHOT)
    entry.end_cycle()
    assert (entry.aged, entry.occurrences) == (0, 2)
    assert entry.status & Status.CONFIRMED


def test_pending_before_confirmed() -> None:
    """ISO 14229-1 annex D.2: a threshold of two cycles: the first failure is only pending; a good cycle ends that."""
    entry = Entry(1, threshold=2)
    entry.begin_cycle()
    entry.failed(SHOT)
    entry.passed()
    entry.failed(SHOT)
    assert entry.status == 0x27
    entry.end_cycle()
    healthy_cycle(entry)
    assert entry.status == 0x20
    for _ in range(2):
        entry.begin_cycle()
        entry.failed(SHOT)
        entry.end_cycle()
    assert entry.status & Status.CONFIRMED


def test_warning_and_permanent_code() -> None:
    """Annex D.2, bit 7; SAE J1979, service 0A (from memory): a clear leaves a permanent code, a good cycle takes it."""
    entry = Entry(1, warns=True)
    entry.begin_cycle()
    entry.failed(SHOT)
    assert entry.status == 0xAF
    entry.clear()
    assert (int(entry.status), entry.permanent) == (0x50, True)
    entry.end_cycle()
    healthy_cycle(entry)
    assert not entry.permanent


def test_occurrences_and_snapshots() -> None:
    """Own rule: the first and the latest time that the test turned to failed; the counter stops at 255."""
    entry = Entry(1)
    for n in range(300):
        entry.failed(Snapshot(n, 12.0))
        entry.failed(Snapshot(n + 1000, 12.0))
        entry.passed()
    assert entry.occurrences == 255
    assert entry.first == Snapshot(0, 12.0)
    assert entry.latest == Snapshot(299, 12.0)


def test_groups_for_clearing() -> None:
    """ISO 14229-1 annex D.1: FFFFFF is all; here also all of one letter, or one code."""
    memory = FaultMemory()
    numbers = [code_number(text) for text in ("P0562-16", "C0203-00", "B0123-44", "U0101-87", "U0121-87")]
    for number in numbers:
        memory.support(number)
        memory.report(number, True, SHOT)
    memory.clear(code_number("U0101-87"))
    assert [entry.number for entry in memory.stored()] == [n for n in numbers if n != code_number("U0101-87")]
    memory.clear(0xC00000)
    assert [code_text(entry.number) for entry in memory.stored()] == ["P0562-16", "C0203-00", "B0123-44"]
    memory.clear()
    assert memory.stored() == []
    assert not memory.is_group(0x123456)


# --- the tests a module makes


class Car:
    """A module's self-check, its ear, and a clock in ns."""

    def __init__(self, name: str = "ENG") -> None:
        self.memory = FaultMemory()
        self.check = SelfCheck(PIPKIN, PIPKIN.modules[name], self.memory)
        self.ear = Ear()
        self.check.heard = self.ear
        self.t_ns = 0

    def world(self, **changes: object) -> None:
        self.check.settle(self.t_ns, World(**{"awake": True, "ignition_on": True, "supply_volt": 12.6, **changes}))

    def advance(self, seconds: float) -> None:
        end_ns = self.t_ns + round(seconds * SECOND_NS)
        while self.check.deadline_ns <= end_ns:
            self.t_ns = self.ear.t_ns = max(self.t_ns, self.check.deadline_ns)
            self.check.look(self.t_ns)
        self.t_ns = self.ear.t_ns = end_ns

    def stored(self) -> dict[str, int]:
        return {code_text(entry.number): int(entry.status) for entry in self.memory.stored()}


def test_every_code_it_can_store_is_tested_within_seconds() -> None:
    """Common practice: monitors are done within 0.5 to 5 s of being enabled; then no bit says "not completed"."""
    car = Car()
    car.world()
    car.advance(10)
    assert {int(entry.status) for entry in car.memory.entries.values()} == {0x00}


def test_lost_communication_is_enabled_after_three_seconds_and_matures() -> None:
    """Common practice: ignition on for about 3 s; mature within 0.5 to 5 s."""
    car = Car()
    car.ear.missing = {"GBX"}
    car.world()
    car.advance(3.4)
    assert car.stored() == {}
    car.advance(1.6)
    assert car.stored() == {"U0101-87": 0x2F}
    entry = car.memory.entries[code_number("U0101-87")]
    assert entry.first is not None
    assert entry.first.detail in {message.frame_id for message in PIPKIN.network().messages if message.sender == "GBX"}
    car.ear.missing = set()
    car.advance(1)
    assert car.stored() == {"U0101-87": 0x2E}


@pytest.mark.parametrize(("volt", "code"), [(8.9, "U3003-16"), (16.1, "U3003-17")])
def test_supply_out_of_range(volt: float, code: str) -> None:
    """Common practice: 9 to 16 V; outside of it communication is not judged."""
    car = Car()
    car.world(supply_volt=volt)
    car.ear.missing = {"GBX"}
    car.advance(0.4)
    assert car.stored() == {}
    car.advance(9.6)
    assert car.stored() == {code: 0x2F}
    car.world(supply_volt=12.6)
    car.advance(3)
    assert car.stored() == {code: 0x2E, "U0101-87": 0x2F}


def test_a_supply_that_hovers_at_the_limit() -> None:
    """Own rule: half a volt of hysteresis."""
    car = Car()
    car.world(supply_volt=8.9)
    car.advance(1)
    car.world(supply_volt=9.2)
    car.advance(5)
    assert car.stored() == {"U3003-16": 0x2F}
    car.world(supply_volt=9.6)
    car.advance(2)
    assert car.stored() == {"U3003-16": 0x2E}


def test_without_ignition_nobody_is_missed() -> None:
    car = Car()
    car.ear.missing = {"GBX"}
    car.world(ignition_on=False)
    car.advance(20)
    assert car.stored() == {}


def test_bus_off() -> None:
    """Own rule: three within a second; a module that is bus-off and hears nothing misses nobody."""
    car = Car()
    car.world()
    car.advance(5)
    car.ear.silent = True
    for _ in range(100):
        car.advance(0.05)
        car.check.bus_off("LINE-1", [car.t_ns])
    assert car.stored() == {"U0073-88": 0x2F}
    car.ear.silent = False
    for _ in range(5):
        car.advance(3)
        assert car.stored() == {"U0073-88": 0x2E}


def test_a_bus_that_carries_nothing_and_a_module_that_is_alone() -> None:
    """Own rule: nothing comes and nothing goes: the bus; frames go out but nobody acknowledges them: the others."""
    car = Car()
    car.ear.silent = True
    car.world()
    car.advance(10)
    assert car.stored() == {"U0073-88": 0x2F}
    car = Car()
    car.ear.silent = True
    car.world()
    for _ in range(100):
        car.check.unanswered(car.t_ns, "LINE-1")
        car.advance(0.1)
    lost = {f"{PIPKIN.modules[name].lost_code}-87" for name in PIPKIN.modules if name != "ENG"}
    assert set(car.stored()) == lost


@pytest.mark.parametrize(
    ("state", "code"),
    [
        (Configuration.NOT_PROGRAMMED, "U0300-51"),
        (Configuration.NO_CALIBRATION, "U0300-54"),
        (Configuration.NOT_CONFIGURED, "U0300-55"),
        (Configuration.MISMATCH, "U0300-00"),
    ],
)
def test_configuration(state: Configuration, code: str) -> None:
    """SAE J2012: U0300 software incompatibility, with the failure types 51, 54 and 55."""
    car = Car()
    car.check.configuration = state
    car.world()
    car.advance(1)
    assert car.stored() == {code: 0x2F}
    car.check.configuration = Configuration.COMPLETE
    car.world()
    assert car.stored() == {code: 0x2E}


def test_clearing_what_still_fails() -> None:
    """ISO 14229-1 annex D.2: after clearing 50; the test fails again."""
    car = Car()
    car.ear.missing = {"GBX"}
    car.world()
    car.advance(6)
    car.memory.clear()
    car.check.cleared(car.t_ns)
    assert car.stored() == {}
    car.advance(3)
    assert car.stored() == {"U0101-87": 0x2F}


def test_frozen_memory() -> None:
    """ISO 14229-1, 10.8: with DTC setting off no bit changes; on again, the test says it anew."""
    car = Car()
    car.world()
    car.advance(5)
    car.memory.frozen = True
    car.ear.missing = {"GBX"}
    car.advance(10)
    assert car.stored() == {}
    car.memory.frozen = False
    car.check.look(car.t_ns)
    car.advance(3)
    assert car.stored() == {"U0101-87": 0x2F}


def test_operation_cycles_follow_the_ignition() -> None:
    """Annex D.2: a new cycle with the ignition; the life of the status byte with a real test."""
    car = Car()
    car.ear.missing = {"GBX"}
    car.world()
    car.advance(6)
    car.ear.missing = set()
    car.advance(2)
    seen = [car.stored()["U0101-87"]]
    for _ in range(2):
        car.world(awake=False, ignition_on=False)
        car.advance(60)
        car.world()
        seen.append(car.stored()["U0101-87"])
        car.advance(6)
        seen.append(car.stored()["U0101-87"])
    assert seen == [0x2E, 0x6C, 0x2C, 0x68, 0x28]


def test_a_loss_of_supply_ends_no_cycle_but_begins_one() -> None:
    """Own rule: what is done at the end of a cycle needs supply; so a code does not age by a loose fuse."""
    car = Car()
    car.ear.missing = {"GBX"}
    car.world()
    car.advance(6)
    car.ear.missing = set()
    for _ in range(3):
        car.world(awake=False, supply_volt=0.0)
        car.advance(1)
        car.world()
        assert car.stored()["U0101-87"] in (0x6D, 0x6C)
        car.advance(6)
        assert car.stored() == {"U0101-87": 0x2C}
    assert car.memory.entries[code_number("U0101-87")].aged == 0
