"""Many records of frames at once, as arrays: what a healthy stretch leaves behind."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.stretch import BITS, DOMINANT, END_NS, START_NS, WHICH
from simulator.record import FrameRecord


class Sent(NamedTuple):
    """What all sendings of a message have in common; all ``listeners`` have received and acknowledged it."""

    network: str
    transmitter: str
    message: str | None
    frame_id: int
    extended: bool
    size: int
    fd: bool
    brs: bool
    listeners: tuple[str, ...]


class Total(NamedTuple):
    """Frames of a message: how many, how long they took together, and the end of the last, in ns."""

    frames: int
    busy_ns: int
    last_ns: int


class Batch:
    """Frames that went through, in the order of their ends.

    ``sent``: the messages; ``frames`` (number, 5): start and end in ns, index in ``sent``, length in bit, dominant bits
    without the ACK slot; ``payloads`` (number, bytes), filled up with zeros.
    """

    def __init__(self, sent: Sequence[Sent], frames: NDArray[np.int64], payloads: NDArray[np.uint8]) -> None:
        self.sent = sent
        self.frames = frames
        self.payloads = payloads

    def __len__(self) -> int:
        return len(self.frames)

    @property
    def t_end_ns(self) -> NDArray[np.int64]:
        """The end of each frame, in ns."""
        return self.frames[:, END_NS]

    @property
    def which(self) -> NDArray[np.int64]:
        """Which of ``sent`` each frame is."""
        return self.frames[:, WHICH]

    def totals(self) -> Iterator[tuple[Sent, Total]]:
        """The messages that went through, in the order of ``sent``, and how much of each."""
        which = self.which
        count = np.bincount(which, minlength=len(self.sent))
        busy_ns = np.bincount(which, self.t_end_ns - self.frames[:, START_NS], len(self.sent))
        last_ns = np.zeros_like(count)
        last_ns[which] = self.t_end_ns  # of equal ones the last stays
        for k in np.flatnonzero(count).tolist():
            yield self.sent[k], Total(int(count[k]), int(busy_ns[k]), int(last_ns[k]))

    def records(self) -> Iterator[FrameRecord]:
        """The same as records, one by one."""
        for row, payload in zip(self.frames.tolist(), self.payloads, strict=True):
            one = self.sent[row[WHICH]]
            yield FrameRecord(
                row[START_NS], row[END_NS], one.network, one.transmitter, one.message, one.frame_id, one.extended,
                payload[: one.size].tobytes(), row[BITS], row[DOMINANT], one.listeners, one.listeners, "ok",
                fd=one.fd, brs=one.brs,
            )  # fmt: skip


def merged(batches: Sequence[Batch]) -> Batch:
    """Several networks' batches as one, by the ends of the frames; at one instant in the order given."""
    if len(batches) == 1:
        return batches[0]
    width = max(batch.payloads.shape[1] for batch in batches)
    sent: list[Sent] = []
    frames, payloads = [], []
    for batch in batches:
        rows = batch.frames.copy()
        rows[:, WHICH] += len(sent)
        sent += batch.sent
        frames.append(rows)
        wide = np.zeros((len(batch), width), np.uint8)
        wide[:, : batch.payloads.shape[1]] = batch.payloads
        payloads.append(wide)
    joined = np.concatenate(frames)
    order = np.argsort(joined[:, END_NS], kind="stable")
    return Batch(sent, joined[order], np.concatenate(payloads)[order])
