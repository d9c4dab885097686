"""ControlDTCSetting, 0x85: status bits frozen or not. ISO 14229-1:2020, 10.8."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import ONLY_EXTENDED, POSITIVE, Request, Service

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

#: DTCSettingType (10.8).
_ON, _OFF = 0x01, 0x02


def _answer(server: Server, request: Request) -> bytes:
    if len(request.payload) != 2:
        raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    server.memory.frozen = request.sub_function == _OFF
    return bytes((SERVICE.number + POSITIVE, request.sub_function))


SERVICE = Service(
    0x85,
    "ControlDTCSetting",
    _answer,
    sessions=ONLY_EXTENDED,
    sub_functions=dict.fromkeys((_ON, _OFF), ONLY_EXTENDED),
)
