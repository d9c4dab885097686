"""RoutineControl, 0x31. ISO 14229-1:2020, 14.2."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import NOT_DEFAULT, POSITIVE, Later, Request, Service

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

#: routineControlType: start, stop, results (14.2).
START, STOP, RESULTS = 0x01, 0x02, 0x03


def _answer(server: Server, request: Request) -> bytes | Later:
    # in the order of the figure of 14.2: identifier (in this session), security, control type, length, the routine
    control, option = request.sub_function, request.payload[4:]
    routine = server.routines.get(int.from_bytes(request.payload[2:4], "big"))
    if routine is None or server.session not in routine.sessions:
        raise Refused(Refusal.REQUEST_OUT_OF_RANGE)
    if routine.level is not None and routine.level != server.lock.level:
        raise Refused(Refusal.SECURITY_ACCESS_DENIED)
    if control not in routine.controls:
        raise Refused(Refusal.SUB_FUNCTION_NOT_SUPPORTED)
    if len(option) not in (routine.option_lengths if control == START else (0,)):
        raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    head = bytes((SERVICE.number + POSITIVE, control)) + request.payload[2:4]
    if control == START:
        record = routine.start(request.t_ns, option)
        if isinstance(record, Later):
            finish = record.finish
            return Later(record.duration_ns, lambda t_ns: head + finish(t_ns))
        return head + record
    return head + (routine.stop(request.t_ns) if control == STOP else routine.results(request.t_ns))


SERVICE = Service(
    0x31,
    "RoutineControl",
    _answer,
    sessions=NOT_DEFAULT,
    sub_functions=dict.fromkeys((START, STOP, RESULTS), NOT_DEFAULT),
    shortest=4,
)
