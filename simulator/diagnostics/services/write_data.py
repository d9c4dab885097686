"""WriteDataByIdentifier, 0x2E. ISO 14229-1:2020, 11.7."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import NOT_DEFAULT, POSITIVE, Later, Request, Service

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server


def _answer(server: Server, request: Request) -> Later:
    # in the order of the figure of 11.7: identifier, security, whole length, conditions
    number, data = int.from_bytes(request.payload[1:3], "big"), request.payload[3:]
    item = server.data.get(number)
    if item is None or item.write is None or server.session not in item.write_sessions:
        raise Refused(Refusal.REQUEST_OUT_OF_RANGE)
    if item.level is not None and item.level != server.lock.level:
        raise Refused(Refusal.SECURITY_ACCESS_DENIED)
    if len(data) != item.length:
        raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    write = item.write
    if item.begin is not None:
        item.begin(request.t_ns, data)

    def finish(t_ns: int) -> bytes:
        write(t_ns, data)
        return bytes((SERVICE.number + POSITIVE,)) + request.payload[1:3]

    return Later(item.write_ns, finish)


SERVICE = Service(0x2E, "WriteDataByIdentifier", _answer, sessions=NOT_DEFAULT, shortest=4)
