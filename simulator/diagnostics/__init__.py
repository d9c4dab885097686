"""Diagnosis of control modules: transport, server, fault memory; state machines on simulated time.

Clauses in this package are those of ISO 14229-1:2020, ISO 14229-2:2013 and ISO 15765-2:2016, from memory; what they say
was read in public summaries and in the sources of can-isotp, udsoncan and Linux, and is tested against those.
"""

from simulator.diagnostics.codes import FAILURE_TYPES, code_number, code_text
from simulator.diagnostics.data import DataIdentifier, Routine, SelfTest
from simulator.diagnostics.memory import FaultMemory
from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.security import Lock, key_of
from simulator.diagnostics.selfcheck import Configuration, SelfCheck, World
from simulator.diagnostics.server import Server
from simulator.diagnostics.service import Later, Reply, Request, Service, Session
from simulator.diagnostics.services import SERVICES
from simulator.diagnostics.status import AGEING_CYCLES, Entry, Snapshot, Status
from simulator.diagnostics.transport import Failed, Received, Result, Send, Sent, Started, TakeBack, Timers, Transport
from simulator.diagnostics.unit import DiagnosticUnit
from simulator.diagnostics.watch import Receptions, Watch

__all__ = [
    "AGEING_CYCLES",
    "FAILURE_TYPES",
    "SERVICES",
    "Configuration",
    "DataIdentifier",
    "DiagnosticUnit",
    "Entry",
    "Failed",
    "FaultMemory",
    "Later",
    "Lock",
    "Received",
    "Receptions",
    "Refusal",
    "Refused",
    "Reply",
    "Request",
    "Result",
    "Routine",
    "SelfCheck",
    "SelfTest",
    "Send",
    "Sent",
    "Server",
    "Service",
    "Session",
    "Snapshot",
    "Started",
    "Status",
    "TakeBack",
    "Timers",
    "Transport",
    "Watch",
    "World",
    "code_number",
    "code_text",
    "key_of",
]
