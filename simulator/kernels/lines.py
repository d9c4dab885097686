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

#: Rounds in which drivers that hang on one another are solved in turn, and the ampere to which they must agree.
MOST_ROUNDS = 500
AGREED_AMP = 1e-9


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

    d: Ints  # (drivers,) differential node of its pins
    c: Ints  # (drivers,) common node
    group: Ints  # (groups + 1,) first driver of each group
    ground_volt: Floats
    drive_high: Floats  # what the high leg drives towards, above ground
    drive_low: Floats  # what the low leg drives towards, ground above pin
    on_ohm: Floats
    limit_amp: Floats
    port: Floats  # (4 * drivers,) ohm: high by high, high by low, low by high, low by low
    column: Ints  # (drivers + 1,) first entry of each driver's column
    column_node: Ints  # nodes that it moves
    column_high: Floats  # ohm, for the current of the high leg
    column_low: Floats  # ohm, for that of the low leg
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
    if n == last or t_ns <= when[n]:
        return share[n]
    return share[n] + (share[n + 1] - share[n]) / (when[n + 1] - when[n]) * (t_ns - when[n])


@compiled
def drive(drivers: Drivers, volts: Floats, at_corner: Ints, shares: Floats, amps: Floats, t_ns: float) -> None:
    """Add to the node voltages what the drivers do at ``t_ns``.

    In a group each driver is solved exactly beside what the others do, in turn, until none moves: block coordinate
    descent of a convex problem, since legs only resist.
    """
    port, column = drivers.port, drivers.column
    for group in range(drivers.group.shape[0] - 1):
        one, end = drivers.group[group], drivers.group[group + 1]
        on = 0
        for j in range(one, end):
            last = drivers.corner[j + 1] - 1
            shares[j] = share_at(drivers.when, drivers.share, at_corner, j, last, t_ns)
            amps[2 * j], amps[2 * j + 1] = 0.0, 0.0
            on += shares[j] > 0.0
        for _ in range(MOST_ROUNDS if on > 1 else on):
            moved = 0.0
            for j in range(one, end):
                if shares[j] == 0.0:
                    continue
                a, b, c, d = port[4 * j], port[4 * j + 1], port[4 * j + 2], port[4 * j + 3]
                was_high, was_low = amps[2 * j], amps[2 * j + 1]
                middle = volts[drivers.c[j]] - drivers.ground_volt[j]
                half = 0.5 * volts[drivers.d[j]]
                # What the circuit's own columns hold of this driver is taken out; its ground's rise is in ``port``.
                own_high = drivers.column_high[column[j]] * was_high + drivers.column_low[column[j]] * was_low
                own_low = drivers.column_high[column[j] + 1] * was_high + drivers.column_low[column[j] + 1] * was_low
                want_high = drivers.drive_high[j] - (middle + half - own_high)
                want_low = drivers.drive_low[j] + (middle - half - own_low)
                high, low = two_legs(
                    a, b, c, d, want_high, want_low, drivers.on_ohm[j], drivers.limit_amp[j], shares[j]
                )
                amps[2 * j], amps[2 * j + 1] = high, low
                high, low = high - was_high, low - was_low
                moved = max(moved, abs(high), abs(low))
                for n in range(column[j] + 2, column[j + 1]):
                    volts[drivers.column_node[n]] += drivers.column_high[n] * high + drivers.column_low[n] * low
            if moved < AGREED_AMP:
                break


@compiled
def _spread(lines: Lines, waves: Floats, store: Floats, amp: Floats, arrived: Floats, volts: Floats, past: int) -> None:
    """Node voltages that arriving waves and capacitances give, without drivers; ``amp`` may hold currents already."""
    node, g, base, taps = lines.node, lines.g, lines.base, lines.taps
    for e in range(node.shape[0]):
        p, t = base[e] + past, 4 * e
        wave = taps[t] * waves[p] + taps[t + 1] * waves[p + 1] + taps[t + 2] * waves[p + 2] + taps[t + 3] * waves[p + 3]
        arrived[e] = wave
        amp[node[e]] += g[e] * wave
    store_node, store_g = lines.store_node, lines.store_g
    for e in range(store_node.shape[0]):
        amp[store_node[e]] += store_g[e] * store[e]
    volts[:] = lines.rest
    z_to, z_from, z = lines.z_to, lines.z_from, lines.z
    for n in range(z.shape[0]):
        volts[z_to[n]] += z[n] * amp[z_from[n]]


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
    node, k, store_node = lines.node, lines.k, lines.store_node
    lump_node, lump_y, lump_q = lines.lump_node, lines.lump_y, lines.lump_q
    waves, volts, store, lump_amp = state.waves, state.volts, state.store_wave, state.lump_amp
    ends = node.shape[0]
    room = waves.shape[0] // max(ends, 1)
    arrived, amp, carried = np.zeros(ends), np.zeros(volts.shape[0]), np.zeros(lump_y.shape[0])
    shares, amps = np.zeros(drivers.d.shape[0]), np.zeros(2 * drivers.d.shape[0])
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
        _spread(lines, waves, store, amp, arrived, volts, past)
        drive(drivers, volts, state.at_corner, shares, amps, t_ns + (n + 1) * step_ns)
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
