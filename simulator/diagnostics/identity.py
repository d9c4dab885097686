"""What every module says of itself: identification by ISO 14229-1:2020, annex C.1, and the same by SAE J1979.

What the vehicle file leaves out is made up from the names in it, always the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from zlib import crc32

from simulator.diagnostics.data import DataIdentifier
from simulator.diagnostics.server import Server
from simulator.diagnostics.service import NOT_DEFAULT
from simulator.diagnostics.services.read_codes import CLOCK, SUPPLY
from simulator.diagnostics.status import Status
from simulator.road import ConfigurationItem
from simulator.vehicle import Module, Vehicle

# Data identifiers, ISO 14229-1:2020, annex C.1.
ACTIVE_SESSION, PART_NUMBER, SOFTWARE_NUMBER, SOFTWARE_VERSION = 0xF186, 0xF187, 0xF188, 0xF189
SERIAL_NUMBER, VEHICLE_NUMBER, HARDWARE_NUMBER, SYSTEM_NAME = 0xF18C, 0xF190, 0xF191, 0xF197
#: repairShopCodeOrTesterSerialNumber: ten characters that any workshop may write once it has the key.
WORKSHOP_CODE = 0xF198
_WORKSHOP_CODE_BYTES, _WORKSHOP_WRITE_NS = 10, 150_000_000
#: Characters of a vehicle identification number: no I, O or Q (ISO 3779).
_VIN_LETTERS = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
VIN_BYTES = 17
# SAE J1979. Service 01: status since clearing, the standard that is kept (6: EOBD), supply in mV. Service 09: number of
# the vehicle, calibration, name of the module.
_MONITORS, _STANDARD, _VOLTS = 0x01, 0x1C, 0x42
_VIN, _CALIBRATION, _NAME = 0x02, 0x04, 0x0A
_TENTH_NS = 100_000_000


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
    """The identity of a module: what the vehicle file says, the rest made up from its names."""
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


def introduce(server: Server, module: Module, identity: Identity, supply_volt: Callable[[], float]) -> None:
    """Give a server the data identifiers and the values of SAE J1979 that every module has."""
    texts = {
        PART_NUMBER: ("part number", identity.part_number),
        SOFTWARE_NUMBER: ("software number", identity.software_number),
        SOFTWARE_VERSION: ("software version", identity.software_version),
        SERIAL_NUMBER: ("serial number", identity.serial_number),
        VEHICLE_NUMBER: ("vehicle identification number", identity.vehicle_number),
        HARDWARE_NUMBER: ("hardware number", identity.hardware_number),
        SYSTEM_NAME: ("system name", module.title or module.name),
    }
    for number, (name, text) in texts.items():
        server.add_data(_text(number, name, text))
    server.add_data(
        DataIdentifier(ACTIVE_SESSION, "active session", lambda t_ns: bytes((server.session,))),
        DataIdentifier(CLOCK, "clock, 0.1 s", lambda t_ns: (t_ns // _TENTH_NS & 0xFFFFFFFF).to_bytes(4, "big")),
        DataIdentifier(SUPPLY, "supply, 10 mV", lambda t_ns: _hundredths(supply_volt()).to_bytes(2, "big")),
        _workshop_code(),
    )
    if not server.emissions:
        return
    server.current_data[_MONITORS] = lambda t_ns: _monitors(server)
    server.current_data[_STANDARD] = lambda t_ns: b"\x06"
    server.current_data[_VOLTS] = lambda t_ns: (_hundredths(supply_volt()) * 10 & 0xFFFF).to_bytes(2, "big")
    server.information[_VIN] = lambda t_ns: identity.vehicle_number.encode("latin-1")
    server.information[_CALIBRATION] = lambda t_ns: _filled(identity.software_number, 16)
    server.information[_NAME] = lambda t_ns: _filled(f"{module.name[:3]}\0-{module.title or module.name}", 20)


def remember(server: Server, items: Iterable[ConfigurationItem], configured: Callable[[], bool]) -> None:
    """Give a server what its unit was told when the vehicle was built, to be read; all ones where that is lost."""
    for item in items:
        server.add_data(DataIdentifier(item.number, item.title, partial(_told, item, configured)))


def _told(item: ConfigurationItem, configured: Callable[[], bool], t_ns: int) -> bytes:
    return item.data if configured() else b"\xff" * item.length


def _hundredths(volt: float) -> int:
    return round(max(0.0, volt) * 100)


def _filled(text: str, length: int) -> bytes:
    return text.encode("latin-1", "replace")[:length].ljust(length, b"\0")


def _text(number: int, name: str, text: str) -> DataIdentifier:
    data = text.encode("latin-1", "replace")
    return DataIdentifier(number, name, lambda t_ns: data)


def _workshop_code() -> DataIdentifier:
    kept = bytearray(b" " * _WORKSHOP_CODE_BYTES)

    def write(t_ns: int, data: bytes) -> None:
        kept[:] = data

    return DataIdentifier(
        WORKSHOP_CODE,
        "workshop code",
        lambda t_ns: bytes(kept),
        write,
        _WORKSHOP_CODE_BYTES,
        write_sessions=NOT_DEFAULT,
        write_ns=_WORKSHOP_WRITE_NS,
    )


def _monitors(server: Server) -> bytes:
    """Byte A: lamp on (bit 7) and how many codes are confirmed; the monitors of B to D are not modelled: none there."""
    entries = server.memory.matching(Status.CONFIRMED)
    lamp = any(entry.status & Status.WARNING for entry in entries)
    return bytes((lamp << 7 | min(len(entries), 0x7F), 0, 0, 0))
