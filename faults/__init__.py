"""Faults: pure functions from vehicle to vehicle, with timelines. The doors of this room."""

from faults.catalogue import FINE_OHMS, catalogue, reference_table
from faults.diary import ALWAYS, Timeline
from faults.fault import Fault, apply, from_mapping, kinds, parse, register
from faults.module import (
    DeadModule,
    Flooding,
    NotConfigured,
    SilentMessage,
    StuckDominant,
    StuckRecessive,
    WrongBitRate,
)
from faults.severities import Severities
from faults.supply import BackFeed, GroundDropout, GroundShift, PowerDropout, WakeDropout, WeakBattery
from faults.termination import ExtraTerminator, MissingTerminator, WrongTerminator
from faults.told import HalfWritten, WrongUnit, WrongValue
from faults.wiring import Crossed, LongStub, Open, Resistance, Short

__all__ = [
    "ALWAYS",
    "FINE_OHMS",
    "BackFeed",
    "Crossed",
    "DeadModule",
    "ExtraTerminator",
    "Fault",
    "Flooding",
    "GroundDropout",
    "GroundShift",
    "HalfWritten",
    "LongStub",
    "MissingTerminator",
    "NotConfigured",
    "Open",
    "PowerDropout",
    "Resistance",
    "Severities",
    "Short",
    "SilentMessage",
    "StuckDominant",
    "StuckRecessive",
    "Timeline",
    "WakeDropout",
    "WeakBattery",
    "WrongBitRate",
    "WrongTerminator",
    "WrongUnit",
    "WrongValue",
    "apply",
    "catalogue",
    "from_mapping",
    "kinds",
    "parse",
    "reference_table",
    "register",
]
