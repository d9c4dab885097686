"""The verdict on a finding: right or not, and whether the readings prove it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import faults as fault_room
from faults import Fault
from lab.bench import Bench, Traffic
from lab.case import same_fault
from lab.pictures import wire_map
from lab.possible import HEALTHY, Candidate, Possible, fits, now_and_then, still_possible, tell_apart
from lab.slip import Slip
from simulator.probes import parse_probe
from simulator.vehicle import Vehicle

#: So many names are listed, the rest is counted.
_LISTED = 8
#: So many remaining candidates are held against the truth one by one; more are surely not one group.
_COMPARED = 60


@dataclass(frozen=True)
class Row:
    """A slip beside what it should have been on the healthy vehicle and with the hidden fault."""

    slip: Slip
    healthy: str
    faulted: str


@dataclass(frozen=True)
class Verdict:
    """``word``: sound (right, and proved), lucky (right, not proved), unproven (wrong, but fits), wrong.

    ``still``: the faults that every valid slip leaves; ``alike``: those of them that nothing allowed tells from the
    hidden one; ``fits_too``: another that fits, with the reading that would tell it apart, or empty texts.
    """

    word: str
    reason: str
    hidden: tuple[str, ...]
    answer: tuple[str, ...]
    still: tuple[str, ...]
    alike: tuple[str, ...]
    out: tuple[tuple[str, int], ...]
    fits_too: str
    told_apart_by: str
    rows: tuple[Row, ...]
    picture: str


def judge_finding(
    vehicle: Vehicle,
    hidden: Sequence[Fault],
    wanted: Sequence[Fault],
    answer: Sequence[Fault],
    slips: Sequence[Slip],
    instruments: Sequence[str],
    actions: Sequence[str],
    traffic: Traffic,
    picture: Path,
    torn_open: frozenset[str],
) -> Verdict:
    """The verdict on an answer, and the wire map with fault and readings, drawn into ``picture``."""
    found = Possible(vehicle, traffic, more=[*hidden, *answer]).sift(slips)
    left = still_possible(found)
    truth = Bench(fault_room.apply(vehicle, hidden), traffic)
    said = Bench(fault_room.apply(vehicle, answer), traffic)
    coming_and_going = not left and len(hidden) == 1
    if coming_and_going:
        left = now_and_then(found, slips)
    alike, other, reading = _split(left, hidden, truth, instruments, actions)
    right = bool(answer) and _matches(answer, wanted)
    if not right and len(answer) == 1 and len(hidden) == 1:
        right = any(item.fault is not None and same_fault(item.fault, answer[0]) for item in alike)
    explains = all(fits(said, slip) for slip in slips if slip.state == "valid") or (
        len(answer) == 1 and any(item.fault is not None and same_fault(item.fault, answer[0]) for item in left)
    )
    word, reason = _word(right, other, explains, len(hidden))
    wire_map(vehicle, picture, readings=[slip.taken(vehicle) for slip in slips], faults=hidden, torn_open=torn_open)
    return Verdict(
        word=word,
        reason=reason,
        hidden=tuple(map(str, hidden)),
        answer=tuple(map(str, answer)) or (HEALTHY,),
        still=tuple(item.name for item in left),
        alike=tuple(item.name for item in alike if not _is_one_of(item, hidden)),
        out=tuple((item.name, item.out) for item in found if item.out is not None),
        fits_too=other.name if other else "",
        told_apart_by=reading,
        rows=tuple(_row(slip, vehicle, truth, traffic) for slip in slips),
        picture=str(picture),
    )


def _split(
    left: Sequence[Candidate],
    hidden: Sequence[Fault],
    truth: Bench,
    instruments: Sequence[str],
    actions: Sequence[str],
) -> tuple[list[Candidate], Candidate | None, str]:
    """Those that nothing allowed tells from the truth, and the first other one with the reading that would."""
    alike: list[Candidate] = []
    strange = [item for item in left if not _is_one_of(item, hidden)]
    alike += [item for item in left if _is_one_of(item, hidden)]
    other, by = None, ""
    for item in strange[:_COMPARED]:
        reading = tell_apart(truth, item.bench, instruments, actions)
        if reading is None:
            alike.append(item)
        elif other is None:
            other, by = item, reading
    return alike, other, by


def _is_one_of(item: Candidate, hidden: Sequence[Fault]) -> bool:
    return len(hidden) == 1 and item.fault is not None and same_fault(item.fault, hidden[0])


def _matches(answer: Sequence[Fault], wanted: Sequence[Fault]) -> bool:
    """Whether every fault is named once and nothing else is."""
    left = list(wanted)
    for fault in answer:
        twin = next((item for item in left if same_fault(item, fault)), None)
        if twin is None:
            return False
        left.remove(twin)
    return not left


def _word(right: bool, other: Candidate | None, explains: bool, count: int) -> tuple[str, str]:
    if right and other is None:
        return "sound", "right, and your readings leave nothing else that could have been told apart"
    if right:
        return "lucky", f"right, but your readings do not prove it: '{other.name if other else ''}' fits them as well"
    if explains:
        more = f"; {count} faults are hidden" if count > 1 else ""
        return "unproven", f"your finding fits your readings, and so does the truth; one more reading was needed{more}"
    return "wrong", "your own readings speak against it"


def _row(slip: Slip, vehicle: Vehicle, truth: Bench, traffic: Traffic) -> Row:
    healthy = Bench(vehicle, traffic)
    return Row(slip, expected(healthy, slip), expected(truth, slip))


def expected(bench: Bench, slip: Slip) -> str:
    """What a slip should show on a vehicle, with its range, in words."""
    if slip.kind == "call":
        return "silent " + (", ".join(bench.silent(slip.condition)) or "nobody")
    red, black = (parse_probe(bench.vehicle, text) for text in (slip.red, slip.black))
    if slip.kind == "ohms":
        if slip.condition.battery_on:
            return "nothing: no ohms with the battery on"
        return ohm_words(bench.ohms(slip.condition, red, black).value, *_ends(bench, slip, red, black))
    found = bench.volts(slip.condition, red, black)
    return f"{found.value:.2f} V ({found.least:.2f} to {found.greatest:.2f})"


def _ends(bench: Bench, slip: Slip, red: tuple[str, ...], black: tuple[str, ...]) -> tuple[float, float]:
    found = bench.ohms(slip.condition, red, black)
    return found.least, found.greatest


def ohm_words(value: float, least: float, greatest: float) -> str:
    """A resistance with its range, OL where it is open."""
    from simulator.calculator import OPEN_OHM

    if value > OPEN_OHM:
        return "OL"
    if value >= 1000.0:
        return f"{value / 1000:.2f} kohm ({max(0.0, least) / 1000:.2f} to {greatest / 1000:.2f})"
    return f"{value:.1f} ohm ({max(0.0, least):.1f} to {greatest:.1f})"


def verdict_lines(verdict: Verdict) -> tuple[str, ...]:
    """The verdict as lines to show."""
    lines = [
        f"Finding: {' + '.join(verdict.answer)}",
        f"{verdict.word.upper()}: {verdict.reason}.",
        f"The fault was: {' + '.join(verdict.hidden)}",
        "",
        "Your reading slips, beside what they should be:",
    ]
    if not verdict.rows:
        lines.append("  none was taken")
    for row in verdict.rows:
        lines.append(f"  {row.slip.number}. {row.slip.line()}")
        lines.append(f"      healthy: {row.healthy}; with the fault: {row.faulted}")
    lines += ["", f"Still possible after your valid slips: {_names(verdict.still)}"]
    by_slip: dict[int, int] = {}
    for _, number in verdict.out:
        by_slip[number] = by_slip.get(number, 0) + 1
    if by_slip:
        counts = [f"{count} by reading no. {number}" for number, count in sorted(by_slip.items())]
        lines.append("Out: " + ", ".join(counts))
    if verdict.alike:
        lines.append(f"Cannot be told apart from it with what was allowed: {_names(verdict.alike)}")
    if verdict.fits_too:
        lines.append(f"This fits too: {verdict.fits_too}")
        if verdict.told_apart_by:
            lines.append(f"  This would have told them apart: {verdict.told_apart_by}")
    lines.append(f"Wire map with fault and readings: {verdict.picture}")
    return tuple(lines)


def _names(names: Sequence[str]) -> str:
    if not names:
        return "no single fault; the readings do not go together"
    more = f", and {len(names) - _LISTED} more" if len(names) > _LISTED else ""
    return "; ".join(names[:_LISTED]) + more
