"""The journal of a job: JSON lines, each chained to the one before, on the disk before anything is shown.

The hidden fault stands in it sealed, that is encoded so that nobody reads it by accident. It is no secret from
somebody who reads this program.
"""

from __future__ import annotations

import base64
import fcntl
import hashlib
import json
import os
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any

from simulator.errors import BadFile, BadRequest, Mistake

#: Format 1 had no running vehicle and ended with the finding; such journals can still be opened.
FORMAT, _KNOWN = 2, (1, 2)
ENDING = ".job"
_START = "sixtyohm journal"


class Journal:
    """An open journal: ``records`` is what stands in it, ``append`` adds a line that survives a power cut.

    ``torn``: half a line stood at the end and was cut off; the action of it is lost.
    """

    def __init__(
        self, path: Path, stream: IO[bytes], records: list[dict[str, Any]], last: str, *, torn: bool = False
    ) -> None:
        self.path = path
        self.records = records
        self.torn = torn
        #: The format it was begun in.
        self.format = int(records[0]["journal"]) if records else FORMAT
        self._stream = stream
        self._last = last

    @classmethod
    def create(cls, path: str | Path, head: Mapping[str, Any]) -> Journal:
        """A new journal with its first line. Raises BadRequest where the file exists or cannot be written."""
        path = Path(path)
        try:
            stream = path.open("xb", buffering=0)
        except FileExistsError:
            raise BadRequest(f"{path} exists already; resume that job, or name another file") from None
        except OSError as error:
            raise BadRequest(f"{path} cannot be written ({error.strerror}); name another file") from None
        _lock(stream, path)
        journal = cls(path, stream, [], _hash(_START))
        journal.append({"journal": FORMAT, **head})
        _sync_folder(path)
        return journal

    @classmethod
    def open(cls, path: str | Path) -> Journal:
        """An existing journal, every line checked; half a line at the end, left by a power cut, is cut off.

        Raises BadFile where a line was changed, BadRequest where the file cannot be opened or is in use.
        """
        path = Path(path)
        try:
            stream = path.open("r+b", buffering=0)
        except OSError as error:
            raise BadRequest(f"{path} cannot be opened ({error.strerror}); name the journal of a job") from None
        _lock(stream, path)
        content = stream.read()
        whole = content.rfind(b"\n") + 1
        records, last = _check(path, content[:whole])
        if whole < len(content):
            stream.truncate(whole)
        stream.seek(0, os.SEEK_END)
        return cls(path, stream, records, last, torn=whole < len(content))

    def append(self, record: Mapping[str, Any]) -> None:
        """Add a record; it is on the disk when this returns."""
        text = _text(record)
        self._last = _hash(self._last + text)
        line = json.dumps({"record": json.loads(text), "chain": self._last}, separators=(",", ":"))
        self._stream.write(line.encode("ascii") + b"\n")
        os.fsync(self._stream.fileno())
        self.records.append(json.loads(text))

    def close(self) -> None:
        """Give the file back."""
        self._stream.close()


def _check(path: Path, content: bytes) -> tuple[list[dict[str, Any]], str]:
    records: list[dict[str, Any]] = []
    last = _hash(_START)
    for number, line in enumerate(content.splitlines(), 1):
        try:
            kept = json.loads(line)
            record, chain = kept["record"], kept["chain"]
            text = _text(record)
        except (ValueError, KeyError, TypeError):
            raise _bad(path, number, "is no line of a journal; resume from a copy that nobody edited") from None
        last = _hash(last + text)
        if chain != last:
            raise _bad(path, number, "was changed after it was written; resume from a copy that nobody edited")
        records.append(record)
    if not records or "journal" not in records[0]:
        raise _bad(path, 1, "is not the head of a journal; name the journal of a job")
    if records[0]["journal"] not in _KNOWN:
        known = " and ".join(map(str, _KNOWN))
        raise _bad(path, 1, f"says format {records[0]['journal']}, and this version knows {known}; use a newer version")
    return records, last


def _bad(path: Path, line: int, text: str) -> BadFile:
    return BadFile([Mistake(str(path), line, f"this line {text}")])


def _lock(stream: IO[bytes], path: Path) -> None:
    try:
        fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        stream.close()
        raise BadRequest(f"{path} is in use by another job; leave that one first") from None


def _sync_folder(path: Path) -> None:
    folder = os.open(path.resolve().parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _text(record: Mapping[str, Any]) -> str:
    return json.dumps(record, sort_keys=True, separators=(",", ":"), allow_nan=False)


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def seal(text: str) -> str:
    """A text encoded so that nobody reads it by accident."""
    packed = zlib.compress(text.encode(), 9)
    return base64.b64encode(bytes(a ^ b for a, b in zip(packed, _pad(len(packed)), strict=True))).decode("ascii")


def unseal(sealed: str) -> str:
    """The text of :func:`seal`. Raises ValueError for anything else."""
    packed = base64.b64decode(sealed, validate=True)
    try:
        return zlib.decompress(bytes(a ^ b for a, b in zip(packed, _pad(len(packed)), strict=True))).decode()
    except zlib.error as error:
        raise ValueError(str(error)) from None


def _pad(length: int) -> bytes:
    blocks = (hashlib.sha256(f"{_START} {number}".encode()).digest() for number in range(length // 32 + 1))
    return b"".join(blocks)[:length]


def free_path(stem: str, folder: str | Path = ".") -> Path:
    """A path for a new journal that nothing has yet: STEM.job, STEM-2.job, ..."""
    for number in range(1, 10_000):
        path = Path(folder) / f"{stem}{'' if number == 1 else f'-{number}'}{ENDING}"
        if not path.exists():
            return path
    raise BadRequest(f"too many journals called {stem} in {folder}; delete some")


def newest(folder: str | Path = ".") -> Path:
    """The journal written last in a folder. Raises BadRequest where there is none."""
    found = sorted(Path(folder).glob(f"*{ENDING}"), key=lambda path: (path.stat().st_mtime_ns, path.name))
    if not found:
        raise BadRequest("no journal here; name one, or begin with: sixtyohm job start")
    return found[-1]
