"""The numeric kernels against numpy and brute force; the same tests run with NUMBA_DISABLE_JIT=1."""

from __future__ import annotations

import itertools
import math
import os
import subprocess
import sys

import numpy as np
import pytest

from simulator.circuit.pattern import elimination_order, make_pattern
from simulator.kernels import factor, supply, table
from simulator.kernels.drive import leg_currents
from simulator.kernels.jit import COMPILING


def random_network(seed: int, nodes: int, edges: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Edges between nodes (-1: the reference) with conductances over eight decades, a third of them open."""
    lot = np.random.default_rng(seed)
    start = lot.integers(-1, nodes, edges)
    end = lot.integers(-1, nodes, edges)
    siemens = 10.0 ** lot.uniform(-6, 2, edges)
    siemens[lot.random(edges) < 0.33] = 0.0
    return start, end, siemens


class Factored:
    """A network factorised by the kernels, with its node positions."""

    def __init__(self, nodes: int, start: np.ndarray, end: np.ndarray, siemens: np.ndarray) -> None:
        order = elimination_order(nodes, start.tolist(), end.tolist(), last=[0])
        self.pattern = pattern = make_pattern(order, start.tolist(), end.tolist())
        self.w, self.s, self.d = np.empty(len(pattern.idx)), np.empty(nodes), np.empty(nodes)
        factor.gather(pattern.slots, siemens, self.w, self.s)
        factor.factorise(pattern.ptr, pattern.idx, pattern.upd, self.w, self.s, self.d, np.ones(nodes, bool), True)

    def position(self, node: int) -> int:
        return -1 if node < 0 else int(self.pattern.position[node])


def islands_by_search(nodes: int, start: np.ndarray, end: np.ndarray, siemens: np.ndarray) -> list[int]:
    """The island of every node, the reference (last) among them, by following edges."""
    label = list(range(nodes + 1))
    for _ in range(nodes + 1):
        for a, b, g in zip(start, end, siemens, strict=True):
            if g > 0.0:
                label[a] = label[b] = min(label[a], label[b])
    return label


@pytest.mark.parametrize("seed", range(12))
def test_opens_are_decided_by_structure(seed: int) -> None:
    """Islands agree with a graph search; a pivot is exactly 0.0 once in every island without the reference."""
    nodes = 30
    start, end, siemens = random_network(seed, nodes, 45)
    net = Factored(nodes, start, end, siemens)
    label = islands_by_search(nodes, start, end, siemens)
    root = factor.islands(net.pattern.ptr, net.pattern.idx, net.w, net.d)
    for a, b in itertools.combinations(range(nodes), 2):
        together = root[net.position(a)] == root[net.position(b)]
        assert together == (label[a] == label[b])
    floating = {label[node] for node in range(nodes)} - {label[-1]}
    assert np.count_nonzero(net.d == 0.0) == len(floating)


@pytest.mark.parametrize("seed", range(12))
def test_resistance_and_voltages_agree_with_a_dense_solution(seed: int) -> None:
    """A textbook nodal matrix solved by numpy, on networks with no island; general-purpose library as peer."""
    nodes = 25
    start, end, siemens = random_network(seed, nodes, 120)
    siemens = np.where(siemens == 0.0, 0.5, np.clip(siemens, 1e-3, 10.0))
    start[:nodes], end[:nodes] = np.arange(nodes), np.arange(-1, nodes - 1)
    net = Factored(nodes, start, end, siemens)
    matrix = np.zeros((nodes + 1, nodes + 1))
    for a, b, g in zip(start, end, siemens, strict=True):
        matrix[a, a] += g
        matrix[b, b] += g
        matrix[a, b] -= g
        matrix[b, a] -= g
    inverse = np.linalg.inv(matrix[:nodes, :nodes])
    for a, b in [(0, 24), (3, 17), (5, -1), (12, 13)]:
        ends = np.zeros(nodes)
        ends[a] += 1.0
        if b >= 0:
            ends[b] -= 1.0
        expected = ends @ inverse @ ends
        got = factor.resistance(net.pattern.ptr, net.pattern.idx, net.w, net.d, net.position(a), net.position(b))
        assert got == pytest.approx(expected, rel=1e-11)
        injected = np.zeros(nodes)
        injected[net.pattern.position[:nodes]] = ends
        factor.solve(net.pattern.ptr, net.pattern.idx, net.w, net.d, injected)
        assert injected[net.pattern.position[:nodes]] == pytest.approx(inverse @ ends, rel=1e-9, abs=1e-12)


def test_a_long_chain_makes_a_shallow_tree() -> None:
    """Nodes of a chain go in rounds, so that a current passes few ancestors: about two for every doubling."""
    count = 256
    start, end = list(range(count - 1)), list(range(1, count))
    pattern = make_pattern(elimination_order(count, start, end), start, end)
    depth = table.ancestry(pattern.ptr, pattern.idx)[1]
    assert depth.max() <= 2 * math.ceil(math.log2(count))


def brute_force_currents(
    coupling: np.ndarray, open_volt: np.ndarray, drive: np.ndarray, on: np.ndarray, limit: np.ndarray
) -> list[np.ndarray]:
    """Every consistent set of regimes (off, linear, limited) of the legs, tried one after another."""
    n = len(drive)
    found = []
    for regimes in itertools.product((0, 1, 2), repeat=n):
        matrix, right = np.eye(n), np.zeros(n)
        for j, regime in enumerate(regimes):
            if regime == 1:
                matrix[j] = coupling[j]
                matrix[j, j] += on[j]
                right[j] = drive[j] - open_volt[j]
            elif regime == 2:
                right[j] = limit[j]
        current = np.linalg.solve(matrix, right)
        wanted = (drive - open_volt - coupling @ current) / on
        if np.allclose(np.clip(wanted, 0.0, limit), current, atol=1e-9):
            found.append(current)
    return found


@pytest.mark.parametrize("seed", range(60))
def test_leg_currents_are_the_one_consistent_set(seed: int) -> None:
    """Piecewise-linear legs on a passive network have one solution; nine regimes a driver, all tried."""
    lot = np.random.default_rng(seed)
    legs = 2 * int(lot.integers(1, 4))
    factor_matrix = lot.normal(size=(legs, legs)) * lot.uniform(1, 20)
    coupling = factor_matrix @ factor_matrix.T
    open_volt = lot.uniform(-14, 14, legs)
    drive = lot.uniform(-5, 5, legs)
    on, limit = lot.uniform(10, 40, legs), lot.uniform(0.04, 0.1, legs)
    current, rounds = leg_currents(coupling, open_volt, drive, on, limit)
    assert rounds > 0
    solutions = brute_force_currents(coupling, open_volt, drive, on, limit)
    assert solutions
    assert current == pytest.approx(solutions[0], abs=1e-8)


def test_kernel_a_supply_that_finds_no_rest_is_held_down_in_two_steps() -> None:
    """Own rule: in a cycle a module is held asleep; one that moves even so stays without supply; others keep theirs."""
    asleep, awake, starved = supply.ASLEEP, supply.AWAKE, supply.STARVED
    held, state = np.zeros((supply.HELD, 2), np.int8), np.array([awake, awake], np.int8)
    history = np.zeros((8, 2), np.int8)
    history[0] = state
    known = supply.take(history, 1, np.array([starved, awake], np.int8), held, state)
    assert (known, state.tolist()) == (2, [starved, awake])
    known = supply.take(history, known, np.array([awake, awake], np.int8), held, state)
    assert (known, state.tolist()) == (1, [asleep, awake])
    assert held[supply.RESTLESS].tolist() == [1, 0]
    known = supply.take(history, known, np.array([supply.UNPOWERED, awake], np.int8), held, state)
    known = supply.take(history, known, np.array([asleep, awake], np.int8), held, state)
    assert (known, state.tolist()) == (1, [supply.UNPOWERED, awake])
    assert held[supply.FAINT].tolist() == [1, 0]
    assert supply.take(history, known, state.copy(), held, state) == -1
    pins, volts = np.array([[0, -1, supply.NO_WAKE]] * 2), np.array([12.0])
    held[supply.CALLING] = 1
    supply.next_states(pins, held, state, volts, np.array([-1]), (6.0, 5.5), history[0])
    assert history[0].tolist() == [supply.UNPOWERED, awake]


ASK = """
import sys
class Terminal:
    def write(self, text): sys.stdout.write(text)
    def flush(self): sys.stdout.flush()
    def isatty(self): return {terminal}
sys.stderr = Terminal()
import numpy as np
from simulator.kernels import factor
none = np.empty(0, np.int64)
factor.gather.compiled(none, np.empty(0), np.empty(1), np.empty(1))
"""


@pytest.mark.slow
@pytest.mark.skipif(os.environ.get("NUMBA_DISABLE_JIT") == "1", reason="nothing is compiled")
def test_who_waits_at_a_terminal_is_told_once_why(tmp_path):
    def said(terminal: bool, cache: str) -> str:
        environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / cache)}
        code = ASK.format(terminal=terminal)
        return subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True
        ).stdout

    assert said(True, "one") == COMPILING + "\n"
    assert said(True, "one") == ""  # kept on disk
    assert said(False, "other") == ""
