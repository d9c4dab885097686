"""SecurityAccess, 0x27. ISO 14229-1:2020, 10.4."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.diagnostics.data import PROGRAMMING, WORKSHOP
from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import NOT_DEFAULT, POSITIVE, Request, Service, Session

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

_ONLY_PROGRAMMING = frozenset({Session.PROGRAMMING})


def _answer(server: Server, request: Request) -> bytes:
    kind = request.sub_function
    head = bytes((SERVICE.number + POSITIVE, kind))
    if kind % 2:  # requestSeed: odd
        if len(request.payload) != 2:
            raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
        return head + server.lock.give_seed(request.t_ns, kind)
    server.lock.try_key(request.t_ns, kind - 1, request.payload[2:])
    return head


SERVICE = Service(
    0x27,
    "SecurityAccess",
    _answer,
    sessions=NOT_DEFAULT,
    sub_functions={
        WORKSHOP: NOT_DEFAULT,
        WORKSHOP + 1: NOT_DEFAULT,
        PROGRAMMING: _ONLY_PROGRAMMING,
        PROGRAMMING + 1: _ONLY_PROGRAMMING,
    },
)
