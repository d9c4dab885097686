"""Which current each driver leg carries: piecewise-linear legs on a linear network."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.jit import compiled_when_busy

Floats = NDArray[np.float64]

#: Rounds in which every inconsistent leg changes its regime at once; after them one leg at a time.
ALL_AT_ONCE = 12


@compiled_when_busy
def _solve_small(matrix: Floats, x: Floats) -> None:
    """Gaussian elimination with row exchanges, in place; both arguments are used up, ``x`` holds the answer."""
    n = x.shape[0]
    for k in range(n):
        best = k
        for i in range(k + 1, n):
            if abs(matrix[i, k]) > abs(matrix[best, k]):
                best = i
        if best != k:
            for j in range(n):
                matrix[k, j], matrix[best, j] = matrix[best, j], matrix[k, j]
            x[k], x[best] = x[best], x[k]
        for i in range(k + 1, n):
            factor = matrix[i, k] / matrix[k, k]
            for j in range(k, n):
                matrix[i, j] -= factor * matrix[k, j]
            x[i] -= factor * x[k]
    for k in range(n - 1, -1, -1):
        for j in range(k + 1, n):
            x[k] -= matrix[k, j] * x[j]
        x[k] /= matrix[k, k]


@compiled_when_busy
def leg_currents(
    coupling: Floats, open_volt: Floats, drive_volt: Floats, on_ohm: Floats, limit_amp: Floats
) -> tuple[Floats, int]:
    """Currents of the legs and the number of rounds taken (-1: no consistent set was found).

    Leg j carries ``clip((drive_volt[j] - u[j]) / on_ohm[j], 0, limit_amp[j])`` at the port voltage
    ``u = open_volt + coupling @ current``. Shapes (legs, legs) and (legs,); volt, ohm, ampere.
    """
    n = open_volt.shape[0]
    regime = np.ones(n, np.int64)  # 0 off, 1 linear, 2 limited
    current = np.zeros(n)
    rounds = ALL_AT_ONCE + 40 * n
    for turn in range(rounds):
        matrix = np.zeros((n, n))
        right = np.zeros(n)
        for j in range(n):
            if regime[j] == 1:
                for k in range(n):
                    matrix[j, k] = coupling[j, k]
                matrix[j, j] += on_ohm[j]
                right[j] = drive_volt[j] - open_volt[j]
            else:
                matrix[j, j] = 1.0
                right[j] = limit_amp[j] if regime[j] == 2 else 0.0
        _solve_small(matrix, right)
        changed = False
        for j in range(n):
            current[j] = right[j]
            port = open_volt[j]
            for k in range(n):
                port += coupling[j, k] * right[k]
            wanted = (drive_volt[j] - port) / on_ohm[j]
            target = regime[j]
            if regime[j] == 1 and right[j] < 0.0 and right[j] < -1e-15:
                target = 0
            elif regime[j] == 1 and right[j] > limit_amp[j] * (1.0 + 1e-12):
                target = 2
            elif (regime[j] == 0 and wanted > 1e-12) or (regime[j] == 2 and wanted < limit_amp[j] * (1.0 - 1e-12)):
                target = 1
            if target != regime[j] and (turn < ALL_AT_ONCE or not changed):
                regime[j] = target
                changed = True
        if not changed:
            return np.maximum(current, 0.0), turn + 1
    return current, -1
