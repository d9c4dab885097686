"""Alike: rows of readings that no meter tells apart, and what is left in one group after many of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.calculator import OPEN_OHM

Floats = NDArray[np.float64]
#: Two faults whose readings are this close everywhere are the same to any meter: part of the value, and least step.
SAME = 1e-5
SAME_OHM = 1e-4
SAME_VOLT = 1e-4


def split(groups: Sequence[Sequence[int]], rows: Floats, same: float) -> list[list[int]]:
    """Divide groups so that within each all rows are alike, opens included.

    Rows that differ have different sums of weighed logarithms, as good as always; only neighbours in that order are
    compared entry by entry.
    """
    weights = np.cos(np.arange(rows.shape[1]) * 1.7) + 2.0
    key = np.log(np.minimum(np.abs(rows), 10 * OPEN_OHM) + 1.0) @ weights
    slack = weights.sum() * SAME * 2
    result: list[list[int]] = []
    for group in groups:
        if len(group) == 1:
            result.append(list(group))
            continue
        parts: list[list[int]] = []
        recent: list[list[int]] = []
        for number in sorted(group, key=lambda n: (key[n], n)):
            recent = [part for part in recent if key[number] - key[part[-1]] <= slack]
            for part in recent:
                if _alike(rows[part[0]], rows[number], same):
                    part.append(number)
                    break
            else:
                parts.append([number])
                recent.append(parts[-1])
        result += [sorted(part) for part in parts]
    return sorted(result)


def _alike(a: Floats, b: Floats, same: float) -> bool:
    opens = a > OPEN_OHM
    if not np.array_equal(opens, b > OPEN_OHM):
        return False
    a, b = a[~opens], b[~opens]
    return bool(np.all(np.abs(a - b) <= same + SAME * np.abs(a)))
