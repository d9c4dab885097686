"""Finds a vehicle: a demo by its name, or a file by its path."""

from __future__ import annotations

from pathlib import Path

import simulator
from simulator.errors import UnknownName

_DEMOS = Path(simulator.__file__).resolve().parent.parent / "dbc_demo"


def demo_names() -> tuple[str, ...]:
    """The names of the demo vehicles, sorted."""
    return tuple(sorted(file.parent.name for file in _DEMOS.glob("*/vehicle.yaml")))


def find_vehicle(name_or_path: str | Path) -> Path:
    """The vehicle file of a demo's name, of a path, or in a folder. Raises UnknownName.

    A demo's name goes before a file of that name; ``./NAME`` is always the file.
    """
    text = str(name_or_path)
    if isinstance(name_or_path, str) and text in demo_names():
        return _DEMOS / text / "vehicle.yaml"
    path = Path(text)
    try:
        if path.is_file():
            return path
        if (path / "vehicle.yaml").is_file():
            return path / "vehicle.yaml"
    except (OSError, ValueError):
        pass
    raise UnknownName("vehicle file or demo", text[:200], demo_names())
