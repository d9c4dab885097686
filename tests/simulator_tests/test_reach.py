"""The timing budget against published examples of bus length, delays and oscillator tolerance."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from can import BitTiming, BitTimingFd

import faults
from simulator.reach import (
    LOOP_DELAY_MOST_NS,
    LOOP_DELAY_NS,
    critical_length_m,
    longest_bus_m,
    oscillator_percent,
    propagation_ns,
    reach,
)
from simulator.reader import find_vehicle, load_vehicle
from simulator.vehicle import Vehicle


@pytest.fixture(scope="module")
def pipkin() -> Vehicle:
    return load_vehicle(Path(find_vehicle("pipkin")))


@pytest.mark.parametrize(
    ("kbit", "exact_m", "printed_m"),
    [(1000, 17.8, 18), (500, 102.8, 103), (250, 272.8, 273), (125, 612.8, 613), (10, 8432.8, 8433)],
)
def test_bus_lengths_of_a_published_table(kbit: int, exact_m: float, printed_m: int) -> None:
    """Siemens CANopen option manual 01/05, table 4-3: sample point 85 %, 26 + (80 + 150) + 2 x 40 ns, 5 ns/m."""
    length_m = longest_bus_m(kbit * 1000, 0.85, 26 + (80 + 150) + 2 * 40, 5.0)
    assert length_m == pytest.approx(exact_m, abs=0.1)
    assert round(length_m) == printed_m


def test_there_and_back_over_forty_metres() -> None:
    """Microchip DS70005340A eq. 5-9: T_PROP = 2 (255 ns + 40 m x 5 ns/m) = 910 ns."""
    assert propagation_ns(40, LOOP_DELAY_MOST_NS, 5.0) == pytest.approx(910, abs=1e-9)


@pytest.mark.parametrize(("bit_rate", "length_m"), [(500_000, 124), (250_000, 299), (1_000_000, 36.5)])
def test_longest_bus_with_the_slowest_transceiver(bit_rate: int, length_m: float) -> None:
    """Computed from Microchip DS70005340A eq. 5-9 at a sample point of 87.5 %, 255 ns loop delay, 5 ns/m."""
    assert longest_bus_m(bit_rate, 0.875, LOOP_DELAY_MOST_NS, 5.0) == pytest.approx(length_m, abs=1e-9)


def test_critical_length_and_stub() -> None:
    """CiA 301, quoted by the ECSS glossary ("propagation time"): 5.00 m for a 50 ns edge, stub a third: 1.67 m."""
    assert critical_length_m(50, 5.0) == pytest.approx(5.0, abs=1e-12)
    assert critical_length_m(50, 5.0) / 3 == pytest.approx(1.67, abs=0.005)


def test_a_repeater_costs_its_delay_in_length() -> None:
    """A vendor's CANopen help (D-SA-0026760): 150 ns in a repeater cost 30 m."""
    shorter = longest_bus_m(125_000, 0.875, 255 + 150, 5.0)
    assert longest_bus_m(125_000, 0.875, 255, 5.0) - shorter == pytest.approx(30, abs=1e-9)


def test_oscillator_tolerance_by_its_formulas(pipkin: Vehicle) -> None:
    """Bosch CAN 2.0, 7.4-7.5, conditions I and II, computed here for python-can's segments."""
    network = pipkin.network()
    timing = BitTiming.from_sample_point(80_000_000, network.bit_rate, network.sample_point * 100)
    tq_ns = 1e9 / (network.bit_rate * timing.nbt)
    prop = -(-propagation_ns(14.0, LOOP_DELAY_NS, 5.0) // tq_ns)
    first = timing.sjw / (20 * timing.nbt)
    second = min(timing.tseg1 - prop, timing.tseg2) / (2 * (13 * timing.nbt - timing.tseg2))
    assert oscillator_percent(network, 14.0) == pytest.approx(100 * min(first, second), abs=1e-9)


def test_oscillator_tolerance_of_a_published_fd_setting(pipkin: Vehicle) -> None:
    """python-can's documentation prints 0.78 % for 500k/2M, 80 %/80 % on 80 MHz, 250 ns, 10 m."""
    timing = BitTimingFd(80_000_000, 1, 127, 32, 32, 1, 31, 8, 8)
    assert timing.oscillator_tolerance(250, 10) == pytest.approx(0.78125, abs=1e-4)
    network = replace(pipkin.network(), data_bit_rate=2_000_000, data_sample_point=0.8)
    assert 0 < oscillator_percent(network, 10.0, 250) <= 0.79


def test_the_pipkin_has_time_left_and_a_long_stub_takes_it(pipkin: Vehicle) -> None:
    """From the vehicle file: the ends of the line are 13.x m apart, and a stub of 200 m leaves too little."""
    budget = reach(pipkin, pipkin.network())
    assert set(budget.farthest) == {"ENG", "CLU"}
    assert budget.margin_ns == pytest.approx(1600 - 2 * (150 + 5 * budget.distance_m))
    assert budget.margin_ns > 0
    assert dict(budget.stubs)["gearbox stub"] == pytest.approx(0.3)
    longer = faults.parse("long_stub at=GBX length_m=200").apply(pipkin)
    assert reach(longer, longer.network()).margin_ns < 0


def test_a_tester_at_the_socket_takes_part() -> None:
    """Bosch CAN 2.0, 13.4: the delay between any two nodes; by hand, 2 x (150 ns + 1.5 m x 5 ns/m) on the spur."""
    haulvey = load_vehicle(Path(find_vehicle("haulvey")))
    budget = reach(haulvey, haulvey.network("SPUR"))
    assert (budget.farthest, budget.distance_m) == (("GWY", "DLC"), 1.5)
    assert budget.propagation_ns == pytest.approx(315.0)
