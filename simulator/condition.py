"""What people and weather do to a vehicle: switches, plugs, and what shakes, wets or cranks it. No fault, no solver."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class ModuleState(StrEnum):
    """The supply states of a control module."""

    UNPOWERED = "unpowered"
    ASLEEP = "asleep"
    AWAKE = "awake"
    STARVED = "starved"


@dataclass(frozen=True)
class AtBattery:
    """Something between the battery's clamps: a load, or with ``volt`` a source of that open-circuit voltage."""

    name: str
    ohm: float
    volt: float = 0.0


@dataclass(frozen=True)
class Condition:
    """The state of the bench: battery and ignition, unplugged modules, parted connectors as (network, place).

    ``at_battery``: starter, alternator, support supply, lamps; they work while the battery is connected. ``sag_volt``:
    by how much the battery's open-circuit voltage has fallen under load.
    """

    battery_on: bool = True
    ignition_on: bool = True
    unplugged: frozenset[str] = frozenset()
    parted: frozenset[tuple[str, str]] = frozenset()
    at_battery: tuple[AtBattery, ...] = ()
    sag_volt: float = 0.0


#: Everything off: how resistance is measured.
DEAD = Condition(battery_on=False, ignition_on=False)


@dataclass(frozen=True)
class Surroundings:
    """What timed faults may wait for: shaken and wet places, the starter turning, the temperature in Celsius."""

    shaken: frozenset[str] = frozenset()
    wet: frozenset[str] = frozenset()
    cranking: bool = False
    celsius: float = 20.0
