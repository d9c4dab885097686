"""The most stuff bits a classic frame can have, by trying every frame: independent of the product's own encoder.

A frame is a walk over (CRC register, last level, equal bits so far); for each such state the most stuff bits any frame
leading there has is kept. CRC and stuffing after the Bosch CAN Specification 2.0 (1991), part B, 10.3.1.5 and 10.7.
"""

from __future__ import annotations

import numpy as np

_STATES = 1 << 15
_NONE = -1000


def _after(bit: int) -> np.ndarray:
    """The CRC register after one more bit, for every register."""
    register = np.arange(_STATES)
    shifted = register << 1 & (_STATES - 1)
    return np.where((register >> 14) ^ bit, shifted ^ 0x4599, shifted)


_NEXT = (_after(0), _after(1))


class Walk:
    """``best[level, run, register]``: the most stuff bits so far; ``allowed`` masks registers that take the bit."""

    def __init__(self) -> None:
        self.best = np.full((2, 5, _STATES), _NONE)
        self.best[0, 1, _NEXT[0][0]] = 0  # SOF

    def bit(self, values: str, *, checked: bool = True, allowed: dict[int, np.ndarray] | None = None) -> None:
        """One more bit, any of these values; ``checked``: it goes into the CRC."""
        after = np.full_like(self.best, _NONE)
        for bit in map(int, values):
            for level in (0, 1):
                for run in range(1, 5):
                    found = self.best[level, run]
                    if allowed is not None:
                        found = np.where(allowed[bit], found, _NONE)
                    if checked:
                        moved = np.empty_like(found)
                        moved[_NEXT[bit]] = found
                    else:
                        moved = found
                    equal = run + 1 if bit == level else 1
                    if equal == 5:
                        after[1 - bit, 1] = np.maximum(after[1 - bit, 1], moved + 1)
                    else:
                        after[bit, equal] = np.maximum(after[bit, equal], moved)
        self.best = after


def most_stuff_bits(extended: bool, size: int) -> int:
    """The most stuff bits of a classic data frame of ``size`` bytes, over all identifiers and data."""
    walk = Walk()
    free = 11
    head = "." * free + "1" * 2 + "." * 18 + "000" if extended else "." * free + "000"
    for sign in head + f"{size:04b}" + "." * 8 * size:
        walk.bit("01" if sign == "." else sign)
    register = np.arange(_STATES)
    for shift in range(14, -1, -1):
        is_one = (register >> shift & 1).astype(bool)
        walk.bit("01", checked=False, allowed={0: ~is_one, 1: is_one})
    return int(walk.best.max())
