"""Before the whole suite runs in several processes: kernels and demos once, and garbage looked for seldom."""

from __future__ import annotations

import gc
import os

import pytest
from compile_first import compile_first
from demos_once import read_demos_once

#: So many tests are the whole suite; a few of them may not need what takes long to compile.
WHOLE = 2000
#: After so many objects, and so many times so many, cycles are looked for: all of them every two million. As Python
#: does it unasked, it took a fifth of the run, for a process that tests keeps half a million objects to the end.
SELDOM = (2000, 20, 50)


def pytest_configure(config: pytest.Config) -> None:
    """In each process that tests, before a test module reads a vehicle."""
    if hasattr(config, "workerinput"):
        read_demos_once()
        gc.set_threshold(*SELDOM)


def pytest_collection_finish(session: pytest.Session) -> None:
    """In each process that tests, once it knows its tests."""
    if not hasattr(session.config, "workerinput"):
        return
    switched_off = os.environ.get("NUMBA_DISABLE_JIT") == "1" or "NUMBA_CACHE_DIR" in os.environ
    cache = getattr(session.config, "cache", None)
    if cache is not None and len(session.items) >= WHOLE and not switched_off:
        compile_first(cache.mkdir("kernels"))
    gc.freeze()
