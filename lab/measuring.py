"""Readings of a job: what a reading costs, what it gives on the vehicle of that minute, what it is worth."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

from lab.hands import Answer, State, caution, module_of, reach
from lab.instruments import read_lamp, read_ohms, read_volts, volts_text
from lab.slip import Slip, worth
from simulator.errors import BadRequest
from simulator.probes import Point, parse_probe, probe_name

if TYPE_CHECKING:
    from lab.job import Job

#: What a lamp lights up with, in volt: bright, dim, else not (common practice, no source).
_BRIGHT_VOLT, _DIM_VOLT = 11.0, 4.0


@dataclass(frozen=True)
class Spent:
    """What a reading asks for before it is taken: its points, the module it is about, and its cautions."""

    points: tuple[Point, ...] = ()
    module: str = ""
    cautions: list[int] = field(default_factory=list)


Taking: TypeAlias = "Callable[[Job, State, list[str], Spent], Answer]"


def spend(job: Job, state: State, verb: str, words: Sequence[str]) -> Spent:
    """Let the minutes of a reading pass. Raises BadRequest where its words are wrong."""
    if verb == "call":
        if words:
            raise BadRequest("call takes nothing after it")
        state.minute += job.vehicle.action_minutes("call")
        return Spent()
    if verb == "pins":
        return _spend_on_pins(job, state, words)
    leads = list(words) if verb == "lamp" else list(words[1:])
    if verb == "read" and (len(words) != 3 or words[0] not in ("ohms", "volts")):
        raise BadRequest("write: read ohms RED BLACK, or: read volts RED BLACK; as in: read ohms DLC.high DLC.low")
    if verb == "lamp" and len(words) != 2:
        raise BadRequest("write: lamp RED BLACK, as in: lamp GBX.supply GBX.ground")
    points = tuple(parse_probe(job.vehicle, text) for text in leads)
    if points[0] == points[1]:
        raise BadRequest("both leads are on one point; write two different ones")
    if verb == "lamp" and any(point[0] in ("place", "off") for point in points):
        raise BadRequest("a lamp belongs on feeds and grounds only, never on a bus line; read volts there")
    way = sum(reach(job.vehicle, state, point) for point in points)
    cautions = caution(state, 7) if verb == "lamp" else []
    if any(module_of(job.vehicle, point) for point in points):
        cautions += caution(state, 9)
    state.minute += way + job.vehicle.action_minutes(verb)
    return Spent(points, cautions=cautions)


def _spend_on_pins(job: Job, state: State, words: Sequence[str]) -> Spent:
    if len(words) != 1:
        raise BadRequest("write: pins MODULE")
    module = job.vehicle.module(words[0]).name
    if module not in state.condition.unplugged:
        raise BadRequest(f"{module} is plugged in; unplug {module} first")
    state.minute += job.vehicle.action_minutes("pins")
    return Spent(module=module, cautions=caution(state, 9))


def _settling(job: Job, state: State) -> bool:
    """Whether key or battery went off less than the modules' time to fall asleep ago."""
    longest_s = max(module.sleep_s for module in job.vehicle.modules.values())
    return state.calm_since is not None and (state.minute - state.calm_since) * 60 < longest_s - 1e-6


def _read(job: Job, state: State, words: list[str], spent: Spent) -> Answer:
    kind, condition, cautions = words[0], state.electric, list(spent.cautions)
    bench = job.bench(job.in_force(state))
    awake = bench.awake(condition)
    if kind == "ohms" and condition.battery_on:
        cautions = caution(state, 4, always=True) + cautions
    shares = bench.shares(condition) if condition.battery_on else None
    if kind == "ohms":
        reading = read_ohms(bench.vehicle, condition, *spent.points, zeroed=state.zeroed, shares=shares)
    else:
        reading = read_volts(bench.vehicle, condition, *spent.points, shares=shares)
    good, why = worth(kind, condition, reading.value, zeroed=state.zeroed, awake=awake, settling=_settling(job, state))
    red, black = (probe_name(job.vehicle, point) for point in spent.points)
    slip = make_slip(job, state, kind, good, why, red=red, black=black, value=reading.value, display=reading.display)
    return Answer(0.0, slip=slip, cautions=tuple(cautions))


def _call(job: Job, state: State, words: list[str], spent: Spent) -> Answer:
    silent = job.silent(state)
    answering = [name for name in job.vehicle.modules if name not in silent]
    good, why = worth("call", state.condition, None, zeroed=True, awake=True, settling=False)
    display = f"answering {', '.join(answering) or 'nobody'}; silent {', '.join(silent) or 'nobody'}"
    return Answer(0.0, slip=make_slip(job, state, "call", good, why, silent=tuple(silent), display=display))


def _lamp(job: Job, state: State, words: list[str], spent: Spent) -> Answer:
    bench, condition = job.bench(job.in_force(state)), state.electric
    volt, *lost = read_lamp(bench.vehicle, condition, *spent.points)
    good, why = worth("lamp", condition, volt, zeroed=True, awake=True, settling=False)
    word = "bright" if volt >= _BRIGHT_VOLT else "dim" if volt >= _DIM_VOLT else "dark"
    sides = f"{volts_text(lost[0])} V lost on the red side, {volts_text(lost[1])} V on the black side"
    red, black = (probe_name(job.vehicle, point) for point in spent.points)
    slip = make_slip(
        job, state, "lamp", good, why, red=red, black=black, value=volt, lost=(lost[0], lost[1]),
        display=f"{word}, {volts_text(volt)} V; {sides}",
    )  # fmt: skip
    return Answer(0.0, slip=slip, cautions=tuple(spent.cautions))


def _pins(job: Job, state: State, words: list[str], spent: Spent) -> Answer:
    """A drag test with a fresh male pin, on each pin of a plug: a bad contact is felt whether it is open just now."""
    loose = sorted(
        {
            line
            for fault in job.hidden_left(state)
            if fault.kind in ("open", "resistance") and getattr(fault, "at", None) == spent.module
            for line in {"both": ("high", "low")}.get(getattr(fault, "line", ""), (getattr(fault, "line", ""),))
        }
    )
    display = f"bad: {', '.join(loose)}" if loose else "all tight and clean"
    slip = make_slip(job, state, "pins", "valid", "", module=spent.module, value=float(len(loose)), display=display)
    return Answer(0.0, slip=slip, cautions=tuple(spent.cautions))


def make_slip(job: Job, state: State, kind: str, good: str, why: str, **more: Any) -> Slip:
    """The next slip of a job, in the condition of this minute."""
    return Slip(
        number=len(job.slips) + 1,
        minute=state.minute,
        kind=kind,
        condition=state.electric,
        shaken=state.shaken,
        zeroed=state.zeroed,
        state=good,
        why=why,
        **more,
    )


#: The readings by their verb; each takes the job, the state, the words after the verb and what was spent.
READINGS: Mapping[str, Taking] = {"call": _call, "read": _read, "lamp": _lamp, "pins": _pins}
