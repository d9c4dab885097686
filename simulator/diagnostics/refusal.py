"""Negative response codes, ISO 14229-1:2020 annex A.1, and the exception by which a service refuses."""

from __future__ import annotations

from enum import IntEnum

from simulator.errors import SixtyohmError

#: The first byte of a negative response (ISO 14229-1:2020, clause 8).
NEGATIVE = 0x7F


class Refusal(IntEnum):
    """The codes this project uses, with the standard's names."""

    GENERAL_REJECT = 0x10
    SERVICE_NOT_SUPPORTED = 0x11
    SUB_FUNCTION_NOT_SUPPORTED = 0x12
    INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT = 0x13
    RESPONSE_TOO_LONG = 0x14
    BUSY_REPEAT_REQUEST = 0x21
    CONDITIONS_NOT_CORRECT = 0x22
    REQUEST_SEQUENCE_ERROR = 0x24
    NO_RESPONSE_FROM_SUBNET_COMPONENT = 0x25
    FAILURE_PREVENTS_EXECUTION_OF_REQUESTED_ACTION = 0x26
    REQUEST_OUT_OF_RANGE = 0x31
    SECURITY_ACCESS_DENIED = 0x33
    INVALID_KEY = 0x35
    EXCEEDED_NUMBER_OF_ATTEMPTS = 0x36
    REQUIRED_TIME_DELAY_NOT_EXPIRED = 0x37
    GENERAL_PROGRAMMING_FAILURE = 0x72
    REQUEST_CORRECTLY_RECEIVED_RESPONSE_PENDING = 0x78
    SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION = 0x7E
    SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION = 0x7F
    RPM_TOO_HIGH = 0x81
    RPM_TOO_LOW = 0x82
    ENGINE_IS_RUNNING = 0x83
    ENGINE_IS_NOT_RUNNING = 0x84
    ENGINE_RUN_TIME_TOO_LOW = 0x85
    TEMPERATURE_TOO_HIGH = 0x86
    TEMPERATURE_TOO_LOW = 0x87
    VEHICLE_SPEED_TOO_HIGH = 0x88
    VEHICLE_SPEED_TOO_LOW = 0x89
    THROTTLE_TOO_HIGH = 0x8A
    THROTTLE_TOO_LOW = 0x8B
    TRANSMISSION_RANGE_NOT_IN_NEUTRAL = 0x8C
    TRANSMISSION_RANGE_NOT_IN_GEAR = 0x8D
    BRAKE_SWITCH_NOT_CLOSED = 0x8F
    SHIFTER_LEVER_NOT_IN_PARK = 0x90
    TORQUE_CONVERTER_CLUTCH_LOCKED = 0x91
    VOLTAGE_TOO_HIGH = 0x92
    VOLTAGE_TOO_LOW = 0x93

    @property
    def words(self) -> str:
        """The name as the standard writes it: conditionsNotCorrect."""
        first, *rest = self.name.lower().split("_")
        return first + "".join(word.capitalize() for word in rest)


#: Not sent in answer to a functionally addressed request (ISO 14229-1:2020, 8.7).
SILENT_IF_FUNCTIONAL = frozenset(
    {
        Refusal.SERVICE_NOT_SUPPORTED,
        Refusal.SUB_FUNCTION_NOT_SUPPORTED,
        Refusal.REQUEST_OUT_OF_RANGE,
        Refusal.SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION,
        Refusal.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION,
    }
)


class Refused(SixtyohmError):
    """A service says no; ``code`` is one of Refusal."""

    def __init__(self, code: int) -> None:
        self.code = Refusal(code)
        super().__init__(f"{self.code.words} (0x{code:02X})")
