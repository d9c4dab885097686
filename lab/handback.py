"""Handing the vehicle back: what is in order, what is not, and the final record."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from lab.deeds import Deed, Done
from lab.hands import State, caution
from lab.proofsheet import proof_sheet
from lab.reread import reread
from lab.slip import Slip
from lab.telling import step_line
from simulator.errors import BadRequest

if TYPE_CHECKING:
    from lab.job import Job
    from lab.livecar import LiveCar

IN_ORDER, NOT_IN_ORDER = "in order", "not in order"


def hand_back(job: Job, state: State, words: list[str]) -> Deed:
    """Plan the hand-back. Raises BadRequest before the finding, and while the car stands open."""
    if words:
        raise BadRequest("hand-back takes nothing after it")
    if job.verdict is None:
        raise BadRequest("hand in your finding first; see: help finding")
    open_things = _open_things(state)
    left = tuple(str(fault) for fault in job.hidden_left(state))
    return Deed(partial(_judge, open_things=open_things, left=left), tuple(caution(state, 16)))


def _open_things(state: State) -> tuple[str, ...]:
    """What nobody may leave as it is."""
    condition = state.condition
    found = [f"{name} is unplugged" for name in sorted(condition.unplugged)]
    found += [f"the connector at {place} is parted" for _, place in sorted(condition.parted)]
    found += ["the battery is off"] if not condition.battery_on else []
    found += ["the engine runs"] if state.engine != "stopped" else []
    found += ["the support supply is still on"] if state.supply_on else []
    found += [f"a {name} is ordered and not fitted" for name in sorted(state.ordered)]
    return tuple(found)


def _judge(car: LiveCar, *, open_things: Sequence[str], left: Sequence[str]) -> Done:
    wrong = [*open_things, *(f"not mended: {fault}" for fault in left)]
    for unit, track in car.tracks.items():
        wrong += [
            f"{unit}{step_line(step)[1:]}" for step in track.steps() if step.word != "done" and step.name != "supply"
        ]
    for name, module in car.simulation.modules.items():
        codes = len(module.unit.memory.stored())
        if codes:
            wrong.append(f"{name} still stores {codes} code{'s' if codes > 1 else ''}")
    word = NOT_IN_ORDER if wrong else IN_ORDER
    lines = [f"Handed back {word}.", *(f"  {text}" for text in wrong)]
    return Done(tuple(lines), record={"handed_back": {"word": word, "wrong": wrong}})


def final_record(job: Job) -> list[str]:
    """What stands at the end of a job: the proof sheet of the unit in question, and what to do otherwise next time."""
    lines = []
    module = asked_module(job)
    if module is not None:
        lines += [f"Proof sheet of {module}:", *(f"  {line.text()}" for line in proof_sheet(job, module))]
    mistakes = reread(job, job.journal.records[1:])
    lines += (
        ["Reread:", *(f"  {text}" for text in mistakes)] if mistakes else ["Reread: nothing to mend in the method."]
    )
    return lines


def asked_module(job: Job) -> str | None:
    """The unit in question: that which was replaced last, or is ordered, or else the only one that was silent last."""
    state = job.state
    if state.replaced or state.ordered:
        return state.replaced[-1] if state.replaced else min(state.ordered)
    silent = [_silent_of(slip) for slip in reversed(job.slips)]
    return next((names[0] for names in silent if len(names) == 1), None)


def _silent_of(slip: Slip) -> tuple[str, ...]:
    """Who was silent on a slip, by roll call or by the tester."""
    if slip.codes is None:
        return slip.silent
    return tuple(memory["module"] for memory in slip.codes["modules"] if not memory["answering"])
