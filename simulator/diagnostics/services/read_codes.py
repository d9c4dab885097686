"""ReadDTCInformation, 0x19: sub-functions 01, 02, 03, 04, 06 and 0A. ISO 14229-1:2020, 12.3."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from simulator.diagnostics.memory import AVAILABLE
from simulator.diagnostics.refusal import Refusal, Refused
from simulator.diagnostics.service import NOT_PROGRAMMING, POSITIVE, Request, Service
from simulator.diagnostics.status import Entry, Snapshot

if TYPE_CHECKING:
    from simulator.diagnostics.server import Server

#: reportNumberOfDTCByStatusMask and so on (12.3).
NUMBER, BY_MASK, SNAPSHOT_LIST, SNAPSHOT, EXTENDED, SUPPORTED = 0x01, 0x02, 0x03, 0x04, 0x06, 0x0A
#: DTCFormatIdentifier: the codes are those of ISO 14229-1 (annex D.4).
_FORMAT = 0x01
#: All records (12.3).
EVERY_RECORD = 0xFF
#: Records of snapshots: the first failure since the last clear, and the latest.
FIRST, LATEST = 0x01, 0x02
#: Data identifiers in a snapshot, of the range for vehicle manufacturers: 0.1 s of the module's clock (4 byte), 10 mV
#: of supply (2 byte), and the identifier of the message that was missing or wrong (4 byte).
CLOCK, SUPPLY, DETAIL = 0xD100, 0xD101, 0xD102
#: Records of extended data: occurrence counter, cycles without failure (ageing counter).
OCCURRENCES, AGED = 0x01, 0x02
_TENTH_NS = 100_000_000


def _head(kind: int) -> bytes:
    return bytes((SERVICE.number + POSITIVE, kind))


def _listed(entries: Iterable[Entry]) -> bytes:
    return b"".join(_coded(entry) + bytes((entry.status,)) for entry in entries)


def _coded(entry: Entry) -> bytes:
    return entry.number.to_bytes(3, "big")


def _number(server: Server, request: Request) -> bytes:
    count = len(server.memory.matching(request.payload[2]))
    return _head(NUMBER) + bytes((AVAILABLE, _FORMAT)) + count.to_bytes(2, "big")


def _by_mask(server: Server, request: Request) -> bytes:
    return _head(BY_MASK) + bytes((AVAILABLE,)) + _listed(server.memory.matching(request.payload[2]))


def _supported(server: Server, request: Request) -> bytes:
    return _head(SUPPORTED) + bytes((AVAILABLE,)) + _listed(server.memory.entries.values())


def _snapshot_list(server: Server, request: Request) -> bytes:
    rows = [
        _coded(entry) + bytes((record,))
        for entry in server.memory.entries.values()
        for record, kept in _snapshots(entry).items()
        if kept
    ]
    return _head(SNAPSHOT_LIST) + b"".join(rows)


def _snapshot(server: Server, request: Request) -> bytes:
    entry, record = _asked(server, request)
    known = _snapshots(entry)
    if record != EVERY_RECORD and record not in known:
        raise Refused(Refusal.REQUEST_OUT_OF_RANGE)
    wanted = known if record == EVERY_RECORD else {record: known[record]}
    rows = [_snapshot_record(number, kept) for number, kept in wanted.items() if kept]
    return _head(SNAPSHOT) + _coded(entry) + bytes((entry.status,)) + b"".join(rows)


def _snapshot_record(number: int, snapshot: Snapshot) -> bytes:
    values = (
        (CLOCK, 4, snapshot.t_ns // _TENTH_NS),
        (SUPPLY, 2, round(max(0.0, snapshot.supply_volt) * 100)),
        (DETAIL, 4, snapshot.detail),
    )
    data = b"".join(number.to_bytes(2, "big") + value.to_bytes(length, "big") for number, length, value in values)
    return bytes((number, len(values))) + data


def _extended(server: Server, request: Request) -> bytes:
    entry, record = _asked(server, request)
    values = {OCCURRENCES: entry.occurrences, AGED: entry.aged}
    if record != EVERY_RECORD and record not in values:
        raise Refused(Refusal.REQUEST_OUT_OF_RANGE)
    wanted = values if record == EVERY_RECORD else {record: values[record]}
    # a code that has never failed has no records (12.3)
    rows = [bytes((number, value)) for number, value in wanted.items() if entry.occurrences]
    return _head(EXTENDED) + _coded(entry) + bytes((entry.status,)) + b"".join(rows)


def _asked(server: Server, request: Request) -> tuple[Entry, int]:
    entry = server.memory.entries.get(int.from_bytes(request.payload[2:5], "big"))
    if entry is None:
        raise Refused(Refusal.REQUEST_OUT_OF_RANGE)
    return entry, request.payload[5]


def _snapshots(entry: Entry) -> dict[int, Snapshot | None]:
    return {FIRST: entry.first, LATEST: entry.latest}


#: Each sub-function with the exact length of its request.
_KINDS: dict[int, tuple[int, Callable[[Server, Request], bytes]]] = {
    NUMBER: (3, _number),
    BY_MASK: (3, _by_mask),
    SNAPSHOT_LIST: (2, _snapshot_list),
    SNAPSHOT: (6, _snapshot),
    EXTENDED: (6, _extended),
    SUPPORTED: (2, _supported),
}


def _answer(server: Server, request: Request) -> bytes:
    length, answer = _KINDS[request.sub_function]
    if len(request.payload) != length:
        raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    return answer(server, request)


SERVICE = Service(
    0x19,
    "ReadDTCInformation",
    _answer,
    sessions=NOT_PROGRAMMING,
    sub_functions=dict.fromkeys(_KINDS, NOT_PROGRAMMING),
)
