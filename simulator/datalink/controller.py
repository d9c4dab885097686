"""What meets on a medium: frames that wait, who reads what while whom drives, attempts to send."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import NamedTuple

#: Later than everything.
NEVER_NS = 1 << 62


class Outcome(StrEnum):
    """How one attempt to send a frame ended."""

    OK = "ok"
    NOT_ACKNOWLEDGED = "not acknowledged"
    BIT_ERROR = "bit error"
    DISTURBED = "disturbed"


class Outgoing:
    """A frame that a node wants to send; ``kept`` ones wait in line, others replace one of their identifier.

    ``endless`` ones wait again as soon as they have gone through.
    For a remote frame ``data`` is only as long as the data it asks for. ``dlc``: the raw length code, where it is not
    simply the length (classic codes above 8 mean 8 bytes).
    """

    __slots__ = ("brs", "data", "dlc", "endless", "extended", "fd", "frame_id", "kept", "key", "name", "remote")

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
        endless: bool = False,
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
        self.endless = endless
        # the bits up to RTR as a number: the lowest wins arbitration
        if extended:
            self.key = (frame_id >> 18) << 21 | 0x180000 | (frame_id & 0x3FFFF) << 1 | remote
        else:
            self.key = frame_id << 21 | remote << 20


class Levels(NamedTuple):
    """What nodes read while a certain set of nodes drives: ``dominant``, or ``neither`` level and so their last one.

    In bits: ``late`` that many of a dominant stretch are still read recessive, ``lingering`` that many after its end
    are still read dominant; ``late_data`` and ``lingering_data`` the same in bits of the data phase.
    """

    dominant: tuple[str, ...]
    neither: tuple[str, ...] = ()
    late: Mapping[str, int] = MappingProxyType({})
    lingering: Mapping[str, int] = MappingProxyType({})
    late_data: Mapping[str, int] = MappingProxyType({})
    lingering_data: Mapping[str, int] = MappingProxyType({})

    @property
    def prompt(self) -> bool:
        """Whether every level is there at every sample point from its first bit to its last."""
        return not (self.late or self.lingering or self.late_data or self.lingering_data)


@dataclass(frozen=True)
class Wiring:
    """Who hears whom on one network, by node name; nodes that are not in ``hearers`` are down.

    ``hearers``: for each node those that hear it, itself included where it does. ``mute``: drives nothing; ``stuck``:
    drives all the time. ``listening``: drives nothing either, but reads its own dominant bits as if it did (bus
    monitoring, ISO 11898-1:2015). ``held``: reads dominant with nobody driving. ``rates``: nodes with a bit rate of
    their own, in bit/s. ``levels``: what is read while a set of nodes drives, where that is more than who hears whom.
    ``parts``: nodes that share a wire, where that is more than who hears whom. ``delays_ns``: by (from, to), where bits
    are so short beside the line that it matters when an edge arrives. ``by_request``: comes back from bus-off only when
    asked to, whatever the others do.
    """

    hearers: Mapping[str, tuple[str, ...]]
    mute: frozenset[str] = frozenset()
    stuck: frozenset[str] = frozenset()
    held: frozenset[str] = frozenset()
    rates: Mapping[str, int] = field(default_factory=dict)
    levels: Callable[[frozenset[str]], Levels] | None = None
    parts: tuple[tuple[str, ...], ...] | None = None
    delays_ns: Mapping[tuple[str, str], float] = field(default_factory=dict)
    listening: frozenset[str] = frozenset()
    by_request: frozenset[str] = frozenset()
    #: What is worked out of it for some nodes, kept by whoever does so.
    tables: dict[tuple[str, ...], object] = field(default_factory=dict, compare=False, repr=False)

    def read(self, driving: frozenset[str]) -> Levels:
        """What everybody reads while a set of nodes drives."""
        unheard = driving & self.listening
        if unheard:
            return _with_own(self.read(driving - unheard), unheard)
        if self.levels is not None:
            return self.levels(driving)
        heard = {hearer for node in driving for hearer in self.hearers[node]}
        return Levels(tuple(node for node in self.hearers if node in heard or node in self.held))


def _with_own(levels: Levels, nodes: frozenset[str]) -> Levels:
    """Levels where these nodes read dominant, at once."""
    return Levels(
        (*(node for node in levels.dominant if node not in nodes), *sorted(nodes)),
        tuple(node for node in levels.neither if node not in nodes),
        {node: bits for node, bits in levels.late.items() if node not in nodes},
        levels.lingering,
        {node: bits for node, bits in levels.late_data.items() if node not in nodes},
        levels.lingering_data,
    )


class Attempt(NamedTuple):
    """One attempt to send: from SOF to the end of EOF or of the error delimiter; dominant bits without the ACK slot.

    ``esi``: the frame is a CAN FD one and shows that its transmitter was error passive.
    """

    t_start_ns: int
    t_end_ns: int
    node: str
    frame: Outgoing
    outcome: Outcome
    length_bits: int
    dominant_bits: int
    acknowledged_by: tuple[str, ...] = ()
    received_by: tuple[str, ...] = ()
    esi: bool = False
