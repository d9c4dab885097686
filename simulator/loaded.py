"""What is loaded in a module: by which numbers it is known, and what it was told; as drawn, and as faults have left it.

What the vehicle file leaves out is made up from the names in it, always the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from zlib import crc32

from simulator.deviations import Behaviour, Fitted, Told
from simulator.road import ConfigurationItem
from simulator.vehicle import Vehicle

#: Characters of a vehicle identification number: no I, O or Q (ISO 3779).
_VIN_LETTERS = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
VIN_BYTES = 17
#: What an erased memory reads as, in every byte (common practice).
_ERASED = b"\xff"


@dataclass(frozen=True)
class Identity:
    """The texts by which a module is known, and the constant of its security access."""

    vehicle_number: str
    part_number: str
    software_number: str
    software_version: str
    hardware_number: str
    serial_number: str
    security_constant: int


def identity_of(vehicle: Vehicle, name: str) -> Identity:
    """The identity of the module that belongs there: what the vehicle file says, the rest made up from its names."""
    module = vehicle.module(name)
    given = module.diagnostics
    drawn = [crc32(f"{vehicle.name} {name} {what}".encode()) for what in ("part", "software", "serial", "constant")]
    part = given.part_number or f"{name[:3].upper()}-{drawn[0] % 1_000_000:06d}"
    return Identity(
        vehicle_number=vehicle.vin or _made_up_vin(vehicle.name),
        part_number=part,
        software_number=given.software_number or f"{name[:3].upper()}-S{drawn[1] % 100_000:05d}",
        software_version=given.software_version or "0001",
        hardware_number=given.hardware_number or f"{part}-H1",
        serial_number=given.serial_number or f"{drawn[2] % 100_000_000:08d}",
        security_constant=drawn[3] if given.security_constant is None else given.security_constant,
    )


def _made_up_vin(name: str) -> str:
    digits, value = "", crc32(name.encode()) * 0x1_0000_0001
    for _ in range(VIN_BYTES - 3):
        value, digit = divmod(value, len(_VIN_LETTERS))
        digits += _VIN_LETTERS[digit]
    return "ZZZ" + digits


@dataclass(frozen=True)
class Loaded:
    """How what is loaded in a module differs from what belongs there; without anything it does not.

    ``configured``: it has its configuration. ``broke_off``: at what part of a writing it broke off; then it has
    nothing, and is in start-up mode. ``told``: values that are others than the vehicle needs, by title. ``fitted``: its
    part_number or software_number where it is another unit than the one that belongs there.
    """

    configured: bool = True
    broke_off: float | None = None
    told: tuple[tuple[str, float], ...] = ()
    fitted: tuple[tuple[str, str], ...] = ()

    @property
    def works(self) -> bool:
        """Whether it has a configuration to work with."""
        return self.configured and self.broke_off is None

    def number(self, which: str, own: str) -> str:
        """Its part_number or software_number, where the unit that belongs there has ``own``."""
        return dict(self.fitted).get(which, own)

    def value(self, item: ConfigurationItem) -> float:
        """What it was told of an item, as a physical value; only of one that works."""
        return dict(self.told).get(item.title, item.value)

    def data(self, item: ConfigurationItem) -> bytes | None:
        """What it gives when it is asked for an item; None: in start-up mode it gives nothing."""
        if self.broke_off is not None:
            return None
        return replace(item, value=self.value(item)).data if self.configured else _ERASED * item.length


#: What belongs there.
AS_DRAWN = Loaded()


def loaded_in(vehicle: Vehicle) -> Mapping[str, Loaded]:
    """The modules in which faults have left something else than belongs there."""
    found: dict[str, Loaded] = {}
    for item in vehicle.deviations:
        match item:
            case Behaviour(module, "not_configured"):
                found[module] = replace(found.get(module, AS_DRAWN), configured=False)
            case Behaviour(module, "half_written", percent):
                found[module] = replace(found.get(module, AS_DRAWN), broke_off=percent / 100)
            case Told(module, title, value):
                before = found.get(module, AS_DRAWN)
                found[module] = replace(before, told=(*before.told, (title, value)))
            case Fitted(module, number, text):
                before = found.get(module, AS_DRAWN)
                found[module] = replace(before, fitted=(*before.fitted, (number, text)))
            case _:
                pass
    return found
