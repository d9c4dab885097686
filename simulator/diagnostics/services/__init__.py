"""The diagnostic services, one file each, all of one shape, by number."""

from simulator.diagnostics.service import Service
from simulator.diagnostics.services.clear_codes import SERVICE as CLEAR_CODES
from simulator.diagnostics.services.code_setting import SERVICE as CODE_SETTING
from simulator.diagnostics.services.communication_control import SERVICE as COMMUNICATION_CONTROL
from simulator.diagnostics.services.emissions import SERVICES as EMISSIONS
from simulator.diagnostics.services.read_codes import SERVICE as READ_CODES
from simulator.diagnostics.services.read_data import SERVICE as READ_DATA
from simulator.diagnostics.services.reset import SERVICE as RESET
from simulator.diagnostics.services.routine_control import SERVICE as ROUTINE_CONTROL
from simulator.diagnostics.services.security_access import SERVICE as SECURITY_ACCESS
from simulator.diagnostics.services.session_control import SERVICE as SESSION_CONTROL
from simulator.diagnostics.services.tester_present import SERVICE as TESTER_PRESENT
from simulator.diagnostics.services.write_data import SERVICE as WRITE_DATA

__all__ = [
    "CLEAR_CODES",
    "CODE_SETTING",
    "COMMUNICATION_CONTROL",
    "EMISSIONS",
    "READ_CODES",
    "READ_DATA",
    "RESET",
    "ROUTINE_CONTROL",
    "SECURITY_ACCESS",
    "SERVICES",
    "SESSION_CONTROL",
    "TESTER_PRESENT",
    "WRITE_DATA",
    "Service",
]

#: Every service a module can have.
SERVICES: dict[int, Service] = {
    service.number: service
    for service in (
        *EMISSIONS,
        CLEAR_CODES,
        CODE_SETTING,
        COMMUNICATION_CONTROL,
        READ_CODES,
        READ_DATA,
        RESET,
        ROUTINE_CONTROL,
        SECURITY_ACCESS,
        SESSION_CONTROL,
        TESTER_PRESENT,
        WRITE_DATA,
    )
}
