"""The job: one student's attempt at one vehicle. The terminal, the browser and the tests all drive this object.

A narrow set of actions, each with its minutes; every reading becomes a slip; everything is in the journal, on the disk,
before its answer is shown. After a crash the journal gives the same job at the same minute.
"""

from __future__ import annotations

import hashlib
import json
import math
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import faults as fault_room
from faults import Fault
from lab.apart import Standing
from lab.bench import Bench, Traffic
from lab.case import ACTIONS, INSTRUMENTS, Case, load_case
from lab.claim import Claim, parse_claim
from lab.complaint import complaint, draw_fault
from lab.debrief import verdict_lines
from lab.deeds import Planner
from lab.handback import final_record, hand_back
from lab.hands import HANDS, Answer, State
from lab.journal import Journal, free_path, newest, seal, unseal
from lab.livecar import LiveCar, Span
from lab.measuring import READINGS, make_slip, spend
from lab.road import ROAD
from lab.slip import JUDGED, Slip, slip_from_json
from lab.tester import Diagnosis
from lab.verdict import Attempt, judge_finding
from lab.workshop import WORKSHOP
from simulator.condition import AtBattery, Condition, Surroundings
from simulator.errors import BadFile, BadRequest, nearest
from simulator.reader import find_vehicle, load_vehicle
from simulator.vehicle import Vehicle

#: What works on the running vehicle, by verb.
LIVE: Mapping[str, Planner] = {**WORKSHOP, **ROAD, "hand-back": hand_back}
#: The words of every action, as they are typed.
VERBS = (*READINGS, *HANDS, *LIVE, "finding")
#: What comes after the finding only, and so not where a case ends with it.
AFTER = ("repair", "replace", *ROAD, "hand-back")
#: The action a case allows under another name.
_ALLOWED_AS = {"plug": "unplug", "join": "part"}
_MINUTE_NS = 60_000_000_000


class Job:
    """An attempt. ``minute``, ``condition``, ``slips``, ``verdict``, ``handed_back`` are its state; ``do`` changes it.

    ``ends_with_finding``: the finding ends it, and not the hand-back.
    """

    def __init__(
        self, vehicle: Vehicle, hidden: Sequence[Fault], journal: Journal, *, seed: int, case: Case | None = None
    ) -> None:
        self.vehicle = vehicle.as_drawn()
        self.case = case
        self.seed = seed
        self.journal = journal
        self.slips: list[Slip] = []
        self.verdict: dict[str, Any] | None = None
        self.handed_back: dict[str, Any] | None = None
        self.ends_with_finding = journal.format == 1 or (case is not None and case.ends == "finding")
        self.car = LiveCar(self.vehicle, hidden, seed)
        self._hidden = tuple(hidden)
        self._state = State()
        self._traffic = Traffic()
        self._benches: dict[tuple[Fault, ...], Bench] = {}

    # ------------------------------------------------------------------ what can be seen

    @property
    def minute(self) -> float:
        """Minutes used so far."""
        return self._state.minute

    @property
    def condition(self) -> Condition:
        """Battery, ignition, what is unplugged and parted."""
        return self._state.condition

    @property
    def zeroed(self) -> bool:
        """Whether the leads of the ohmmeter are zeroed."""
        return self._state.zeroed

    @property
    def torn_open(self) -> frozenset[str]:
        """The modules whose plugs have been reached."""
        return frozenset(self._state.reached)

    @property
    def instruments(self) -> tuple[str, ...]:
        """What may be measured with."""
        return self.case.instruments if self.case else INSTRUMENTS

    @property
    def actions(self) -> tuple[str, ...]:
        """What may be done besides."""
        return self.case.actions if self.case else ACTIONS

    @property
    def minutes_allowed(self) -> float:
        """Minutes the student has."""
        return self.case.minutes if self.case else 90.0

    @property
    def state(self) -> State:
        """All that the actions have changed so far; not to be changed."""
        return self._state

    @property
    def hidden(self) -> tuple[Fault, ...]:
        """The hidden faults."""
        return self._hidden

    @property
    def healthy(self) -> Bench:
        """The vehicle as drawn, ready to be asked."""
        return self.bench(())

    def card(self) -> tuple[str, ...]:
        """The job card in lines. It never names the fault."""
        head = self.case.title if self.case else "What is wrong with it?"
        story = self.case.story if self.case else complaint(self.bench(self._hidden), self.seed)
        return (
            f"Job card: {head}",
            f"Vehicle: {self.vehicle.maker} {self.vehicle.name}. {self.vehicle.about}".rstrip(),
            story,
            f"Instruments: {', '.join(self.instruments)}. Other actions: {', '.join(self.actions) or 'none'}.",
            f"Minutes: {self.minutes_allowed:g}.",
        )

    # ------------------------------------------------------------------ the actions

    def do(self, text: str) -> Answer:
        """Carry out one action as typed, ``read ohms DLC.high DLC.low``. Raises BadRequest; then nothing was done."""
        verb, _, rest = text.strip().partition(" ")
        if verb not in VERBS:
            raise BadRequest(f"no action called '{verb}'; {nearest(verb, VERBS)}")
        if verb == "finding":
            return self.finding(*_parts(rest))
        try:
            words = shlex.split(rest)
        except ValueError:
            raise BadRequest("a quote does not end; close it") from None
        return self._act(verb, words)

    def call(self) -> Answer:
        """The roll call at the socket."""
        return self._act("call", [])

    def read(self, kind: str, red: str, black: str) -> Answer:
        """Read ``ohms`` or ``volts`` between two probe points."""
        return self._act("read", [kind, red, black])

    def finding(self, *found: str) -> Answer:
        """Hand in what is wrong, each fault as on the command line, or ``healthy``; once."""
        return self._act("finding", list(found))

    def check_finding(self, text: str) -> None:
        """Raise what handing in this finding would raise, without handing it in."""
        self._check_open("finding")
        self._claims(_parts(text))

    def _check_open(self, verb: str) -> None:
        if self.handed_back is not None:
            raise BadRequest("the vehicle is handed back; this job is over")
        if self.verdict is not None and self.ends_with_finding:
            raise BadRequest("the finding is handed in; this job is over")
        if self.verdict is not None and verb == "finding":
            raise BadRequest("the finding is handed in; mend what you found, look again, then: hand-back")

    def _act(self, verb: str, words: list[str]) -> Answer:
        self._check_open(verb)
        self._check_allowed(verb, words)
        state, mark = self._copy(), self.car.mark()
        before = state.minute
        try:
            answer, record = self._carry_out(verb, state, words)
            state.minute = round(state.minute, 6)
            answer = replace(answer, minutes=round(state.minute - before, 6))
            record = {"do": [verb, *words], "minute": state.minute, **record}
            if answer.slip is not None:
                record["slip"] = answer.slip.as_json()
            if answer.verdict is not None:
                record["verdict"] = {"word": answer.verdict.word, "lines": list(answer.lines)}
            self.journal.append(record)
        except BaseException:
            self.car.back_to(mark)  # what is not in the journal has not happened
            raise
        self._take(state, record, answer.slip)
        if verb == "hand-back":
            answer = replace(answer, lines=(*answer.lines, *final_record(self)))
        return answer

    def _copy(self) -> State:
        return replace(self._state, reached=set(self._state.reached), cautioned=set(self._state.cautioned))

    def _carry_out(self, verb: str, state: State, words: list[str]) -> tuple[Answer, dict[str, Any]]:
        """What an action gives, and what the journal keeps of it besides."""
        if verb == "finding":
            return self._finding(state, words), {}
        if verb in READINGS:
            spent = spend(self, state, verb, words)
            self._live(state)
            return READINGS[verb](self, state, words, spent), {}
        if verb in HANDS:
            answer = HANDS[verb](self.vehicle, state, words)
            self._live(state)
            return answer, {}
        deed = LIVE[verb](self, state, words)
        self._live(state)
        done = self.car.now(deed.effect)
        state.minute += math.ceil(done.minutes * 10.0 - 1e-6) / 10.0  # the clock on the wall shows tenths
        slip = None if done.slip is None else make_slip(self, state, good="valid", why="", **done.slip)
        return Answer(0.0, done.lines, slip=slip, cautions=deed.cautions), dict(done.record)

    def _live(self, state: State) -> None:
        """The running vehicle lives through the minutes of an action as it was, and is then as the action left it."""
        before = self._state
        span = Span(before.minute, state.minute, before.condition, before.shaken, self.hidden_left(before))
        condition, shaken = state.condition, state.shaken
        self.car.later(lambda car: car.live(span))
        self.car.later(lambda car: car.set(condition, shaken))

    def _take(self, state: State, record: dict[str, Any], slip: Slip | None) -> None:
        if "at_battery" in record:
            state.at_battery = tuple(AtBattery(**part) for part in record["at_battery"])
            state.engine = record["engine"]
        if "ignition_on" in record:
            state.condition = replace(state.condition, ignition_on=record["ignition_on"])
            state.calm_since = state.minute
        state.supply_on = record.get("supply_on", state.supply_on)
        self._state = state
        if slip is not None:
            self.slips.append(slip)
        self.verdict = record.get("verdict", self.verdict)
        self.handed_back = record.get("handed_back", self.handed_back)

    def _replay(self, record: dict[str, Any]) -> None:
        """Do again what the journal says was done; readings are taken from it, not taken again."""
        verb, *words = record["do"]
        state = self._copy()
        if verb in READINGS:
            spend(self, state, verb, words)
        elif verb in HANDS:
            HANDS[verb](self.vehicle, state, words)
        planned = LIVE[verb](self, state, words) if verb in LIVE else None
        if verb != "finding":
            self._live(state)
        if verb == "call" and (state.replaced or state.taken):
            self.car.later(called)
        if planned is not None:
            self.car.later(planned.effect)
            state.minute = max(state.minute, record["minute"])
        if abs(state.minute - record["minute"]) > 1e-6:
            raise BadRequest(f"{self.journal.path}: minute {record['minute']:g} does not follow from what is before it")
        state.minute = record["minute"]
        slip = slip_from_json(record["slip"]) if "slip" in record else None
        self._take(state, record, slip)

    def _check_allowed(self, verb: str, words: Sequence[str]) -> None:
        name = _ALLOWED_AS.get(verb, verb)
        if verb == "read" and words and words[0] in INSTRUMENTS and words[0] not in self.instruments:
            raise BadRequest(f"this case has no {words[0]}; allowed: {', '.join(self.instruments)}")
        if verb == "call" and "call" not in self.instruments:
            raise BadRequest(f"this case has no roll call; allowed: {', '.join(self.instruments)}")
        if name in ACTIONS and name not in self.actions:
            raise BadRequest(f"this case does not allow {verb}; allowed: {', '.join(self.actions) or 'readings only'}")
        if verb in AFTER and self.ends_with_finding:
            raise BadRequest(f"this job ends with the finding; there is no {verb} in it")
        if verb in ROAD and verb not in ("supply", "lamps") and self.verdict is None:
            raise BadRequest(f"{verb} comes after the finding: hand in first what you know")

    # ------------------------------------------------------------------ the vehicle as it is

    def hidden_left(self, state: State) -> tuple[Fault, ...]:
        """The hidden faults that nobody has mended yet, whether they are in at this minute or not."""
        return tuple(fault for fault in self._hidden if str(fault) not in state.mended)

    def in_force(self, state: State) -> tuple[Fault, ...]:
        """The hidden faults that are in at this minute."""
        shaken = frozenset({state.shaken}) if state.shaken else frozenset()
        around, t_ns = Surroundings(shaken=shaken), round(state.minute * _MINUTE_NS)
        return tuple(fault for fault in self.hidden_left(state) if fault.is_in(t_ns, around))

    def bench(self, found: Sequence[Fault]) -> Bench:
        """The vehicle with these faults in it, ready to be asked."""
        key = tuple(found)
        if key not in self._benches:
            self._benches[key] = Bench(fault_room.apply(self.vehicle, key), self._traffic)
        return self._benches[key]

    def silent(self, state: State) -> tuple[str, ...]:
        """Who does not answer a roll call now; of a vehicle with a replaced unit the running one is asked."""
        if not (state.replaced or state.taken):
            return self.bench(self.in_force(state)).silent(state.electric)
        return self.car.now(called)

    def _claims(self, words: Sequence[str]) -> list[Claim]:
        """The faults of a finding; none for ``healthy``. Raises BadRequest."""
        if not words:
            raise BadRequest("write what is wrong: finding open line=high at=GBX, several joined by ' + ', or: healthy")
        claims = [] if list(words) == ["healthy"] else [parse_claim(text) for text in words]
        fault_room.apply(self.vehicle, [claim.fault for claim in claims])
        return [replace(claim, fault=claim.fault.canonical(self.vehicle)) for claim in claims]

    def _finding(self, state: State, words: list[str]) -> Answer:
        claims = self._claims(words)
        attempt = Attempt(
            vehicle=self.vehicle,
            hidden=tuple(fault.canonical(self.vehicle) for fault in self._hidden),
            wanted=tuple(fault.canonical(self.vehicle) for fault in (self.case.find if self.case else self._hidden)),
            slips=tuple(slip for slip in self.slips if slip.kind in JUDGED),
            instruments=self.instruments,
            actions=self.actions,
            traffic=self._traffic,
            standing=Standing(self.torn_open, state.covers_off, state.condition),
        )
        verdict = judge_finding(attempt, claims, self.journal.path.with_suffix(".png"))
        more = () if self.ends_with_finding else (_AND_NOW,)
        return Answer(0.0, (*verdict_lines(verdict), *more), verdict=verdict)


_AND_NOW = (
    "The job is over when the vehicle is handed back: repair what you found (or order and replace a unit, or write "
    "anew what it was told), look again, clear, drive, then: hand-back. See: help road"
)


def called(car: LiveCar) -> tuple[str, ...]:
    """Who does not answer in the running vehicle; the ways back into service are told of the roll call."""
    with Diagnosis(car.simulation) as diagnosis:
        answering = [name for name in car.simulation.modules if diagnosis.answers(name)]
    for track in car.tracks.values():
        track.note_roll_call(answering)
    return tuple(name for name in car.simulation.modules if name not in answering)


def _parts(text: str) -> list[str]:
    """The faults of a finding as typed, joined by ' + '."""
    return [part.strip() for part in text.split(" + ")] if text.strip() else []


# ---------------------------------------------------------------------- beginning and going on


def start_job(
    vehicle_or_case: str | Path | Case, seed: int | None = None, journal_path: str | Path | None = None
) -> Job:
    """Begin a job on a case (file or read already), or on a vehicle with a fault drawn by ``seed`` (0 by default).

    The journal is a new file: ``journal_path``, or one named after vehicle and seed in this folder. Raises BadFile,
    BadRequest.
    """
    case, vehicle, name = _subject(vehicle_or_case)
    if case is not None and seed is not None:
        raise BadRequest("a case brings its own fault; leave --seed out")
    number = case.seed if case is not None else int(seed or 0)
    if number < 0:
        raise BadRequest("a seed is a whole number from 0 on")
    traffic = Traffic()
    hidden = case.faults if case is not None else (draw_fault(vehicle, number, traffic),)
    stem = Path(case.path).stem if case is not None else f"{vehicle.name.lower()}-{number}"
    head = {
        "subject": name,
        "content": _content(case.path if case is not None else vehicle.path),
        "seed": number,
        "sealed": seal(json.dumps([str(fault) for fault in hidden])),
    }
    journal = Journal.create(journal_path or free_path(stem), head)
    job = Job(vehicle, hidden, journal, seed=number, case=case)
    job._traffic = traffic
    return job


def resume_job(journal_path: str | Path | None = None) -> Job:
    """Go on with the job of a journal (default: the newest here), at the minute and in the state it was left in.

    Raises BadFile where the journal was changed, BadRequest where vehicle or case are not what they were.
    """
    journal = Journal.open(journal_path or newest())
    try:
        return _resume(journal)
    except Exception:
        journal.close()
        raise


def _resume(journal: Journal) -> Job:
    head, *records = journal.records
    case, vehicle, _ = _subject(head["subject"])
    path = case.path if case is not None else vehicle.path
    if _content(path) != head["content"]:
        raise BadRequest(f"{path} is not what it was when this job began; put the old file back")
    hidden = tuple(fault_room.parse(text) for text in json.loads(unseal(head["sealed"])))
    job = Job(vehicle, hidden, journal, seed=head["seed"], case=case)
    for record in records:
        job._replay(record)
    return job


def _subject(vehicle_or_case: str | Path | Case) -> tuple[Case | None, Vehicle, str]:
    """The case or the vehicle, and the text that finds it again."""
    if isinstance(vehicle_or_case, Case):
        return vehicle_or_case, vehicle_or_case.vehicle, str(Path(vehicle_or_case.path).resolve())
    text = str(vehicle_or_case)
    path = find_vehicle(text)
    if _is_case(path):
        case = load_case(path)
        return case, case.vehicle, str(path.resolve())
    vehicle = load_vehicle(path)
    return None, vehicle, text if str(path) != text else str(path.resolve())


def _is_case(path: Path) -> bool:
    from lab.case import is_case
    from simulator.reader.textfile import read_tree

    tree, _ = read_tree(path, "a vehicle or case file")
    return is_case(tree)


def _content(path: str) -> str:
    try:
        return hashlib.sha256(Path(path).read_bytes()).hexdigest()
    except OSError as error:
        raise BadRequest(f"{path} cannot be read ({error.strerror})") from None


__all__ = ["VERBS", "Answer", "BadFile", "Job", "resume_job", "start_job"]
