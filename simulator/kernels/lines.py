"""Waves on a network of lines, step by step: the method of characteristics.

The two modes of a pair - differential and common - are nodes of their own, so that everything linear is scalar: a
line end is a conductance and the wave that arrives from the other end, a capacitance (trapezoidal rule) the same with
its own wave of one step before. What resistors join is inverted beforehand; of that inverse only the entries that are
not zero are kept, as a list. Drivers alone are nonlinear, and see both modes: two piecewise-linear legs each.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.jit import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

#: Rounds in which drivers that hang on one another are solved in turn, and the ampere to which they must agree.
MOST_ROUNDS = 500
AGREED_AMP = 1e-9
#: Numbers of a driver in ``Drivers.legs``.
LEG = 9


class Lines(NamedTuple):
    """The linear network: ohm, siemens, volt, steps."""

    rest: Floats  # (nodes,) what the sources at rest give
    z_to: Ints  # (entries,) node that moves
    z_from: Ints  # (entries,) node that a current enters
    z: Floats  # (entries,) ohm
    node: Ints  # (ends,) node of each line end
    g: Floats  # (ends,) conductance seen from the node
    k: Floats  # (ends,) share of the arriving wave that goes back by the loss at the end
    base: Ints  # (ends,) where the four samples of the arriving wave begin, before step 0 of the buffer
    taps: Floats  # (4 * ends,) their weights, oldest first
    store_node: Ints  # (stores,) node of each capacitance
    store_g: Floats  # (stores,)
    lump_node: Ints  # (2 * lumps,) both ends of each short run
    lump_y: Floats  # (lumps,) its conductance
    lump_q: Floats  # (lumps,) what its last current counts for, in ohm


class Drivers(NamedTuple):
    """Transmitters, those that hang on one another side by side; ``when``/``share`` are the corners of their ramps."""

    pins: Ints  # (2 * drivers,) differential and common node of its pins
    group: Ints  # (groups + 1,) first driver of each group
    #: (LEG * drivers,) voltage of its ground; what the high leg drives towards, pin above ground; the low leg, ground
    #: above pin; ohm and limit of a leg; ohm high by high, high by low, low by high, low by low
    legs: Floats
    column: Ints  # (drivers + 1,) first entry of each driver's column
    column_node: Ints  # nodes that it moves; the first two entries stand for its own high and low pin
    column_ohm: Floats  # (2 * entries,) for the current of the high leg, of the low leg
    corner: Ints  # (drivers + 1,) first corner of each
    when: Floats  # ns
    share: Floats  # 0 to 1


class State(NamedTuple):
    """What a run carries from step to step."""

    waves: Floats  # (ends * room,) waves sent, the last ones of each end first
    volts: Floats  # (nodes,)
    store_wave: Floats  # (stores,)
    lump_amp: Floats  # (lumps,)
    at_corner: Ints  # (drivers,)


@compiled
def _leg(port: float, drive: float, on_ohm: float, limit: float, share: float) -> float:
    """Current of one leg at a port voltage."""
    return share * min(max((drive - port) / on_ohm, 0.0), limit)


@compiled
def two_legs(
    a: float, b: float, c: float, d: float, want_high: float, want_low: float,
    on_ohm: float, limit: float, share: float,
) -> tuple[float, float]:  # fmt: skip
    """Currents of one driver's legs, in ampere.

    Each carries ``share * clip((want - port) / on_ohm, 0, limit)`` where ``port = [[a, -b], [-c, d]] @ current``;
    of the nine pairs of regimes the one that agrees with itself is taken.
    """
    ohm, most = on_ohm / share, limit * share
    aa, dd = a + ohm, d + ohm
    det = aa * dd - b * c
    high = (dd * want_high + b * want_low) / det
    low = (aa * want_low + c * want_high) / det
    if 0.0 <= high <= most and 0.0 <= low <= most:
        return high, low
    best_high, best_low, best_error = 0.0, 0.0, np.inf
    for regime in range(9):
        regime_high, regime_low = regime // 3, regime % 3
        high = most if regime_high == 2 else 0.0
        low = most if regime_low == 2 else 0.0
        if regime == 4:
            continue
        if regime_high == 1:
            high = (want_high + b * low) / aa
        if regime_low == 1:
            low = (want_low + c * high) / dd
        error = abs(_leg(a * high - b * low, want_high, on_ohm, limit, share) - high)
        error += abs(_leg(d * low - c * high, want_low, on_ohm, limit, share) - low)
        if error < best_error:
            best_high, best_low, best_error = high, low, error
    return best_high, best_low


@compiled
def share_at(when: Floats, share: Floats, at_corner: Ints, j: int, last: int, t_ns: float) -> float:
    """How far driver ``j`` is on, 0 to 1; time only goes forward."""
    n = at_corner[j]
    while n < last and when[n + 1] <= t_ns:
        n += 1
    at_corner[j] = n
    before = float(share[n])
    if n == last or t_ns <= when[n]:
        return before
    return before + float((share[n + 1] - before) / (when[n + 1] - when[n])) * (t_ns - float(when[n]))


@compiled
def set_shares(corner: Ints, when: Floats, share: Floats, at_corner: Ints, shares: Floats, t_ns: float) -> int:
    """How far every driver is on at ``t_ns``; returns how many are."""
    on = 0
    for j in range(shares.shape[0]):
        shares[j] = share_at(when, share, at_corner, j, corner[j + 1] - 1, t_ns)
        if shares[j] > 0.0:
            on += 1
    return on


@compiled
def drive_group(
    one: int, end: int, pins: Ints, legs: Floats, column: Ints, column_node: Ints, column_ohm: Floats,
    shares: Floats, amps: Floats, volts: Floats,
) -> None:  # fmt: skip
    """Add to the node voltages what the drivers ``one`` up to ``end`` do, which hang on one another.

    Each is solved exactly beside what the others do, in turn, until none moves: block coordinate descent of a convex
    problem, since legs only resist.
    """
    on = 0
    for j in range(one, end):
        amps[2 * j], amps[2 * j + 1] = 0.0, 0.0
        if shares[j] > 0.0:
            on += 1
    for _ in range(MOST_ROUNDS if on > 1 else on):
        moved = 0.0
        for j in range(one, end):
            if shares[j] == 0.0:
                continue
            leg, first = LEG * j, column[j]
            was_high, was_low = amps[2 * j], amps[2 * j + 1]
            middle, half = volts[pins[2 * j + 1]] - legs[leg], 0.5 * volts[pins[2 * j]]
            # What the circuit's own columns hold of this driver is taken out; its ground's rise is in the ports.
            own_high = column_ohm[2 * first] * was_high + column_ohm[2 * first + 1] * was_low
            own_low = column_ohm[2 * first + 2] * was_high + column_ohm[2 * first + 3] * was_low
            high, low = two_legs(
                legs[leg + 5], legs[leg + 6], legs[leg + 7], legs[leg + 8],
                legs[leg + 1] - (middle + half - own_high), legs[leg + 2] + (middle - half - own_low),
                legs[leg + 3], legs[leg + 4], shares[j],
            )  # fmt: skip
            amps[2 * j], amps[2 * j + 1] = high, low
            high, low = high - was_high, low - was_low
            moved = max(moved, abs(high), abs(low))
            for n in range(first + 2, column[j + 1]):
                volts[column_node[n]] += column_ohm[2 * n] * high + column_ohm[2 * n + 1] * low
        if moved < AGREED_AMP:
            break


@compiled
def _turn(waves: Floats, ends: int, reach: int, past: int) -> None:
    """Bring the last ``reach`` steps before ``past`` to the front of the buffer."""
    room = waves.shape[0] // max(ends, 1)
    for e in range(ends):
        for i in range(reach):
            waves[e * room + i] = waves[e * room + past - reach + i]


@compiled
def advance(
    lines: Lines, drivers: Drivers, state: State, reach: int, t_ns: float, step_ns: float, probes: Ints, out: Floats
) -> None:
    """Run ``out.shape[0]`` steps from the state at ``t_ns``; ``out`` (steps, probes) takes the probes' voltages.

    ``state.waves`` holds the last ``reach`` steps first; the rest of it is room for a chunk of steps.
    """
    # Taken out of the tuples once: each look into them costs as much as the arithmetic.
    rest, z_to, z_from, z, node, g, k, base, taps, store_node, store_g, lump_node, lump_y, lump_q = lines
    pins, group, legs, column, column_node, column_ohm, corner, when, share = drivers
    waves, volts, store, lump_amp, at_corner = state
    ends = node.shape[0]
    room = waves.shape[0] // max(ends, 1)
    arrived, amp, carried = np.zeros(ends), np.zeros(volts.shape[0]), np.zeros(lump_y.shape[0])
    shares, amps = np.zeros(corner.shape[0] - 1), np.zeros(2 * corner.shape[0])
    past = reach
    for n in range(out.shape[0]):
        if past == room:
            _turn(waves, ends, reach, past)
            past = reach
        amp[:] = 0.0
        for m in range(lump_y.shape[0]):
            a, b = lump_node[2 * m], lump_node[2 * m + 1]
            carried[m] = lump_y[m] * (volts[a] - volts[b] + lump_q[m] * lump_amp[m])
            amp[a] -= carried[m]
            amp[b] += carried[m]
        for e in range(ends):
            p, t = base[e] + past, 4 * e
            wave = taps[t] * waves[p] + taps[t + 1] * waves[p + 1]
            wave += taps[t + 2] * waves[p + 2] + taps[t + 3] * waves[p + 3]
            arrived[e] = wave
            amp[node[e]] += g[e] * wave
        for e in range(store_node.shape[0]):
            amp[store_node[e]] += store_g[e] * store[e]
        volts[:] = rest
        for m in range(z.shape[0]):
            volts[z_to[m]] += z[m] * amp[z_from[m]]
        if set_shares(corner, when, share, at_corner, shares, t_ns + (n + 1) * step_ns):
            for one in range(group.shape[0] - 1):
                drive_group(
                    group[one], group[one + 1], pins, legs, column, column_node, column_ohm, shares, amps, volts
                )
        for e in range(ends):
            volt = volts[node[e]]
            waves[e * room + past] = volt + k[e] * (volt - arrived[e])
        for e in range(store_node.shape[0]):
            store[e] = 2.0 * volts[store_node[e]] - store[e]
        for m in range(lump_y.shape[0]):
            lump_amp[m] = lump_y[m] * (volts[lump_node[2 * m]] - volts[lump_node[2 * m + 1]]) + carried[m]
        past += 1
        for p in range(probes.shape[0]):
            out[n, p] = volts[probes[p]]
    _turn(waves, ends, reach, past)


@compiled
def keep_last(
    difference: Floats, mean: Floats, least: Floats, most: Floats, limits: tuple[float, float], before: Mask, out: Mask
) -> None:
    """What receivers take differences and means for, (times, receivers), into ``out``: True for dominant.

    ``limits``: dominant from, recessive up to, in volt; in between a receiver keeps its last value, at first
    ``before``; with the mean outside ``least`` to ``most`` it reads recessive.
    """
    for r in range(out.shape[1]):
        last = before[r]
        for n in range(out.shape[0]):
            if mean[n, r] < least[r] or mean[n, r] > most[r] or difference[n, r] <= limits[1]:
                last = False
            elif difference[n, r] >= limits[0]:
                last = True
            out[n, r] = last
