"""TesterPresent, 0x3E. ISO 14229-1:2020, 10.7."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import EVERY_SESSION, POSITIVE, Request, Service

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

_ZERO = 0x00


def _answer(server: Server, request: Request) -> bytes:
    if len(request.payload) != 2:
        raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    return bytes((SERVICE.number + POSITIVE, _ZERO))


SERVICE = Service(0x3E, "TesterPresent", _answer, sub_functions={_ZERO: EVERY_SESSION})
