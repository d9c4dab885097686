"""CommunicationControl, 0x28: normal messages on and off. ISO 14229-1:2020, 10.5."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import ONLY_EXTENDED, POSITIVE, Request, Service

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

#: What each control type leaves off (10.5).
_OFF: dict[int, tuple[str, ...]] = {0x00: (), 0x01: ("send",), 0x02: ("receive",), 0x03: ("receive", "send")}
#: Low two bits of communicationType: normal messages, network management, both (annex B.1).
_NORMAL, _MANAGEMENT, _BOTH = 0x01, 0x02, 0x03
#: High four bits: all networks, or the one on which the request came.
_ALL_NETWORKS, _THIS_NETWORK = 0x0, 0xF


def _answer(server: Server, request: Request) -> bytes:
    if len(request.payload) != 3:
        raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    kind, where = request.payload[2] & 0xF, request.payload[2] >> 4
    if kind not in (_NORMAL, _MANAGEMENT, _BOTH) or where not in (_ALL_NETWORKS, _THIS_NETWORK):
        raise Refused(Refusal.REQUEST_OUT_OF_RANGE)
    if kind & _NORMAL:  # no module here has messages of network management
        network = "" if where == _ALL_NETWORKS else request.network
        kept = () if network == "" else [item for item in server.switched_off if item[0] != network]
        server.switched_off = {*kept, *((network, way) for way in _OFF[request.sub_function])}
    return bytes((SERVICE.number + POSITIVE, request.sub_function))


SERVICE = Service(
    0x28,
    "CommunicationControl",
    _answer,
    sessions=ONLY_EXTENDED,
    sub_functions=dict.fromkeys(_OFF, ONLY_EXTENDED),
)
