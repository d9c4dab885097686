"""What a diagnostic service is: a number, where it may be asked, how short it may be, and what it answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

#: Added to the number of a service in its positive response (ISO 14229-1:2020, clause 8).
POSITIVE = 0x40
#: suppressPosRspMsgIndicationBit (ISO 14229-1:2020, clause 9).
SUPPRESS = 0x80


class Session(IntEnum):
    """Diagnostic sessions. ISO 14229-1:2020, 10.2."""

    DEFAULT = 0x01
    PROGRAMMING = 0x02
    EXTENDED = 0x03


EVERY_SESSION = frozenset(Session)
NOT_DEFAULT = frozenset({Session.PROGRAMMING, Session.EXTENDED})
NOT_PROGRAMMING = frozenset({Session.DEFAULT, Session.EXTENDED})
ONLY_EXTENDED = frozenset({Session.EXTENDED})


@dataclass(frozen=True)
class Request:
    """A request as a service sees it: when it came, its bytes, whether it was for all modules at once."""

    t_ns: int
    payload: bytes
    functional: bool = False
    network: str = ""

    @property
    def sub_function(self) -> int:
        """The second byte without the bit that suppresses the positive response."""
        return self.payload[1] & ~SUPPRESS


@dataclass(frozen=True)
class Reply:
    """A positive response, and what is done once it is out (or would have been)."""

    data: bytes
    then: Callable[[int], None] | None = None


@dataclass(frozen=True)
class Later:
    """A response that takes ``duration_ns``: ``finish`` is called then with the time, and may still refuse."""

    duration_ns: int
    finish: Callable[[int], bytes]


Outcome = bytes | Reply | Later | None


@dataclass(frozen=True)
class Service:
    """One service. ``answer`` gives the whole positive response, None for the standard's silence, or raises Refused.

    ``sub_functions``: the sessions of each, None where the service has no sub-function; ``shortest``: the length below
    which no request is one.
    """

    number: int
    name: str
    answer: Callable[[Server, Request], Outcome]
    sessions: frozenset[Session] = EVERY_SESSION
    sub_functions: Mapping[int, frozenset[Session]] | None = None
    shortest: int = 1
    #: A service of SAE J1979: only modules with one of its addresses have it.
    emissions: bool = False
