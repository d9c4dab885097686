"""Resistances of a network in exact rational arithmetic: star-mesh elimination on fractions, or on proven bounds.

The elements may come from anywhere; taken from the product's own drawing they test its arithmetic, not its model (that
is held against ngspice and the independent solver).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction
from typing import Any

import flint

#: A fraction, or a ball: a number of many digits with a bound on its error, which every operation carries on.
Exact = Any
Edge = tuple[int, int, float]
Parts = dict[int, Exact]
Found = dict[tuple[int, int], Exact | None]
REFERENCE = -1
#: Bits of a ball. A ball of a resistance is then narrower than 1e-40 ohm.
BALL_BITS = 256


def ball(number: Fraction | int) -> Exact:
    """The ball around a fraction (Arb, F. Johansson, 2017, in FLINT); its bounds hold whatever happens to it."""
    flint.ctx.prec = BALL_BITS
    return flint.arb(flint.fmpq(number.numerator, number.denominator))


def as_float(number: Exact) -> tuple[float, float]:
    """The nearest float of an exact number, and how far off it may be."""
    if isinstance(number, Fraction):
        return float(number), 0.0
    return float(number.mid()), float(number.rad())


class ExactNetwork:
    """Nodes are numbers, ``REFERENCE`` the body; an element of infinite ohm is none. Points are eliminated last.

    ``number`` makes an exact number of a fraction: ``Fraction``, or ``ball``, which is twenty times faster.
    """

    def __init__(
        self, edges: Iterable[Edge], points: Sequence[int], number: Callable[[Fraction | int], Exact] = Fraction
    ) -> None:
        self.number = number
        self.points = list(dict.fromkeys((*points, REFERENCE)))
        mesh: dict[int, dict[int, Exact]] = {point: {} for point in self.points}
        for a, b, ohm in edges:
            if a == b or ohm == float("inf"):
                continue
            siemens = number(1 / Fraction(repr(ohm)))
            for one, other in ((a, b), (b, a)):
                row = mesh.setdefault(one, {})
                row[other] = row[other] + siemens if other in row else siemens
        self.mesh = mesh
        while inner := [node for node in mesh if node not in self.points]:
            self._star_mesh(min(inner, key=lambda node: len(mesh[node])))

    def _star_mesh(self, node: int) -> tuple[Exact, Parts]:
        """Eliminate a node: its total conductance, and the part of a current at it that goes to each neighbour."""
        mesh, row = self.mesh, self.mesh.pop(node)
        total = sum(row.values(), self.number(0))
        neighbours = list(row)
        for other in neighbours:
            del mesh[other][node]
        for n, a in enumerate(neighbours):
            for b in neighbours[:n]:
                more = row[a] * row[b] / total
                mesh[a][b] = mesh[b][a] = mesh[a][b] + more if b in mesh[a] else more
        return total, {other: siemens / total for other, siemens in row.items()}

    def resistances(self) -> Found:
        """Ohm between every two points, in both orders; None for an open. Uses the network up.

        With p the parts of a current at an eliminated node a that go on to its neighbours:
        R(a, b) = 1 / total + sum of p_i R(i, b) - sum over i < j of p_i p_j R(i, j).
        """
        stars = []
        while left := [node for node in self.mesh if node != REFERENCE]:
            node = min(left, key=lambda node: len(self.mesh[node]))
            stars.append((node, *self._star_mesh(node)))
        found: Found = {(REFERENCE, REFERENCE): self.number(0)}
        done = [REFERENCE]
        for node, total, parts in reversed(stars):
            own = self._own(total, parts, found)
            for other in done:
                found[node, other] = found[other, node] = self._to(own, parts, other, found)
            found[node, node] = self.number(0)
            done.append(node)
        return found

    @staticmethod
    def _own(total: Exact, parts: Parts, found: Found) -> Exact | None:
        """What is the same for every other end; None where nothing is joined to the node."""
        if not parts:
            return None
        result, nodes = 1 / total, list(parts)
        for n, one in enumerate(nodes):
            for before in nodes[:n]:
                between = found[one, before]
                assert between is not None  # neighbours are joined
                result -= parts[one] * parts[before] * between
        return result

    @staticmethod
    def _to(own: Exact | None, parts: Parts, other: int, found: Found) -> Exact | None:
        if own is None:
            return None
        for node, part in parts.items():
            reach = found[node, other]
            if reach is None:
                return None
            own += part * reach
        return own
