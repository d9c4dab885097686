"""ClearDiagnosticInformation, 0x14. ISO 14229-1:2020, 12.2."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import NOT_PROGRAMMING, POSITIVE, Later, Request, Service

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

#: Clearing writes to a memory that is slow (own choice): longer than P2, so "response pending" comes first.
CLEARING_NS = 80_000_000


def _answer(server: Server, request: Request) -> Later:
    if len(request.payload) != 4:
        raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    group = int.from_bytes(request.payload[1:], "big")
    if not server.memory.is_group(group):
        raise Refused(Refusal.REQUEST_OUT_OF_RANGE)

    def clear(t_ns: int) -> bytes:
        server.memory.clear(group)
        server.cleared(t_ns)
        return bytes((SERVICE.number + POSITIVE,))

    return Later(CLEARING_NS, clear)


SERVICE = Service(0x14, "ClearDiagnosticInformation", _answer, sessions=NOT_PROGRAMMING)
