"""Words and signs for a moment bit by bit: where a controller is, and what it notices."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulator.datalink.trouble import Trouble
    from simulator.record import FrameRecord

#: By name of the place, in the order of a legend.
CODES: Mapping[str, str] = {
    "idle": ".",
    "SOF": "S",
    "ID": "i",
    "RTR": "r",
    "IDE": "e",
    "ID extension": "x",
    "RTR extended": "r",
    "FDF": "f",
    "r0": "o",
    "res": "o",
    "BRS": "b",
    "ESI": "p",
    "DLC": "l",
    "data": "d",
    "stuff count": "n",
    "CRC": "c",
    "CRC delimiter": ")",
    "ACK slot": "a",
    "ACK delimiter": "|",
    "EOF": "=",
    "error flag": "E",
    "passive error flag": "P",
    "overload flag": "O",
    "after a flag": "w",
    "delimiter": "~",
    "intermission": "-",
    "suspend": "z",
    "integrating": "?",
    "bus off": "X",
    "bus off, waiting": "Y",
}

_NOTICED: Mapping[str, str] = {
    "bit 0": "bit error (sent 0, read 1)",
    "bit 1": "bit error (sent 1, read 0)",
    "stuff": "stuff error",
    "form": "form error",
    "crc": "CRC error",
    "ack": "no acknowledgement",
    "lost arbitration": "arbitration lost",
    "overload": "dominant, so an overload flag",
    "undetected": "took a frame that nobody sent",
}


def noticed(bit: int, trouble: Trouble) -> str:
    """What a controller noticed in a bit, counted from SOF, in a line."""
    line = f"bit {bit}: {trouble.node}: {_NOTICED[trouble.kind]}, {trouble.place}"
    if trouble.kind in ("lost arbitration", "overload", "undetected"):
        return line
    return f"{line}; TEC {trouble.transmit_errors}, REC {trouble.receive_errors}"


def attempt(record: FrameRecord) -> str:
    """An attempt to send a frame, in a line."""
    width = 8 if record.extended else 3
    name = f" {record.message}" if record.message else ""
    return f"{record.transmitter} sends 0x{record.frame_id:0{width}X}{name}: {record.outcome}"
