"""Rereading a job: common mistakes of method, each found in what the journal says was done.

The list of mistakes: common practice of those who teach the trade, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from lab.proofsheet import LINES_OF_PROOF
from lab.slip import Slip

if TYPE_CHECKING:
    from lab.job import Job

_WINDOW_C = 45.0


def reread(job: Job, records: Sequence[Mapping[str, Any]]) -> list[str]:
    """What went wrong in the method, a line each with its minute; nothing where nothing did."""
    lines = [*_one_by_one(job, records), *_unloaded_grounds(job.slips), *_past_as_now(job, records)]
    return [*lines, *_on_the_road(job, records)]


def _one_by_one(job: Job, records: Iterable[Mapping[str, Any]]) -> Iterable[str]:
    for record in records:
        minute = f"Minute {record['minute']:g}: "
        if record.get("unsaved"):
            yield f"{minute}codes cleared before they were saved: since when, how often and at what supply is lost."
        if "ordered" in record and record["green"] < LINES_OF_PROOF:
            green = f"{record['green']} of {LINES_OF_PROOF}"
            yield f"{minute}{record['ordered']} ordered with {green} lines of the proof sheet proved good."
        if record.get("healthy") and "replaced" in record:
            yield f"{minute}{record['replaced']} replaced, and nothing was wrong inside it."
        if record.get("told") and "replaced" in record:
            yield f"{minute}{record['replaced']} replaced: only what it was told was wrong, and could be written anew."
        if record.get("healthy") and "repaired" in record:
            yield f"{minute}worked on a healthy part: {record['repaired']}."
        if "wrote" in record and not record["supplied"]:
            yield f"{minute}{record['wrote']} written without a support supply."
        high = _window(job)
        if record.get("level_celsius", 0.0) > high:
            yield f"{minute}level closed at {record['level_celsius']:g} Celsius, above {high:g}: it ends too low."
        if "brake" in str(record.get("lost", "")):
            yield f"{minute}the brake was let go while the routine ran."


def _window(job: Job) -> float:
    levels = [service.level for service in job.vehicle.road.service.values() if service.level is not None]
    return max((level.window_celsius[1] for level in levels), default=_WINDOW_C)


def _unloaded_grounds(slips: Sequence[Slip]) -> Iterable[str]:
    """Grounds that were only read without a load: 2 ohm look fine to an ohmmeter."""
    loaded = {name for slip in slips if slip.kind == "lamp" for name in (slip.red, slip.black)}
    told = set()
    for slip in slips:
        for name in (slip.red, slip.black):
            module = name.partition(".")[0]
            idle = slip.kind == "ohms" or (slip.kind == "volts" and module in slip.condition.unplugged)
            if name.endswith(".ground") and idle and name not in loaded and name not in told:
                told.add(name)
                yield f"Slip {slip.number}: the ground of {module} was checked without a load; use the lamp."


def _past_as_now(job: Job, records: Sequence[Mapping[str, Any]]) -> Iterable[str]:
    """A finding that names a module of which there were only earlier codes, and which was not at fault."""
    if job.verdict is None or job.verdict["word"] not in ("wrong", "unproven"):
        return
    claimed = " ".join(word for record in records if record["do"][0] == "finding" for word in record["do"][1:])
    last = next((slip for slip in reversed(job.slips) if slip.codes is not None), None)
    if last is None or last.codes is None:
        return
    words: dict[str, set[str]] = {}
    for memory in last.codes["modules"]:
        for code in memory["codes"]:
            if code["misses"]:
                words.setdefault(code["misses"], set()).add(code["when"])
    for module, seen in words.items():
        at_fault = any(module in str(fault) for fault in job.hidden)
        if seen == {"earlier"} and f"={module}" in claimed and not at_fault:
            yield f"Slip {last.number}: the codes for {module} are earlier ones; the finding took them for now."


def _on_the_road(job: Job, records: Sequence[Mapping[str, Any]]) -> Iterable[str]:
    """What was not looked at again after the work."""
    work = [n for n, record in enumerate(records) if {"repaired", "replaced", "wrote"} & record.keys()]
    if not work or records[-1]["do"][0] != "hand-back":
        return
    after = records[work[-1] + 1 :]
    done = [record["do"] for record in after]
    if ["call"] not in done:
        yield "Not looked at again after the work: no roll call."
    if not any(words[:2] == ["codes", "read"] or words[:2] == ["codes", "save"] for words in done):
        yield "Not looked at again after the work: codes not read."
    if any(record.get("drove_km", 0.0) > 0.0 for record in after):
        return
    if any(record.get("replaced", "") in job.vehicle.road.service for record in records):
        yield "No road test after the unit was replaced."
    elif any("wrote" in record for record in records):
        yield "No road test after the unit was told something else."
