"""Random traffic for both media of a network, from a seed: the same frames at the same instants."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from simulator.datalink.controller import Attempt, Outgoing, Wiring

Submission = tuple[int, str, int, bytes, dict[str, bool]]


def submissions(
    seed: int, names: list[str], seconds: float, load: float, bit_rate: int, *, fd: bool = False
) -> list[Submission]:
    """When which node submits what; ``load`` as a part of the bus, roughly. Every identifier belongs to one node."""
    draw = random.Random(seed)
    gap_ns = 1e9 * 115 / (bit_rate * load)
    found: list[Submission] = []
    t_ns = 0
    while t_ns < seconds * 1e9:
        if draw.random() > 0.2:  # else at the same instant as the one before
            t_ns += int(draw.expovariate(1 / gap_ns))
        number = draw.randrange(len(names))
        extended, remote = draw.random() < 0.2, draw.random() < 0.1
        fast = fd and not remote and draw.random() < 0.5
        size = draw.choice([0, 1, 8, 12, 16, 20, 33, 64]) if fast else draw.randrange(9)
        data = draw.choice([bytes(size), b"\xff" * size, draw.randbytes(size)])
        options = {"extended": extended, "remote": remote, "fd": fast, "brs": fast and draw.random() < 0.7}
        frame_id = draw.getrandbits(18 if extended else 5) * 64 + number
        found.append((t_ns, names[number], frame_id, data, options | {"kept": draw.random() < 0.3}))
    return found


class Driven:
    """A medium that everybody hears everybody on, fed with submissions; ``log`` holds all it has told."""

    def __init__(self, make: Callable[..., Any], names: list[str], bit_rate: int, **options: object) -> None:
        self.log: list[tuple[object, ...]] = []
        self.attempts: list[Attempt] = []
        self.medium = make(bit_rate, attempted=self._attempted, changed=self._changed, **options)
        self.medium.rewire(0, Wiring(dict.fromkeys(names, tuple(names))))

    def _attempted(self, one: Attempt) -> None:
        frame = one.frame
        self.attempts.append(one)
        self.log.append(
            (
                one.t_start_ns, one.t_end_ns, one.node, frame.frame_id, frame.data, frame.extended, frame.remote,
                frame.fd, frame.brs, one.outcome, one.length_bits, one.dominant_bits, one.acknowledged_by,
                one.received_by,
            )
        )  # fmt: skip

    def _changed(self, t_ns: int, node: str, status: str) -> None:
        self.log.append((t_ns, node, status))

    def feed(self, frames: list[Submission], until_ns: int) -> None:
        """Submit and advance in the order of time, what is submitted at an instant before what is due then."""
        medium = self.medium
        for t_ns, node, frame_id, data, options in frames:
            while medium.deadline_ns < t_ns:
                medium.advance(medium.deadline_ns)
            medium.submit(t_ns, node, Outgoing(frame_id, data, **options))
        while medium.deadline_ns <= until_ns:
            medium.advance(medium.deadline_ns)
