"""Waves on a network of two-conductor lines, step by step: the method of characteristics in two modes.

Every line end, every capacitance and every driver hangs on a pair of nodes (high, low). In modes the pair has the
differential voltage ``high - low`` and the common one ``(high + low) / 2``; the currents that go with them are half
the difference and the sum. Seen from its nodes a line end is a conductance and the wave that arrives from the other
end; a capacitance (trapezoidal rule) is the same with its own wave of one step before.

Nodes that resistors join form a cluster; its resistance matrix is inverted beforehand, so that a step is one small
product per cluster. Only drivers are nonlinear: two piecewise-linear legs each.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.drive import leg_currents
from simulator.kernels.jit import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Lines(NamedTuple):
    """The linear network: nodes numbered cluster by cluster; ohm, siemens, volt, steps."""

    first: Ints  # (clusters + 1,) first node of each cluster
    z_at: Ints  # (clusters,) where its matrix begins in z
    z: Floats  # resistance matrices, row by row
    rest: Floats  # (nodes,) what the sources at rest give
    high: Ints  # (ends,)
    low: Ints  # (ends,)
    g: Floats  # (ends, 2) conductance seen from the nodes: differential, common
    k: Floats  # (ends, 2) share of the arriving wave that goes back by the loss at the end
    source: Ints  # (ends,) the end whose wave arrives
    lag: Ints  # (ends, 2) whole steps of delay
    taps: Floats  # (ends, 2, 4) weights of the waves sent lag - 1, lag, lag + 1 and lag + 2 steps ago
    lump_node: Ints  # (lumps, 4) high and low of either end
    lump_y: Floats  # (lumps, 2) conductance of a short run
    lump_q: Floats  # (lumps, 2) what its last current counts for, in ohm


class Drivers(NamedTuple):
    """Transmitters, those of one cluster beside each other; ``when``/``share`` are the corners of their ramps."""

    high: Ints  # (drivers,) nodes
    low: Ints  # (drivers,)
    cluster: Ints  # (drivers,)
    group: Ints  # (groups + 1,) first driver of each cluster that has any
    ground_volt: Floats
    high_volt: Floats  # drive voltage of the high leg above ground
    low_volt: Floats  # drop of the low leg
    on_ohm: Floats
    limit_amp: Floats
    ground_ohm: Floats  # rise of the ground pin for each ampere of the low leg
    mutual_ohm: Floats  # fall of the ground pin for each ampere of the high leg
    corner: Ints  # (drivers + 1,) first corner of each
    when: Floats  # ns
    share: Floats  # 0 to 1


class State(NamedTuple):
    """What a run carries from step to step."""

    waves: Floats  # (ends, 2, reach + chunk)
    volts: Floats  # (nodes,)
    lump_amp: Floats  # (lumps, 2)
    at_corner: Ints  # (drivers,)


@compiled
def _leg(port: float, drive: float, on_ohm: float, limit: float, share: float) -> float:
    """Current of one leg at a port voltage."""
    wanted = (drive - port) / on_ohm
    return share * min(max(wanted, 0.0), limit)


@compiled
def two_legs(
    a: float, b: float, c: float, d: float, open_high: float, open_low: float,
    drive_high: float, drive_low: float, on_ohm: float, limit: float, share: float,
) -> tuple[float, float]:  # fmt: skip
    """Currents of one driver's legs, in ampere, at ports of ``open + [[a, -b], [-c, d]] @ current``.

    Each leg carries ``share * clip((drive - port) / on_ohm, 0, limit)``; of the nine pairs of regimes the one that
    agrees with itself is taken.
    """
    ohm, most = on_ohm / share, limit * share
    want_high, want_low = drive_high - open_high, drive_low - open_low
    aa, dd = a + ohm, d + ohm
    det = aa * dd - b * c
    high = (dd * want_high + b * want_low) / det
    low = (aa * want_low + c * want_high) / det
    if 0.0 <= high <= most and 0.0 <= low <= most:
        return high, low
    best_high, best_low, best_error = 0.0, 0.0, np.inf
    for regime_high in range(3):
        for regime_low in range(3):
            if regime_high == 1 and regime_low == 1:
                continue
            high = most if regime_high == 2 else 0.0
            low = most if regime_low == 2 else 0.0
            if regime_high == 1:
                high = (want_high + b * low) / aa
            if regime_low == 1:
                low = (want_low + c * high) / dd
            error = abs(_leg(open_high + a * high - b * low, drive_high, on_ohm, limit, share) - high)
            error += abs(_leg(open_low - c * high + d * low, drive_low, on_ohm, limit, share) - low)
            if error < best_error:
                best_high, best_low, best_error = high, low, error
    return best_high, best_low


@compiled
def _share_at(drivers: Drivers, at_corner: Ints, j: int, t_ns: float) -> float:
    """How far a driver is on, 0 to 1; time only goes forward."""
    last = drivers.corner[j + 1] - 1
    n = at_corner[j]
    while n < last and drivers.when[n + 1] <= t_ns:
        n += 1
    at_corner[j] = n
    if n == last or t_ns <= drivers.when[n]:
        return drivers.share[n]
    rise = (drivers.share[n + 1] - drivers.share[n]) / (drivers.when[n + 1] - drivers.when[n])
    return drivers.share[n] + rise * (t_ns - drivers.when[n])


@compiled
def _drive_one(lines: Lines, drivers: Drivers, j: int, share: float, volts: Floats) -> None:
    """Add what one driver alone in its cluster does."""
    c = drivers.cluster[j]
    first, size, at = lines.first[c], lines.first[c + 1] - lines.first[c], lines.z_at[c]
    h, w = drivers.high[j] - first, drivers.low[j] - first
    z = lines.z
    high, low = two_legs(
        z[at + h * size + h] + drivers.mutual_ohm[j],
        z[at + h * size + w] + drivers.ground_ohm[j],
        z[at + w * size + h] + drivers.mutual_ohm[j],
        z[at + w * size + w] + drivers.ground_ohm[j],
        volts[first + h] - drivers.ground_volt[j],
        drivers.ground_volt[j] - volts[first + w],
        drivers.high_volt[j], -drivers.low_volt[j], drivers.on_ohm[j], drivers.limit_amp[j], share,
    )  # fmt: skip
    for i in range(size):
        volts[first + i] += z[at + i * size + h] * high - z[at + i * size + w] * low


@compiled
def _drive_many(lines: Lines, drivers: Drivers, one: int, end: int, shares: Floats, volts: Floats) -> None:
    """Add what several drivers of one cluster do together."""
    c = drivers.cluster[one]
    first, size, at = lines.first[c], lines.first[c + 1] - lines.first[c], lines.z_at[c]
    active = np.empty(end - one, np.int64)
    count = 0
    for j in range(one, end):
        if shares[j] > 0.0:
            active[count] = j
            count += 1
    node = np.empty(2 * count, np.int64)
    sign = np.empty(2 * count)
    drive, opened, ohm, limit = np.empty(2 * count), np.empty(2 * count), np.empty(2 * count), np.empty(2 * count)
    for n in range(count):
        j = active[n]
        node[2 * n], node[2 * n + 1] = drivers.high[j] - first, drivers.low[j] - first
        sign[2 * n], sign[2 * n + 1] = 1.0, -1.0
        drive[2 * n], drive[2 * n + 1] = drivers.high_volt[j], -drivers.low_volt[j]
        opened[2 * n] = volts[drivers.high[j]] - drivers.ground_volt[j]
        opened[2 * n + 1] = drivers.ground_volt[j] - volts[drivers.low[j]]
        for m in range(2):
            ohm[2 * n + m] = drivers.on_ohm[j] / shares[j]
            limit[2 * n + m] = drivers.limit_amp[j] * shares[j]
    coupling = np.empty((2 * count, 2 * count))
    for p in range(2 * count):
        for q in range(2 * count):
            coupling[p, q] = sign[p] * sign[q] * lines.z[at + node[p] * size + node[q]]
    for n in range(count):
        j = active[n]
        coupling[2 * n, 2 * n] += drivers.mutual_ohm[j]
        coupling[2 * n + 1, 2 * n] -= drivers.mutual_ohm[j]
        coupling[2 * n, 2 * n + 1] -= drivers.ground_ohm[j]
        coupling[2 * n + 1, 2 * n + 1] += drivers.ground_ohm[j]
    current, _ = leg_currents(coupling, opened, drive, ohm, limit)
    for i in range(size):
        for p in range(2 * count):
            volts[first + i] += sign[p] * lines.z[at + i * size + node[p]] * current[p]


@compiled
def _drive(lines: Lines, drivers: Drivers, state: State, shares: Floats, t_ns: float) -> None:
    for group in range(drivers.group.shape[0] - 1):
        one, end = drivers.group[group], drivers.group[group + 1]
        on = 0
        which = one
        for j in range(one, end):
            shares[j] = _share_at(drivers, state.at_corner, j, t_ns)
            if shares[j] > 0.0:
                on += 1
                which = j
        if on == 1:
            _drive_one(lines, drivers, which, shares[which], state.volts)
        elif on > 1:
            _drive_many(lines, drivers, one, end, shares, state.volts)


@compiled
def _arrive(lines: Lines, waves: Floats, past: int, arrived: Floats, amp: Floats) -> None:
    """Waves that arrive in the step after ``past`` steps of the buffer, and the currents they bring to the nodes."""
    lag, taps, g = lines.lag, lines.taps, lines.g
    amp[:] = 0.0
    for e in range(lines.high.shape[0]):
        s = lines.source[e]
        p = past - lag[e, 0] - 2
        d = (
            taps[e, 0, 3] * waves[s, 0, p] + taps[e, 0, 2] * waves[s, 0, p + 1]
            + taps[e, 0, 1] * waves[s, 0, p + 2] + taps[e, 0, 0] * waves[s, 0, p + 3]
        )  # fmt: skip
        p = past - lag[e, 1] - 2
        c = (
            taps[e, 1, 3] * waves[s, 1, p] + taps[e, 1, 2] * waves[s, 1, p + 1]
            + taps[e, 1, 1] * waves[s, 1, p + 2] + taps[e, 1, 0] * waves[s, 1, p + 3]
        )  # fmt: skip
        arrived[e, 0], arrived[e, 1] = d, c
        d *= g[e, 0]
        c *= 0.5 * g[e, 1]
        amp[lines.high[e]] += c + d
        amp[lines.low[e]] += c - d


@compiled
def _lumps(lines: Lines, state: State, carried: Floats, amp: Floats) -> None:
    """Currents that short runs bring with them from the step before: into their first end, out of their second."""
    node, volts = lines.lump_node, state.volts
    for m in range(node.shape[0]):
        high = volts[node[m, 0]] - volts[node[m, 2]]
        low = volts[node[m, 1]] - volts[node[m, 3]]
        d = lines.lump_y[m, 0] * (high - low + lines.lump_q[m, 0] * state.lump_amp[m, 0])
        c = lines.lump_y[m, 1] * (0.5 * (high + low) + lines.lump_q[m, 1] * state.lump_amp[m, 1])
        carried[m, 0], carried[m, 1] = d, c
        amp[node[m, 0]] -= 0.5 * c + d
        amp[node[m, 1]] -= 0.5 * c - d
        amp[node[m, 2]] += 0.5 * c + d
        amp[node[m, 3]] += 0.5 * c - d


@compiled
def _spread(lines: Lines, amp: Floats, volts: Floats) -> None:
    """Node voltages without drivers."""
    z = lines.z
    for c in range(lines.first.shape[0] - 1):
        first, end, at = lines.first[c], lines.first[c + 1], lines.z_at[c]
        for i in range(first, end):
            total = lines.rest[i]
            for j in range(first, end):
                total += z[at] * amp[j]
                at += 1
            volts[i] = total


@compiled
def _send(lines: Lines, state: State, past: int, arrived: Floats, carried: Floats) -> None:
    """Waves that leave in this step, and the currents of short runs."""
    volts, waves, k = state.volts, state.waves, lines.k
    for e in range(lines.high.shape[0]):
        high, low = volts[lines.high[e]], volts[lines.low[e]]
        d, c = high - low, 0.5 * (high + low)
        waves[e, 0, past] = d + k[e, 0] * (d - arrived[e, 0])
        waves[e, 1, past] = c + k[e, 1] * (c - arrived[e, 1])
    node = lines.lump_node
    for m in range(node.shape[0]):
        high = volts[node[m, 0]] - volts[node[m, 2]]
        low = volts[node[m, 1]] - volts[node[m, 3]]
        state.lump_amp[m, 0] = lines.lump_y[m, 0] * (high - low) + carried[m, 0]
        state.lump_amp[m, 1] = lines.lump_y[m, 1] * 0.5 * (high + low) + carried[m, 1]


@compiled
def advance(
    lines: Lines, drivers: Drivers, state: State, reach: int, t_ns: float, step_ns: float, probes: Ints, out: Floats
) -> None:
    """Run ``out.shape[0]`` steps from the state at ``t_ns``; ``out`` (steps, probes) takes the probes' voltages.

    ``state.waves`` holds the last ``reach`` steps first; the rest of it is room for a chunk of steps.
    """
    waves = state.waves
    chunk = waves.shape[2] - reach
    ends, nodes = lines.high.shape[0], lines.rest.shape[0]
    arrived, amp = np.zeros((ends, 2)), np.zeros(nodes)
    carried = np.zeros((lines.lump_node.shape[0], 2))
    shares = np.zeros(drivers.high.shape[0])
    past = reach
    for n in range(out.shape[0]):
        if past == reach + chunk:
            for e in range(ends):
                for mode in range(2):
                    for i in range(reach):
                        waves[e, mode, i] = waves[e, mode, chunk + i]
            past = reach
        _arrive(lines, waves, past, arrived, amp)
        _lumps(lines, state, carried, amp)
        _spread(lines, amp, state.volts)
        _drive(lines, drivers, state, shares, t_ns + (n + 1) * step_ns)
        _send(lines, state, past, arrived, carried)
        past += 1
        for p in range(probes.shape[0]):
            out[n, p] = state.volts[probes[p]]
    # Leave the last steps where the next call looks for them.
    for e in range(ends):
        for mode in range(2):
            for i in range(reach):
                waves[e, mode, i] = waves[e, mode, past - reach + i]
