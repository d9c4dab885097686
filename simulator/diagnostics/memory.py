"""The fault memory of a module: which codes it can store, what tests said of them, operation cycles, clearing.

It is not volatile: sleep, a reset and a battery that is taken off leave it as it is. ISO 14229-1:2020, annex D.
"""

from __future__ import annotations

from collections.abc import Iterable

from simulator.diagnostics.status import CLEARED, Entry, Snapshot, Status

#: Every bit is supported (DTCStatusAvailabilityMask).
AVAILABLE = 0xFF
#: Groups of codes for clearing: all of them, and those of each letter. ISO 14229-1:2020, annex D.1.
ALL_CODES = 0xFFFFFF
_LETTER_GROUPS = frozenset({0x000000, 0x400000, 0x800000, 0xC00000})
_LETTER_MASK = 0xC00000


class FaultMemory:
    """The codes of one module by number."""

    def __init__(self) -> None:
        self.entries: dict[int, Entry] = {}
        self.in_cycle = False
        #: Service 85 has switched setting off: no bit changes.
        self.frozen = False

    def support(self, number: int, *, threshold: int = 1, warns: bool = False, tested: bool = True) -> Entry:
        """Make room for a code that the module can store; the entry that is there already if it is.

        ``tested``: a test of the module belongs to it, and not only something that may be reported.
        """
        entry = self.entries.get(number)
        if entry is None:
            in_order = not self.entries or next(reversed(self.entries)) < number
            entry = self.entries[number] = Entry(number, threshold=threshold, warns=warns)
            if not in_order:
                self.entries = dict(sorted(self.entries.items()))
        entry.tested = entry.tested or tested
        return entry

    def report(self, number: int, failed: bool, snapshot: Snapshot) -> bool:
        """A test of a supported code has completed; whether that changed more than that it has been tested."""
        entry = self.entries[number]
        if self.frozen:
            return False
        before = entry.status
        if failed:
            entry.failed(snapshot)
        else:
            entry.passed()
        return bool((entry.status ^ before) & ~CLEARED)

    def begin_cycle(self) -> None:
        """The ignition is switched on, unless the cycle goes on already."""
        if not self.in_cycle:
            self.in_cycle = True
            for entry in self.entries.values():
                entry.begin_cycle()

    def end_cycle(self) -> None:
        """The ignition is switched off."""
        if self.in_cycle:
            self.in_cycle = False
            for entry in self.entries.values():
                entry.end_cycle()

    def break_cycle(self) -> None:
        """The module has lost its supply: no cycle has ended, but the next one begins anew."""
        self.in_cycle = False

    def matching(self, mask: int) -> list[Entry]:
        """The codes of which a bit of the mask is set, by number."""
        return [entry for entry in self.entries.values() if entry.status & mask & AVAILABLE]

    def stored(self) -> list[Entry]:
        """The codes that are pending or confirmed, by number."""
        return self.matching(Status.PENDING | Status.CONFIRMED)

    def is_group(self, group: int) -> bool:
        """Whether service 14 may name this: a supported code, all codes, all of one letter."""
        return group in self.entries or group == ALL_CODES or group in _LETTER_GROUPS

    def clear(self, group: int = ALL_CODES) -> None:
        """Forget a group of codes."""
        for entry in self._group(group):
            entry.clear()

    def _group(self, group: int) -> Iterable[Entry]:
        if group == ALL_CODES:
            return self.entries.values()
        if group in self.entries:
            return (self.entries[group],)
        return (entry for number, entry in self.entries.items() if number & _LETTER_MASK == group)
