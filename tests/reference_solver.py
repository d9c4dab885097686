"""Plain arithmetic under reference_circuit: nodal equations with clipped drivers, and star-mesh elimination."""

from __future__ import annotations

from collections.abc import Iterable

import networkx
import numpy as np

BODY, POSITIVE = "body", "positive"


class NeverSettlesError(Exception):
    """A vehicle's supply states go round in a circle, or no combination of driver regimes is consistent."""


class Leg:
    """One leg of a dominant driver: ``clip((headroom) / on_ohm, 0, limit_amp)`` from ``source`` to ``sink``."""

    def __init__(self, driver: dict[str, float], module: str, network: str, line: str) -> None:
        self.pin, self.ground = f"{network}/{module}/pin/{line}", f"{module}/pin/ground"
        self.on_ohm, self.limit_amp = driver["on_ohm"], driver["limit_amp"]
        if line == "high":  # into CAN_H, out of the supply pin: (VCC - drop - v_high) / on_ohm
            self.source, self.sink = f"{module}/pin/supply", self.pin
            self.offset, self.sign = driver["vcc_volt"] - driver["drop_volt"], -1.0
        else:  # out of CAN_L, into the ground pin: (v_low - drop) / on_ohm
            self.source, self.sink = self.pin, self.ground
            self.offset, self.sign = -driver["drop_volt"], 1.0

    def line_amp(self, volt: float) -> float:
        """The unclipped current at this voltage of the pin to the module's ground pin."""
        return (self.offset + self.sign * volt) / self.on_ohm

    def regime(self, volt: float) -> int:
        """-1 blocked, 0 on its line, +1 in its limit."""
        amp = self.line_amp(volt)
        return -1 if amp < 0 else 1 if amp > self.limit_amp else 0


class NodalEquations:
    """Nodal equations in a full matrix, one row per node and one per voltage source, solved regime by regime."""

    def __init__(
        self,
        resistors: list[tuple[str, str, float]],
        sources: list[tuple[str, str, float]],
        legs: list[Leg],
        probes: list[str],
    ) -> None:
        graph = networkx.Graph()
        graph.add_nodes_from([BODY, POSITIVE, *probes])
        graph.add_edges_from((a, b) for a, b, _ in resistors)
        graph.add_edges_from((a, b) for a, b, _ in sources)
        self.component = {node: i for i, part in enumerate(networkx.connected_components(graph)) for node in part}
        self.index = {node: i for i, node in enumerate(graph)}
        self.legs = legs
        count = len(self.index)
        size = count + len(sources)
        self.matrix, self.right = np.zeros((size, size)), np.zeros(size)
        for a, b, ohm in resistors:
            i, j, siemens = self.index[a], self.index[b], 1.0 / ohm
            self.matrix[i, i] += siemens
            self.matrix[j, j] += siemens
            self.matrix[i, j] -= siemens
            self.matrix[j, i] -= siemens
        for k, (plus, minus, volt) in enumerate(sources, start=count):
            i, j = self.index[plus], self.index[minus]
            self.matrix[i, k] += 1.0
            self.matrix[j, k] -= 1.0
            self.matrix[k, i] += 1.0
            self.matrix[k, j] -= 1.0
            self.right[k] = volt
        held = {self.component[BODY]: BODY}  # one node of every island is its zero
        for node, part in self.component.items():
            held.setdefault(part, node)
        for node in held.values():
            self.matrix[self.index[node], self.index[node]] += 1.0
        self.solution = self._iterate()

    def _with(self, regimes: tuple[int, ...]) -> np.ndarray:
        matrix, right = self.matrix.copy(), self.right.copy()
        for leg, regime in zip(self.legs, regimes, strict=True):
            source, sink = self.index[leg.source], self.index[leg.sink]
            if regime == 1:
                right[source] -= leg.limit_amp
                right[sink] += leg.limit_amp
            elif regime == 0:
                pin, ground = self.index[leg.pin], self.index[leg.ground]
                siemens = leg.sign / leg.on_ohm
                for row, direction in ((source, 1.0), (sink, -1.0)):  # the current leaves the source node
                    matrix[row, pin] += direction * siemens
                    matrix[row, ground] -= direction * siemens
                    right[row] -= direction * leg.offset / leg.on_ohm
        found: np.ndarray = np.linalg.solve(matrix, right)
        return found

    def _wanted(self, solution: np.ndarray) -> tuple[int, ...]:
        return tuple(leg.regime(solution[self.index[leg.pin]] - solution[self.index[leg.ground]]) for leg in self.legs)

    def _iterate(self) -> np.ndarray:
        regimes = tuple(0 for _ in self.legs)
        seen: set[tuple[int, ...]] = set()
        while True:
            solution = self._with(regimes)
            wanted = self._wanted(solution)
            if wanted == regimes:
                return solution
            if regimes in seen:
                return self._enumerate()
            seen.add(regimes)
            regimes = wanted

    def _enumerate(self) -> np.ndarray:
        """Every combination of regimes until one is consistent with itself."""
        for number in range(3 ** len(self.legs)):
            regimes = tuple(number // 3**k % 3 - 1 for k in range(len(self.legs)))
            solution = self._with(regimes)
            if self._wanted(solution) == regimes:
                return solution
        raise NeverSettlesError("no combination of driver regimes is consistent")


def star_mesh(
    resistors: Iterable[tuple[str, str, float]], wires: Iterable[tuple[str, str]], start: str, end: str
) -> float:
    """Ohm between two joined nodes: every other node is replaced by resistors between its neighbours."""
    union = networkx.utils.UnionFind()
    for a, b in wires:
        union.union(a, b)
    start, end = union[start], union[end]
    siemens: dict[str, dict[str, float]] = {start: {}, end: {}}
    for a, b, ohm in resistors:
        a, b = union[a], union[b]
        if a != b:
            siemens.setdefault(a, {})[b] = siemens.setdefault(a, {}).get(b, 0.0) + 1.0 / ohm
            siemens.setdefault(b, {})[a] = siemens[a][b]
    while len(siemens) > 2:
        node = min((n for n in siemens if n not in (start, end)), key=lambda n: len(siemens[n]))
        arms = list(siemens.pop(node).items())
        total = sum(s for _, s in arms)
        for neighbour, _ in arms:
            del siemens[neighbour][node]
        for i, (a, first) in enumerate(arms):
            for b, second in arms[:i]:
                joined = siemens[a].get(b, 0.0) + first * second / total
                siemens[a][b] = siemens[b][a] = joined
    return 1.0 / siemens[start][end]
