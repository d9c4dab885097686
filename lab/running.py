"""``run``: the networks over simulated time, counted, and kept in a log file."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any

import faults
from lab.bridge import Bridge, run_bridged
from lab.controllers import Account, Change, Observer
from lab.responses import Response, Responses
from simulator.batch import Batch
from simulator.datalink.controller import NEVER_NS
from simulator.datalink.lot import Lot
from simulator.errors import BadRequest
from simulator.logs import open_log, told_after_ns
from simulator.record import FrameRecord
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle

#: How many times of attempts are kept at most; no attempt lasts while half as many begin and end beside it.
_MOST_SPANS = 10_000


@dataclass
class NetworkCount:
    """What one network carried: frames delivered, attempts that failed, the part of the time it was busy, by sender.

    ``controllers``: what each went through; ``changes`` of their states, the first ones, of ``changed`` in all;
    ``responses``: how long the cyclic messages took. ``spans``: times (start_ns, end_ns) not yet added to ``busy_ns``.
    """

    network: str
    frames: int = 0
    errors: int = 0
    load: float = 0.0
    busy_ns: int = 0
    spans: list[tuple[int, int]] = field(default_factory=list)
    by_sender: dict[str, int] = field(default_factory=dict)
    controllers: tuple[Account, ...] = ()
    changes: tuple[Change, ...] = ()
    changed: int = 0
    responses: tuple[Response, ...] = ()


@dataclass(frozen=True)
class Outcome:
    """A finished run: simulated seconds, seed, log files, a count for each network, when faults were in, bridges."""

    vehicle: str
    seconds: float
    seed: int
    faults: tuple[str, ...]
    logs: tuple[str, ...]
    networks: tuple[NetworkCount, ...]
    diary: tuple[Change, ...] = ()
    bridges: tuple[Bridge, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The mapping of the command ``run``."""
        return {
            "vehicle": self.vehicle,
            "seconds": self.seconds,
            "seed": self.seed,
            "faults": list(self.faults),
            "log": self.logs[0] if self.logs else None,
            "logs": list(self.logs),
            "bridges": [bridge.as_json() for bridge in self.bridges],
            "networks": [
                {
                    "network": line.network,
                    "frames": line.frames,
                    "errors": line.errors,
                    "load": line.load,
                    "by_sender": line.by_sender,
                    "controllers": [account.as_json() for account in line.controllers],
                    "changes": [change.as_json() for change in line.changes],
                    "changed": line.changed,
                    "responses": [response.as_json() for response in line.responses],
                }
                for line in self.networks
            ],
        }


def run_networks(
    vehicle: Vehicle,
    seconds: float,
    *,
    fault_texts: Iterable[str] = (),
    logs: Sequence[str] = (),
    seed: int = 0,
    bridges: Sequence[Bridge] = (),
    drive: str = "",
) -> Outcome:
    """Run a vehicle from t = 0, battery and ignition on; the faults follow their timelines.

    ``logs``: files whose endings say their formats (``simulator.logs``). With ``bridges`` it runs in real time.
    ``drive``: a drive script, or the name of one; the vehicle moves by it. Raises BadRequest for another ending, for a
    file named twice, and for faults the vehicle cannot have.
    """
    if len(set(logs)) < len(logs):
        raise BadRequest("two logs in one file: give each a name of its own")
    parsed = tuple(faults.parse(text).canonical(vehicle) for text in fault_texts)
    counts = {name: NetworkCount(name) for name in vehicle.networks}
    simulation = Simulation(vehicle, faults=parsed, seed=seed)
    if drive:
        from simulator.world import World

        World(simulation, script=drive)
    late_ns = told_after_ns(simulation, many=True)
    simulation.subscribe(
        lambda record: _count(counts[record.network], record, simulation.t_ns - late_ns),
        lambda batch: _count_batch(counts, batch),
        in_lots=True,
    )
    simulation.take_lots(lambda network, lot: _count_lot(counts[network], lot, simulation.t_ns - late_ns))
    observer, responses = Observer(simulation, seconds), Responses(simulation)
    with ExitStack() as stack:
        for log in logs:
            stack.enter_context(open_log(simulation, log))
        if bridges:
            run_bridged(simulation, bridges, seconds)
        else:
            simulation.advance(seconds)
    observer.close()
    for name, line in counts.items():
        _add_up(line, NEVER_NS, kept=0)
        line.load = line.busy_ns / 1e9 / seconds if line.busy_ns else 0.0
        line.controllers = tuple(account for account in observer.accounts.values() if account.network == name)
        line.changes, line.changed = tuple(observer.changes[name]), observer.changed[name]
        line.responses = responses.of(name)
    texts = tuple(map(str, parsed))
    return Outcome(
        vehicle.name, seconds, seed, texts, tuple(logs), tuple(counts.values()), tuple(observer.diary), tuple(bridges)
    )


def _count(line: NetworkCount, record: FrameRecord, past_ns: int) -> None:
    line.spans.append((record.t_start_ns, record.t_end_ns))
    if len(line.spans) > _MOST_SPANS:
        _add_up(line, past_ns)
    if record.outcome != "ok":
        line.errors += 1
        return
    line.frames += 1
    line.by_sender[record.transmitter] = line.by_sender.get(record.transmitter, 0) + 1


def _count_lot(line: NetworkCount, lot: Lot, past_ns: int) -> None:
    spans = lot.spans()
    line.errors += len(spans)
    line.spans += spans
    if len(line.spans) > _MOST_SPANS:
        _add_up(line, past_ns)


def _add_up(line: NetworkCount, past_ns: int, kept: int = _MOST_SPANS // 2) -> None:
    """Add times with attempts to the busy time that lie before an instant, but for the last few.

    Attempts that collide, or on parts that hear nothing of each other, take the same time, which counts once.
    """
    apart: list[tuple[int, int]] = []
    for start_ns, end_ns in sorted(line.spans):
        if apart and start_ns <= apart[-1][1]:
            apart[-1] = apart[-1][0], max(apart[-1][1], end_ns)
        else:
            apart.append((start_ns, end_ns))
    count = min(len(apart) - kept, bisect_left(apart, past_ns, key=itemgetter(1)))
    line.busy_ns += sum(end_ns - start_ns for start_ns, end_ns in apart[: max(count, 0)])
    line.spans = apart[max(count, 0) :]


def _count_batch(counts: dict[str, NetworkCount], batch: Batch) -> None:
    # frames of a healthy network never lie side by side
    for one, total in batch.totals():
        line = counts[one.network]
        line.busy_ns += total.busy_ns
        line.frames += total.frames
        line.by_sender[one.transmitter] = line.by_sender.get(one.transmitter, 0) + total.frames
