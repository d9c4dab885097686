"""What a run leaves behind: one record per attempt to send a frame, one event for everything else."""

from __future__ import annotations

from typing import NamedTuple


class FrameRecord(NamedTuple):
    """One attempt to send a frame; ``outcome`` is "ok", "not acknowledged", "bit error" or "disturbed".

    Times in ns from SOF to the end of EOF (or of the error delimiter); ``dominant_bits`` without the ACK slot;
    ``message`` is its name in the database. For a remote frame ``data`` is as long as the data it asks for.
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


class Event(NamedTuple):
    """Something other than a frame; ``kind`` is "fault", "state", "supply" (volt) or "controller", of what is named."""

    t_ns: int
    kind: str
    name: str
    what: str | float
    network: str | None = None
