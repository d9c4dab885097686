"""The room of faults knows the simulator's descriptions only, and no clock."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import faults

FILES = sorted(Path(faults.__file__).parent.glob("*.py"))
DESCRIPTIONS = {
    "simulator", "simulator.condition", "simulator.deviations", "simulator.errors", "simulator.loaded",
    "simulator.road", "simulator.vehicle",
}  # fmt: skip
STANDARD = {
    "__future__", "abc", "collections.abc", "dataclasses", "functools", "hashlib", "math", "numbers", "re", "shlex",
    "sys", "typing",
}  # fmt: skip


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_imports(file: Path) -> None:
    """Own rule (DEVELOPERS.md, Rules)."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0
            names = [node.module or ""]
        for name in names:
            assert name.split(".")[0] == "faults" or name in DESCRIPTIONS | STANDARD, f"{file.name} imports {name}"


def test_no_file_imports_in_a_circle() -> None:
    """Own rule (DEVELOPERS.md, Rules)."""
    uses = {}
    for file in FILES:
        tree = ast.parse(file.read_text(encoding="utf-8"))
        uses[f"faults.{file.stem}"] = {
            node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module in _names()
        }
    while uses:
        free = [name for name, needed in uses.items() if not needed & set(uses)]
        assert free, f"in a circle: {sorted(uses)}"
        for name in free:
            del uses[name]


def _names() -> set[str]:
    return {f"faults.{file.stem}" for file in FILES}
