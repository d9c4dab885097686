"""What meets on a medium: frames that wait, controllers with their error counters, frames on the wire, attempts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

#: Later than everything.
NEVER_NS = 1 << 62
#: Error passive and bus-off by the error counters. Bosch CAN Specification 2.0 (1991), 12.2, rules 9 and 10.
PASSIVE, OFF = 128, 256


class Outcome(StrEnum):
    """How one attempt to send a frame ended."""

    OK = "ok"
    NOT_ACKNOWLEDGED = "not acknowledged"
    BIT_ERROR = "bit error"
    DISTURBED = "disturbed"


class Outgoing:
    """A frame that a node wants to send; ``kept`` ones wait in line, others replace one of their identifier.

    For a remote frame ``data`` is only as long as the data it asks for. ``dlc``: the raw length code, where it is not
    simply the length (classic codes above 8 mean 8 bytes).
    """

    __slots__ = ("brs", "data", "dlc", "extended", "fd", "frame_id", "kept", "key", "measured", "name", "remote")

    def __init__(
        self,
        frame_id: int,
        data: bytes,
        *,
        name: str | None = None,
        extended: bool = False,
        remote: bool = False,
        fd: bool = False,
        brs: bool = False,
        kept: bool = False,
        dlc: int | None = None,
    ) -> None:
        self.frame_id = frame_id
        self.data = data
        self.name = name
        self.extended = extended
        self.remote = remote
        self.fd = fd
        self.brs = brs
        self.kept = kept
        self.dlc = dlc
        #: (length in bit, dominant bits without the ACK slot, duration in ns), once the medium has measured it
        self.measured: tuple[int, int, int] | None = None
        # the bits up to RTR as a number: the lowest wins arbitration
        if extended:
            self.key = (frame_id >> 18) << 21 | 0x180000 | (frame_id & 0x3FFFF) << 1 | remote
        else:
            self.key = frame_id << 21 | remote << 20

    def same_bits(self, other: Outgoing) -> bool:
        """Whether both frames are equal bit for bit."""
        return self.data == other.data and self.fd == other.fd and self.brs == other.brs


@dataclass(frozen=True)
class Wiring:
    """Who hears whom on one network, by node name; nodes that are not in ``hearers`` are down.

    ``hearers``: for each node those that hear it, itself included where it does. ``mute``: drives nothing.
    ``held``: reads dominant with nobody driving. ``rates``: nodes with a bit rate of their own, in bit/s.
    """

    hearers: Mapping[str, tuple[str, ...]]
    mute: frozenset[str] = frozenset()
    held: frozenset[str] = frozenset()
    rates: Mapping[str, int] = field(default_factory=dict)


class Attempt(NamedTuple):
    """One attempt to send: from SOF to the end of EOF or of the error delimiter; dominant bits without the ACK slot."""

    t_start_ns: int
    t_end_ns: int
    node: str
    frame: Outgoing
    outcome: Outcome
    length_bits: int
    dominant_bits: int
    acknowledged_by: tuple[str, ...] = ()
    received_by: tuple[str, ...] = ()


class Node:
    """The controller of a node: what waits, its error counters, when it may listen and start."""

    __slots__ = (
        "blocked", "free_ns", "heard", "hearers", "hearing", "idle_ns", "missing", "mute", "name", "off", "quiet_ns",
        "rate", "receive_errors", "sending", "transmit_errors", "waiting",
    )  # fmt: skip

    def __init__(self, name: str, t_ns: int) -> None:
        self.name = name
        self.waiting: dict[tuple[int, int], Outgoing] = {}
        self.transmit_errors = 0
        self.receive_errors = 0
        self.idle_ns = t_ns  # takes part in a frame that starts from here on
        self.free_ns = t_ns  # may start one itself
        self.hearing = 0  # frames on its wire now
        self.sending: Transmission | None = None
        self.blocked = False
        self.mute = False
        self.rate = 0
        self.hearers: tuple[Node, ...] = ()
        self.heard: frozenset[Node] = frozenset()
        self.off = False
        self.missing = 0  # quiet sequences until it is back from bus-off
        self.quiet_ns = t_ns

    @property
    def passive(self) -> bool:
        """Whether one of its counters has reached 128."""
        return self.transmit_errors >= PASSIVE or self.receive_errors >= PASSIVE

    @property
    def status(self) -> str:
        """In words: error active, error passive or bus off."""
        return "bus off" if self.off else "error passive" if self.passive else "error active"


class Transmission:
    """A frame on the wire."""

    __slots__ = ("acknowledgers", "dominant", "end_ns", "frame", "length", "node", "receivers", "slot", "start_ns")

    def __init__(self, node: Node, slot: tuple[int, int], start_ns: int) -> None:
        self.node = node
        self.slot = slot
        self.frame = node.waiting[slot]
        self.start_ns = start_ns
        self.end_ns = 0
        self.length = self.dominant = 0
        self.receivers: list[Node] = []
        self.acknowledgers: list[Node] = []
