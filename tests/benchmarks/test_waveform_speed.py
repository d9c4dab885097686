"""The waveform's speed against ngspice at the same step, processor time against processor time, in the same run.

The limit, 150 times, is this project's own; no outside source.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from wave_peer import children_seconds, ngspice_waves, off_grid_vehicle, our_waves

from simulator.circuit import Circuit
from simulator.circuit.lines import LineNetwork, Ramp

RATIO = 150.0
RAMP = Ramp("M00", ((0.0, 0.0), (45.0, 1.0), (1000.0, 1.0), (1045.0, 0.0)))


@pytest.mark.benchmark
@pytest.mark.parametrize("modules", [12, 24])
def test_ratio_to_ngspice(modules: int) -> None:
    net = LineNetwork(Circuit(off_grid_vehicle(modules)), "LINE-1")
    t_ns = np.arange(-10.0, 6000.0)  # three bits at 500 kbit/s
    places = ["M00.pin", "DLC"]
    before = children_seconds()
    theirs, _ = ngspice_waves(net, [RAMP], places, t_ns, 1.0)
    ngspice_seconds = children_seconds() - before
    ours = our_waves(net, [RAMP], places, t_ns, 1.0)  # compiles
    took = []
    for _ in range(5):
        began = time.thread_time()
        our_waves(net, [RAMP], places, t_ns, 1.0)
        took.append(time.thread_time() - began)
    ratio = ngspice_seconds / min(took)
    per_microsecond = min(took) * 1e3 / (len(t_ns) * 1e-3)
    print(f"{modules} modules: {per_microsecond:.2f} ms per us, everything built anew; {ratio:.0f} times ngspice")
    assert float(np.abs(ours - theirs).max()) < 0.1
    assert ratio > RATIO
