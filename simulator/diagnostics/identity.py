"""What every module says of itself: identification by ISO 14229-1:2020, annex C.1, and the same by SAE J1979."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

from simulator.diagnostics.data import DataIdentifier
from simulator.diagnostics.server import Server
from simulator.diagnostics.service import NOT_DEFAULT
from simulator.diagnostics.services.read_codes import CLOCK, SUPPLY
from simulator.diagnostics.status import Status
from simulator.loaded import Identity, Loaded
from simulator.road import ConfigurationItem
from simulator.vehicle import Module

# Data identifiers, ISO 14229-1:2020, annex C.1.
ACTIVE_SESSION, PART_NUMBER, SOFTWARE_NUMBER, SOFTWARE_VERSION = 0xF186, 0xF187, 0xF188, 0xF189
SERIAL_NUMBER, VEHICLE_NUMBER, HARDWARE_NUMBER, SYSTEM_NAME = 0xF18C, 0xF190, 0xF191, 0xF197
#: repairShopCodeOrTesterSerialNumber: ten characters that any workshop may write once it has the key.
WORKSHOP_CODE = 0xF198
_WORKSHOP_CODE_BYTES, _WORKSHOP_WRITE_NS = 10, 150_000_000
# SAE J1979. Service 01: state of the monitors since clearing and in this cycle, the standard that is kept (6: EOBD),
# supply in mV. Service 09: number of the vehicle, calibration, name of the module.
_MONITORS, _STANDARD, _MONITORS_THIS_CYCLE, _VOLTS = 0x01, 0x1C, 0x41, 0x42
#: In byte B of both states of the monitors: the comprehensive monitor of components is there, and has not completed.
_COMPONENTS, _COMPONENTS_OPEN = 0x04, 0x40
_VIN, _CALIBRATION, _NAME = 0x02, 0x04, 0x0A
_TENTH_NS = 100_000_000


def introduce(
    server: Server,
    module: Module,
    identity: Identity,
    supply_volt: Callable[[], float],
    loaded: Callable[[], Loaded],
) -> None:
    """Give a server the data identifiers and the values of SAE J1979 that every module has."""

    def software_number() -> str:
        return loaded().number("software_number", identity.software_number)

    texts = {
        SOFTWARE_VERSION: ("software version", identity.software_version),
        SERIAL_NUMBER: ("serial number", identity.serial_number),
        VEHICLE_NUMBER: ("vehicle identification number", identity.vehicle_number),
        HARDWARE_NUMBER: ("hardware number", identity.hardware_number),
        SYSTEM_NAME: ("system name", module.title or module.name),
    }
    for number, (name, text) in texts.items():
        server.add_data(_text(number, name, partial(str, text)))
    server.add_data(
        _text(PART_NUMBER, "part number", lambda: loaded().number("part_number", identity.part_number)),
        _text(SOFTWARE_NUMBER, "software number", software_number),
        DataIdentifier(ACTIVE_SESSION, "active session", lambda t_ns: bytes((server.session,))),
        DataIdentifier(CLOCK, "clock, 0.1 s", lambda t_ns: (t_ns // _TENTH_NS & 0xFFFFFFFF).to_bytes(4, "big")),
        DataIdentifier(SUPPLY, "supply, 10 mV", lambda t_ns: _hundredths(supply_volt()).to_bytes(2, "big")),
        _workshop_code(),
    )
    if not server.emissions:
        return
    server.current_data[_MONITORS] = lambda t_ns: _monitors(server)
    server.current_data[_MONITORS_THIS_CYCLE] = lambda t_ns: _monitors_this_cycle(server)
    server.current_data[_STANDARD] = lambda t_ns: b"\x06"
    server.current_data[_VOLTS] = lambda t_ns: (_hundredths(supply_volt()) * 10 & 0xFFFF).to_bytes(2, "big")
    server.information[_VIN] = lambda t_ns: identity.vehicle_number.encode("latin-1")
    server.information[_CALIBRATION] = lambda t_ns: _filled(software_number(), 16)
    server.information[_NAME] = lambda t_ns: _filled(f"{module.name[:3]}\0-{module.title or module.name}", 20)


def remember(server: Server, items: Iterable[ConfigurationItem], loaded: Callable[[], Loaded]) -> None:
    """Give a server what its unit was told, to be read."""
    for item in items:
        server.add_data(DataIdentifier(item.number, item.title, partial(_told, item, loaded)))


def _told(item: ConfigurationItem, loaded: Callable[[], Loaded], t_ns: int) -> bytes | None:
    return loaded().data(item)


def _hundredths(volt: float) -> int:
    return round(max(0.0, volt) * 100)


def _filled(text: str, length: int) -> bytes:
    return text.encode("latin-1", "replace")[:length].ljust(length, b"\0")


def _text(number: int, name: str, text: Callable[[], str]) -> DataIdentifier:
    return DataIdentifier(number, name, lambda t_ns: text().encode("latin-1", "replace"))


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
    """Service 01, 0x01. Byte A: lamp on (bit 7) and how many codes are confirmed; byte B: whether its monitors have run
    since codes were cleared. No other monitor is there: bytes C and D are 0. SAE J1979, table of data byte B: supported
    in bits 0 to 2, not completed in bits 4 to 6.
    """
    entries = server.memory.matching(Status.CONFIRMED)
    lamp = any(entry.status & Status.WARNING for entry in entries)
    return bytes((lamp << 7 | min(len(entries), 0x7F), _components(server, Status.NOT_COMPLETED_SINCE_CLEAR), 0, 0))


def _monitors_this_cycle(server: Server) -> bytes:
    """Service 01, 0x41: whether they have run since the ignition was switched on. Byte A is reserved: 0."""
    return bytes((0, _components(server, Status.NOT_COMPLETED_THIS_CYCLE), 0, 0))


def _components(server: Server, missing: Status) -> int:
    """Byte B of both. The monitor of components are all the tests whose codes the fault memory has."""
    tests = [entry for entry in server.memory.entries.values() if entry.tested]
    return _COMPONENTS | (_COMPONENTS_OPEN if any(entry.status & missing for entry in tests) else 0)
