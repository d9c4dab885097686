"""The tour: it ends with the fault that was put in, on any vehicle, and leaves two pictures."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import good, sixtyohm
from random_vehicles import random_case

from lab.demo import choose_fault, take_tour
from lab.suspects import resistance_suspects
from simulator.condition import DEAD
from simulator.reader import find_vehicle, load_vehicle

PNG = b"\x89PNG\r\n\x1a\n"


def test_the_tour_of_the_pipkin(tmp_path: Path) -> None:
    """Own rule: the tour ends with the fault that was put in."""
    found = good("demo", "--out", tmp_path / "pictures")
    assert found["fault"] == 'open line=high run="gearbox stub"'
    assert found["call"]["silent"] == ["GBX"]
    assert found["fault"] in found["fits"]
    assert found["warnings"][0].startswith("Caution 1: Simulation only")
    socket, *_, plug, last = found["readings"]
    # an open stub is invisible at the socket and OL at the plug (trade practice, no source)
    assert socket["display"] == "59.7 ohm"
    assert (plug["display"], plug["healthy"], plug["faulty"]) == ("OL", pytest.approx(60, abs=1), None)
    assert last["display"] == "0.000 V"
    for reading in found["readings"]:
        if reading["value"] is not None:
            assert reading["value"] == pytest.approx(reading["faulty"], rel=2e-3, abs=2e-3)
    assert [Path(picture).read_bytes()[:8] for picture in found["pictures"]] == [PNG, PNG]


@pytest.mark.slow
def test_the_tour_for_people(tmp_path: Path) -> None:
    """Own rule: the tour ends with the fault that was put in."""
    answer = sixtyohm("demo", "pipkin", "--out", tmp_path)
    assert answer.status == 0
    assert answer.out.startswith("Caution 1: Simulation only")
    assert "What fits the roll call and all five" in answer.out
    assert f"picture: {tmp_path}" in answer.out


@pytest.mark.parametrize("seed", [3, pytest.param(5, marks=pytest.mark.slow)])
def test_a_vehicle_nobody_has_seen_has_a_tour(tmp_path: Path, seed: int) -> None:
    """Own rule: the tour ends with the fault that was put in."""
    case = random_case(seed, most_modules=6)
    path = case.vehicle.write(tmp_path)
    tour = take_tour(str(path), tmp_path)
    assert tour.fault in tour.fits
    again = load_vehicle(path)
    network = next((found for found in again.networks.values() if found.socket), again.network())
    assert choose_fault(again, network) == tour.fault


def test_resistance_suspects_come_closest_first() -> None:
    """Common practice, no source: 120 ohm says that one terminator is not seen."""
    vehicle = load_vehicle(find_vehicle("pipkin"))
    found = [str(fault) for fault in resistance_suspects(vehicle, vehicle.network(), DEAD, "DLC", 118.0)]
    assert "missing_terminator at=ENG" in found
    assert not any(fault.startswith(("dead_module", "weak_battery", "flooding")) for fault in found)
