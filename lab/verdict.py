"""The verdict on a finding: right or not, and whether the readings prove it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice, product
from pathlib import Path

import faults as fault_room
from faults import Fault
from lab.apart import Standing, separating
from lab.bench import Bench, Traffic
from lab.case import same_fault
from lab.claim import Claim
from lab.debrief import expected, shown
from lab.pictures import wire_map
from lab.possible import HEALTHY, TRIED_OHMS, Candidate, Possible, fits, now_and_then, still_possible
from lab.slip import Slip
from simulator.errors import BadRequest
from simulator.vehicle import Vehicle

#: So many remaining candidates are held against the truth one by one; more are surely not one group.
_COMPARED = 60
#: So many choices of left-out ohms are tried.
_CHOICES = 400


@dataclass(frozen=True)
class Attempt:
    """What is judged besides the finding: the vehicle, the faults put in and those asked for, slips, what is allowed.

    ``standing`` is where the student stood at the end.
    """

    vehicle: Vehicle
    hidden: tuple[Fault, ...]
    wanted: tuple[Fault, ...]
    slips: tuple[Slip, ...]
    instruments: tuple[str, ...]
    actions: tuple[str, ...]
    traffic: Traffic
    standing: Standing

    def bench(self, found: Sequence[Fault]) -> Bench:
        """The vehicle with these faults in it."""
        return Bench(fault_room.apply(self.vehicle, found), self.traffic)

    @property
    def counting(self) -> list[Slip]:
        """The slips that count."""
        return [slip for slip in self.slips if slip.counts]


@dataclass(frozen=True)
class Row:
    """A slip beside what it should have been on the healthy vehicle and with the hidden fault."""

    slip: Slip
    healthy: str
    faulted: str


@dataclass(frozen=True)
class Verdict:
    """``word``: sound (right, and proved), lucky (right, not proved), unproven (wrong, but fits), wrong.

    ``against``: the readings that speak against the finding; ``notes``: what to know about it besides. ``still``: the
    faults that every slip that counts leaves; ``alike``: those of them that nothing allowed tells from the hidden one;
    ``fits_too``: another that fits, with the reading that would tell it apart, or empty texts.
    """

    word: str
    reason: str
    hidden: tuple[str, ...]
    answer: tuple[str, ...]
    against: tuple[str, ...]
    notes: tuple[str, ...]
    still: tuple[str, ...]
    alike: tuple[str, ...]
    out: tuple[tuple[str, int], ...]
    fits_too: str
    told_apart_by: str
    rows: tuple[Row, ...]
    picture: str


def judge_finding(attempt: Attempt, claims: Sequence[Claim], picture: Path) -> Verdict:
    """The verdict on a finding, and the wire map with fault and readings, drawn into ``picture``."""
    vehicle, hidden, slips = attempt.vehicle, attempt.hidden, attempt.slips
    truth = attempt.bench(hidden)
    found = Possible(vehicle, attempt.traffic, more=[*hidden, *(claim.fault for claim in claims)]).sift(slips)
    left = still_possible(found)
    now = now_and_then(found, slips) if not left and len(hidden) == 1 else []
    left = left or now
    right = _names_all(claims, attempt.wanted)
    own = [item for item in left if _is_hidden(item, hidden, any_ohm=right and claims[0].any_ohm)]
    alike, other, reading = _split([item for item in left if item not in own], truth, attempt, claims, right)
    if not right and len(claims) == 1 and len(hidden) == 1:
        right = any(item.fault is not None and claims[0].names(item.fault) for item in alike)
    said, against = _against(attempt, claims, truth, right, now)
    value_only = right and bool(against)
    right = right and not against
    word, reason = _word(right, other, not against, attempt, claims)
    if value_only:
        reason = "right place and kind, but your own readings speak against the value"
    fits_too, told_by = (other.name, reading) if other else ("", "")
    if word == "unproven":
        apart = separating([said, truth], attempt.instruments, attempt.actions, attempt.standing)[0]
        fits_too, told_by = " + ".join(map(str, hidden)), _reading_words(apart)
    reached = attempt.standing.reached
    wire_map(vehicle, picture, readings=[slip.taken(vehicle) for slip in slips], faults=hidden, torn_open=reached)
    return Verdict(
        word=word,
        reason=reason,
        hidden=tuple(map(str, hidden)),
        answer=tuple(map(str, claims)) or (HEALTHY,),
        against=tuple(_spoken(slip, said) for slip in against),
        notes=() if right or not against else _module_side(claims),
        still=tuple(item.name for item in [*own, *(item for item in left if item not in own)]),
        alike=tuple(item.name for item in alike),
        out=tuple((item.name, item.out) for item in found if item.out is not None),
        fits_too=fits_too,
        told_apart_by=told_by,
        rows=tuple(_rows(slips, Bench(vehicle, attempt.traffic), truth)),
        picture=str(picture),
    )


def _rows(slips: Sequence[Slip], healthy: Bench, truth: Bench) -> list[Row]:
    return [Row(slip, expected(healthy, slip), expected(truth, slip)) for slip in slips]


def _split(
    strange: Sequence[Candidate], truth: Bench, attempt: Attempt, claims: Sequence[Claim], right: bool
) -> tuple[list[Candidate], Candidate | None, str]:
    """Those that nothing allowed tells from the truth, and the first other one with the cheapest reading that would.

    The other one is never the student's own finding.
    """
    some = strange[:_COMPARED]
    readings = separating(
        [truth, *(item.bench for item in some)], attempt.instruments, attempt.actions, attempt.standing
    )
    alike = [item for item, reading in zip(some, readings, strict=True) if reading is None]
    for item, reading in zip(some, readings, strict=True):
        if reading is not None and (right or not _is_claimed(item, claims)):
            return alike, item, _reading_words(reading)
    return alike, None, ""


def _reading_words(reading: tuple[str, float] | None) -> str:
    return "" if reading is None else f"{reading[0]} ({reading[1]:g} min)"


def _is_hidden(item: Candidate, hidden: Sequence[Fault], *, any_ohm: bool) -> bool:
    return len(hidden) == 1 and item.fault is not None and same_fault(item.fault, hidden[0], any_ohm=any_ohm)


def _is_claimed(item: Candidate, claims: Sequence[Claim]) -> bool:
    if item.fault is None:
        return not claims
    return len(claims) == 1 and claims[0].names(item.fault)


def _names_all(claims: Sequence[Claim], wanted: Sequence[Fault]) -> bool:
    """Whether every fault is named once and nothing else is."""
    left = list(wanted)
    for claim in claims:
        twin = next((item for item in left if claim.names(item)), None)
        if twin is None:
            return False
        left.remove(twin)
    return bool(claims) and not left


def _against(
    attempt: Attempt, claims: Sequence[Claim], truth: Bench, right: bool, now: Sequence[Candidate]
) -> tuple[Bench, list[Slip]]:
    """The vehicle as the finding has it, and the slips that speak against it.

    A slip that the truth itself does not give, because the fault came and went, speaks against nothing that is right;
    ``now`` are the faults that fit when they may come and go.
    """
    extra = [fault for fault in attempt.hidden if right and not any(same_fault(fault, one) for one in attempt.wanted)]
    best: tuple[Bench, list[Slip]] | None = None
    for choice in islice(product(*(_versions(claim, attempt.wanted) for claim in claims)), _CHOICES):
        try:
            said = attempt.bench([*choice, *extra])
        except BadRequest:
            continue
        against = [slip for slip in attempt.counting if not fits(said, slip) and (not right or fits(truth, slip))]
        if not against:
            return said, []
        if len(choice) == 1 and any(item.fault is not None and same_fault(item.fault, choice[0]) for item in now):
            return said, []
        best = best or (said, against)
    assert best is not None  # the finding itself was tried before it was judged
    return best


def _versions(claim: Claim, wanted: Sequence[Fault]) -> list[Fault]:
    """What a claim may mean; the fault it names first, with the claim's own ohm where it gives one."""
    twin = next((fault for fault in wanted if claim.same_place(fault)), None)
    return [claim.settled(twin)] if twin is not None else claim.versions(TRIED_OHMS)


def _spoken(slip: Slip, said: Bench) -> str:
    """A reading beside what it would be with the finding."""
    return f"no. {slip.number}: {shown(slip)}; with your finding it would read {expected(said, slip)}"


def _module_side(claims: Sequence[Claim]) -> tuple[str, ...]:
    """For faults in a module's contact: on which side of the probe point they are."""
    inside = [claim for claim in claims if getattr(claim.fault, "at", None) and hasattr(claim.fault, "line")]
    if not inside:
        return ()
    module = getattr(inside[0].fault, "at", "")
    where = f"at={module} is in the contact of {module}, on the module side of the probe points at its plug"
    return (f"{where}: a reading there shows the harness as it is. A fault in the harness is written run=NAME.",)


def _word(
    right: bool, other: Candidate | None, explains: bool, attempt: Attempt, claims: Sequence[Claim]
) -> tuple[str, str]:
    value = _value_words(claims, attempt.wanted)
    right_words = f"right {value};" if value else "right,"
    if right and other is None:
        return "sound", f"{right_words} and your readings leave nothing else that could have been told apart"
    if right:
        name = other.name if other else ""
        return "lucky", f"{right_words} but your readings do not prove it: '{name}' fits them as well"
    if explains:
        more = f"; {len(attempt.hidden)} faults are hidden" if len(attempt.hidden) > 1 else ""
        near = f" (right {value})" if value else ""
        return (
            "unproven",
            f"your finding fits your readings, and so does the truth{near}; one more reading was needed{more}",
        )
    return "wrong", "your own readings speak against it"


def _value_words(claims: Sequence[Claim], wanted: Sequence[Fault]) -> str:
    """What to add where kind and place are right and the ohm was left out or is another."""
    words = []
    for claim in claims:
        twin = next((fault for fault in wanted if claim.same_place(fault)), None)
        if twin is None or getattr(twin, "ohm", None) == getattr(claim.fault, "ohm", None):
            continue
        if claim.any_ohm or not claim.names(twin):
            ohm = getattr(twin, "ohm", None)
            words.append("it is open" if ohm is None else f"its value is {ohm:g} ohm")
    return f"place and kind; {', '.join(words)}" if words else ""
