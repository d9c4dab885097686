"""How long the cyclic messages of a run took from being due to the end of their frame, beside the computed bound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simulator.batch import Batch
from simulator.kernels.stretch import START_NS
from simulator.record import FrameRecord
from simulator.response import INTERMISSION_BITS, streams_of, worst_responses_ns
from simulator.simulation import Simulation


@dataclass
class Response:
    """A cyclic message: how many went through, the longest time from being due to the end of EOF, and the bound.

    ``worst_ns`` is None for one that is passed on by a gateway: it is due when it arrives there. ``bound_ns`` holds
    for the cyclic messages of the database alone on a bus without errors; None: there is none.
    """

    message: str
    sender: str
    cycle_ms: int
    bound_ns: int | None
    frames: int = 0
    worst_ns: int | None = None

    def took(self, frames: int, longest_ns: int | None) -> None:
        """So many more frames, with the longest time of them where it is known."""
        self.frames += frames
        if longest_ns is not None:
            self.worst_ns = longest_ns if self.worst_ns is None else max(self.worst_ns, longest_ns)

    def as_json(self) -> dict[str, Any]:
        """As the command ``run`` prints it."""
        return dict(vars(self))


class Responses:
    """Follows the cyclic messages of a simulation from now on; ``rows`` by (network, message), first rank first."""

    def __init__(self, simulation: Simulation) -> None:
        self.rows: dict[tuple[str, str], Response] = {}
        self._senders = {
            (name, sender.message.name): sender
            for module in simulation.modules.values()
            for name in module.networks
            for sender in module.cyclic(name)
        }
        for name, network in simulation.vehicle.networks.items():
            streams = streams_of(network)
            bounds = worst_responses_ns(streams, 1e9 / network.bit_rate)
            senders = {message.name: (message.sender, message.cycle_ms) for message in network.messages}
            for stream in streams:
                bound = bounds[stream.name]
                if bound is not None:
                    bound -= round(INTERMISSION_BITS * 1e9 / network.bit_rate)
                sender, cycle_ms = senders[stream.name]
                self.rows[name, stream.name] = Response(stream.name, sender or "", cycle_ms or 0, bound)
        simulation.subscribe(self._ended, self._ended_in_bulk, in_lots=True)

    def of(self, network: str) -> tuple[Response, ...]:
        """The messages of a network."""
        return tuple(row for (name, _), row in self.rows.items() if name == network)

    def _phase(self, network: str, message: str) -> tuple[int, int] | None:
        """(an instant at which it is due, cycle time), in ns; None for one that its sender passes on."""
        sender = self._senders.get((network, message))
        # asked each time: a module that wakes or restarts begins its cycles anew
        return None if sender is None else (sender.due_ns, sender.cycle_ns)

    def _ended(self, record: FrameRecord) -> None:
        row = self.rows.get((record.network, record.message or ""))
        if row is None or record.outcome != "ok":
            return
        phase = self._phase(record.network, row.message)
        if phase is None:
            row.took(1, None)
        else:
            waited_ns = (record.t_start_ns - phase[0]) % phase[1]
            row.took(1, record.t_end_ns - record.t_start_ns + waited_ns)

    def _ended_in_bulk(self, batch: Batch) -> None:
        starts, ends = batch.frames[:, START_NS], batch.t_end_ns
        for number, one in enumerate(batch.sent):
            row = self.rows.get((one.network, one.message))
            chosen = batch.which == number
            frames = int(np.count_nonzero(chosen))
            if row is None or not frames:
                continue
            phase = self._phase(one.network, one.message)
            if phase is None:
                row.took(frames, None)
            else:
                waited = (starts[chosen] - phase[0]) % phase[1]
                row.took(frames, int((ends[chosen] - starts[chosen] + waited).max()))
