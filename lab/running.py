"""``run``: the networks over simulated time, counted, and kept in a log file."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import can

import faults
from simulator.errors import BadRequest
from simulator.interface import message_of
from simulator.simulation import FrameRecord, Simulation
from simulator.vehicle import Vehicle

#: Endings of log files; the formats are those of python-can.
LOG_ENDINGS = (".asc", ".blf", ".csv", ".log", ".mf4")


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

    ``log``: a file whose ending is one of LOG_ENDINGS; times in it are simulated, a channel is the number of the
    network in the vehicle file. Raises BadRequest for another ending and for faults the vehicle cannot have.
    """
    parsed = tuple(faults.parse(text).canonical(vehicle) for text in fault_texts)
    counts = {name: NetworkCount(name) for name in vehicle.networks}
    channels = {name: channel for channel, name in enumerate(vehicle.networks)}
    with ExitStack() as stack:
        writer = None if log is None else stack.enter_context(log_writer(log))
        simulation = Simulation(vehicle, faults=parsed, seed=seed)

        def note(record: FrameRecord) -> None:
            _count(counts[record.network], record, seconds)
            if writer is not None:
                writer.on_message_received(as_message(record, channels[record.network]))

        simulation.subscribe(note)
        simulation.advance(seconds)
    return Outcome(vehicle.name, seconds, seed, tuple(map(str, parsed)), log, tuple(counts.values()))


def log_writer(log: str) -> Any:
    """The python-can writer for a file, with t = 0 of the file at t = 0 of the run. Raises BadRequest."""
    ending = Path(log).suffix.lower()
    if ending not in LOG_ENDINGS:
        raise BadRequest(f"'{log}' has no ending of a log file: write one of {' '.join(LOG_ENDINGS)}")
    try:
        writer = can.Logger(log)
    except NotImplementedError:
        raise BadRequest(
            f"'{log}' needs one more package: pip install 'sixtyohm[mf4]', or write another ending"
        ) from None
    if ending in (".asc", ".blf"):  # these two would count from the first frame
        writer.log_event("simulated time begins", timestamp=0.0)  # type: ignore[attr-defined]
    return writer


def as_message(record: FrameRecord, channel: int) -> can.Message:
    """A record as a python-can message, time-stamped with the end of the frame; a failed attempt is an error frame."""
    if record.outcome != "ok":
        return can.Message(timestamp=record.t_end_ns / 1e9, is_error_frame=True, channel=channel)
    message = message_of(record)
    message.channel = channel
    return message


def _count(line: NetworkCount, record: FrameRecord, seconds: float) -> None:
    line.load += (record.t_end_ns - record.t_start_ns) / 1e9 / seconds
    if record.outcome != "ok":
        line.errors += 1
        return
    line.frames += 1
    line.by_sender[record.transmitter] = line.by_sender.get(record.transmitter, 0) + 1
