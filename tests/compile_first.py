"""Compiles the kernels of a fresh clone before its tests run, shared among the processes of the run.

Two processes that find nothing compiled would each compile everything, the longest kernel for half a minute. Here each
takes what nobody has taken yet, and waits at the end for what others have taken. ``python compile_first.py NAME`` runs
one part, in an interpreter of its own, so that the process that tests has called no kernel before.
"""

from __future__ import annotations

import fcntl
import gc
import subprocess
import sys
from collections.abc import Callable
from hashlib import blake2b
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def wire() -> None:
    """Controllers in trouble, bit by bit."""
    from simulator.kernels.jit import soon
    from simulator.kernels.wire import run_wire

    soon(run_wire)
    _run("pipkin", "crossed at=GBX")


def frames() -> None:
    """Whole frames, on one network and on several with a gateway between them."""
    from simulator.kernels.jit import soon
    from simulator.kernels.stretch import run_frames, run_joined

    soon(run_frames, run_joined)
    _run("pipkin")
    _run("haulvey")


def tables() -> None:
    """Resistances and voltages with every fault."""
    from lab.fits import WhatFits
    from simulator.reader import find_vehicle, load_vehicle

    fits = WhatFits(load_vehicle(find_vehicle("pipkin")))
    fits.dead.table().resistances(fits.points)
    fits.at_rest()
    fits.surely_silent(range(3))


def waves() -> None:
    """Edges on the lines."""
    from simulator.circuit.hearing import who_hears_whom
    from simulator.reader import find_vehicle, load_vehicle

    who_hears_whom(load_vehicle(find_vehicle("pipkin")))


def swift() -> None:
    """All that runs while nobody is in trouble: about as long to compile as the rest."""
    frames()
    tables()
    waves()


PARTS: dict[str, Callable[[], None]] = {"wire": wire, "swift": swift}


def _run(name: str, *texts: str) -> None:
    import faults
    from simulator.reader import find_vehicle, load_vehicle
    from simulator.simulation import Simulation

    Simulation(load_vehicle(find_vehicle(name)), faults=map(faults.parse, texts)).advance(0.5)


def compile_first(folder: Path) -> None:
    """Compile what is not compiled, as one of several processes that call this with the same folder.

    The folder keeps who is at work on which part, and that it is done for the kernels as they are.
    """
    sources = blake2b(digest_size=8)
    for file in sorted((ROOT / "simulator" / "kernels").glob("*.py")):
        sources.update(file.read_bytes())
    taken = []
    for name in PARTS:
        with (folder / f"{name}-{sources.hexdigest()}").open("a+") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                taken.append(file.name)
                continue
            file.seek(0)
            if file.read() != "done":
                subprocess.run([sys.executable, __file__, name], check=True, cwd=ROOT)
                file.write("done")
    for path in taken:
        with Path(path).open() as file:
            fcntl.flock(file, fcntl.LOCK_SH)


if __name__ == "__main__":
    gc.disable()  # the compiler makes millions of objects, and few of them are cycles
    sys.path.insert(0, str(ROOT))
    PARTS[sys.argv[1]]()
