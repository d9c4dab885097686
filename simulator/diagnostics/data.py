"""What a tester can read, write and start in a module: data identifiers and routines. ISO 14229-1:2020, 11 and 14."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from simulator.datalink.controller import NEVER_NS
from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import EVERY_SESSION, NOT_DEFAULT, ONLY_EXTENDED, Later, Session

#: The security level of what a workshop may do once it has the key, and that of programming.
WORKSHOP, PROGRAMMING = 0x01, 0x11


@dataclass(frozen=True)
class DataIdentifier:
    """A value that can be read, written or both (annex C.1); ``read`` gives its bytes at a time in ns, None: not now.

    ``write(t_ns, data)`` stores it after ``write_ns`` of work; ``begin``, if there is one, is called the same way when
    that work begins; both may raise Refused. ``length`` is that of what is written, in byte. ``level``: the security
    level that writing asks for, None for none.
    """

    number: int
    name: str
    read: Callable[[int], bytes | None] | None = None
    write: Callable[[int, bytes], None] | None = None
    length: int = 0
    read_sessions: frozenset[Session] = EVERY_SESSION
    write_sessions: frozenset[Session] = NOT_DEFAULT
    read_level: int | None = None
    level: int | None = WORKSHOP
    write_ns: int = 0
    begin: Callable[[int, bytes], None] | None = None


class Routine:
    """A routine (annex F): override what it does. All times in ns, all data as bytes.

    ``start``, ``stop`` and ``results`` give the routine's status record or raise Refused. One that goes on by itself
    gives its next deadline and gets its turn in ``due``; ``reset`` is called when the module loses supply or restarts.
    """

    number = 0
    name = ""
    sessions: frozenset[Session] = ONLY_EXTENDED
    level: int | None = WORKSHOP
    #: How many bytes of options the start may have.
    option_lengths: tuple[int, ...] = (0,)
    #: Which of start (1), stop (2) and results (3) it has.
    controls: frozenset[int] = frozenset({1, 2, 3})

    def start(self, t_ns: int, option: bytes) -> bytes | Later:
        """Begin, or refuse: here belongs what must hold. With Later the tester waits for the end in this one answer."""
        raise Refused(Refusal.CONDITIONS_NOT_CORRECT)

    def stop(self, t_ns: int) -> bytes:
        """End before its time."""
        raise Refused(Refusal.REQUEST_SEQUENCE_ERROR)

    def results(self, t_ns: int) -> bytes:
        """How it went."""
        raise Refused(Refusal.REQUEST_SEQUENCE_ERROR)

    def next_deadline_ns(self) -> int:
        """When ``due`` has to be called; NEVER_NS while it does not run."""
        return NEVER_NS

    def due(self, t_ns: int) -> None:
        """Go on: look whether what must hold still holds, or end."""

    def reset(self, t_ns: int) -> None:
        """The module restarts: a routine that ran does not run any more."""


class SelfTest(Routine):
    """A test of the module by itself: two seconds, then its results: 0 passed, 1 running, 2 not run, 3 stopped."""

    number = 0x0201
    name = "self test"
    level = None
    DURATION_NS = 2_000_000_000
    PASSED, RUNNING, NOT_RUN, STOPPED = b"\x00", b"\x01", b"\x02", b"\x03"

    def __init__(self) -> None:
        self._state = self.NOT_RUN
        self._end_ns = NEVER_NS

    def start(self, t_ns: int, option: bytes) -> bytes:
        """Begin anew, unless it runs."""
        if self._state == self.RUNNING:
            raise Refused(Refusal.REQUEST_SEQUENCE_ERROR)
        self._state, self._end_ns = self.RUNNING, t_ns + self.DURATION_NS
        return self._state

    def stop(self, t_ns: int) -> bytes:
        """End it while it runs."""
        if self._state != self.RUNNING:
            raise Refused(Refusal.REQUEST_SEQUENCE_ERROR)
        self._state, self._end_ns = self.STOPPED, NEVER_NS
        return self._state

    def results(self, t_ns: int) -> bytes:
        """What became of it."""
        if self._state == self.NOT_RUN:
            raise Refused(Refusal.REQUEST_SEQUENCE_ERROR)
        return self._state

    def next_deadline_ns(self) -> int:
        """When it ends."""
        return self._end_ns

    def due(self, t_ns: int) -> None:
        """It has come to its end."""
        self._state, self._end_ns = self.PASSED, NEVER_NS

    def reset(self, t_ns: int) -> None:
        """As if never run."""
        self._state, self._end_ns = self.NOT_RUN, NEVER_NS
