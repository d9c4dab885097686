"""Subtraction-free factorisation of a resistor network.

A network is a set of nodes with positive conductances between them (``w``) and to the reference node (``s``, the
slack). Eliminating a node only ever adds positive numbers, so nothing cancels: opens are exact zeros, and an island
shows as a pivot that is exactly 0.0.

Nodes are numbered in the order of elimination. ``ptr``/``idx`` list for every node its neighbours with higher
numbers, ascending; ``upd`` says, for every pair of such neighbours, where their mutual conductance is kept.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.jit import compiled, compiled_when_busy, summing

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@compiled_when_busy
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


@compiled_when_busy
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


@compiled_when_busy
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


@compiled_when_busy
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
        part = 1.0 / total
        for p in range(first, last):
            if w[p] == 0.0:  # an open, or room for a short that is not there
                u += last - p - 1
                continue
            share = w[p] * part
            s[idx[p]] += share * s[k]
            for q in range(p + 1, last):
                w[upd[u]] += share * w[q]
                u += 1
            w[p] = share


@compiled_when_busy
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


@compiled_when_busy
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


@compiled_when_busy
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


@compiled_when_busy
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
def ancestry(ptr: Ints, idx: Ints, nodes: Ints) -> tuple[Ints, Ints, Ints]:
    """The elimination tree: ``parent`` and ``depth`` of every node, and how deep every two of ``nodes`` meet.

    A current at a node is passed on to its ancestors only. -1: no parent, or the two never meet.
    """
    count = ptr.shape[0] - 1
    parent = np.full(count, -1, np.int64)
    depth = np.zeros(count, np.int64)
    for k in range(count - 1, -1, -1):
        if ptr[k + 1] > ptr[k]:
            parent[k] = idx[ptr[k]]
            depth[k] = depth[parent[k]] + 1
    many = nodes.shape[0]
    meet = np.full((many, many), -1, np.int64)
    for i in range(many):
        for j in range(i):
            a, b = nodes[i], nodes[j]
            while a >= 0 and b >= 0 and a != b:
                if a < b:
                    a = parent[a]
                else:
                    b = parent[b]
            if a >= 0 and b >= 0:
                meet[i, j] = depth[a]
    return parent, depth, meet


@summing
def squared_distance(a: Floats, b: Floats, count: int) -> float:
    """The sum of the squares of the differences of the first ``count`` entries."""
    total = 0.0
    for t in range(count):
        difference = a[t] - b[t]
        total += difference * difference
    return total


@summing
def add_part(into: Floats, of: Floats, part: float) -> None:
    """Add a part of one row to another."""
    for i in range(into.shape[0]):
        into[i] += part * of[i]


@compiled
def covering(parent: Ints, nodes: Ints) -> Ints:
    """The nodes that are ancestors of (or are) all of ``nodes`` but the reference, in the order of elimination."""
    cover = np.zeros(parent.shape[0], np.int64)
    count = 0
    for i in range(nodes.shape[0]):
        k = nodes[i]
        count += 1 if k >= 0 else 0
        while k >= 0:
            cover[k] += 1
            k = parent[k]
    return np.flatnonzero((cover == count) & (cover > 0))


@compiled
def all_pairs(
    network: tuple[Ints, Ints, Floats, Floats],
    tree: tuple[Ints, Ints, Ints],
    nodes: Ints,
    common: Ints,
    scratch: tuple[Floats, Floats],
    out: Floats,
) -> None:
    """Resistance between every two of ``nodes`` (-1: the reference), in ohm, into ``out`` (n, n); inf for an open.

    ``network``: ptr, idx, shares and pivots; ``tree``: its ancestry; ``common``: the ancestors of all nodes;
    ``scratch``: zeros (all nodes, n), which it leaves so, and (2 n, deepest + 2). A resistance is a sum of squares over
    the ancestors of both ends: those of one end alone are summed once for all pairs.
    """
    ptr, idx, w, d = network
    parent, depth, meet = tree
    x, y = scratch
    many = nodes.shape[0]
    shared_from = common[0] if common.shape[0] else d.shape[0]
    for i in range(many):
        k = nodes[i]
        if k < 0:
            y[many + i, 0] = 0.0
            continue
        x[k, i] = 1.0
        y[many + i, depth[k] + 1] = 0.0
        while 0 <= k < shared_from:
            mine = x[k, i]
            x[k, i] = 0.0
            for p in range(ptr[k], ptr[k + 1]):
                x[idx[p], i] += w[p] * mine
            part = 0.0 if d[k] == 0.0 else mine * math.sqrt(1.0 / d[k])
            y[i, depth[k]] = part
            y[many + i, depth[k]] = y[many + i, depth[k] + 1] + part * part
            k = parent[k]
    for k in common:
        for p in range(ptr[k], ptr[k + 1]):
            if w[p] != 0.0:
                add_part(x[idx[p]], x[k], w[p])
        scale = 0.0 if d[k] == 0.0 else math.sqrt(1.0 / d[k])
        for i in range(many):
            part = x[k, i] * scale
            x[k, i] = 0.0
            if nodes[i] >= 0:
                y[i, depth[k]] = part
                y[many + i, depth[k]] = y[many + i, depth[k] + 1] + part * part
    root = islands(ptr, idx, w, d)
    for i in range(many):
        island = -1 if nodes[i] < 0 else root[nodes[i]]
        out[i, i] = 0.0
        for j in range(i):
            total = np.inf
            if island == (-1 if nodes[j] < 0 else root[nodes[j]]):
                shared = meet[i, j] + 1
                total = y[many + i, shared] + y[many + j, shared]
                total += squared_distance(y[i], y[j], shared)
            out[i, j] = total
            out[j, i] = total


@compiled
def table(
    shape: tuple[Ints, Ints, Ints, Ints],
    conductance: Floats,
    changed: tuple[Ints, Ints, Floats],
    added: tuple[Ints, Ints, Floats],
    nodes: Ints,
    chosen: Ints,
    where: Ints,
    out: Floats,
) -> None:
    """Resistances between every two of ``nodes`` for many networks that differ a little from one.

    ``shape``: ptr, idx, upd and the slots of the edges; ``conductance`` (edges,) in siemens. Network h has other
    conductances for some edges (``changed``: ptr, edges, siemens) and further ones in some slots (``added``: ptr,
    slots, siemens). The resistances of network ``chosen[n]``, in ohm, go to ``out[where[n]]``, (nodes, nodes).
    """
    ptr, idx, upd, slots = shape
    count = ptr.shape[0] - 1
    mine = conductance.copy()
    w = np.empty(idx.shape[0])
    s = np.empty(count)
    d = np.empty(count)
    tree = ancestry(ptr, idx, nodes)
    common = covering(tree[0], nodes)
    scratch = (np.zeros((count, nodes.shape[0])), np.empty((2 * nodes.shape[0], tree[1].max() + 2)))
    for n in range(chosen.shape[0]):
        h = chosen[n]
        for c in range(changed[0][h], changed[0][h + 1]):
            mine[changed[1][c]] = changed[2][c]
        gather(slots, mine, w, s)
        for c in range(added[0][h], added[0][h + 1]):
            slot = added[1][c]
            if slot >= 0:
                w[slot] += added[2][c]
            elif slot > -(2**62):
                s[-2 - slot] += added[2][c]
        for c in range(changed[0][h], changed[0][h + 1]):
            mine[changed[1][c]] = conductance[changed[1][c]]
        factorise(ptr, idx, upd, w, s, d)
        all_pairs((ptr, idx, w, d), tree, nodes, common, scratch, out[where[n]])
