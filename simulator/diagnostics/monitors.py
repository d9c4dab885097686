"""The tests a module makes of itself and its surroundings, each for one fault code; they know time, no clock.

Every test is enabled from an instant on, or not at all; it looks when it is due, and says failed, passed or nothing.
How long each takes to be sure is an own choice within common practice: half a second to five.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from simulator.datalink.controller import NEVER_NS

_MS_NS = 1_000_000
_SECOND_NS = 1_000 * _MS_NS
#: A message is missing after so many of its cycles, and not before a second.
MISSED_CYCLES, SHORTEST_TIMEOUT_NS = 5, _SECOND_NS
#: How often a test that is not content looks again.
_LOOK_NS = 500 * _MS_NS
#: So many events within this time are a failure; none for as long is a pass.
EVENTS, EVENTS_NS = 3, _SECOND_NS


class Test(Protocol):
    """A test of one code: ``deadline_ns`` says when it has to look again, ``detail`` what it found wrong."""

    deadline_ns: int
    detail: int

    def look(self, t_ns: int, since_ns: int) -> bool | None:
        """True: it has failed; False: it has passed; None: nothing new. Enabled since an instant, maybe a later one."""

    def forget(self) -> None:
        """It is not enabled, or its code was cleared: it begins anew."""


@dataclass(frozen=True)
class Expected:
    """A message that a module waits for: its identifier, and when it is missing, in ns."""

    network: str
    name: str
    frame_id: int
    timeout_ns: int


def timeout_ns(cycle_ms: int) -> int:
    """After how long without it a message is missing."""
    return max(SHORTEST_TIMEOUT_NS, MISSED_CYCLES * cycle_ms * _MS_NS)


class Missing:
    """Messages of one sender. Fails when one is overdue, passes when all have come."""

    def __init__(self, heard_ns: Callable[[str, str], int]) -> None:
        self.expected: list[Expected] = []
        self.detail = 0
        self._heard_ns = heard_ns
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self.deadline_ns = NEVER_NS
        self._failed: bool | None = None

    def look(self, t_ns: int, since_ns: int) -> bool | None:
        """Compare with when each message came last."""
        if t_ns < since_ns:
            self.deadline_ns = since_ns
            return None
        next_ns, complete = NEVER_NS, True
        for item in self.expected:
            heard_ns = self._heard_ns(item.network, item.name)
            complete = complete and heard_ns >= since_ns
            overdue_ns = max(heard_ns, since_ns) + item.timeout_ns
            if overdue_ns <= t_ns:
                self.deadline_ns = t_ns + _LOOK_NS
                return self._say(True, item.frame_id)
            next_ns = min(next_ns, overdue_ns)
        self.deadline_ns = next_ns if complete else min(next_ns, t_ns + _LOOK_NS)
        return self._say(False) if complete else None

    def _say(self, failed: bool, detail: int = 0) -> bool | None:
        if self._failed is failed:
            return None
        self._failed = failed
        if failed:
            self.detail = detail
        return failed


class Counted:
    """Events that must not happen. Fails after a few within a second, passes after a second without any."""

    def __init__(self) -> None:
        self.detail = 0
        self.last_ns = -NEVER_NS
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self.deadline_ns = NEVER_NS
        self._failed: bool | None = None
        self._first_ns, self._count = -NEVER_NS, 0

    @property
    def failed(self) -> bool:
        """Whether it has failed and not passed since: what happens now tells it nothing but when."""
        return bool(self._failed)

    def happened(self, t_ns: int, detail: int = 0) -> None:
        """It has happened once."""
        if t_ns - self._first_ns > EVENTS_NS:
            self._first_ns, self._count = t_ns, 0
        self._count += 1
        self.last_ns, self.detail = t_ns, detail
        if self._count >= EVENTS and not self._failed:
            self.deadline_ns = t_ns

    def look(self, t_ns: int, since_ns: int) -> bool | None:
        """Count what has happened since it is enabled."""
        if t_ns < since_ns:
            self._first_ns, self._count = -NEVER_NS, 0
            self.deadline_ns = since_ns
            return None
        if self._count >= EVENTS and self._first_ns >= since_ns and not self._failed:
            self._failed = True
            self.deadline_ns = t_ns + EVENTS_NS
            return True
        calm_ns = max(self.last_ns, since_ns) + EVENTS_NS
        if calm_ns > t_ns:
            self.deadline_ns = calm_ns
            return None
        self.deadline_ns = NEVER_NS
        self._count = 0
        if self._failed is False:
            return None
        self._failed = False
        return False


class OwnBus(Counted):
    """The own controller on one network: bus-off is what counts.

    It fails as well when for a second nothing was received and nothing of its own went out, unless that was only for
    want of an acknowledgement: then it is the others who are missing. ``alive_ns``: when something last went through.
    """

    def __init__(self, alive_ns: Callable[[], int]) -> None:
        super().__init__()
        self._alive_ns = alive_ns
        self._unanswered_ns = -NEVER_NS

    def unanswered(self, t_ns: int) -> None:
        """An own frame was not acknowledged."""
        self._unanswered_ns = t_ns

    def is_to_blame(self, t_ns: int) -> bool:
        """Whether nothing has gone through for a second, and not only for want of an acknowledgement."""
        return self._alive_ns() + EVENTS_NS <= t_ns and self._unanswered_ns + EVENTS_NS <= t_ns

    def look(self, t_ns: int, since_ns: int) -> bool | None:
        """Count bus-offs, and see whether anything goes through at all."""
        if t_ns >= since_ns + EVENTS_NS and self.is_to_blame(t_ns):
            said, self._failed = self._failed, True
            self.deadline_ns = t_ns + EVENTS_NS
            return None if said else True
        found = super().look(t_ns, since_ns)
        self.deadline_ns = min(self.deadline_ns, max(t_ns, since_ns) + EVENTS_NS)
        return found


class Level:
    """Something that is wrong or not. Fails after ``fail_ns`` of it, passes after ``pass_ns`` without."""

    def __init__(self, is_bad: Callable[[bool], bool], fail_ns: int = 0, pass_ns: int = 0) -> None:
        self.detail = 0
        self._is_bad = is_bad
        self._fail_ns, self._pass_ns = fail_ns, pass_ns
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self.deadline_ns = NEVER_NS
        self._failed: bool | None = None
        self._bad: bool | None = None
        self._since_ns = 0

    def look(self, t_ns: int, since_ns: int) -> bool | None:
        """Ask whether it is wrong now; ``is_bad`` is told whether it was, for a threshold with hysteresis."""
        if t_ns < since_ns:
            self.deadline_ns = since_ns
            return None
        bad = self._is_bad(bool(self._bad))
        if bad is not self._bad:
            self._bad, self._since_ns = bad, t_ns
        sure_ns = self._since_ns + (self._fail_ns if bad else self._pass_ns)
        if bad is self._failed or sure_ns > t_ns:
            self.deadline_ns = NEVER_NS if bad is self._failed else sure_ns
            return None
        self._failed = bad
        self.deadline_ns = NEVER_NS
        return bad
