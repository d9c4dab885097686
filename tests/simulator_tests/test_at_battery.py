"""Starter, alternator and support supply at the battery's clamps: by hand, and against ngspice."""

from __future__ import annotations

import ngspice
import pytest
from small_vehicle import three_modules

from simulator.circuit import Circuit, spice_netlist
from simulator.condition import AtBattery, Condition, ModuleState
from simulator.probes import BODY, POSITIVE

STARTER, ALTERNATOR = AtBattery("starter", 0.04), AtBattery("alternator", 0.001, 14.2)


def battery_volt(condition: Condition) -> float:
    vehicle = three_modules()
    volt = Circuit(vehicle, condition).volts().between(POSITIVE, BODY)
    assert ngspice.between(spice_netlist(vehicle, condition), [("battery_positive", "0")])[0] == pytest.approx(volt)
    return volt


def test_by_hand() -> None:
    # Ignition off, so that the modules draw next to nothing: a battery of 12.6 V and 10 mohm alone, with a load, with a
    # source beside it (two sources in parallel), and with a sag.
    vehicle = three_modules()
    source, ohm = vehicle.battery.open_circuit_volt, vehicle.battery.internal_ohm
    off = Condition(ignition_on=False)
    assert battery_volt(off) == pytest.approx(source, abs=0.01)
    assert battery_volt(Condition(ignition_on=False, at_battery=(STARTER,))) == pytest.approx(
        source * 0.04 / (0.04 + ohm), abs=0.01
    )
    both = (source / ohm + 14.2 / 0.001) / (1 / ohm + 1 / 0.001)
    assert battery_volt(Condition(ignition_on=False, at_battery=(ALTERNATOR,))) == pytest.approx(both, abs=0.01)
    assert battery_volt(Condition(ignition_on=False, sag_volt=0.7)) == pytest.approx(source - 0.7, abs=0.01)


def test_without_the_battery_lead_nothing_is_there() -> None:
    circuit = Circuit(three_modules(), Condition(battery_on=False, at_battery=(ALTERNATOR,)))
    assert set(circuit.states.values()) == {ModuleState.UNPOWERED}
    assert circuit.volts().between(POSITIVE, BODY) == 0.0
