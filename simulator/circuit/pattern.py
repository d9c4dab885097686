"""The shape of a network: in which order its nodes are eliminated, and which pairs that fills in."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.kernels import factor

Ints = NDArray[np.int64]


def elimination_order(count: int, start: Sequence[int], end: Sequence[int], last: Iterable[int] = ()) -> list[int]:
    """Node numbers in the order of elimination: smallest degree first, those of ``last`` after all others."""
    neighbours: list[set[int]] = [set() for _ in range(count)]
    for a, b in zip(start, end, strict=True):
        if a >= 0 and b >= 0 and a != b:
            neighbours[a].add(b)
            neighbours[b].add(a)
    late = set(last)
    buckets: list[set[int]] = [set() for _ in range(2 * count + 2)]

    def rank(node: int) -> int:
        return len(neighbours[node]) + (count + 1 if node in late else 0)

    for node in range(count):
        buckets[rank(node)].add(node)
    order: list[int] = []
    lowest = 0
    while len(order) < count:
        while not buckets[lowest]:
            lowest += 1
        node = min(buckets[lowest])
        buckets[lowest].remove(node)
        order.append(node)
        around = neighbours[node]
        for other in around:
            buckets[rank(other)].discard(other)
        for other in around:
            neighbours[other] |= around
            neighbours[other] -= {other, node}
            new = rank(other)
            buckets[new].add(other)
            lowest = min(lowest, new)
    return order


@dataclass(frozen=True)
class Pattern:
    """An elimination order with its fill: ``position`` maps a node number to its turn (-1, the body, to -1)."""

    position: Ints
    ptr: Ints
    idx: Ints
    upd: Ints
    slots: Ints

    @property
    def count(self) -> int:
        """How many nodes are eliminated."""
        return len(self.ptr) - 1


def make_pattern(order: Sequence[int], start: Sequence[int], end: Sequence[int]) -> Pattern:
    """The pattern of a network whose elements run from ``start`` to ``end`` (node numbers, -1 for the body)."""
    position = np.full(len(order) + 1, -1, np.int64)  # the last entry serves node -1
    position[list(order)] = np.arange(len(order))
    a, b = position[np.asarray(start, np.int64)], position[np.asarray(end, np.int64)]
    ptr, idx, upd = factor.fill_pattern(len(order), a, b)
    return Pattern(position, ptr, idx, upd, factor.edge_slots(a, b, ptr, idx))


class PatternStore:
    """The patterns one drawing has needed so far, the most recent ones kept."""

    def __init__(self, keep: int = 256) -> None:
        self._patterns: OrderedDict[object, Pattern] = OrderedDict()
        self._keep = keep

    def get(self, key: object) -> Pattern | None:
        """The pattern kept under a key, or None."""
        pattern = self._patterns.get(key)
        if pattern is not None:
            self._patterns.move_to_end(key)
        return pattern

    def put(self, key: object, pattern: Pattern) -> Pattern:
        """Keep a pattern under a key."""
        self._patterns[key] = pattern
        if len(self._patterns) > self._keep:
            self._patterns.popitem(last=False)
        return pattern
