"""Batches of frames as text and bytes: lines of the event log, objects of the binary log that python-can writes."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import can
import numpy as np
from can.io import blf
from can.util import len2dlc
from numpy.typing import NDArray

from simulator.batch import Batch, Sent
from simulator.kernels.stretch import BITS, DOMINANT, END_NS, START_NS, WHICH
from simulator.record import FrameRecord

_HEADER = [
    ("signature", "S4"), ("header_size", "<u2"), ("version", "<u2"), ("size", "<u4"), ("kind", "<u4"),
    ("flags", "<u4"), ("client", "<u2"), ("object_version", "<u2"), ("timestamp", "<u8"),
]  # fmt: skip
_CLASSIC = np.dtype([*_HEADER, ("channel", "<u2"), ("bits", "u1"), ("dlc", "u1"), ("id", "<u4"), ("data", "u1", 8)])
_FD = np.dtype(
    [
        *_HEADER, ("channel", "<u2"), ("bits", "u1"), ("dlc", "u1"), ("id", "<u4"), ("length", "<u4"), ("count", "u1"),
        ("fd_bits", "u1"), ("valid", "u1"), ("reserved", "u1", 5), ("data", "u1", 64),
    ]
)  # fmt: skip

#: Where the numbers and the data of a frame stand in its line: before and, for a record of these values, what.
_MARKS = ('"t_start_ns": |-1', '"t_end_ns": |-2', '"data": "|', '"length_bits": |-3', '"dominant_bits": |-4')


class Lines:
    """The frames of batches as lines of JSON; ``shown``: a record as a mapping."""

    def __init__(self, shown: Callable[[FrameRecord], dict[str, Any]]) -> None:
        self._shown = shown
        self._known: dict[Sent, tuple[str, ...]] = {}

    def of(self, batch: Batch) -> Iterator[str]:
        """A line for each frame, with its end."""
        pieces = [self._pieces(one) for one in batch.sent]
        sizes = [one.size for one in batch.sent]
        width = 2 * batch.payloads.shape[1]
        digits = batch.payloads.tobytes().hex()
        for number, row in enumerate(batch.frames.tolist()):
            a, b, c, d, e, f = pieces[row[WHICH]]
            at = number * width
            data = digits[at : at + 2 * sizes[row[WHICH]]]
            yield f"{a}{row[START_NS]}{b}{row[END_NS]}{c}{data}{d}{row[BITS]}{e}{row[DOMINANT]}{f}"

    def _pieces(self, one: Sent) -> tuple[str, ...]:
        """What stands between the numbers and the data in the lines of a message."""
        if one not in self._known:
            record = FrameRecord(
                -1, -2, one.network, one.transmitter, one.message, one.frame_id, one.extended, b"", -3, -4,
                one.listeners, one.listeners, "ok", fd=one.fd, brs=one.brs,
            )  # fmt: skip
            line, found = json.dumps(self._shown(record)) + "\n", []
            for mark in _MARKS:
                key, value = mark.split("|")
                before, line = line.split(key + value, 1)
                found.append(before + key)
            self._known[one] = (*found, line)
        return self._known[one]


class BatchBlfWriter(can.BLFWriter):
    """python-can's writer of binary logs, which takes batches, too."""

    def on_batch(self, batch: Batch, channels: Mapping[str, int]) -> None:
        """As ``on_message_received``, frame by frame; ``channels``: number of each network, from 0."""
        objects, times_s = blf_objects(batch, channels, self.start_timestamp or 0.0)
        self.object_count += len(batch)
        self.stop_timestamp = float(times_s[-1])
        self._buffer.append(objects)
        self._buffer_size += len(objects)
        while self._buffer_size >= self.max_container_size:
            self._flush()


def blf_objects(batch: Batch, channels: Mapping[str, int], begin_s: float) -> tuple[bytes, NDArray[np.float64]]:
    """The objects of a batch, and their times in s; layout as of python-can's writer, the source of these fields."""
    which, times_s = batch.which, batch.t_end_ns / 1e9
    sent = batch.sent
    channel = np.array([channels[one.network] + 1 for one in sent])[which]
    identifier = np.array([one.frame_id | one.extended * blf.CAN_MSG_EXT for one in sent])[which]
    is_fd = np.array([one.fd for one in sent])[which]
    code = np.array([len2dlc(one.size) if one.fd else one.size for one in sent])[which]
    sizes = np.where(is_fd, _FD.itemsize, _CLASSIC.itemsize)
    starts = np.cumsum(sizes) - sizes
    found = np.zeros(int(sizes.sum()), np.uint8)
    for kind, dtype, number in ((False, _CLASSIC, blf.CAN_MESSAGE), (True, _FD, blf.CAN_FD_MESSAGE)):
        rows = np.flatnonzero(is_fd == kind)
        if not len(rows):
            continue
        objects = np.zeros(len(rows), dtype)
        objects["signature"], objects["header_size"], objects["version"] = b"LOBJ", 32, 1
        objects["size"], objects["kind"], objects["flags"] = dtype.itemsize, number, blf.TIME_ONE_NANS
        objects["timestamp"] = ((times_s[rows] - begin_s) * 1e9).astype(np.int64)
        objects["channel"], objects["dlc"], objects["id"] = channel[rows], code[rows], identifier[rows]
        width = min(objects["data"].shape[1], batch.payloads.shape[1])
        objects["data"][:, :width] = batch.payloads[rows, :width]
        if kind:
            objects["fd_bits"] = np.array([blf.EDL | one.brs * blf.BRS for one in sent])[which[rows]]
            objects["valid"] = np.array([one.size for one in sent])[which[rows]]
        octets = objects.view(np.uint8).reshape(len(rows), dtype.itemsize)
        found[starts[rows][:, None] + np.arange(dtype.itemsize)] = octets
    return found.tobytes(), times_s
