"""The data phase of CAN FD on lines whose levels come or go too late for its short bits.

Levels: ISO 11898-2 (recessive up to 0.5 V); the discharge of a capacitance through a resistance is V exp(-t / RC).
"""

from __future__ import annotations

import io
import math
from dataclasses import replace

import pytest
from random_traffic import busy_vehicle

import faults
from simulator.circuit import RECESSIVE_VOLT, Circuit
from simulator.circuit.hearing import who_hears_whom
from simulator.circuit.link import link
from simulator.datalink.frame import encode
from simulator.hearing import PAIR_FARAD
from simulator.logs import EventLog
from simulator.reach import reach
from simulator.record import FrameRecord
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle

OPEN = ("missing_terminator at=S0", "missing_terminator at=S4")


def vehicle_with(bit_rate: int, data_bit_rate: int, *texts: str, fd: bool = True) -> Vehicle:
    """Five modules on 2.5 m, one message each, at these bit rates."""
    vehicle = busy_vehicle(5, fd=True)
    network = vehicle.networks["LINE"]
    messages = network.messages[15:20] if fd else busy_vehicle(5).networks["LINE"].messages[15:20]
    network = replace(network, bit_rate=bit_rate, data_bit_rate=data_bit_rate, messages=messages)
    return faults.apply(replace(vehicle, networks={"LINE": network}), [faults.parse(text) for text in texts])


def discharged_ns(vehicle: Vehicle) -> float:
    """Until the level of one sender has fallen to what is recessive, by hand."""
    circuit, network = Circuit(vehicle), vehicle.networks["LINE"]
    volts = circuit.volts([("N0", "LINE")])
    high, low = ("pin", "LINE", "N0", "high"), ("pin", "LINE", "N0", "low")
    length_m = sum(run.length_m for run in network.runs)
    farad = 5 * PAIR_FARAD + length_m * network.pair.delay_ns_per_m * 1e-9 / network.pair.impedance_ohm
    dominant = volts.at(high) - volts.at(low)
    return circuit.resistance_ohm(high, low) * farad * math.log(dominant / RECESSIVE_VOLT) * 1e9


@pytest.mark.parametrize("data_bit_rate", [250_000, 500_000, 1_000_000, 2_000_000])
def test_without_terminators_levels_linger_for_as_long_as_by_hand(data_bit_rate: int) -> None:
    vehicle = vehicle_with(50_000, data_bit_rate, *OPEN)
    bit_ns = 1e9 / data_bit_rate
    found = who_hears_whom(vehicle, network="LINE", data_phase=True)
    by_hand = max(0, math.ceil(discharged_ns(vehicle) / bit_ns - 0.75))
    assert by_hand > 0
    for row in found.lingering_bits.values():
        for bits in row.values():
            assert abs(bits - min(by_hand, 11)) <= 1
    assert len(reach(vehicle, vehicle.networks["LINE"]).data_phase_wrong or ()) == 36


def outcomes(vehicle: Vehicle, *, whole: bool = True) -> list[FrameRecord]:
    simulation = Simulation(vehicle, whole_frames=whole)
    found: list[FrameRecord] = []
    simulation.subscribe(found.append)
    simulation.advance(0.1)
    return found


def test_nominal_bits_go_through_where_those_of_the_data_phase_do_not() -> None:
    """At 50 kbit/s a bit is longer than the discharge, at 500 kbit/s shorter: errors after BRS only."""
    classic = outcomes(vehicle_with(50_000, 500_000, *OPEN, fd=False))
    assert classic
    assert {record.outcome for record in classic} == {"ok"}
    simulation = Simulation(vehicle_with(50_000, 500_000, *OPEN))
    places: set[str] = set()
    simulation.overhear(lambda network, trouble: places.add(trouble.place) if trouble.kind == "bit 1" else None)
    records: list[FrameRecord] = []
    simulation.subscribe(records.append)
    simulation.advance(0.05)
    assert records
    assert not any(record.outcome == "ok" for record in records)
    assert places & {"ESI", "DLC", "data"}
    assert "ID" not in places


def test_a_sound_network_runs_by_whole_frames_at_every_common_rate() -> None:
    for data_bit_rate in (1_000_000, 2_000_000, 5_000_000):
        vehicle = vehicle_with(500_000, data_bit_rate)
        assert reach(vehicle, vehicle.networks["LINE"]).data_phase_wrong == ()
        simulation = Simulation(vehicle)
        simulation.advance(0.1)
        assert simulation._media["LINE"].stretch is not None
        assert {record.outcome for record in outcomes(vehicle)} == {"ok"}


@pytest.mark.parametrize(
    ("rates", "texts"),
    [
        ((500_000, 2_000_000), ()),
        ((500_000, 5_000_000), OPEN[:1]),
        ((50_000, 250_000), OPEN),
        ((50_000, 500_000), OPEN),
    ],
)
def test_a_frame_fails_where_its_waveform_is_read_wrong(rates: tuple[int, int], texts: tuple[str, ...]) -> None:
    """Own proof: the waveform of the whole frame, every bit at its sample point, against the run."""
    vehicle = vehicle_with(*rates, *texts)
    first = outcomes(vehicle, whole=False)[0]
    frame = encode(first.frame_id, first.data, fd=True, brs=True)
    seen = link(vehicle, frame=frame, network="LINE", transmitters=[first.transmitter])
    last = frame.field("CRC delimiter").start
    assert (first.outcome == "ok") is not any(bit < last for bit in seen.wrong_bits)


def test_the_same_log_whether_looked_at_or_left_alone() -> None:
    vehicle, logs = vehicle_with(50_000, 500_000), []
    for unattended in (False, True):
        simulation = Simulation(vehicle, unattended=unattended)
        for text in OPEN:
            simulation.inject(faults.parse(f"{text} from_s=0.02 until_s=0.11"))
        stream = io.StringIO()
        with EventLog(simulation, stream) as log:
            simulation.advance(0.15)
            log.flush()
            logs.append(stream.getvalue())
    assert logs[0] == logs[1]
    assert '"kind": "error"' in logs[0]
