"""One fault code in a module's memory: the status byte with its eight bits, counters, snapshots.

ISO 14229-1:2020, annex D.2 (bits and their transitions) and D.3 (ageing); the order of events at the end of a cycle is
that of its examples. Bit 0 is kept over a new operation cycle, which the standard leaves to the manufacturer.
"""

from __future__ import annotations

from enum import IntFlag
from typing import NamedTuple

#: Operation cycles without a failure until a confirmed code is forgotten (common practice: 40 warm-up cycles).
AGEING_CYCLES = 40
_BYTE = 0xFF


class Status(IntFlag):
    """The bits of the status byte. ISO 14229-1:2020, annex D.2."""

    TEST_FAILED = 0x01
    FAILED_THIS_CYCLE = 0x02
    PENDING = 0x04
    CONFIRMED = 0x08
    NOT_COMPLETED_SINCE_CLEAR = 0x10
    FAILED_SINCE_CLEAR = 0x20
    NOT_COMPLETED_THIS_CYCLE = 0x40
    WARNING = 0x80


#: What a clear leaves.
CLEARED = Status.NOT_COMPLETED_SINCE_CLEAR | Status.NOT_COMPLETED_THIS_CYCLE


class Snapshot(NamedTuple):
    """What the module knew when a code was stored: its clock in ns, supply in volt, and what was missing or wrong."""

    t_ns: int
    supply_volt: float
    detail: int = 0


class Entry:
    """The life of one code in one module.

    ``threshold``: in how many operation cycles the test has to fail before the code is confirmed. ``warns``: whether
    the driver is to be warned while it is confirmed and failing (bit 7). ``permanent``: a warning was given, and no
    cycle has shown since that all is well; no clear takes that away (SAE J1979, service 0A). ``tested``: a test of the
    module belongs to it.
    """

    __slots__ = (
        "_cycles_failed", "aged", "first", "latest", "number", "occurrences", "permanent", "status", "tested",
        "threshold", "warns",
    )  # fmt: skip

    def __init__(self, number: int, *, threshold: int = 1, warns: bool = False) -> None:
        self.number = number
        self.threshold, self.warns = threshold, warns
        self.permanent = self.tested = False
        self.clear()

    def clear(self) -> None:
        """What service 14 does."""
        self.status = CLEARED
        self.occurrences = self.aged = self._cycles_failed = 0
        self.first: Snapshot | None = None
        self.latest: Snapshot | None = None

    @property
    def is_now(self) -> bool:
        """Whether its test fails now."""
        return bool(self.status & Status.TEST_FAILED)

    def failed(self, snapshot: Snapshot) -> None:
        """The test has completed and failed."""
        if not self.status & Status.TEST_FAILED:
            self.occurrences = min(self.occurrences + 1, _BYTE)
            self.first = self.first or snapshot
            self.latest = snapshot
        if not self.status & Status.FAILED_THIS_CYCLE:
            self._cycles_failed += 1
        self.aged = 0
        self.status |= Status.TEST_FAILED | Status.FAILED_THIS_CYCLE | Status.PENDING | Status.FAILED_SINCE_CLEAR
        self.status &= ~CLEARED
        if self._cycles_failed >= self.threshold:
            self.status |= Status.CONFIRMED
        if self.warns and self.status & Status.CONFIRMED:
            self.status |= Status.WARNING
            self.permanent = True

    def passed(self) -> None:
        """The test has completed and passed."""
        self.status &= ~(Status.TEST_FAILED | CLEARED)

    def begin_cycle(self) -> None:
        """A new operation cycle begins."""
        self.status &= ~Status.FAILED_THIS_CYCLE
        self.status |= Status.NOT_COMPLETED_THIS_CYCLE

    def end_cycle(self) -> None:
        """The operation cycle ends: one that was tested and did not fail counts towards ageing."""
        if self.status & (Status.FAILED_THIS_CYCLE | Status.NOT_COMPLETED_THIS_CYCLE):
            return
        self.status &= ~(Status.PENDING | Status.WARNING)
        self._cycles_failed = 0
        self.permanent = False
        if self.status & Status.CONFIRMED:
            self.aged += 1
            if self.aged >= AGEING_CYCLES:
                self.status &= ~Status.CONFIRMED
                self.occurrences = self.aged = 0
                self.first = self.latest = None
