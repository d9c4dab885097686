"""ReadDataByIdentifier, 0x22. ISO 14229-1:2020, 11.2."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import POSITIVE, Request, Service

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

#: How many identifiers one request may name (left to the manufacturer; own choice).
MOST = 16
#: No response is longer: what ISO 15765-2 can carry with a short first frame.
_LONGEST = 4095


def _answer(server: Server, request: Request) -> bytes:
    named = request.payload[1:]
    # by the figure of 11.2: length, then each identifier, then security; one that is known is enough
    if len(named) % 2 or not 1 <= len(named) // 2 <= MOST:
        raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    numbers = [int.from_bytes(named[i : i + 2], "big") for i in range(0, len(named), 2)]
    found = [
        item
        for item in (server.data.get(number) for number in numbers)
        if item is not None and item.read is not None and server.session in item.read_sessions
    ]
    if any(item.read_level is not None and item.read_level != server.lock.level for item in found):
        raise Refused(Refusal.SECURITY_ACCESS_DENIED)
    values = [(item.number, item.read(request.t_ns)) for item in found if item.read is not None]
    if all(value is None for _, value in values):
        raise Refused(Refusal.REQUEST_OUT_OF_RANGE)
    parts = [number.to_bytes(2, "big") + value for number, value in values if value is not None]
    data = bytes((SERVICE.number + POSITIVE,)) + b"".join(parts)
    if len(data) > _LONGEST:
        raise Refused(Refusal.RESPONSE_TOO_LONG)
    return data


SERVICE = Service(0x22, "ReadDataByIdentifier", _answer, shortest=3)
