"""Any number of faults act together, in any order, with the same result."""

from __future__ import annotations

import math
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_vehicle import gateway_vehicle, three_modules

import faults
from simulator.deviations import Bridge, Crossing, GroundShift, PinSeries, RunSeries, StubLength, TerminatorValue
from simulator.errors import BadRequest
from simulator.vehicle import Vehicle

NET = "LINE-1"


def with_faults(*texts: str, vehicle: Vehicle | None = None) -> Vehicle:
    """The small vehicle with these faults."""
    return faults.apply(vehicle or three_modules(), [faults.parse(text) for text in texts])


def test_series_resistances_add() -> None:
    """Resistors in series add (Ohm's law)."""
    car = with_faults("resistance line=high at=GBX ohm=100", "resistance line=both at=GBX ohm=50")
    assert car.deviations == (PinSeries(NET, "GBX", "high", 150.0), PinSeries(NET, "GBX", "low", 50.0))
    # The wire from both sides is one wire, whichever way round its name is written.
    car = with_faults("resistance line=low run=ENG-S1 ohm=1", "resistance line=low run=S1-ENG ohm=2")
    assert car.deviations == (RunSeries(NET, "ENG-S1", "low", 0.5, 3.0),)


def test_an_open_beats_a_resistance() -> None:
    """Own rule (DEVELOPERS.md, Faults: any number act together)."""
    both = with_faults("resistance line=high at=GBX ohm=100", "open line=high at=GBX")
    assert both == with_faults("open line=high at=GBX")


def test_faults_at_two_points_of_a_run_stay_two() -> None:
    """Own rule (DEVELOPERS.md, Faults: any number act together)."""
    car = with_faults("open line=high run=ENG-S1 along=0.2", "resistance line=high run=ENG-S1 along=0.7 ohm=5")
    assert len(car.deviations) == 2


def test_lengths_and_volts_add() -> None:
    """Resistance of a wire goes with its length, sources in series add (Kirchhoff's voltage law)."""
    car = with_faults("long_stub at=GBX length_m=2", "long_stub at=GBX length_m=3")
    assert car.deviations == (StubLength(NET, "GBX", 5.0),)
    car = with_faults("ground_shift module=GBX volt=2", "ground_shift module=GBX volt=-0.5")
    assert car.deviations == (GroundShift("GBX", 1.5),)


def test_shorts_are_parallel() -> None:
    """Resistors side by side add their conductances (Kirchhoff's current law)."""
    high, low = (("place", NET, "DLC", line) for line in ("high", "low"))
    car = with_faults("short between=high-low at=DLC ohm=60", "short between=high-low at=DLC ohm=60")
    assert car.deviations == (Bridge(high, low, 60.0), Bridge(high, low, 60.0))


def test_two_crossings_cancel_and_a_third_crosses() -> None:
    """Own rule (DEVELOPERS.md, Faults: any number act together)."""
    assert with_faults("crossed at=GBX", "crossed at=GBX") == three_modules()
    assert with_faults("crossed run=S1-DLC", "crossed run=DLC-S1") == three_modules()
    assert with_faults(*["crossed at=GBX"] * 3).deviations == (Crossing(NET, "module", "GBX"),)
    assert len(with_faults("crossed at=GBX", "crossed run=S1-DLC").deviations) == 2


def test_missing_beats_wrong() -> None:
    """Own rule (DEVELOPERS.md, Faults: any number act together)."""
    missing = (TerminatorValue(NET, "ENG", math.inf),)
    assert with_faults("wrong_terminator at=ENG ohm=180", "missing_terminator at=ENG").deviations == missing
    assert with_faults("missing_terminator at=ENG", "wrong_terminator at=ENG ohm=180").deviations == missing


CONFLICTS = [
    ("wrong_terminator at=ENG ohm=180", "wrong_terminator at=ENG ohm=60"),
    ("wrong_terminator at=ENG ohm=180", "missing_terminator at=ENG", "wrong_terminator at=ENG ohm=60"),
    (
        "weak_battery open_circuit_volt=11 internal_ohm=0.01",
        "weak_battery open_circuit_volt=11 internal_ohm=0.05",
    ),
    ("flooding module=GBX id=0", "flooding module=GBX id=1"),
    ("wrong_bit_rate module=GBX bit_rate=125000", "wrong_bit_rate module=GBX bit_rate=250000"),
]


@pytest.mark.parametrize("texts", CONFLICTS, ids=[texts[0] for texts in CONFLICTS])
def test_two_values_for_one_thing_are_an_error_in_any_order(texts: tuple[str, ...]) -> None:
    """Own rule (DEVELOPERS.md, Faults: any number act together)."""
    for order in permutations(texts):
        with pytest.raises(BadRequest, match="two faults set one value to different numbers"):
            with_faults(*order)
        with pytest.raises(BadRequest, match="two faults set one value to different numbers"):
            one_by_one(three_modules(), [faults.parse(text) for text in order])


def test_the_same_value_twice_is_none() -> None:
    """Own rule (DEVELOPERS.md, Faults: any number act together)."""
    for text in ("wrong_terminator at=ENG ohm=180", "flooding module=GBX id=1", "dead_module module=GBX"):
        assert with_faults(text, text) == with_faults(text)


def test_crossings_cancel_even_when_applied_apart() -> None:
    """Own rule (DEVELOPERS.md, Faults: any number act together)."""
    crossed = faults.Crossed(at="GBX")
    assert crossed.apply(crossed.apply(three_modules())) == three_modules()


def one_by_one(vehicle: Vehicle, some: list[faults.Fault]) -> Vehicle:
    """Each fault applied to what the one before left."""
    for fault in some:
        vehicle = fault.apply(vehicle)
    return vehicle


ODD_OHMS = (0.1, 0.2, 0.3, 1e-6, 1 / 3, 1e9)  # their floating sums depend on the order if done carelessly


VEHICLES = [(vehicle, faults.catalogue(vehicle, ohms=ODD_OHMS)) for vehicle in (three_modules(), gateway_vehicle())]


@pytest.mark.parametrize(("vehicle", "every"), VEHICLES, ids=["one network", "two networks"])
@settings(max_examples=120, deadline=None)
@given(data=st.data())
def test_the_order_never_matters(vehicle: Vehicle, every: tuple[faults.Fault, ...], data: st.DataObject) -> None:
    """Own rule (DEVELOPERS.md, Faults: any number act together)."""
    # Few things, so that faults meet at them.
    module = data.draw(st.sampled_from(sorted(vehicle.modules)))
    near = [fault for fault in every if module in fault.given().values()]
    some = data.draw(st.lists(st.sampled_from(near) | st.sampled_from(every), max_size=6))
    order = data.draw(st.permutations(some))
    try:
        together = faults.apply(vehicle, some)
    except BadRequest:
        for build in (faults.apply, one_by_one):
            with pytest.raises(BadRequest):
                build(vehicle, order)
        return
    assert faults.apply(vehicle, order) == together
    assert one_by_one(vehicle, order) == together
    assert one_by_one(vehicle, some) == together
