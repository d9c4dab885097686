"""ECUReset, 0x11. ISO 14229-1:2020, 10.3."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import EVERY_SESSION, POSITIVE, Reply, Request, Service

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

#: hardReset, keyOffOnReset, softReset (10.3); all three restart the module.
_KINDS = (0x01, 0x02, 0x03)


def _answer(server: Server, request: Request) -> Reply:
    if len(request.payload) != 2:
        raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    # the response goes out before the module restarts (10.3)
    return Reply(bytes((SERVICE.number + POSITIVE, request.sub_function)), server.restart)


SERVICE = Service(0x11, "ECUReset", _answer, sub_functions=dict.fromkeys(_KINDS, EVERY_SESSION))
