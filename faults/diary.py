"""The fault diary: when a fault is in. Integer nanoseconds, and no clock: who asks brings the time."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache, cached_property
from typing import Any, get_type_hints

from faults.reading import Celsius, Duration, Flag, Place, Reader, Seconds, Seed, reader_of
from simulator.condition import Surroundings
from simulator.errors import BadRequest, UnknownName
from simulator.vehicle import Vehicle

_NS = 1_000_000_000


@dataclass(frozen=True, kw_only=True)
class Timeline:
    """When a fault is in; without any key, always.

    ``from_s`` and ``until_s`` bound it (in from the first, out from the second). ``on_s`` with ``off_s`` repeat it,
    beginning in, at ``from_s``. ``jitter_s`` moves every one of these edges by its own amount, at most that much either
    way, drawn from ``seed``; it must be below half of every stretch between two edges, so that edges keep their order.
    At most one of ``shaken`` and ``wet`` (a place), ``cranking`` and ``warmer_than_celsius`` is waited for as well.
    All times in second. Raises BadRequest for keys that do not go together.
    """

    from_s: Seconds | None = None
    until_s: Seconds | None = None
    on_s: Duration | None = None
    off_s: Duration | None = None
    jitter_s: Seconds | None = None
    seed: Seed = 0
    shaken: Place | None = None
    wet: Place | None = None
    cranking: Flag = False
    warmer_than_celsius: Celsius | None = None

    def __post_init__(self) -> None:
        for name, reader in timeline_readers().items():
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, reader.read(name, value))
        self._check()

    def _check(self) -> None:
        if (self.on_s is None) != (self.off_s is None):
            given, other = ("on_s", "off_s") if self.off_s is None else ("off_s", "on_s")
            raise BadRequest(f"{given} without {other}: a repeating fault needs both; add {other}=")
        if self.until_s is not None and self.until_s <= (self.from_s or 0.0):
            start = self.from_s or 0.0
            raise BadRequest(f"until_s={self.until_s:g} is not after from_s={start:g}: write a later until_s")
        if self.seed and self.jitter_s is None:
            raise BadRequest("seed without jitter_s: the seed is for the jitter; add jitter_s= or leave seed out")
        triggers = [name for name in ("shaken", "wet", "warmer_than_celsius") if getattr(self, name) is not None]
        triggers += ["cranking"] if self.cranking else []
        if len(triggers) > 1:
            named = " and ".join(triggers)
            raise BadRequest(f"a fault waits for one thing only, not for {named}: leave all but one out")
        self._check_jitter()

    def _check_jitter(self) -> None:
        if self.jitter_s is None:
            return
        stretches = [stretch for stretch in (self.on_s, self.off_s) if stretch is not None]
        if self.until_s is not None:
            stretches.append(self.until_s - (self.from_s or 0.0))
        if not stretches and self.from_s is None:
            raise BadRequest("jitter_s has no edge to move: add from_s=, until_s= or on_s= with off_s=")
        if any(2 * _to_ns(self.jitter_s) >= _to_ns(stretch) for stretch in stretches):
            raise BadRequest(
                f"jitter_s={self.jitter_s:g} would let edges overtake each other: "
                f"write less than half of the shortest stretch, {min(stretches):g} s"
            )

    def is_in(self, t_ns: int, surroundings: Surroundings) -> bool:
        """Whether the fault is in at a time, given what the vehicle goes through just then."""
        return self._waits_no_more(surroundings) and self._due(t_ns)

    def next_change_ns(self, t_ns: int) -> int | None:
        """The first edge after a time, or None. What is waited for is not foreseen: ask again when it changes."""
        last = self._last_ns
        if last is not None and t_ns >= last:
            return None
        edge = self._next_edge_ns(t_ns)
        if last is None:
            return edge
        # The last edge counts only if the fault is in until then.
        if edge is not None and edge < last:
            return edge
        return last if self._due(last - 1) else None

    def check_names(self, vehicle: Vehicle) -> None:
        """Raise UnknownName where the place that is waited for is on no network of the vehicle."""
        place = self.shaken or self.wet
        if place is not None and not vehicle.networks_at(place):
            raise UnknownName("place", place, {p for network in vehicle.networks.values() for p in network.places})

    def to_mapping(self) -> dict[str, Any]:
        """The keys that differ from their defaults, in the order of the fields: the mapping under ``when:``."""
        return {field.name: value for field in fields(self) if (value := getattr(self, field.name)) != field.default}

    def _waits_no_more(self, surroundings: Surroundings) -> bool:
        if self.shaken is not None:
            return self.shaken in surroundings.shaken
        if self.wet is not None:
            return self.wet in surroundings.wet
        if self.warmer_than_celsius is not None:
            return surroundings.celsius > self.warmer_than_celsius
        return surroundings.cranking or not self.cranking

    def _due(self, t_ns: int) -> bool:
        """Whether the timed part alone is in."""
        if self._last_ns is not None and t_ns >= self._last_ns:
            return False
        if self._period_ns is None:
            return self.from_s is None or t_ns >= self._edge_ns(0)
        return self._edges_until(t_ns) % 2 == 1

    def _next_edge_ns(self, t_ns: int) -> int | None:
        """The first begin or end of a stretch after a time; the last edge, ``until_s``, is not among them."""
        if self._period_ns is not None:
            return self._edge_ns(self._edges_until(t_ns))
        if self.from_s is not None and t_ns < self._edge_ns(0):
            return self._edge_ns(0)
        return None

    def _edges_until(self, t_ns: int) -> int:
        """How many edges of the repeating part lie at or before a time."""
        assert self._period_ns is not None
        # Jitter is below half a stretch, so only the neighbours of the unmoved edge can be on the other side.
        count = max(0, 2 * ((t_ns - self._from_ns) // self._period_ns) - 1)
        while self._edge_ns(count) <= t_ns:
            count += 1
        return count

    def _edge_ns(self, k: int) -> int:
        """Edge number k: even ones begin a stretch, odd ones end it."""
        base = self._from_ns
        if k:
            assert self._period_ns is not None
            base += (k // 2) * self._period_ns + (k % 2) * _to_ns(self.on_s)
        return base + self._jitter_ns(str(k))

    def _jitter_ns(self, edge: str) -> int:
        if self.jitter_s is None:
            return 0
        return _draw(self.seed, edge, _to_ns(self.jitter_s))

    @cached_property
    def _from_ns(self) -> int:
        return _to_ns(self.from_s)

    @cached_property
    def _period_ns(self) -> int | None:
        return None if self.on_s is None else _to_ns(self.on_s) + _to_ns(self.off_s)

    @cached_property
    def _last_ns(self) -> int | None:
        return None if self.until_s is None else _to_ns(self.until_s) + self._jitter_ns("last")


@cache
def timeline_readers() -> Mapping[str, Reader]:
    """The keys of a timeline and how each is read."""
    hints = get_type_hints(Timeline, include_extras=True)
    return {field.name: reader_of(hints[field.name]) for field in fields(Timeline)}


def _to_ns(seconds: float | None) -> int:
    return round((seconds or 0.0) * _NS)


def _draw(seed: int, edge: str, most: int) -> int:
    """A whole number from -most to most, the same for the same seed and edge whatever was asked before."""
    digest = hashlib.blake2b(f"{seed}:{edge}".encode(), digest_size=8).digest()
    return ((int.from_bytes(digest) * (2 * most + 1)) >> 64) - most


#: Always in.
ALWAYS = Timeline()
