"""Before the whole suite runs in several processes: the kernels, each compiled by one of them."""

from __future__ import annotations

import os

import pytest
from compile_first import compile_first

#: So many tests are the whole suite; a few of them may not need what takes long to compile.
WHOLE = 2000


def pytest_collection_finish(session: pytest.Session) -> None:
    """In each process that tests, once it knows its tests."""
    one_of_several = hasattr(session.config, "workerinput")
    switched_off = os.environ.get("NUMBA_DISABLE_JIT") == "1" or "NUMBA_CACHE_DIR" in os.environ
    cache = getattr(session.config, "cache", None)
    if one_of_several and cache is not None and len(session.items) >= WHOLE and not switched_off:
        compile_first(cache.mkdir("kernels"))
