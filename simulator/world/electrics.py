"""What happens at the battery: starter, alternator, support supply, lamps, and a battery that sags under load."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulator.condition import AtBattery
from simulator.deviations import BatteryValue
from simulator.road import Drivetrain
from simulator.vehicle import Battery, Vehicle

#: The alternator's regulator holds its voltage this closely, in ohm (own choice).
ALTERNATOR_OHM = 0.001
#: A support supply falls by so much at the current it is made for, in volt; lamps are for 12 V (own choices).
SUPPLY_DROP_VOLT, LAMP_VOLT = 0.2, 12.0
#: Under load a battery falls on, to this many times the drop of its internal resistance, first-order in this time, in s
#: (own choice: half a minute to minutes are common practice).
SAG_FACTOR, SAG_S = 2.0, 60.0
#: A change of the sag smaller than this is not told to the circuit, in volt.
SAG_STEP_VOLT = 0.05


@dataclass(frozen=True)
class Supply:
    """A support supply: what it is set to, in volt, and what it can give, in ampere."""

    volt: float
    amp: float


def at_battery(drivetrain: Drivetrain, engine: str, supply: Supply | None, lamps_amp: float) -> tuple[AtBattery, ...]:
    """What hangs at the battery's clamps."""
    parts: list[AtBattery] = []
    if engine == "cranking":
        parts.append(AtBattery("starter", drivetrain.starter_ohm))
    if engine == "running":
        parts.append(AtBattery("alternator", ALTERNATOR_OHM, drivetrain.alternator_volt))
    if supply is not None:
        parts.append(AtBattery("support supply", SUPPLY_DROP_VOLT / supply.amp, supply.volt))
    if lamps_amp > 0.0:
        parts.append(AtBattery("lamps", LAMP_VOLT / lamps_amp))
    return tuple(parts)


def battery_of(vehicle: Vehicle) -> Battery:
    """The battery as faults have made it."""
    for item in vehicle.deviations:
        if isinstance(item, BatteryValue):
            return Battery(item.open_circuit_volt, item.internal_ohm)
    return vehicle.battery


class Sag:
    """How far a battery has fallen under load: first-order, with the current of the moment."""

    def __init__(self) -> None:
        self.volt = 0.0
        self._goal_volt = 0.0
        self._since_ns = 0

    def go_on(self, t_ns: int) -> None:
        """Let time pass with the load as it was."""
        seconds, self._since_ns = (t_ns - self._since_ns) / 1e9, t_ns
        self.volt = self._goal_volt + (self.volt - self._goal_volt) * math.exp(-seconds / SAG_S)

    def load(self, amp: float, internal_ohm: float) -> None:
        """Another current out of the battery, in ampere."""
        self._goal_volt = max(0.0, amp) * internal_ohm * SAG_FACTOR

    def next_ns(self, shown_volt: float) -> int | None:
        """When it will differ by a step from what is shown; None if never."""
        ahead = self._goal_volt - self.volt
        wanted = shown_volt + math.copysign(SAG_STEP_VOLT, ahead) - self.volt
        if ahead == 0.0 or abs(self._goal_volt - shown_volt) <= SAG_STEP_VOLT or wanted / ahead <= 0.0:
            return None
        return self._since_ns + max(1, round(-SAG_S * math.log(1.0 - wanted / ahead) * 1e9))
