"""What a tester's controller notices, as python-can messages in the layout of SocketCAN's error frames.

Source of classes, bytes and places: Linux, include/uapi/linux/can/error.h. Class and detail go as with drivers that
report every bus error; a change of state is a frame of its own, and every frame carries the error counters.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum

import can

from simulator.datalink.trouble import Trouble

_LOST_ARBITRATION, _CONTROLLER, _PROTOCOL, _NO_ACK = 0x002, 0x004, 0x008, 0x020
_BUS_OFF, _BUS_ERROR, _RESTARTED, _COUNTERS = 0x040, 0x080, 0x100, 0x200
#: data[1]: the controller is active again; by level (warning, passive) for the receive and the transmit counter.
_ACTIVE_AGAIN = 0x40
_RECEIVE_LEVEL, _TRANSMIT_LEVEL = (0x00, 0x04, 0x10), (0x00, 0x08, 0x20)
#: data[2]: what is wrong; a CRC error has no bit of its own, its place says it; a missing ACK likewise.
_KIND = {"form": 0x02, "stuff": 0x04, "bit 0": 0x08, "bit 1": 0x10, "overload": 0x20}
_ON_TRANSMISSION = 0x80
#: data[3]: where.
_PLACE = {
    "SOF": 0x03, "RTR": 0x04, "IDE": 0x05, "FDF": 0x09, "r0": 0x09, "res": 0x0D, "DLC": 0x0B, "data": 0x0A,
    "RTR extended": 0x0C, "stuff count": 0x08, "CRC": 0x08, "CRC delimiter": 0x18, "ACK slot": 0x19,
    "ACK delimiter": 0x1B, "EOF": 0x1A, "intermission": 0x12,
}  # fmt: skip
#: The identifier's parts: (bits of the field left, this one included; place), the first that is not above counts.
_BASE_PARTS = ((4, 0x02), (0, 0x06))
_EXTENSION_PARTS = ((14, 0x07), (6, 0x0F), (0, 0x0E))
#: From here on a counter warns, the controller is error passive, and bus-off. The file above; ISO 11898-1.
_WARNING_AT, _PASSIVE_AT, OFF_AT = 96, 128, 256


class ErrorFrames(StrEnum):
    """Which error frames a tester gets: none, those about its controller's state, or all."""

    NONE = "none"
    STATES = "states"
    ALL = "all"


def trouble_message(trouble: Trouble, counters: tuple[int, int]) -> can.Message:
    """The error frame of one thing noticed; timestamp 0, counters (transmit, receive) shown up to 255."""
    data = bytearray(8)
    if trouble.kind == "lost arbitration":
        kind = _LOST_ARBITRATION
        data[0] = _bit_of_the_stream(trouble)
    else:
        kind = _PROTOCOL | _BUS_ERROR | (_NO_ACK if trouble.kind == "ack" else 0)
        data[2] = _KIND.get(trouble.kind, 0) | (_ON_TRANSMISSION if trouble.transmitting else 0)
        data[3] = _PLACE["CRC"] if trouble.kind == "crc" else _place(trouble)
    return _message(kind, data, counters)


class StateFrames:
    """Follows the state of one controller and tells each change as an error frame."""

    def __init__(self) -> None:
        self._level = 0
        self._off = False

    def changes(self, counters: tuple[int, int]) -> Iterator[can.Message]:
        """The error frames since the last call, for the (transmit, receive) counters of now."""
        data = bytearray(8)
        off = counters[0] >= OFF_AT
        transmit, receive = map(_level, counters)
        level = max(transmit, receive)
        if off != self._off:
            self._off, self._level = off, 0
            yield _message(_BUS_OFF if off else _RESTARTED, data, counters)
        elif not off and level != self._level:
            self._level = level
            if transmit >= receive:
                data[1] |= _TRANSMIT_LEVEL[transmit]
            if receive >= transmit:
                data[1] |= _RECEIVE_LEVEL[receive]
            data[1] |= 0 if level else _ACTIVE_AGAIN
            yield _message(_CONTROLLER, data, counters)


def _level(counter: int) -> int:
    return (counter >= _WARNING_AT) + (counter >= _PASSIVE_AT)


def _place(trouble: Trouble) -> int:
    parts = {"ID": _BASE_PARTS, "ID extension": _EXTENSION_PARTS}.get(trouble.place)
    if parts is None:
        return _PLACE.get(trouble.place, 0)
    return next(place for left, place in parts if trouble.left >= left)


def _bit_of_the_stream(trouble: Trouble) -> int:
    """The number of the bit at which arbitration was lost, from the first of the identifier on, without stuff bits."""
    begins = {"ID": 0, "RTR": 11, "IDE": 12, "ID extension": 13, "RTR extended": 31}
    lengths = {"ID": 11, "ID extension": 18}
    return begins.get(trouble.place, 0) + lengths.get(trouble.place, 1) - max(1, trouble.left)


def _message(kind: int, data: bytearray, counters: tuple[int, int]) -> can.Message:
    data[6], data[7] = (min(255, counter) for counter in counters)
    return can.Message(
        arbitration_id=kind | _COUNTERS, is_extended_id=False, is_error_frame=True, dlc=8, data=data, check=False
    )
