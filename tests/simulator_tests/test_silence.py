"""Who is silent in many faulted copies: the book shares roll calls, and must say what each one run by itself says.

Own rule; the peer is the roll call of a single running vehicle.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest
from small_vehicle import gateway_vehicle

import faults
from simulator.condition import DEAD, AtBattery, Condition
from simulator.reader import find_vehicle, load_vehicle
from simulator.rollcall import roll_call
from simulator.silence import SilenceBook
from simulator.vehicle import Vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))


def check(copies: Sequence[Vehicle], numbers: Sequence[int], condition: Condition | None = None) -> None:
    """The answer, and what is sure before anything is run."""
    book = SilenceBook(copies, condition)
    for number in numbers:
        true = frozenset(roll_call(copies[number], condition).silent)
        told = str(copies[number].deviations)
        assert book.surely_silent(number) <= book.least_silent(number) <= true, told
        assert book.silent(number) == true, told


def copies_of(vehicle: Vehicle) -> list[Vehicle]:
    """As drawn, and with every single fault."""
    return [vehicle, *(fault.apply(vehicle) for fault in faults.catalogue(vehicle, ohms=faults.FINE_OHMS))]


def test_some_of_every_sort() -> None:
    """Healthy, by the levels at rest, by the waveform, by what a module does."""
    texts = (
        "missing_terminator at=ENG", "open line=both at=GBX", "crossed at=BRK", "dead_module module=STA",
        "stuck_dominant module=CLU", "resistance line=high at=GBX ohm=200", "short between=high-low at=S1 ohm=10",
        "wrong_bit_rate module=GBX bit_rate=250000",
    )  # fmt: skip
    copies = [PIPKIN, *(faults.parse(text).apply(PIPKIN) for text in texts)]
    check(copies, range(len(copies)))


def test_with_a_module_unplugged_and_a_connector_parted() -> None:
    copies = [PIPKIN, faults.parse("open line=high at=BRK").apply(PIPKIN)]
    check(copies, range(2), Condition(unplugged=frozenset({"CLU"})))
    check(copies, range(2), Condition(parted=frozenset({("LINE-1", "S2")})))


def test_a_network_without_a_socket() -> None:
    vehicle = gateway_vehicle()
    check([vehicle, faults.parse("dead_module module=GWY").apply(vehicle)], range(2))


def test_the_table_is_for_a_connected_battery_and_nothing_else_at_its_clamps() -> None:
    assert SilenceBook.answers_for(Condition())
    assert not SilenceBook.answers_for(DEAD)
    assert not SilenceBook.answers_for(Condition(at_battery=(AtBattery("lamp", 3.0),)))


@pytest.mark.slow
def test_a_hundred_copies_by_lot() -> None:
    copies = copies_of(PIPKIN)
    check(copies, random.Random(5).sample(range(len(copies)), 100))
