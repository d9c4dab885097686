"""A vehicle as a can.Bus on either clock: ``can.Bus(interface="sixtyohm", channel="pipkin/LINE-1")``."""

from __future__ import annotations

from lab.canbus.bus import SixtyohmBus
from lab.canbus.clocks import Clock, Paced, WallClock

__all__ = ["Clock", "Paced", "SixtyohmBus", "WallClock"]
