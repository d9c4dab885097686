"""The rules of the house: who imports whom, no clock below the lab, size of files, docstrings, doors, the wheel.

Sources: rules of this project (DEVELOPERS.md); no outside source.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import networkx
import pytest

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("simulator", "faults", "lab")
MAY_IMPORT = {"simulator": {"simulator"}, "faults": {"simulator", "faults"}, "lab": {"simulator", "faults", "lab"}}
FILES = sorted(path for room in ROOMS for path in (ROOT / room).rglob("*.py"))
#: Functions longer than 60 lines, each with its reason.
LONG_FUNCTIONS: dict[str, str] = {}
#: Files longer than 500 lines, each with its reason.
LONG_FILES: dict[str, str] = {}


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_name(path): path for path in FILES}


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


@pytest.fixture(scope="module", autouse=True)
def no_trees_for_the_rest_of_the_run() -> Iterator[None]:
    """Half a million nodes."""
    yield
    tree_of.cache_clear()


def is_type_checking(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def statements(node: ast.AST, *, at_import: bool) -> Iterator[ast.AST]:
    """Every node below; with ``at_import`` only those that run when the module is imported."""
    for child in ast.iter_child_nodes(node):
        if at_import and (is_type_checking(child) or isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef)):
            continue
        yield child
        yield from statements(child, at_import=at_import)


@cache
def imported(path: Path, *, at_import: bool) -> frozenset[str]:
    """The dotted names a file imports; ``from a import b`` gives a.b where that is a module, else a."""
    names: set[str] = set()
    for node in statements(tree_of(path), at_import=at_import):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            assert node.module is not None
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                names.add(whole if whole in MODULES else node.module)
    return frozenset(names)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_room_imports_only_the_rooms_below_it(path: Path) -> None:
    room = path.relative_to(ROOT).parts[0]
    ours = {name.split(".")[0] for name in imported(path, at_import=False)} & {*ROOMS, "pytest_sixtyohm"}
    assert ours <= MAY_IMPORT[room]


def test_no_import_cycle() -> None:
    graph = networkx.DiGraph()
    for name, path in MODULES.items():
        graph.add_edges_from((name, other) for other in imported(path, at_import=True) if other in MODULES)
    assert list(networkx.simple_cycles(graph)) == []


CLOCKS = {"time", "threading", "asyncio", "secrets", "uuid", "multiprocessing", "concurrent"}


@pytest.mark.parametrize(
    "path", [p for p in FILES if p.relative_to(ROOT).parts[0] != "lab"], ids=lambda path: str(path.relative_to(ROOT))
)
def test_below_the_lab_there_is_no_clock_and_no_chance_without_a_seed(path: Path) -> None:
    tree = tree_of(path)
    assert not {name.split(".")[0] for name in imported(path, at_import=False)} & CLOCKS
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module == "random":
            assert [alias.name for alias in node.names] == ["Random"]
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "random":
            assert node.attr == "Random", f"line {node.lineno}: random.{node.attr}"
        if isinstance(node, ast.Attribute):
            assert not re.search(r"\b(datetime|date)\.(now|utcnow|today)$", ast.unparse(node)), f"line {node.lineno}"
        if isinstance(node, ast.Call) and re.search(r"(^|\.)(Random|default_rng)$", ast.unparse(node.func)):
            assert node.args, f"line {node.lineno}: no seed"


#: Names with an underscore that libraries mean to be used, and those of writers and caches that offer nothing else.
GIVEN_NAMES = {"_replace", "_asdict", "_getframe", "_mdf", "_start_time", "_cache", "_cache_file", "_source_stamp"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_nobody_reaches_into_another_file(path: Path) -> None:
    tree = tree_of(path)
    own = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
    own |= {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store) and ast.unparse(node.value) == "self"
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and re.match("_[a-z]", node.attr) and ast.unparse(node.value) != "self":
            assert node.attr in own | GIVEN_NAMES, f"line {node.lineno}: {ast.unparse(node)}"
        if isinstance(node, ast.ImportFrom):
            assert not [alias.name for alias in node.names if re.match("_[a-zA-Z]", alias.name)], f"line {node.lineno}"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_files_and_functions_are_short(path: Path) -> None:
    name = str(path.relative_to(ROOT))
    assert len(path.read_text(encoding="utf-8").splitlines()) < 500 or name in LONG_FILES
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno is not None
            length = node.end_lineno - node.lineno + 1
            assert length < 60 or f"{name}:{node.name}" in LONG_FUNCTIONS, f"{node.name}: {length} lines"


def inherits_a_docstring(module: str, cls: str, method: str) -> bool:
    """Whether a method that has no docstring of its own overrides one that has."""
    return inspect.getdoc(getattr(getattr(importlib.import_module(module), cls), method)) is not None


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_what_is_public_has_a_docstring(path: Path) -> None:
    tree = tree_of(path)
    assert ast.get_docstring(tree), "the module itself"
    missing = []
    for node in tree.body:
        if not isinstance(node, ast.ClassDef | ast.FunctionDef) or node.name.startswith("_"):
            continue
        if not ast.get_docstring(node):
            missing.append(node.name)
        if isinstance(node, ast.ClassDef) and "Protocol" not in {ast.unparse(base) for base in node.bases}:
            missing += [
                f"{node.name}.{item.name}"
                for item in node.body
                if isinstance(item, ast.FunctionDef)
                and not item.name.startswith("_")
                and not ast.get_docstring(item)
                and not inherits_a_docstring(module_name(path), node.name, item.name)
            ]
    assert missing == []


DOORS = sorted(name for name, path in MODULES.items() if path.name == "__init__.py")


@pytest.mark.parametrize("name", DOORS)
def test_a_door_names_all_it_lets_through(name: str) -> None:
    package = importlib.import_module(name)
    names = list(getattr(package, "__all__", []))
    assert len(names) == len(set(names))
    for item in names:
        assert getattr(package, item, None) is not None, item
    imports = [
        alias.asname or alias.name
        for node in tree_of(MODULES[name]).body
        if isinstance(node, ast.ImportFrom) and node.module != "__future__" and node.module.split(".")[0] in ROOMS
        for alias in node.names
    ]
    assert set(names) >= {item for item in imports if not item.startswith("_")} or name == "lab.commands"


def test_style_is_clean() -> None:
    done = subprocess.run([sys.executable, "-m", "ruff", "check", "."], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
    done = subprocess.run(
        [sys.executable, "-m", "ruff", "format", "--check", "."], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout


@pytest.mark.slow
def test_types_are_clean() -> None:
    done = subprocess.run([sys.executable, "-m", "mypy"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout


@pytest.mark.slow
def test_the_wheel_holds_the_rooms_and_nothing_else(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pip", "wheel", "-q", str(ROOT), "--no-deps", "--wheel-dir", str(tmp_path)]
    subprocess.run(command, check=True, capture_output=True, text=True)
    with zipfile.ZipFile(next(tmp_path.glob("*.whl"))) as wheel:
        names = set(wheel.namelist())
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {*ROOMS, "dbc_demo", "pytest_sixtyohm.py"}
    for path in [*FILES, *(ROOT / "dbc_demo").glob("*/vehicle.yaml"), *(ROOT / "dbc_demo").glob("*/*.dbc")]:
        assert str(path.relative_to(ROOT)) in names
