"""Who hears whom on the live bus: by levels at rest where edges surely settle in time, else by the waveform."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import pytest
from random_vehicles import random_case

import faults
from simulator.circuit import Circuit
from simulator.circuit.hearing import who_hears_whom
from simulator.condition import Condition
from simulator.errors import BadRequest
from simulator.hearing import wiring_of
from simulator.reader import find_vehicle, load_vehicle
from simulator.rollcall import roll_call
from simulator.vehicle import Vehicle


@pytest.fixture(scope="module")
def pipkin() -> Vehicle:
    return load_vehicle(Path(find_vehicle("pipkin")))


def with_faults(vehicle: Vehicle, *texts: str) -> Vehicle:
    return faults.apply(vehicle, [faults.parse(text) for text in texts])


def at_bit_rate(vehicle: Vehicle, bit_rate: int) -> Vehicle:
    networks = {name: replace(network, bit_rate=bit_rate) for name, network in vehicle.networks.items()}
    return replace(vehicle, networks=networks)


def test_without_any_terminator_nobody_hears_anybody_at_500_kbit(pipkin: Vehicle) -> None:
    """Common practice, no source: both terminators missing, none answers, 125 kbit/s may limp.

    The bit lingers for as long as the inputs need to discharge the wire: R x C, from the data sheet's inputs.
    """
    bare = with_faults(pipkin, "missing_terminator at=ENG", "missing_terminator at=CLU")
    assert roll_call(bare).answering == ()
    slow = who_hears_whom(at_bit_rate(bare, 50_000))
    assert all(heard for heard_by in slow.hears.values() for heard in heard_by.values())
    one = with_faults(pipkin, "missing_terminator at=ENG")
    assert roll_call(one).silent == ()


def disagreements(vehicle: Vehicle, condition: Condition) -> tuple[int, list[str]]:
    """Networks on which edges settle in time, and on those every pair that the waveform decides otherwise."""
    circuit, settled, found = Circuit(vehicle, condition), 0, list[str]()
    for name in vehicle.networks:
        nodes = {module: (module, None) for module in circuit.senders(name)}
        if not nodes:
            continue
        with patch("simulator.hearing.who_hears_whom", wraps=who_hears_whom) as by_waveform:
            wiring, _ = wiring_of(circuit, name, nodes)
        if by_waveform.called:
            continue
        settled += 1
        by_wave = who_hears_whom(vehicle, network=name, circuit=circuit, taps={}).hears
        for sender in nodes:
            for receiver in nodes:
                if (receiver in wiring.hearers[sender]) != by_wave[receiver][sender]:
                    found.append(f"{name}: {receiver} of {sender}")
    return settled, found


def swept(numbers: range, folder: Path) -> tuple[int, list[str]]:
    settled, found = 0, list[str]()
    for number in numbers:
        case = random_case(number, most_modules=12)
        (folder / str(number)).mkdir()
        vehicle = load_vehicle(case.vehicle.write(folder / str(number)))
        try:
            vehicle = with_faults(vehicle, *case.fault_texts)
        except BadRequest:
            continue
        more, wrong = disagreements(vehicle, Condition())
        settled += more
        found += [f"seed {number}, {case.fault_texts}: {item}" for item in wrong]
    return settled, found


def test_where_edges_settle_in_time_the_waveform_says_the_same(tmp_path: Path) -> None:
    settled, found = swept(range(6), tmp_path)
    assert settled >= 4
    assert found == []


@pytest.mark.slow
def test_where_edges_settle_in_time_the_waveform_says_the_same_sweep(tmp_path: Path) -> None:
    settled, found = swept(range(300), tmp_path)
    assert settled >= 100
    assert found == []


def test_every_single_fault_of_the_pipkin_is_decided_alike(pipkin: Vehicle) -> None:
    """A sample of the catalogue, the whole of it under the slow mark."""
    assert catalogue_disagreements(pipkin, 23) == []


@pytest.mark.slow
def test_every_single_fault_of_the_pipkin_is_decided_alike_sweep(pipkin: Vehicle) -> None:
    assert catalogue_disagreements(pipkin, 1) == []


def catalogue_disagreements(vehicle: Vehicle, step: int) -> list[str]:
    found = []
    for fault in faults.catalogue(vehicle)[::step]:
        found += [f"{fault}: {item}" for item in disagreements(fault.apply(vehicle), Condition())[1]]
    return found
