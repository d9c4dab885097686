"""Actions of a job with the tester and at the parts counter: codes, values, config, order, repair, replace."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faults import Fault
from lab.claim import parse_claim
from lab.deeds import Deed, Done, Planner, one_word
from lab.hands import State, caution, reach_module
from lab.proofsheet import LINES_OF_PROOF, proof_sheet
from lab.telling import told_wrong
from lab.tester import (
    LEGEND,
    Codes,
    Diagnosis,
    clear_codes,
    codes_from_json,
    compare_codes,
    names_like,
    read_codes,
    read_configuration,
    read_values,
    save_codes,
    who_misses_whom,
)
from lab.tester.show import changing_lines, code_lines
from simulator.errors import BadRequest
from simulator.vehicle import Vehicle
from simulator.world import BackOnTheRoad

if TYPE_CHECKING:
    from lab.job import Job
    from lab.livecar import LiveCar

#: Kinds of fault that are inside a unit, whose place is its ``module``: another unit takes them away.
_INSIDE = (
    "dead_module", "stuck_dominant", "stuck_recessive", "flooding", "wrong_bit_rate", "not_configured", "half_written",
    "wrong_value", "wrong_unit",
)  # fmt: skip
#: Those whose place is ``at``, where the terminator is part of the unit.
_TERMINATORS = ("missing_terminator", "wrong_terminator")
_WHAT = "codes read, codes save [FILE], codes clear, or: codes misses"


def inside_unit(vehicle: Vehicle, fault: Fault, module: str | None = None) -> str | None:
    """The unit that a fault is inside of (that unit, or any), or None: it is in harness, supply or a contact."""
    name = None
    if fault.kind in _INSIDE:
        name = getattr(fault, "module", None)
    elif fault.kind in _TERMINATORS and getattr(fault, "at", None) in vehicle.modules:
        at = getattr(fault, "at", "")
        inside = [t.inside for net in vehicle.networks.values() for t in net.terminators if t.at == at]
        name = at if any(inside) else None
    return name if module in (None, name) else None


# ---------------------------------------------------------------------- the tester


def _codes(job: Job, state: State, words: list[str]) -> Deed:
    what, *rest = words or [""]
    if what not in ("read", "save", "clear", "misses") or len(rest) > (what == "save"):
        raise BadRequest(f"write: {_WHAT}")
    state.minute += job.vehicle.action_minutes("codes")
    if what == "clear":
        unsaved = not state.codes_saved
        return Deed(partial(_clear, unsaved=unsaved), cautions=tuple(caution(state, 5)) if unsaved else ())
    if what == "save":
        state.codes_saved = True
    if rest:
        _check_path(rest[0])
    before = next((slip.codes for slip in reversed(job.slips) if slip.codes is not None), None)
    return Deed(partial(_ask_codes, what=what, before=before, path=rest[0] if rest else None))


def _check_path(path: str) -> None:
    if Path(path).is_dir() or not Path(path).resolve().parent.is_dir():
        raise BadRequest(f"{path} cannot be written; name a file in a folder that is there")


def _ask_codes(car: LiveCar, *, what: str, before: Mapping[str, Any] | None, path: str | None) -> Done:
    with Diagnosis(car.simulation) as diagnosis:
        found = read_codes(diagnosis)
    lines = _grid_lines(found) if what == "misses" else code_lines(found, moment=partial(_moment, car))
    if before is not None:
        changes = compare_codes(codes_from_json(before), found)
        lines.append("Since the codes were read last:" if changes else "Nothing is different from the codes read last.")
        lines += ["  " + " ".join(f"{each['module']} {each['code']} {each['change']}".split()) for each in changes]
    if path is not None:
        lines.append(_written(found, path))
    if what == "save":
        lines.append("Saved in the journal of this job.")
    return Done(tuple(lines), slip={"kind": "codes", "display": _display(found), "codes": found.as_json()})


def _written(found: Codes, path: str) -> str:
    """Write codes into a file, and say so; what has been asked by then counts all the same."""
    try:
        save_codes(found, path)
    except BadRequest as refused:
        return f"Not written: {refused}."
    return f"Written into {path}."


def _grid_lines(found: Codes) -> list[str]:
    rows = who_misses_whom(found).table()
    width = max(len(cell) for row in rows for cell in row[:1]) + 1
    wide = max(len(cell) for cell in rows[0]) + 1
    lines = [row[0].ljust(width) + "".join(cell.rjust(wide) for cell in row[1:]) for row in rows]
    return [f"{found.vehicle}: who misses whom", *lines, LEGEND, *changing_lines(found)]


def _moment(car: LiveCar, clock_s: float) -> str:
    """When a module stored something, by the clock of the job."""
    minute = car.minute_of(round(clock_s * 1e9))
    return "before this job" if minute is None else f"minute {minute:.1f}"


def _display(found: Codes) -> str:
    silent = [each.module for each in found.modules if not each.answering]
    now = sum(code.when == "now" for each in found.modules for code in each.codes)
    words = f"{found.count} code{'' if found.count == 1 else 's'}, {now} of them now"
    return f"{words}; silent {', '.join(silent)}" if silent else words


def _clear(car: LiveCar, *, unsaved: bool) -> Done:
    with Diagnosis(car.simulation) as diagnosis:
        cleared = clear_codes(diagnosis)
    lines = cleared.lines()
    if unsaved:
        lines.append("They were not saved: since when, how often and at what supply is lost.")
    lines.append("Status 0x50 now: not tested yet, which is not the same as passed.")
    return Done(tuple(lines), record={"cleared": list(cleared.cleared), "unsaved": unsaved})


def _values(job: Job, state: State, words: list[str]) -> Deed:
    names_like(job.vehicle, words)
    state.minute += job.vehicle.action_minutes("values")
    return Deed(partial(_ask_values, names=tuple(words)))


def _ask_values(car: LiveCar, *, names: tuple[str, ...]) -> Done:
    with Diagnosis(car.simulation) as diagnosis:
        found = read_values(diagnosis, names)
    lines = [f"  {value.name}  {value.shown()}" for value in found]
    shown = "; ".join(f"{value.name} {value.shown()}" for value in found[:3])
    more = f"; and {len(found) - 3} more" if len(found) > 3 else ""
    return Done(tuple(lines), slip={"kind": "values", "display": shown + more})


def _config(job: Job, state: State, words: list[str]) -> Deed:
    names = tuple(job.vehicle.module(word).name for word in words)
    state.minute += job.vehicle.action_minutes("config")
    return Deed(partial(_ask_config, names=names))


def _ask_config(car: LiveCar, *, names: tuple[str, ...]) -> Done:
    with Diagnosis(car.simulation) as diagnosis:
        found = read_configuration(diagnosis, names)
    lines = []
    for each in found:
        lines.append(each.module if each.answering else f"{each.module}: silent")
        for item in each.items:
            wanted = f", should be {item.wanted}" if item.word in ("differs", "missing") else ""
            lines.append(f"  {item.name}: {item.value or '-'} ({item.word}{wanted})")
    wrong = [f"{each.module} {item.name} {item.value}".rstrip() for each in found for item in each.wrong]
    told = {
        each.module: {item.name: item.value for item in each.items if item.value or item.refused}
        for each in found
        if each.answering
    }
    silent = [each.module for each in found if not each.answering]
    words = [f"not as it should be: {', '.join(wrong)}"] if wrong else []
    words += [f"silent {', '.join(silent)}"] if silent else []
    display = "; ".join(words) or "as it should be"
    return Done(tuple(lines), slip={"kind": "config", "display": display, "told": told})


# ---------------------------------------------------------------------- parts and repairs


def _order(job: Job, state: State, words: list[str]) -> Deed:
    module = job.vehicle.module(one_word("order", "MODULE", words)).name
    if module in state.ordered:
        raise BadRequest(f"a {module} is ordered already")
    sheet = proof_sheet(job, module)
    state.minute += job.vehicle.action_minutes("order")
    state.ordered |= {module}
    green = sum(line.word == "proved good" for line in sheet)
    lines = [f"A new {module} is ordered. It is here at once: waiting for parts is not counted."]
    if green < LINES_OF_PROOF:
        lines.append(f"Marked: ordered with {green} of {LINES_OF_PROOF} lines of the proof sheet proved good.")
    done = Done(tuple(lines), record={"ordered": module, "green": green, "proof": [line.as_json() for line in sheet]})
    return Deed(lambda car: done)


def _repair(job: Job, state: State, words: list[str]) -> Deed:
    claim = parse_claim(" ".join(_quoted(word) for word in words)) if words else None
    if claim is None:
        raise BadRequest("write what is mended: repair open line=high at=GBX; one fault at a time")
    _after_finding(job, "repair")
    there = next((fault for fault in job.hidden_left(state) if claim.same_place(fault)), None)
    found = there if there is not None else claim.fault
    unit = told_wrong(job.vehicle, found)
    if unit is not None:
        raise BadRequest(f"that is what {unit} was told: write ITEM VALUE tells it anew (the items: data)")
    unit = inside_unit(job.vehicle, found)
    if unit is not None:
        raise BadRequest(f"that is inside {unit}: order {unit}, then replace {unit}")
    if state.condition.ignition_on:
        raise BadRequest("turn the ignition off before you work on wiring, fuses or grounds: ignition off")
    state.minute += job.vehicle.action_minutes("repair")
    cautions = caution(state, 11) if there is not None and "fuse" in there.given() else []
    if there is None:
        text = f"Nothing was wrong there: {claim}. A healthy part was worked on."
        return Deed(lambda car: Done((text,), record={"repaired": str(claim), "healthy": True}), tuple(cautions))
    state.mended |= {str(there)}
    text = f"Mended: {claim}. Read again what led you there."
    return Deed(lambda car: Done((text,), record={"repaired": str(there), "healthy": False}), tuple(cautions))


def _quoted(word: str) -> str:
    key, equals, value = word.partition("=")
    return f'{key}="{value}"' if equals and " " in value else word


def _replace(job: Job, state: State, words: list[str]) -> Deed:
    module = job.vehicle.module(one_word("replace", "MODULE", words)).name
    _after_finding(job, "replace")
    if module not in state.ordered:
        raise BadRequest(f"there is no new {module} here; order it first: order {module}")
    if state.condition.ignition_on:
        raise BadRequest("turn the ignition off before you replace a unit: ignition off")
    cautions = caution(state, 10)
    # what is only wrong in what it was told is on its way back already where somebody has begun to write
    left = job.hidden if module in state.taken and module not in state.replaced else job.hidden_left(state)
    inside = [fault for fault in left if inside_unit(job.vehicle, fault, module)]
    word = "healthy" if not inside else "told" if all(told_wrong(job.vehicle, each) for each in inside) else "broken"
    state.minute += reach_module(job.vehicle, state, module) + job.vehicle.action_minutes("replace")
    state.ordered -= {module}
    state.replaced = (*(name for name in state.replaced if name != module), module)
    state.mended |= {str(fault) for fault in inside}
    state.condition = replace(state.condition, unplugged=state.condition.unplugged - {module})
    return Deed(partial(_swap, module=module, word=word, left=job.in_force(state)), tuple(cautions))


def _swap(car: LiveCar, *, module: str, word: str, left: tuple[Fault, ...]) -> Done:
    car.put(left)
    lines = [f"The new {module} is in and plugged in."]
    if module in car.tracks:
        car.tracks[module].fit()
    elif module in car.simulation.drawn.road.service:
        car.tracks[module] = BackOnTheRoad(car.world, module)
    else:
        car.simulation.modules[module].unit.memory.clear()
    if module in car.tracks:
        lines.append("It knows nothing of this vehicle yet; the way back is in: track. What it needs to know: data")
    return Done(tuple(lines), record={"replaced": module, "healthy": word == "healthy", "told": word == "told"})


def _after_finding(job: Job, verb: str) -> None:
    if job.verdict is None:
        raise BadRequest(f"{verb} comes after the finding: hand in first what you know")


#: The actions of this file by their verb.
WORKSHOP: Mapping[str, Planner] = {
    "codes": _codes,
    "values": _values,
    "config": _config,
    "order": _order,
    "repair": _repair,
    "replace": _replace,
}
