"""The bench against the roll call of a running vehicle: shortcuts change no answer."""

from __future__ import annotations

import pytest

import faults
from lab.bench import Bench, Traffic
from lab.possible import LIVE
from simulator.reader import find_vehicle, load_vehicle
from simulator.rollcall import roll_call


@pytest.mark.parametrize("name", ["pipkin", "haulvey"])
def test_who_is_silent_is_as_in_a_running_vehicle(name):
    vehicle = load_vehicle(find_vehicle(name))
    traffic = Traffic()
    for text in ("", "dead_module module=GBX", "power_dropout module=GWY", "open line=high at=ENG"):
        if "GWY" in text and name == "pipkin":
            continue
        car = faults.apply(vehicle, [faults.parse(text)] if text else [])
        bench = Bench(car, traffic)
        silent = set(roll_call(car, LIVE).silent)
        assert set(bench.silent(LIVE)) == silent, text
        assert bench.surely_silent(LIVE) <= silent, text
        assert text or not silent  # as drawn, everybody answers, behind a gateway too
