"""Transceivers with a dominant time-out: ISO 11898-2:2016 has them switch off a transmitter that is held dominant."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from small_vehicle import three_modules

import faults
from simulator.circuit import Circuit
from simulator.condition import Condition
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import FrameRecord
from simulator.simulation import Simulation
from simulator.vehicle import Fixed, Vehicle

STUCK = faults.parse("stuck_dominant module=GBX")


def with_timeout(timeout_ms: float | None) -> Vehicle:
    """The small vehicle; GBX has a transceiver with this time-out."""
    vehicle = three_modules()
    module = vehicle.modules["GBX"]
    transceiver = replace(module.transceiver, dominant_timeout_ms=timeout_ms)
    return replace(vehicle, modules=Fixed(vehicle.modules | {"GBX": replace(module, transceiver=transceiver)}))


def records_of(simulation: Simulation) -> list[FrameRecord]:
    records: list[FrameRecord] = []
    simulation.subscribe(records.append)
    return records


@pytest.mark.parametrize("timeout_ms", [None, 2.0, 5.0])
def test_a_time_out_frees_the_bus_and_without_one_it_stays_blocked(timeout_ms: float | None) -> None:
    """ISO 11898-2:2016, transmit dominant time-out; trade practice: 1 to 5 ms frees many stuck buses."""
    simulation = Simulation(with_timeout(timeout_ms))
    simulation.advance(0.1)
    records = records_of(simulation)
    simulation.inject(STUCK)
    begin_ns = simulation.t_ns
    simulation.advance(0.1)
    ok = [one for one in records if one.outcome == "ok"]
    if timeout_ms is None:
        assert not [one for one in ok if one.t_end_ns > begin_ns + 300_000]
        return
    end_ns = begin_ns + round(timeout_ms * 1e6)
    assert min(one.t_start_ns for one in ok if one.t_end_ns > begin_ns + 300_000) >= end_ns
    after = [one for one in ok if one.t_start_ns >= end_ns]
    assert {one.transmitter for one in after} == {"ENG", "CLU"}
    assert "GBX" in set().union(*(one.received_by for one in after))
    assert not any("GBX" in one.acknowledged_by for one in after)


def test_a_time_out_counts_anew_when_the_module_comes_back() -> None:
    """Own rule: without supply the transmitter's input is no longer held; with it, the time begins again."""
    simulation = Simulation(with_timeout(2.0), faults=[STUCK])
    simulation.advance(0.1)
    records = records_of(simulation)
    simulation.condition = Condition(ignition_on=False)
    simulation.advance(1)
    assert not [one for one in records if one.t_start_ns > 150_000_000]
    begin_ns = simulation.t_ns
    simulation.condition = Condition()
    simulation.advance(0.2)
    assert min(one.t_start_ns for one in records if one.t_end_ns > begin_ns) >= begin_ns + 2_000_000
    assert {one.transmitter for one in records if one.t_start_ns > begin_ns and one.outcome == "ok"} == {"ENG", "CLU"}


@pytest.mark.parametrize(("timeout_ms", "blocked"), [(None, True), (2.0, False)])
def test_at_rest_the_time_out_is_long_over(timeout_ms: float | None, blocked: bool) -> None:
    """ISO 11898-2: recessive difference up to 0.05 V, dominant from 1.5 V; a meter sees what lasts."""
    circuit = Circuit(STUCK.apply(with_timeout(timeout_ms)))
    high, low = (("pin", "LINE-1", "ENG", line) for line in ("high", "low"))
    difference = circuit.volts().between(high, low)
    assert difference > 1.5 if blocked else abs(difference) < 0.05
    assert "GBX" not in circuit.senders("LINE-1")


def test_the_vehicle_file_says_it(tmp_path: Path) -> None:
    """The project's own format: an optional key of the transceiver, in ms."""
    folder = Path(find_vehicle("pipkin")).parent
    for database in folder.glob("*.dbc"):
        (tmp_path / database.name).write_bytes(database.read_bytes())
    text = (folder / "vehicle.yaml").read_text()
    text = text.replace("transceiver: {bias_ohm: ", "transceiver: {dominant_timeout_ms: 2.5, bias_ohm: ", 1)
    (tmp_path / "vehicle.yaml").write_text(text)
    first, *others = load_vehicle(tmp_path / "vehicle.yaml").modules.values()
    assert first.transceiver.dominant_timeout_ms == 2.5
    assert {module.transceiver.dominant_timeout_ms for module in others} == {None}
