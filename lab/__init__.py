"""The lab: instruments, pictures, the job, the command line. Whatever people touch; nothing below imports it.

The names of ``__all__`` are loaded on first use, because ``sixtyohm --help`` passes through here.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lab.instruments import Reading, read_ohms, read_volts
    from lab.should import Expectation, expectations

__all__ = ["Expectation", "Reading", "expectations", "read_ohms", "read_volts"]

_HOMES = {
    "Expectation": "lab.should",
    "Reading": "lab.instruments",
    "expectations": "lab.should",
    "read_ohms": "lab.instruments",
    "read_volts": "lab.instruments",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'lab' has no attribute '{name}'")
    return getattr(import_module(_HOMES[name]), name)
