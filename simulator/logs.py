"""Writing down a run: the event log in JSON lines, and frames in the log formats of python-can."""

from __future__ import annotations

import json
import sqlite3
from bisect import bisect_left
from collections.abc import Callable
from datetime import datetime
from importlib.util import find_spec
from itertools import repeat
from operator import itemgetter
from pathlib import Path
from typing import Any, TextIO

import can

from simulator.batch import Batch
from simulator.bulk import BatchBlfWriter, Lines
from simulator.datalink.controller import NEVER_NS
from simulator.datalink.island import AHEAD_BITS
from simulator.datalink.trouble import ERROR_KINDS, Trouble
from simulator.datalink.unattended import MOST_BITS
from simulator.errorframes import OFF_AT, StateFrames, trouble_message
from simulator.errors import BadRequest, nearest
from simulator.record import Event, FrameRecord
from simulator.simulation import Simulation
from simulator.tester import message_of


class DatabaseWriter:
    """Frames as rows of the table ``messages``, for python-can's SqliteReader, the source of its columns.

    python-can's own writer has a thread that may end before it has written all. ``path``: an empty file, or none.
    """

    _TABLE = (
        "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, error INTEGER, "
        "dlc INTEGER, data BLOB)"
    )
    _ROWS_AT_ONCE = 500

    def __init__(self, path: str) -> None:
        # who writes may be another thread than who opened it
        self._database = sqlite3.connect(path, check_same_thread=False)
        self._database.execute(self._TABLE)
        self._rows: list[tuple[float, int, bool, bool, bool, int, bytes]] = []

    def on_message_received(self, message: can.Message) -> None:
        """Write a frame; its timestamp in s."""
        kind = message.is_extended_id, message.is_remote_frame, message.is_error_frame
        row = (message.timestamp, message.arbitration_id, *kind, message.dlc, bytes(message.data))
        self._rows.append(row)
        if len(self._rows) >= self._ROWS_AT_ONCE:
            self._write()

    def stop(self) -> None:
        """Write what is held back and close the file."""
        self._write()
        self._database.close()

    def _write(self) -> None:
        with self._database:
            self._database.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", self._rows)
        self._rows.clear()


#: Endings of frame logs and who writes them.
_WRITERS: dict[str, Callable[..., Any]] = {
    ".asc": can.ASCWriter,
    ".blf": BatchBlfWriter,
    ".csv": can.CSVWriter,
    ".db": DatabaseWriter,
    ".log": can.CanutilsLogWriter,
    ".mf4": can.MF4Writer,
    ".trc": can.TRCWriter,
    ".txt": can.Printer,
}
#: The ending of the event log.
_EVENTS = ".jsonl"
#: Bits after which a medium has told all that was noticed, with some to spare.
_TOLD_BITS = AHEAD_BITS + 100
_IN_NO_ORDER = frozenset(("code", "controller", "error", "overload", "undetected"))
#: Lines held back at least before any is written, so that they are not sorted one by one.
_FEW_LINES = 512
#: Simulated time begins here in formats that give a date.
_BEGIN = datetime.fromtimestamp(0)


def told_after_ns(simulation: Simulation, *, many: bool = False) -> int:
    """After how long all has been told that controllers noticed at an instant; what is told is in no order of time.

    ``many``: where it is told many at once.
    """
    slowest = min(network.bit_rate for network in simulation.drawn.networks.values())
    return (_TOLD_BITS + MOST_BITS * many) * 1_000_000_000 // slowest


def record_json(record: FrameRecord | Event) -> dict[str, Any]:
    """A record as a mapping for JSON; times in ns, data in hexadecimal, ``kind`` first."""
    if isinstance(record, Event):
        shown: dict[str, Any] = {"kind": record.kind, "t_ns": record.t_ns}
        if record.network is not None:
            shown["network"] = record.network
        shown |= {"name": record.name, "what": record.what}
        if record.place is not None:
            shown["place"] = record.place
        if record.counters is not None:
            shown["transmit_errors"], shown["receive_errors"] = record.counters
        return shown
    shown = {"kind": "frame", **record._asdict()}
    shown["data"] = record.data.hex()
    for flag in ("remote", "fd", "brs", "esi"):
        if not shown[flag]:
            del shown[flag]
    return shown


class EventLog:
    """Everything that happens in a simulation from now on, one JSON object a line: faults, states, supply, frames.

    Lines come in the order of time, frames by their ends; of one instant frames and the world come first, then what
    controllers notice and modules store, by name. That is told a little later, so the last lines are held back until
    ``flush`` or ``close``.
    """

    def __init__(self, simulation: Simulation, stream: TextIO) -> None:
        self._stream: TextIO | None = stream
        self._held: list[tuple[int, str, str]] = []
        self._simulation = simulation
        self._told_ns = told_after_ns(simulation)
        for event in simulation.events_now():
            self._write(event)
        self._lines = Lines(record_json)
        simulation.subscribe(self._write, self._write_batch)
        simulation.notice(self._write)

    def __enter__(self) -> EventLog:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Write what is held back and close the stream; what happens after this is not written."""
        if self._stream is not None:
            self.flush()
            self._stream.close()
        self._stream = None

    def flush(self) -> None:
        """Write all lines so far, what controllers have noticed by now among them."""
        self._simulation.tell_noticed()
        self._release(NEVER_NS)

    def _write(self, record: FrameRecord | Event) -> None:
        if self._stream is not None:
            t_ns = record.t_ns if isinstance(record, Event) else record.t_end_ns
            # controllers, and modules that look at themselves, do so at one instant in no order
            whose = record.name if isinstance(record, Event) and record.kind in _IN_NO_ORDER else ""
            self._held.append((t_ns, whose, json.dumps(record_json(record)) + "\n"))
            if len(self._held) > _FEW_LINES:
                self._release(t_ns - self._told_ns)

    def _write_batch(self, batch: Batch) -> None:
        if self._stream is not None:
            self._held += zip(batch.t_end_ns.tolist(), repeat(""), self._lines.of(batch), strict=False)
            self._release(int(batch.t_end_ns[-1]) - self._told_ns)

    def _release(self, until_ns: int) -> None:
        """Write the lines held back of the time before an instant."""
        if self._stream is None:
            return
        self._held.sort(key=itemgetter(0, 1))
        count = bisect_left(self._held, until_ns, key=itemgetter(0))
        self._stream.writelines(line for *_, line in self._held[:count])
        del self._held[:count]


def open_log(simulation: Simulation, path: str | Path) -> EventLog | FrameLog:
    """A log of the ending's kind: .jsonl is the event log, others hold frames. Raises BadRequest."""
    if Path(path).suffix.lower() != _EVENTS:
        return FrameLog(simulation, path)
    try:
        return EventLog(simulation, Path(path).open("w", encoding="utf-8"))
    except OSError as refused:
        raise BadRequest(f"cannot write {path}: {refused.strerror}") from refused


class FrameLog:
    """The frames of a simulation from now on, in the format of the file's ending; use it as a context manager.

    Frames that arrived are written at the end of EOF; attempts that failed as error frames, which say what their
    transmitter noticed (``simulator.errorframes``) where the format can. Networks are channels in the order of the
    vehicle file, from 0. Raises BadRequest for an ending that nobody writes.
    """

    def __init__(self, simulation: Simulation, path: str | Path) -> None:
        ending = Path(path).suffix.lower()
        if ending not in _WRITERS:
            raise BadRequest(f"no log format ends in '{ending}'; {nearest(ending, sorted([*_WRITERS, _EVENTS]))}")
        if ending == ".mf4" and find_spec("asammdf") is None:
            raise BadRequest("a .mf4 log needs the package asammdf: install it, or write .blf, .asc, .log or .csv")
        try:
            if ending == ".db":
                # else it would add to what is there
                Path(path).write_bytes(b"")
            self._writer = _WRITERS[ending](str(path))
        except OSError as refused:
            raise BadRequest(f"cannot write {path}: {refused.strerror}") from refused
        self._begin(ending)
        self._only_data = ending == ".trc"
        self._channels = {name: channel for channel, name in enumerate(simulation.drawn.networks)}
        self._noticed: dict[tuple[str, str], Trouble] = {}
        self._simulation = simulation
        simulation.subscribe(self._write, self._write_batch)
        simulation.overhear(self._hear)

    def __enter__(self) -> FrameLog:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Finish the file; frames after this are not written."""
        if self._writer is not None:
            self._writer.stop()
        self._writer = None

    def _begin(self, ending: str) -> None:
        """Take the wall clock out of what python-can has begun to write: our times are simulated, from 0."""
        writer = self._writer
        if ending == ".asc":
            writer.file.seek(0)
            writer.file.truncate()
            writer.file.write(f"date {_BEGIN.strftime('%a %b %d %H:%M:%S.000 %Y')}\n")
            writer.file.write("base hex  timestamps absolute\ninternal events logged\n")
            writer.log_event("Simulated time from 0", 0.0)
        elif ending == ".blf":
            # Else its times count from the first frame, cut to the millisecond.
            writer.start_timestamp = 0.0
        elif ending == ".mf4":
            writer._mdf.header.start_time = _BEGIN
            writer.last_timestamp = writer._start_time = 0.0
        elif ending == ".trc":
            # else its times count from the first frame
            writer.write_header(0.0)
            writer.first_timestamp = 0.0

    def _write_batch(self, batch: Batch) -> None:
        if isinstance(self._writer, BatchBlfWriter):
            self._writer.on_batch(batch, self._channels)
            return
        for record in batch.records():
            self._write(record)

    def _write(self, record: FrameRecord) -> None:
        if self._writer is None:
            return
        if self._only_data and (record.outcome != "ok" or record.remote or record.fd):
            return
        channel = self._channels[record.network]
        self._writer.on_message_received(
            message_of(record, channel) if record.outcome == "ok" else self._error_frame(record, channel)
        )

    def _hear(self, network: str, trouble: Trouble) -> None:
        # of an attempt the first one is the reason, what follows is noticed in the error flag; the one that makes a
        # controller bus-off comes when the attempt has ended
        if trouble.transmitting and trouble.kind in ERROR_KINDS and trouble.transmit_errors < OFF_AT:
            self._noticed.setdefault((network, trouble.node), trouble)

    def _error_frame(self, record: FrameRecord, channel: int) -> can.Message:
        """What the transmitter of a failed attempt noticed first, or that it is bus-off; bare where it went down."""
        trouble = self._noticed.pop((record.network, record.transmitter), None)
        if trouble is not None and trouble.t_ns > record.t_start_ns:
            message = trouble_message(trouble, (trouble.transmit_errors, trouble.receive_errors))
        elif self._simulation.status(record.network, record.transmitter) == "bus off":
            counters = self._simulation.counters(record.network, record.transmitter)
            message = next(StateFrames().changes(counters))
        else:
            message = can.Message(is_error_frame=True, is_extended_id=False, dlc=0)
        message.timestamp, message.channel = record.t_end_ns / 1e9, channel
        return message
