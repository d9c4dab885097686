"""Runs a waveform's netlist in ngspice and brings its voltages onto our grid."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.circuit.lines import LineNetwork, Ramp
from simulator.circuit.spice_waveform import spice_waveform

Floats = NDArray[np.float64]


def ngspice_waves(
    net: LineNetwork, ramps: Iterable[Ramp], places: Sequence[str], t_ns: Floats, step_ns: float
) -> tuple[Floats, float]:
    """(times, 2 x places) in volt at ``t_ns``, and the seconds that ngspice took."""
    if shutil.which("ngspice") is None:
        pytest.fail("ngspice is not on this machine, and this test needs it: apt-get install ngspice")
    start = float(t_ns[0])
    with tempfile.TemporaryDirectory() as folder:
        text = spice_waveform(
            net, ramps, from_ns=start, until_ns=float(t_ns[-1]), step_ns=step_ns, places=places, output="waves.txt"
        )
        path = Path(folder, "waves.cir")
        path.write_text(text, encoding="ascii")
        began = time.perf_counter()
        done = subprocess.run(
            ["ngspice", "-b", str(path)], capture_output=True, text=True, timeout=900, cwd=folder, check=False
        )
        took = time.perf_counter() - began
        answer = Path(folder, "waves.txt")
        if not answer.exists():
            pytest.fail(f"ngspice gave no answer:\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")
        table = np.loadtxt(answer)
    if table[-1, 0] * 1e9 < t_ns[-1] - start - 0.5:
        pytest.fail(f"ngspice stopped early:\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")
    columns = [np.interp(t_ns - start, table[:, 0] * 1e9, column) for column in table[:, 1:].T]
    return np.array(columns).T, took
