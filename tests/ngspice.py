"""Runs ngspice on a netlist text and reads its answers; a machine without ngspice fails the test that asks."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

import pytest

Pair = tuple[str, str]
_PROGRAM = "ngspice"
_ANSWER = re.compile(r"^answer_(\d+) = (\S+)\s*$", re.MULTILINE)


def between(netlist: str, pairs: Sequence[Pair]) -> list[float]:
    """Volt from the second node to the first of every pair, at the operating point of the netlist as it stands."""
    return _run(netlist, [], ["op", *_let(pairs, range(len(pairs)))], len(pairs))


def resistances(netlist: str, pairs: Sequence[Pair]) -> list[float]:
    """Ohm between the two nodes of every pair: a source of 1 mA into the first, out of the second, one after the other.

    The netlist holds no other source, or the difference to its own operating point is taken.
    """
    sources = [f"ItestNo{i} {black} {red} dc 0" for i, (red, black) in enumerate(pairs)]
    commands = ["op"]
    commands += [f"let before_{i} = {_difference(pair)}" for i, pair in enumerate(pairs)]
    commands += ["setplot"]
    for i, pair in enumerate(pairs):
        commands += [f"alter ItestNo{i} dc = 1e-3", "op"]
        commands += [f"let answer_{i} = ({_difference(pair)} - op1.before_{i}) / 1e-3", f"print answer_{i}"]
        commands += [f"alter ItestNo{i} dc = 0"]
    return _run(netlist, sources, commands, len(pairs))


def _difference(pair: Pair) -> str:
    terms = [sign + f"v({node})" for sign, node in zip(("", "-"), pair, strict=True) if node != "0"]
    return "".join(terms) or "0"


def _let(pairs: Sequence[Pair], numbers: Iterable[int]) -> list[str]:
    return [
        line
        for i, pair in zip(numbers, pairs, strict=True)
        for line in (f"let answer_{i} = {_difference(pair)}", f"print answer_{i}")
    ]


def _bare(netlist: str) -> list[str]:
    """The netlist without its own analyses, so that ours can stand in their place."""
    kept, skipping = [], False
    for line in netlist.splitlines():
        word = line.strip().lower().split(" ")[0]
        if word == ".control":
            skipping = True
        if not skipping and word not in (".op", ".end", ".print"):
            kept.append(line)
        if word == ".endc":
            skipping = False
    return kept


def _run(netlist: str, extra: list[str], commands: list[str], count: int) -> list[float]:
    if shutil.which(_PROGRAM) is None:
        pytest.fail("ngspice is not on this machine, and this test needs it: apt-get install ngspice")
    lines = [*_bare(netlist), *extra, ".control", "set numdgt=15", *commands, "quit", ".endc", ".end", ""]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "circuit.cir")
        path.write_text("\n".join(lines), encoding="ascii")
        done = subprocess.run(
            [_PROGRAM, "-b", str(path)], capture_output=True, text=True, timeout=120, cwd=folder, check=False
        )
    found = {int(number): float(value) for number, value in _ANSWER.findall(done.stdout)}
    if sorted(found) != list(range(count)):
        pytest.fail(f"ngspice gave no answer:\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}")
    return [found[i] for i in range(count)]
