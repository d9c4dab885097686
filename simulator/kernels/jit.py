"""The one decorator of the kernels: numba's compiler with a cache on disk, typed for the checker."""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar

import numba

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a kernel at its first call and keep the result on disk; division by zero raises, as in Python."""
    jitted: Callable[P, R] = numba.njit(cache=True, error_model="python")(function)
    return jitted


def summing(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a kernel that may add in any order: for sums of positive numbers, where order costs last bits only."""
    jitted: Callable[P, R] = numba.njit(cache=True, error_model="numpy", fastmath={"reassoc", "contract"})(function)
    return jitted
