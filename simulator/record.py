"""What a run leaves behind: one record per attempt to send a frame, one event for everything else."""

from __future__ import annotations

from typing import NamedTuple

from simulator.datalink.controller import Attempt


class FrameRecord(NamedTuple):
    """One attempt to send a frame; ``outcome`` is "ok", "not acknowledged", "bit error" or "disturbed".

    Times in ns from SOF to the end of EOF (or of the error delimiter); ``dominant_bits`` without the ACK slot.
    ``message`` is its name in the database; ``esi``: a CAN FD frame of an error passive controller. For a remote frame
    ``data`` is as long as the data it asks for.
    """

    t_start_ns: int
    t_end_ns: int
    network: str
    transmitter: str
    message: str | None
    frame_id: int
    extended: bool
    data: bytes
    length_bits: int
    dominant_bits: int
    acknowledged_by: tuple[str, ...]
    received_by: tuple[str, ...]
    outcome: str
    remote: bool = False
    fd: bool = False
    brs: bool = False
    esi: bool = False


def record_of(network: str, attempt: Attempt) -> FrameRecord:
    """The record of an attempt on a network."""
    frame = attempt.frame
    return FrameRecord(
        attempt.t_start_ns, attempt.t_end_ns, network, attempt.node, frame.name, frame.frame_id, frame.extended,
        frame.data, attempt.length_bits, attempt.dominant_bits, attempt.acknowledged_by, attempt.received_by,
        attempt.outcome.value, frame.remote, frame.fd, frame.brs, attempt.esi,
    )  # fmt: skip


class Event(NamedTuple):
    """Something other than a frame; ``kind`` says what, ``name`` of whom.

    "fault": in or out. "state": a module's supply state. "supply": volt. "controller": error active, error passive or
    bus off. "error": a controller has noticed one (bit 1: sent recessive, read dominant; bit 0, stuff, form, crc,
    ack). "overload": it sends an overload flag. "undetected": it has accepted a frame that nobody sent. These four have
    a ``network`` and ``counters``, (transmit, receive) after it, the last three of them a ``place``: the field of the
    frame, or the controller's state. "code": the status byte of a fault code of a module, like U0101-87 2F.
    """

    t_ns: int
    kind: str
    name: str
    what: str | float
    network: str | None = None
    place: str | None = None
    counters: tuple[int, int] | None = None
