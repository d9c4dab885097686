"""The services of SAE J1979 (ISO 15031-5) on CAN: 01, 03, 04, 07, 09 and 0A, for modules with one of its addresses.

What a module does not have it does not answer (from memory: no negative response for a value that is
not supported). Codes have two bytes here, without failure type, each once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

from simulator.diagnostics.service import NOT_PROGRAMMING, POSITIVE, Later, Outcome, Request, Service
from simulator.diagnostics.services.clear_codes import CLEARING_NS
from simulator.diagnostics.status import Entry, Status

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

#: Identifiers of requests to modules with emission-related duties (ISO 15765-4, 11 bit).
ADDRESSES = range(0x7E0, 0x7E8)
CURRENT_DATA, CONFIRMED, CLEAR, PENDING, INFORMATION, PERMANENT = 0x01, 0x03, 0x04, 0x07, 0x09, 0x0A
#: Values of service 01 in one request, at most.
_MOST = 6
#: Every identifier that says which of the next 32 there are.
_MASKS = range(0x00, 0x100, 0x20)
Values = Mapping[int, Callable[[int], bytes]]


def _mask(values: Values, first: int) -> bytes:
    """Bit masks: the highest bit is the identifier after the first; the lowest says that there are more."""
    last = first + 0x20
    bits = sum(1 << last - number for number in values if first < number <= last)
    more = any(number > last for number in values)
    return (bits | more).to_bytes(4, "big")


def _value(values: Values, number: int, t_ns: int) -> bytes | None:
    if number in _MASKS:
        return _mask(values, number) if number == 0 or any(each > number for each in values) else None
    read = values.get(number)
    return None if read is None else read(t_ns)


def _current_data(server: Server, request: Request) -> Outcome:
    asked = request.payload[1:]
    if len(asked) > _MOST:
        return None
    found = [(number, _value(server.current_data, number, request.t_ns)) for number in asked]
    data = b"".join(bytes((number,)) + value for number, value in found if value is not None)
    return bytes((CURRENT_DATA + POSITIVE,)) + data if data else None


def _information(server: Server, request: Request) -> Outcome:
    if len(request.payload) != 2:
        return None
    number = request.payload[1]
    value = _value(server.information, number, request.t_ns)
    if value is None:
        return None
    count = b"" if number in _MASKS else b"\x01"
    return bytes((INFORMATION + POSITIVE, number)) + count + value


def _clear(server: Server, request: Request) -> Outcome:
    if len(request.payload) != 1:
        return None

    def clear(t_ns: int) -> bytes:
        server.memory.clear()
        server.cleared(t_ns)
        return bytes((CLEAR + POSITIVE,))

    return Later(CLEARING_NS, clear)


def codes_of(entries: Iterable[Entry]) -> bytes:
    """How many codes of two bytes, and each once."""
    numbers = sorted({entry.number >> 8 for entry in entries})[:0xFF]
    return bytes((len(numbers),)) + b"".join(number.to_bytes(2, "big") for number in numbers)


def _codes(number: int, chosen: Callable[[Entry], object]) -> Service:
    def answer(server: Server, request: Request) -> Outcome:
        if len(request.payload) != 1:
            return None
        entries = filter(chosen, server.memory.entries.values())
        return bytes((number + POSITIVE,)) + codes_of(entries)

    return Service(number, _NAMES[number], answer, NOT_PROGRAMMING, emissions=True)


_NAMES = {
    CURRENT_DATA: "current data",
    CONFIRMED: "confirmed codes",
    CLEAR: "clear",
    PENDING: "pending codes",
    INFORMATION: "vehicle information",
    PERMANENT: "permanent codes",
}

SERVICES = (
    Service(CURRENT_DATA, _NAMES[CURRENT_DATA], _current_data, NOT_PROGRAMMING, shortest=2, emissions=True),
    _codes(CONFIRMED, lambda entry: entry.status & Status.CONFIRMED),
    Service(CLEAR, _NAMES[CLEAR], _clear, NOT_PROGRAMMING, emissions=True),
    _codes(PENDING, lambda entry: entry.status & Status.PENDING),
    Service(INFORMATION, _NAMES[INFORMATION], _information, NOT_PROGRAMMING, shortest=2, emissions=True),
    _codes(PERMANENT, lambda entry: entry.permanent),
)
