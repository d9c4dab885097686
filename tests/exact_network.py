"""Resistances of a network in exact rational arithmetic: star-mesh elimination on fractions.

The elements may come from anywhere; taken from the product's own drawing they test its arithmetic, not its model (that
is held against ngspice and the independent solver).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction

Edge = tuple[int, int, float]
Parts = dict[int, Fraction]
Found = dict[tuple[int, int], Fraction | None]
REFERENCE = -1


class ExactNetwork:
    """Nodes are numbers, ``REFERENCE`` the body; an element of infinite ohm is none. Points are eliminated last."""

    def __init__(self, edges: Iterable[Edge], points: Sequence[int]) -> None:
        self.points = list(dict.fromkeys((*points, REFERENCE)))
        mesh: dict[int, dict[int, Fraction]] = {point: {} for point in self.points}
        for a, b, ohm in edges:
            if a == b or ohm == float("inf"):
                continue
            siemens = 1 / Fraction(repr(ohm))
            for one, other in ((a, b), (b, a)):
                row = mesh.setdefault(one, {})
                row[other] = row.get(other, Fraction(0)) + siemens
        self.mesh = mesh
        while inner := [node for node in mesh if node not in self.points]:
            self._star_mesh(min(inner, key=lambda node: len(mesh[node])))

    def _star_mesh(self, node: int) -> tuple[Fraction, dict[int, Fraction]]:
        """Eliminate a node: its total conductance, and the part of a current at it that goes to each neighbour."""
        mesh, row = self.mesh, self.mesh.pop(node)
        total = sum(row.values(), Fraction(0))
        neighbours = list(row)
        for other in neighbours:
            del mesh[other][node]
        for n, a in enumerate(neighbours):
            for b in neighbours[:n]:
                more = row[a] * row[b] / total
                mesh[a][b] = mesh[b][a] = mesh[a].get(b, Fraction(0)) + more
        return total, {other: siemens / total for other, siemens in row.items()}

    def resistances(self) -> dict[tuple[int, int], Fraction | None]:
        """Ohm between every two points, in both orders; None for an open. Uses the network up.

        With p the parts of a current at an eliminated node a that go on to its neighbours:
        R(a, b) = 1 / total + sum of p_i R(i, b) - sum over i < j of p_i p_j R(i, j).
        """
        stars = []
        while left := [node for node in self.mesh if node != REFERENCE]:
            node = min(left, key=lambda node: len(self.mesh[node]))
            stars.append((node, *self._star_mesh(node)))
        found: dict[tuple[int, int], Fraction | None] = {(REFERENCE, REFERENCE): Fraction(0)}
        done = [REFERENCE]
        for node, total, parts in reversed(stars):
            own = self._own(total, parts, found)
            for other in done:
                found[node, other] = found[other, node] = self._to(own, parts, other, found)
            found[node, node] = Fraction(0)
            done.append(node)
        return found

    @staticmethod
    def _own(total: Fraction, parts: Parts, found: Found) -> Fraction | None:
        """What is the same for every other end; None where nothing is joined to the node."""
        if total == 0:
            return None
        result, nodes = 1 / total, list(parts)
        for n, one in enumerate(nodes):
            for before in nodes[:n]:
                between = found[one, before]
                assert between is not None  # neighbours are joined
                result -= parts[one] * parts[before] * between
        return result

    @staticmethod
    def _to(own: Fraction | None, parts: Parts, other: int, found: Found) -> Fraction | None:
        if own is None:
            return None
        for node, part in parts.items():
            reach = found[node, other]
            if reach is None:
                return None
            own += part * reach
        return own
