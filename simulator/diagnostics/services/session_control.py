"""DiagnosticSessionControl, 0x10. ISO 14229-1:2020, 10.2."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import EVERY_SESSION, POSITIVE, Request, Service, Session

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

#: P2server_max in ms and P2*server_max in 10 ms, as told to the tester (10.2).
_P2_MS, _P2_STAR_10_MS = 50, 500


def _answer(server: Server, request: Request) -> bytes:
    if len(request.payload) != 2:
        raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    session = Session(request.sub_function)
    refusal = server.refuse_session(request.t_ns, session)
    if refusal is not None:
        raise Refused(refusal)
    server.enter(request.t_ns, session)
    times = _P2_MS.to_bytes(2, "big") + _P2_STAR_10_MS.to_bytes(2, "big")
    return bytes((SERVICE.number + POSITIVE, session)) + times


SERVICE = Service(
    0x10,
    "DiagnosticSessionControl",
    _answer,
    sub_functions=dict.fromkeys(Session, EVERY_SESSION),
)
