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

from simulator.kernels.jit import compiled_when_busy

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]


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
def factorise(
    ptr: Ints, idx: Ints, upd: Ints, w: Floats, s: Floats, d: Floats, which: Mask, wanted: bool
) -> None:  # fmt: skip
    """Eliminate the nodes whose ``which`` is ``wanted``; the ancestors of one that is left out are left out as well.

    ``w`` becomes the shares (the unit lower factor), ``d`` the pivots; ``s`` is used up.
    """
    u = 0
    for k in range(d.shape[0]):
        first, last = ptr[k], ptr[k + 1]
        if which[k] != wanted:
            u += (last - first) * (last - first - 1) // 2
            continue
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
