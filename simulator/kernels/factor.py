"""Subtraction-free factorisation of a resistor network.

A network is a set of nodes with positive conductances between them (``w``) and to the reference node (``s``, the
slack). Eliminating a node only ever adds positive numbers, so nothing cancels: opens are exact zeros, and an island
shows as a pivot that is exactly 0.0.

Nodes are numbered in the order of elimination. ``ptr``/``idx`` list for every node its neighbours with higher
numbers, ascending; ``upd`` says, for every pair of such neighbours, where their mutual conductance is kept.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.jit import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@compiled
def fill_pattern(count: int, start: Ints, end: Ints) -> tuple[Ints, Ints, Ints]:
    """The elimination structure of a graph whose nodes are numbered in the order of elimination.

    ``start``, ``end``: (edges,) node numbers, -1 for the reference. Returns ``ptr`` (count + 1,), ``idx`` and ``upd``.
    """
    filled = np.zeros((count, count), np.bool_)
    for e in range(start.shape[0]):
        i, j = min(start[e], end[e]), max(start[e], end[e])
        if i >= 0 and i != j:
            filled[i, j] = True
    ptr = np.zeros(count + 1, np.int64)
    neighbours = np.empty(count, np.int64)
    pairs = 0
    for k in range(count):
        degree = 0
        for j in range(k + 1, count):
            if filled[k, j]:
                neighbours[degree] = j
                degree += 1
        ptr[k + 1] = ptr[k] + degree
        pairs += degree * (degree - 1) // 2
        for p in range(degree):
            for q in range(p + 1, degree):
                filled[neighbours[p], neighbours[q]] = True
    idx = np.empty(ptr[count], np.int64)
    where = np.full((count, count), -1, np.int64)
    for k in range(count):
        p = ptr[k]
        for j in range(k + 1, count):
            if filled[k, j]:
                idx[p] = j
                where[k, j] = p
                p += 1
    upd = np.empty(pairs, np.int64)
    u = 0
    for k in range(count):
        for p in range(ptr[k], ptr[k + 1]):
            for q in range(p + 1, ptr[k + 1]):
                upd[u] = where[idx[p], idx[q]]
                u += 1
    return ptr, idx, upd


@compiled
def edge_slots(start: Ints, end: Ints, ptr: Ints, idx: Ints) -> Ints:
    """Where each edge's conductance is kept: a place in ``w``, -2 - node for slack, -2**62 for a loop, -1: nowhere."""
    slots = np.empty(start.shape[0], np.int64)
    for e in range(start.shape[0]):
        i, j = min(start[e], end[e]), max(start[e], end[e])
        if i == j:
            slots[e] = -(2**62)
        elif i < 0:
            slots[e] = -2 - j
        else:
            slots[e] = -1
            for p in range(ptr[i], ptr[i + 1]):
                if idx[p] == j:
                    slots[e] = p
    return slots


@compiled
def gather(slots: Ints, conductance: Floats, w: Floats, s: Floats) -> None:
    """Sum the conductances of the edges, in siemens, into ``w`` and ``s``; both are overwritten."""
    w[:] = 0.0
    s[:] = 0.0
    for e in range(slots.shape[0]):
        slot = slots[e]
        if slot >= 0:
            w[slot] += conductance[e]
        elif slot < -1 and slot > -(2**62):
            s[-2 - slot] += conductance[e]


@compiled
def factorise(ptr: Ints, idx: Ints, upd: Ints, w: Floats, s: Floats, d: Floats) -> None:
    """Eliminate every node: ``w`` becomes the shares (the unit lower factor), ``d`` the pivots; ``s`` is used up."""
    u = 0
    for k in range(d.shape[0]):
        first, last = ptr[k], ptr[k + 1]
        total = s[k]
        for p in range(first, last):
            total += w[p]
        d[k] = total
        if total == 0.0:
            degree = last - first
            u += degree * (degree - 1) // 2
            continue
        for p in range(first, last):
            share = w[p] / total
            s[idx[p]] += share * s[k]
            for q in range(p + 1, last):
                w[upd[u]] += share * w[q]
                u += 1
        for p in range(first, last):
            w[p] /= total


@compiled
def islands(ptr: Ints, idx: Ints, w: Floats, d: Floats) -> Ints:
    """For every node the number of its island's last node, or -1 where the island holds the reference node."""
    count = d.shape[0]
    root = np.empty(count, np.int64)
    for k in range(count - 1, -1, -1):
        root[k] = k if d[k] == 0.0 else -1
        for p in range(ptr[k], ptr[k + 1]):
            if w[p] > 0.0:
                root[k] = root[idx[p]]
                break
    return root


@compiled
def solve(ptr: Ints, idx: Ints, w: Floats, d: Floats, x: Floats) -> None:
    """Node voltages for injected currents, in place: ``x`` in ampere becomes volt; an island floats at 0 V."""
    count = d.shape[0]
    for k in range(count):
        for p in range(ptr[k], ptr[k + 1]):
            x[idx[p]] += w[p] * x[k]
    for k in range(count - 1, -1, -1):
        value = 0.0 if d[k] == 0.0 else x[k] / d[k]
        for p in range(ptr[k], ptr[k + 1]):
            value += w[p] * x[idx[p]]
        x[k] = value


@compiled
def spread(ptr: Ints, idx: Ints, w: Floats, node: int, y: Floats) -> None:
    """How a unit current at a node is passed on as nodes are eliminated; ``y`` is overwritten."""
    y[:] = 0.0
    if node < 0:
        return
    y[node] = 1.0
    for k in range(node, y.shape[0]):
        if y[k] != 0.0:
            for p in range(ptr[k], ptr[k + 1]):
                y[idx[p]] += w[p] * y[k]


@compiled
def resistance(ptr: Ints, idx: Ints, w: Floats, d: Floats, a: int, b: int) -> float:
    """Resistance between two nodes of one island, in ohm: a sum of squares, so that nothing large cancels."""
    ya = np.empty(d.shape[0])
    yb = np.empty(d.shape[0])
    spread(ptr, idx, w, a, ya)
    spread(ptr, idx, w, b, yb)
    total = 0.0
    for k in range(d.shape[0]):
        if d[k] != 0.0:
            difference = ya[k] - yb[k]
            total += difference * difference / d[k]
    return total


@compiled
def all_pairs(ptr: Ints, idx: Ints, w: Floats, d: Floats, nodes: Ints, out: Floats) -> None:
    """Resistance between every two of ``nodes`` (-1: the reference), in ohm, into ``out`` (n, n); inf for an open."""
    count = d.shape[0]
    many = nodes.shape[0]
    root = islands(ptr, idx, w, d)
    y = np.empty((many, count))
    first = count
    for i in range(many):
        spread(ptr, idx, w, nodes[i], y[i])
        if nodes[i] >= 0:
            first = min(first, nodes[i])
    weight = np.zeros(count)
    for k in range(first, count):
        if d[k] != 0.0:
            weight[k] = 1.0 / d[k]
    for i in range(many):
        out[i, i] = 0.0
        for j in range(i):
            island_i = -1 if nodes[i] < 0 else root[nodes[i]]
            island_j = -1 if nodes[j] < 0 else root[nodes[j]]
            total = np.inf
            if island_i == island_j:
                total = 0.0
                for k in range(first, count):
                    difference = y[i, k] - y[j, k]
                    total += difference * difference * weight[k]
            out[i, j] = total
            out[j, i] = total


@compiled
def all_pairs_of_each(
    ptr: Ints, idx: Ints, upd: Ints, slots: Ints, conductance: Floats, nodes: Ints, out: Floats
) -> None:
    """The table of all pairs for many sets of conductances: (sets, edges) in siemens into (sets, n, n) in ohm."""
    count = ptr.shape[0] - 1
    w = np.empty(idx.shape[0])
    s = np.empty(count)
    d = np.empty(count)
    for h in range(conductance.shape[0]):
        gather(slots, conductance[h], w, s)
        factorise(ptr, idx, upd, w, s, d)
        all_pairs(ptr, idx, w, d, nodes, out[h])
