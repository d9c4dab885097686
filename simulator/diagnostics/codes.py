"""Diagnostic trouble codes: three bytes, written as U0101-87. SAE J2012, ISO 14229-1:2020 annex D.4 (format 0x01)."""

from __future__ import annotations

import re

from simulator.errors import BadRequest

_LETTERS = "PCBU"
_SHAPE = re.compile(r"([PCBU])([0-3])([0-9A-F])([0-9A-F]{2})-([0-9A-F]{2})")

# Failure types, the third byte. SAE J2012-DA, table of failure type bytes (0x81 to 0x88 read in public lists, the
# others from memory).
NO_TYPE = 0x00
VOLTAGE_LOW, VOLTAGE_HIGH = 0x16, 0x17
INTERNAL = 0x49
NOT_PROGRAMMED, NO_CALIBRATION, NOT_CONFIGURED = 0x51, 0x54, 0x55
COUNTER_WRONG, CHECKSUM_WRONG, SIGNAL_INVALID = 0x82, 0x83, 0x86
MISSING_MESSAGE, BUS_OFF = 0x87, 0x88

#: What failure types say.
FAILURE_TYPES: dict[int, str] = {
    NO_TYPE: "no further information",
    VOLTAGE_LOW: "voltage below threshold",
    VOLTAGE_HIGH: "voltage above threshold",
    INTERNAL: "internal failure",
    NOT_PROGRAMMED: "not programmed",
    NO_CALIBRATION: "missing calibration",
    NOT_CONFIGURED: "not configured",
    COUNTER_WRONG: "message counter wrong",
    CHECKSUM_WRONG: "checksum of the message wrong",
    SIGNAL_INVALID: "signal invalid",
    MISSING_MESSAGE: "missing message",
    BUS_OFF: "bus off",
}

#: Own controller off the bus: U0073 for the first network of the vehicle, then on to U0077. SAE J2012.
FIRST_BUS_OFF, LAST_BUS_OFF = 0xC073, 0xC077
#: Battery voltage: U3003. SAE J2012-DA, from memory.
SUPPLY = 0xF003
#: Control module: U3000. SAE J2012-DA, from memory.
MODULE = 0xF000
#: Internal control module software incompatibility: U0300. SAE J2012.
SOFTWARE = 0xC300
#: Invalid data received, from nobody in particular: U0400. SAE J2012.
_INVALID_DATA = 0xC400
#: The code for lost communication with a module, and that for invalid data from it. SAE J2012.
_INVALID_DATA_FROM = {
    0xC100: 0xC401,  # engine
    0xC101: 0xC402,  # transmission
    0xC103: 0xC404,  # gear shift
    0xC110: 0xC411,  # drive motor
    0xC121: 0xC415,  # anti-lock brakes
    0xC122: 0xC416,  # vehicle dynamics
    0xC125: 0xC432,  # multi-axis acceleration
    0xC126: 0xC428,  # steering angle
    0xC131: 0xC420,  # power steering
    0xC140: 0xC422,  # body
    0xC155: 0xC423,  # cluster
}


def code_number(text: str) -> int:
    """The three bytes of a code like U0101-87 as a number. Raises BadRequest."""
    found = _SHAPE.fullmatch(text.upper())
    if not found:
        raise BadRequest(f"'{text}' is no fault code; write one like U0101-87")
    letter, first, second, rest, kind = found.groups()
    return _LETTERS.index(letter) << 22 | int(first) << 20 | int(second + rest, 16) << 8 | int(kind, 16)


def code_text(number: int) -> str:
    """A code of three bytes as text: 0xC10187 is U0101-87."""
    return f"{_LETTERS[number >> 22]}{number >> 20 & 3}{number >> 8 & 0xFFF:03X}-{number & 0xFF:02X}"


def base_number(text: str) -> int:
    """The two bytes of a code without failure type, like U0101. Raises BadRequest."""
    return code_number(f"{text}-00") >> 8


def with_type(base: int, failure_type: int) -> int:
    """A code of two bytes with its failure type."""
    return base << 8 | failure_type


def invalid_data_base(lost: int) -> int:
    """The code for invalid data from the module whose loss has this code: U0101 gives U0402, an unknown one U0400."""
    return _INVALID_DATA_FROM.get(lost, _INVALID_DATA)
