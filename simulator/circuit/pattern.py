"""The shape of a network: in which order its nodes are eliminated, and which pairs that fills in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.kernels import factor

Ints = NDArray[np.int64]

#: Degrees this near to the smallest go in one round: fill hardly grows, and the tree is a third shallower.
NEAR_LEAST = 3


def elimination_order(count: int, start: Sequence[int], end: Sequence[int], last: Iterable[int] = ()) -> list[int]:
    """Node numbers in the order of elimination: smallest degree first, those of ``last`` after all others.

    In each round all nodes of about the smallest degree that are no neighbours of one another go, so that long chains
    make a shallow elimination tree (multiple minimum degree; J. W. H. Liu, 1985).
    """
    neighbours: list[set[int]] = [set() for _ in range(count)]
    for a, b in zip(start, end, strict=True):
        if a >= 0 and b >= 0 and a != b:
            neighbours[a].add(b)
            neighbours[b].add(a)
    late = sorted(set(last))
    left = set(range(count)) - set(late)
    order: list[int] = []
    while left:
        least = min(len(neighbours[node]) for node in left)
        touched: set[int] = set()
        for node in sorted(left, key=lambda node: (len(neighbours[node]), node)):
            around = neighbours[node]
            if len(around) > least + NEAR_LEAST:
                break
            if node in touched:
                continue
            touched |= around
            left.remove(node)
            order.append(node)
            for other in around:
                neighbours[other] |= around
                neighbours[other] -= {other, node}
    return order + late


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
