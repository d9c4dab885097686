"""The catalogue: every single fault a vehicle can have, each once, in one order."""

from __future__ import annotations

from itertools import pairwise

import pytest
from small_vehicle import gateway_vehicle, three_modules

import faults
from simulator.errors import UnknownName
from simulator.vehicle import Vehicle

VEHICLES = [three_modules(), gateway_vehicle()]


@pytest.mark.parametrize("vehicle", VEHICLES, ids=lambda vehicle: vehicle.name)
def test_every_kind_is_in_it_once_and_applies(vehicle: Vehicle) -> None:
    """Own rule (DEVELOPERS.md, Faults): the catalogue is this project's own list."""
    every = faults.catalogue(vehicle)
    assert {fault.kind for fault in every} == set(faults.kinds())
    assert len(set(every)) == len(every)
    assert [fault.kind for fault in every] == sorted(fault.kind for fault in every)
    for fault in every:
        assert fault.apply(vehicle).deviations, fault
        assert fault.canonical(vehicle) == fault, fault
        assert fault.timeline == faults.ALWAYS
        assert faults.parse(str(fault)) == fault


def test_it_is_the_same_every_time() -> None:
    """Own rule (DEVELOPERS.md, Faults): the catalogue is this project's own list."""
    assert faults.catalogue(three_modules()) == faults.catalogue(three_modules())


def test_every_place_line_module_run_fuse_and_ground_is_in_it() -> None:
    """Own rule (DEVELOPERS.md, Faults): the catalogue is this project's own list."""
    vehicle = three_modules()
    texts = [str(fault) for fault in faults.catalogue(vehicle, ohms=[200])]
    for line in ("high", "low", "both"):
        for module in vehicle.modules:
            assert f"open line={line} at={module}" in texts
            assert f"resistance line={line} at={module} ohm=200" in texts
        for run in ("ENG-S1", '"gearbox stub"', "S1-DLC", "DLC-CLU"):
            assert f"open line={line} run={run}" in texts
    for place in ("ENG", "S1", "GBX", "DLC", "CLU"):
        for between in ("high-low", "high-ground", "low-ground", "high-supply", "low-supply"):
            assert f"short between={between} at={place} ohm=200" in texts
        assert f"extra_terminator at={place}" in texts
    assert [text for text in texts if text.startswith("missing_terminator")] == [
        "missing_terminator at=ENG",
        "missing_terminator at=CLU",
    ]
    assert {"power_dropout fuse=K1", "power_dropout module=GBX ohm=200", "ground_dropout ground=G2"} <= set(texts)
    assert "wake_dropout module=GBX" in texts
    assert "wake_dropout module=CLU" not in texts  # it has no wake pin
    assert "wrong_bit_rate module=GBX bit_rate=500000" not in texts  # that is the right one
    assert "silent_message message=GbxGear" in texts
    assert "back_feed module=GBX fuse=K1 ohm=200" in texts


def test_a_right_terminator_is_no_wrong_one() -> None:
    """Own rule: a value that is drawn is no fault; 120 ohm is that of ISO 11898-2."""
    texts = [str(fault) for fault in faults.catalogue(three_modules(), ohms=[60, 120], kinds=["wrong_terminator"])]
    assert texts == ["wrong_terminator at=ENG ohm=60", "wrong_terminator at=CLU ohm=60"]


def test_networks_are_named_where_needed_only() -> None:
    """Own rule (DEVELOPERS.md, Faults): the catalogue is this project's own list."""
    texts = [str(fault) for fault in faults.catalogue(gateway_vehicle(), kinds=["crossed"])]
    assert texts == [
        "crossed at=ENG",
        "crossed at=GWY network=DRIVE",
        "crossed at=GWY network=CABIN",
        "crossed at=DRL",
        "crossed run=ENG-S1",
        "crossed run=link network=DRIVE",
        "crossed run=link network=CABIN",
        "crossed run=S1-DRL",
    ]


def test_kinds_and_severities_can_be_chosen() -> None:
    """Own rule (DEVELOPERS.md, Faults): the catalogue is this project's own list."""
    vehicle = three_modules()
    assert {fault.kind for fault in faults.catalogue(vehicle, kinds=["short", "open"])} == {"open", "short"}
    with pytest.raises(UnknownName, match="did you mean 'open'"):
        faults.catalogue(vehicle, kinds=["opne"])
    some = faults.catalogue(vehicle, kinds=["ground_shift"], severities=faults.Severities(volts=(0.5,)))
    assert [fault.to_mapping()["volt"] for fault in some] == [0.5, 0.5, 0.5]


def test_fine_ohms_are_steps_of_at_most_half_a_decade() -> None:
    """Own choice of severities, no source."""
    ohms = faults.FINE_OHMS
    assert (ohms[0], ohms[-1]) == (0.1, 10_000.0)
    assert all(low < high <= low * 10**0.5 for low, high in pairwise(ohms))
