"""The Haulvey, the demo vehicle of the second level: what a good meter should read on it, and what is shared."""

from __future__ import annotations

from pathlib import Path

import cantools
import pytest
from cantools.database.can import Database

import dbc_demo
import faults
from simulator.calculator import expected_resistance
from simulator.circuit import Circuit
from simulator.condition import DEAD, Condition, ModuleState
from simulator.datalink.frame import encode
from simulator.reader import check_vehicle, load_vehicle
from simulator.vehicle import Vehicle

FOLDER = Path(next(iter(dbc_demo.__path__))) / "haulvey"


@pytest.fixture(scope="module")
def haulvey() -> Vehicle:
    return load_vehicle(FOLDER / "vehicle.yaml")


def ohm_at(vehicle: Vehicle, network: str, place: str, condition: Condition = DEAD) -> float:
    rows = expected_resistance(vehicle, vehicle.network(network), condition)
    ohm = next(row.ohm for row in rows if row.place == place)
    assert ohm is not None
    return ohm


def test_the_file_is_clean() -> None:
    assert check_vehicle(FOLDER / "vehicle.yaml") == ([], [])


@pytest.mark.parametrize(
    ("network", "place", "half_m", "terminators", "inputs"),
    [
        # By hand: terminators of 120 ohm behind half the trunk each (0.104 ohm per metre of pair), in parallel with
        # the inputs: 34 kohm between the lines of a module, 16 kohm of the gateway.
        ("DRIVE", "S2", 6.1, 2, 6 / 34_000 + 1 / 16_000),
        ("CABIN", "S6", 5.2, 2, 5 / 34_000 + 1 / 16_000),
        ("SPUR", "DLC", 0.0, 1, 1 / 16_000),
    ],
)
def test_what_the_plugs_read(
    haulvey: Vehicle, network: str, place: str, half_m: float, terminators: int, inputs: float
) -> None:
    by_hand = 1 / (terminators / (120 + 0.104 * half_m) + inputs)
    if network == "SPUR":
        by_hand += 0.104 * 1.5
    assert ohm_at(haulvey, network, place) == pytest.approx(by_hand, abs=0.05)


def test_a_spur_with_one_terminator_is_in_order(haulvey: Vehicle) -> None:
    # Trade practice: a diagnostic segment with one terminator reads about 120, and that is right.
    assert f"{ohm_at(haulvey, 'SPUR', 'DLC'):.0f}" == "119"
    assert ohm_at(haulvey, "DRIVE", "GBX") == pytest.approx(59.5, abs=0.05)
    assert ohm_at(haulvey, "CABIN", "DRL") == pytest.approx(59.6, abs=0.05)
    lost = faults.parse("missing_terminator at=ENG").apply(haulvey)
    assert ohm_at(lost, "SPUR", "DLC") == pytest.approx(ohm_at(haulvey, "SPUR", "DLC"), abs=0.05)
    assert ohm_at(lost, "DRIVE", "GBX") > 115


def test_the_relay_carries_what_is_behind_it(haulvey: Vehicle) -> None:
    def awake(vehicle: Vehicle, condition: Condition | None = None) -> set[str]:
        states = Circuit(vehicle, condition or Condition()).states
        return {name for name, state in states.items() if state is ModuleState.AWAKE}

    assert awake(haulvey) == set(haulvey.modules)
    assert set(haulvey.modules) - awake(faults.parse("power_dropout fuse=RL3").apply(haulvey)) == {"GBX", "PMP"}
    assert set(haulvey.modules) - awake(faults.parse("power_dropout fuse=F22").apply(haulvey)) == {"PMP"}
    off = Circuit(haulvey, Condition(ignition_on=False))
    assert off.states["GBX"] is ModuleState.UNPOWERED  # behind the relay; the others sleep
    assert off.states["ENG"] is ModuleState.ASLEEP


def test_what_is_in_series_adds_up(haulvey: Vehicle) -> None:
    # By hand: relay 3 mohm, fuse F21 7.7 mohm, wire 90 mohm, from battery positive to the gearbox's feed pin.
    circuit = Circuit(haulvey, Condition(battery_on=False, unplugged=frozenset(haulvey.modules)))
    assert circuit.resistance_ohm(("positive",), ("supply", "GBX")) == pytest.approx(0.1007, abs=1e-6)
    rusty = faults.parse("power_dropout fuse=RL3 ohm=2").apply(haulvey)
    circuit = Circuit(rusty, Condition(battery_on=False, unplugged=frozenset(haulvey.modules)))
    assert circuit.resistance_ohm(("positive",), ("supply", "GBX")) == pytest.approx(2.1007, abs=1e-6)


def test_a_lamp_feeds_a_dead_unit_too_little(haulvey: Vehicle) -> None:
    # Trade practice: with the fuse out the feed pin shows some volts, and none under a lamp.
    fed = faults.parse("back_feed module=GBX fuse=F23 ohm=29").apply(haulvey)
    fed = faults.parse("power_dropout fuse=F21").apply(fed)
    circuit = Circuit(fed, Condition())
    assert 3.0 < circuit.volts().between(("supply", "GBX"), ("body",)) < 6.0
    assert circuit.states["GBX"] is ModuleState.STARVED


@pytest.mark.parametrize(("name", "bit_rate", "most"), [("drive", 500_000, 0.30), ("cabin", 125_000, 0.45)])
def test_the_load_is_that_of_a_real_network(name: str, bit_rate: int, most: float) -> None:
    # From memory: networks in vehicles are laid out for up to under a half of their bit rate.
    database = cantools.database.load_file(FOLDER / f"{name}.dbc", strict=True)
    assert isinstance(database, Database)
    load = sum(
        (encode(message.frame_id, bytes(message.length)).length + 3) / (message.cycle_time / 1000)
        for message in database.messages
        if message.cycle_time
    )
    assert 0.1 < load / bit_rate < most
    for message in database.messages:
        for signal in message.signals:
            assert signal.minimum is not None
            assert signal.maximum is not None


def test_the_gateway_says_what_others_have_said(haulvey: Vehicle) -> None:
    drive, cabin = ({each.name: each for each in haulvey.network(name).messages} for name in ("DRIVE", "CABIN"))
    routed = drive.keys() & cabin.keys()
    assert routed == {message for route in haulvey.module("GWY").routes for message in route.messages}
    for name in routed:
        one, other = drive[name], cabin[name]
        assert {one.sender, other.sender} > {"GWY"}
        assert (one.frame_id, one.length, one.cycle_ms) == (other.frame_id, other.length, other.cycle_ms)
