"""The decorators of the kernels: numba's compiler with a cache on disk, typed for the checker.

To load the compiler and one compiled kernel takes longer than all the arithmetic of a small question. So numba is not
imported before a kernel needs it, and the kernels that a small question calls a few times begin as plain Python.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from functools import cache, cached_property, update_wrapper
from hashlib import blake2b
from pathlib import Path
from types import FunctionType
from typing import Any, Generic, ParamSpec, TypeVar, cast

P = ParamSpec("P")
R = TypeVar("R")

#: Calls of the kernels of the wire in plain Python, some hundred frames' worth: less than to compile them, or to load.
PLAIN_RUNS = 1000
#: So many calls of a kernel in plain Python cost less than loading it compiled: some milliseconds against a second.
PLAIN_CALLS = 100

#: Modules whose kernels only read and write the numbers of arrays they are given, and neither make arrays nor copy
#: whole ones. Without counting who holds an array they run in a third of the time: it is done at every call.
_ON_GIVEN_ARRAYS = frozenset(
    f"simulator.kernels.{name}"
    for name in ("layout", "reading", "controller", "bus", "passing", "bits", "flight", "quanta", "wire")
)

#: What a first run says on a terminal's standard error: some fifty seconds of one core, then never again.
COMPILING = "sixtyohm: compiling, once on this computer; up to a minute, longer on a busy one ..."

#: Nobody calls a kernel from C, and one that is a part of others nobody calls from Python.
_NO_C: dict[str, Any] = {"no_cfunc_wrapper": True}
_NO_PYTHON: dict[str, Any] = {"no_cpython_wrapper": True}


class Kernel(Generic[P, R]):
    """A function on arrays and numbers that runs compiled, after ``plain_calls`` calls as plain Python."""

    def __init__(self, function: Callable[P, R], plain_calls: int, options: dict[str, Any]) -> None:
        self._function = function
        self._plain_calls = plain_calls
        self._options = options | ({"_nrt": False} if function.__module__ in _ON_GIVEN_ARRAYS else {})
        update_wrapper(self, function)

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """The function's result, whichever way it runs."""
        if self._plain_calls > 0:
            self._plain_calls -= 1
            return self.plain(*args, **kwargs)
        return self.compiled(*args, **kwargs)

    def hasten(self, calls: int) -> None:
        """A call that takes as long as so many of the usual ones is about to come."""
        self._plain_calls = max(self._plain_calls - calls, 0)

    @cached_property
    def compiled(self) -> Callable[P, R]:
        """The compiled function; the kernels it calls are compiled with it."""
        import numba

        whole = self._with(lambda kernel: kernel.inner)
        dispatcher = numba.njit(cache=True, **self._options, **_NO_C)(whole)
        # numba looks at the kernel's own file only; what is kept on disk has constants and kernels of others in it
        if not isinstance(dispatcher, FunctionType):  # else the compiler is switched off
            dispatcher._cache._cache_file._source_stamp = _stamp_of(self._function.__module__)
            dispatcher._cache.load_overload = _or_say(dispatcher._cache.load_overload)
        return cast(Callable[P, R], dispatcher)

    @cached_property
    def inner(self) -> Callable[P, R]:
        """The function compiled as a part of others, without a door to Python: a fifth of the compiler's time."""
        import numba

        whole = self._with(lambda kernel: kernel.inner)
        return cast(Callable[P, R], numba.njit(**self._options, **_NO_C, **_NO_PYTHON)(whole))

    @cached_property
    def plain(self) -> Callable[P, R]:
        """The function in plain Python, and so are the kernels it calls, whatever their mark."""
        return cast(Callable[P, R], self._with(lambda kernel: kernel.plain))

    def _with(self, kind: Callable[[Kernel[Any, Any]], Callable[..., Any]]) -> FunctionType:
        """The function with each kernel that it calls replaced."""
        function = cast(FunctionType, self._function)
        names = dict(function.__globals__)
        for name in function.__code__.co_names:
            if isinstance(names.get(name), Kernel):
                names[name] = kind(names[name])
        whole = FunctionType(function.__code__, names, function.__name__, function.__defaults__)
        whole.__module__, whole.__qualname__ = function.__module__, function.__qualname__
        return whole


def _or_say(load: Callable[..., Any]) -> Callable[..., Any]:
    """Numba's load from the cache on disk, which says so where nothing is kept there: what follows takes long."""

    def load_or_say(*asked: Any) -> Any:
        kept = load(*asked)
        if kept is None:
            _say_compiling()
        return kept

    return load_or_say


@cache
def _say_compiling() -> None:
    """Tell whoever sits at a terminal, once in a process."""
    if sys.stderr is not None and sys.stderr.isatty():
        print(COMPILING, file=sys.stderr, flush=True)


@cache
def _sources(kernels: str) -> frozenset[Path]:
    """The file of a module of kernels, and those of all whose kernels or constants it uses."""
    file = Path(__file__).parent / f"{kernels}.py"
    used = re.findall(r"^from simulator\.kernels\.(\w+) import", file.read_text(encoding="utf-8"), re.MULTILINE)
    return frozenset({file}).union(*(_sources(name) for name in used if name != "jit"))


@cache
def _stamp_of(module: str) -> str:
    """A digest of all sources behind a module's kernels: with any of them changed, what is kept on disk is no good."""
    digest = blake2b()
    for file in sorted(_sources(module.rpartition(".")[2])):
        digest.update(file.read_bytes())
    return digest.hexdigest()


def compiled(function: Callable[P, R]) -> Kernel[P, R]:
    """Compile a kernel at its first call and keep the result on disk; division by zero raises, as in Python."""
    return Kernel(function, 0, {"error_model": "python"})


def inlined(function: Callable[P, R]) -> Kernel[P, R]:
    """As ``compiled``, and made part of every kernel that calls it: what is called for every bit must not be a call.

    Plain Python for whoever else calls it.
    """
    return Kernel(function, sys.maxsize, {"error_model": "python", "forceinline": True})


def compiled_when_busy(function: Callable[P, R]) -> Kernel[P, R]:
    """As ``compiled``, but not before the kernel has been called often: for kernels whose single call is short."""
    return Kernel(function, PLAIN_CALLS, {"error_model": "python"})


def compiled_after(calls: int) -> Callable[[Callable[P, R]], Kernel[P, R]]:
    """As ``compiled``, but the first calls run in plain Python: for kernels whose calls grow longer."""
    return lambda function: Kernel(function, calls, {"error_model": "python"})


def at_once(kernel: Callable[P, R]) -> Callable[P, R]:
    """A kernel compiled now, for a call that is long."""
    return cast(Kernel[P, R], kernel).compiled


def soon(*kernels: Callable[..., Any]) -> None:
    """Kernels that are about to be called often, or that nobody can wait for later: they run compiled from now on."""
    for kernel in kernels:
        cast(Kernel[..., Any], kernel)._plain_calls = 0


def plain_for_python(function: Callable[P, R]) -> Callable[P, R]:
    """As ``compiled`` inside other kernels, and plain Python for whoever else calls it: for rules of a few lines."""
    return Kernel(function, sys.maxsize, {"error_model": "python"})


def summing(function: Callable[P, R]) -> Kernel[P, R]:
    """Compile a kernel that may add in any order: for sums of positive numbers, where order costs last bits only."""
    return Kernel(function, 0, {"error_model": "numpy", "fastmath": {"reassoc", "contract"}})
