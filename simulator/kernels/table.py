"""Resistances between all of some nodes, in many networks that differ a little from one.

A network that differs in an element differs, once factorised, only at the element's nodes and at their ancestors in the
elimination tree. So the networks go block by block, those that differ near one another together: everything else is
eliminated once for a block, what may differ once for each of its networks. Nothing is ever subtracted.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.factor import factorise, gather, islands
from simulator.kernels.jit import compiled, summing

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

#: So many networks share what none of them changes; more share less. Measured: 12 to 24 are as good as one another.
BLOCK = 16
#: A slot of an element with both ends at one node: it counts nowhere.
NOWHERE = -(2**62)


@compiled
def ancestry(ptr: Ints, idx: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """The elimination tree: ``parent`` (-1: none) and ``depth`` of every node, and its place in postorder.

    The descendants of a node are those placed from ``first`` up to itself, ``place``. A current at a node is passed on
    to its ancestors only.
    """
    count = ptr.shape[0] - 1
    parent = np.full(count, -1, np.int64)
    depth, size = np.zeros(count, np.int64), np.ones(count, np.int64)
    for k in range(count):
        if ptr[k + 1] > ptr[k]:
            parent[k] = idx[ptr[k]]
            size[parent[k]] += size[k]
    first, place, free = np.empty(count, np.int64), np.empty(count, np.int64), np.empty(count, np.int64)
    whole = 0
    for k in range(count - 1, -1, -1):
        if parent[k] < 0:
            first[k] = whole
            whole += size[k]
        else:
            depth[k] = depth[parent[k]] + 1
            first[k] = free[parent[k]]
            free[parent[k]] += size[k]
        free[k] = first[k]
        place[k] = first[k] + size[k] - 1
    return parent, depth, first, place


@compiled
def places(nodes: Ints, place: Ints) -> Ints:
    """The places of nodes in postorder; -1 for the reference."""
    placed = np.empty(nodes.shape[0], np.int64)
    for i in range(nodes.shape[0]):
        placed[i] = -1 if nodes[i] < 0 else place[nodes[i]]
    return placed


@compiled
def meeting(parent: Ints, depth: Ints, nodes: Ints) -> Ints:
    """How deep every two of ``nodes`` meet, (nodes, nodes), the first later than the second; -1: never."""
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
    return meet


@compiled
def beneath(nodes: Ints, first: Ints, place: Ints) -> Ints:
    """(all nodes, 2): which of ``nodes`` (in postorder, the reference first) each node is or is an ancestor of."""
    count, placed = first.shape[0], places(nodes, place)
    below = np.empty((count, 2), np.int64)
    for k in range(count):
        below[k, 0] = np.searchsorted(placed, first[k])
        below[k, 1] = np.searchsorted(placed, place[k] + 1)
    return below


@compiled
def pass_on(
    network: tuple[Ints, Ints, Floats, Floats],
    tree: tuple[Ints, Ints],
    which: Mask,
    wanted: bool,
    x: Floats,
    y: Floats,
    tail: Floats,
) -> None:
    """Pass unit currents at some nodes on to their ancestors, those nodes only whose ``which`` is ``wanted``.

    ``network``: ptr, idx, shares and pivots; ``tree``: depth and ``beneath``. ``x`` (all nodes, some) holds the
    currents, ``y`` (some, depth) each one's share of a resistance as a root, ``tail`` the sum of its squares from
    there on down.
    """
    ptr, idx, w, d = network
    depth, below = tree
    for k in range(d.shape[0]):
        low, high = below[k, 0], below[k, 1]
        if low == high or which[k] != wanted:
            continue
        for p in range(ptr[k], ptr[k + 1]):
            share = w[p]
            if share != 0.0:
                j = idx[p]
                for i in range(low, high):
                    x[j, i] += share * x[k, i]
        scale = 0.0 if d[k] == 0.0 else math.sqrt(1.0 / d[k])
        at = depth[k]
        for i in range(low, high):
            part = x[k, i] * scale
            y[i, at] = part
            tail[i, at] = tail[i, at + 1] + part * part


@summing
def squared_distance(a: Floats, b: Floats, count: int) -> float:
    """The sum of the squares of the differences of the first ``count`` entries."""
    total = 0.0
    for t in range(count):
        difference = a[t] - b[t]
        total += difference * difference
    return total


@compiled
def between(nodes: Ints, turn: Ints, root: Ints, meet: Ints, y: Floats, tail: Floats, out: Floats) -> None:
    """Resistance between every two of ``nodes`` (-1: the reference), in ohm, into ``out``; inf for an open.

    A resistance is a sum of squares over the ancestors of both ends: those of one end alone are summed once for all
    pairs. ``turn`` says where each node's row and column are.
    """
    for i in range(nodes.shape[0]):
        island = -1 if nodes[i] < 0 else root[nodes[i]]
        out[turn[i], turn[i]] = 0.0
        for j in range(i):
            total = np.inf
            if island == (-1 if nodes[j] < 0 else root[nodes[j]]):
                shared = meet[i, j] + 1
                total = tail[i, shared] + tail[j, shared]
                total += squared_distance(y[i], y[j], shared)
            out[turn[i], turn[j]] = total
            out[turn[j], turn[i]] = total


@compiled
def rows_of(ptr: Ints) -> Ints:
    """The node in whose row each slot is."""
    row = np.empty(ptr[-1], np.int64)
    for k in range(ptr.shape[0] - 1):
        row[ptr[k] : ptr[k + 1]] = k
    return row


@compiled
def node_of(slot: int, row: Ints) -> int:
    """The lower node of a slot; -1: it counts nowhere."""
    if slot >= 0:
        return int(row[slot])
    return -1 if slot == NOWHERE else -2 - slot


@compiled
def add_to(slot: int, siemens: float, w: Floats, s: Floats) -> None:
    """Add a conductance to a slot."""
    if slot >= 0:
        w[slot] += siemens
    elif slot < -1 and slot != NOWHERE:
        s[-2 - slot] += siemens


@compiled
def touching(changed: tuple[Ints, Ints, Floats], added: tuple[Ints, Ints, Floats], slots: Ints, h: int) -> Ints:
    """The slots in which network ``h`` differs."""
    mine = changed[1][changed[0][h] : changed[0][h + 1]]
    more = added[1][added[0][h] : added[0][h + 1]]
    return np.concatenate((slots[mine], more))


@compiled
def neighbourly(
    chosen: Ints, changed: tuple[Ints, Ints, Floats], added: tuple[Ints, Ints, Floats], slots: Ints, row: Ints,
    place: Ints,
) -> Ints:  # fmt: skip
    """The turns of the chosen networks, those that differ near one another side by side."""
    key = np.empty(chosen.shape[0], np.int64)
    for n in range(chosen.shape[0]):
        least = -1
        for slot in touching(changed, added, slots, chosen[n]):
            k = node_of(slot, row)
            if k >= 0 and (least < 0 or place[k] < least):
                least = place[k]
        key[n] = least
    return np.argsort(key, kind="mergesort")


@compiled
def mark(
    block: Ints, changed: tuple[Ints, Ints, Floats], added: tuple[Ints, Ints, Floats], slots: Ints, row: Ints,
    parent: Ints, differs: Mask, mine: Floats,
) -> Ints:  # fmt: skip
    """Mark in ``differs`` the nodes at which networks of a block may differ; the elements that any of them changes.

    Those elements are taken out of ``mine``: each network puts in its own.
    """
    differs[:] = False
    count = 0
    for h in block:
        count += changed[0][h + 1] - changed[0][h]
        for slot in touching(changed, added, slots, h):
            k = node_of(slot, row)
            while k >= 0 and not differs[k]:
                differs[k] = True
                k = parent[k]
    elements, known = np.empty(count, np.int64), 0
    for h in block:
        for c in range(changed[0][h], changed[0][h + 1]):
            if mine[changed[1][c]] >= 0.0:
                elements[known] = changed[1][c]
                mine[changed[1][c]] = -1.0  # known already
                known += 1
    for e in elements[:known]:
        mine[e] = 0.0
    return elements[:known]


@compiled
def put(
    h: int, elements: Ints, drawn: Floats, changed: tuple[Ints, Ints, Floats], added: tuple[Ints, Ints, Floats],
    slots: Ints, mine: Floats, w: Floats, s: Floats,
) -> None:  # fmt: skip
    """Add what network ``h`` has for the elements that were taken out, and what it adds."""
    for e in elements:
        mine[e] = drawn[e]
    for c in range(changed[0][h], changed[0][h + 1]):
        mine[changed[1][c]] = changed[2][c]
    for e in elements:
        add_to(slots[e], mine[e], w, s)
    for c in range(added[0][h], added[0][h + 1]):
        add_to(added[1][c], added[2][c], w, s)


@compiled
def put_back(
    moving: Ints, ptr: Ints, below: Ints, kept: tuple[Floats, Floats, Floats], w: Floats, s: Floats, x: Floats
) -> None:  # fmt: skip
    """The rows of the nodes that differ as they were before the first of them was eliminated."""
    for m in range(moving.shape[0]):
        k = moving[m]
        s[k] = kept[1][k]
        for p in range(ptr[k], ptr[k + 1]):
            w[p] = kept[0][p]
        for i in range(below[k, 0], below[k, 1]):
            x[k, i] = kept[2][m, i]


@compiled
def table(
    shape: tuple[Ints, Ints, Ints, Ints],
    drawn: Floats,
    changed: tuple[Ints, Ints, Floats],
    added: tuple[Ints, Ints, Floats],
    given: Ints,
    chosen: Ints,
    where: Ints,
    out: Floats,
) -> None:
    """Resistances between every two of the nodes ``given`` for many networks that differ a little from one.

    ``shape``: ptr, idx, upd and the slots of the edges; ``drawn`` (edges,) in siemens. Network h has other
    conductances for some edges (``changed``: ptr, edges, siemens) and further ones in some slots (``added``: ptr,
    slots, siemens). The resistances of network ``chosen[n]``, in ohm, go to ``out[where[n]]``, (nodes, nodes).
    """
    ptr, idx, upd, slots = shape
    count, many = ptr.shape[0] - 1, given.shape[0]
    parent, depth, first, place = ancestry(ptr, idx)
    turn = np.argsort(places(given, place), kind="mergesort")
    nodes, row = given[turn], rows_of(ptr)
    meet, below = meeting(parent, depth, nodes), beneath(nodes, first, place)
    w, s, d = np.empty(idx.shape[0]), np.empty(count), np.empty(count)
    y, tail = np.empty((many, depth.max() + 2)), np.zeros((many, depth.max() + 2))
    x, differs, mine = np.empty((count, many)), np.zeros(count, np.bool_), drawn.copy()
    network, tree = (ptr, idx, w, d), (depth, below)
    order = neighbourly(chosen, changed, added, slots, row, place)
    for begin in range(0, order.shape[0], BLOCK):
        block = order[begin : begin + BLOCK]
        elements = mark(chosen[block], changed, added, slots, row, parent, differs, mine)
        gather(slots, mine, w, s)
        factorise(ptr, idx, upd, w, s, d, differs, False)
        x[:] = 0.0
        for i in range(many):
            if nodes[i] >= 0:
                x[nodes[i], i] = 1.0
        pass_on(network, tree, differs, False, x, y, tail)
        moving = np.flatnonzero(differs)
        kept = (w.copy(), s.copy(), x[moving])
        for n in block:
            put_back(moving, ptr, below, kept, w, s, x)
            put(chosen[n], elements, drawn, changed, added, slots, mine, w, s)
            factorise(ptr, idx, upd, w, s, d, differs, True)
            pass_on(network, tree, differs, True, x, y, tail)
            between(nodes, turn, islands(ptr, idx, w, d), meet, y, tail, out[where[n]])
        mine[elements] = drawn[elements]
