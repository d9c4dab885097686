"""``run``: the networks over simulated time, counted, and kept in a log file."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import nullcontext
from dataclasses import dataclass, field
from typing import Any

import faults
from simulator.logs import FrameLog
from simulator.record import FrameRecord
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle


@dataclass
class NetworkCount:
    """What one network carried: frames delivered, attempts that failed, the part of the time it was busy, by sender."""

    network: str
    frames: int = 0
    errors: int = 0
    load: float = 0.0
    by_sender: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """A finished run: simulated seconds, seed, log file or None, and a count for each network."""

    vehicle: str
    seconds: float
    seed: int
    faults: tuple[str, ...]
    log: str | None
    networks: tuple[NetworkCount, ...]

    def as_json(self) -> dict[str, Any]:
        """The mapping of the command ``run``."""
        return {
            "vehicle": self.vehicle,
            "seconds": self.seconds,
            "seed": self.seed,
            "faults": list(self.faults),
            "log": self.log,
            "networks": [
                {
                    "network": line.network,
                    "frames": line.frames,
                    "errors": line.errors,
                    "load": line.load,
                    "by_sender": line.by_sender,
                }
                for line in self.networks
            ],
        }


def run_networks(
    vehicle: Vehicle, seconds: float, *, fault_texts: Iterable[str] = (), log: str | None = None, seed: int = 0
) -> Outcome:
    """Run a vehicle from t = 0, battery and ignition on; the faults follow their timelines.

    ``log``: a file whose ending says its format (``simulator.logs``). Raises BadRequest for another ending and for
    faults the vehicle cannot have.
    """
    parsed = tuple(faults.parse(text).canonical(vehicle) for text in fault_texts)
    counts = {name: NetworkCount(name) for name in vehicle.networks}
    simulation = Simulation(vehicle, faults=parsed, seed=seed)
    simulation.subscribe(lambda record: _count(counts[record.network], record, seconds))
    with nullcontext() if log is None else FrameLog(simulation, log):
        simulation.advance(seconds)
    return Outcome(vehicle.name, seconds, seed, tuple(map(str, parsed)), log, tuple(counts.values()))


def _count(line: NetworkCount, record: FrameRecord, seconds: float) -> None:
    line.load += (record.t_end_ns - record.t_start_ns) / 1e9 / seconds
    if record.outcome != "ok":
        line.errors += 1
        return
    line.frames += 1
    line.by_sender[record.transmitter] = line.by_sender.get(record.transmitter, 0) + 1
