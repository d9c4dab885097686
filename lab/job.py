"""The job: one student's attempt at one vehicle. The terminal, the browser and the tests all drive this object.

A narrow set of actions, each with its minutes; every reading becomes a slip; everything is in the journal, on the disk,
before its answer is shown. After a crash the journal gives the same job at the same minute.
"""

from __future__ import annotations

import hashlib
import json
import shlex
from collections.abc import Sequence
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
from lab.hands import HANDS, Answer, State, caution, module_of, reach
from lab.instruments import read_ohms, read_volts
from lab.journal import Journal, free_path, newest, seal, unseal
from lab.slip import Slip, slip_from_json, worth
from lab.verdict import Attempt, judge_finding
from simulator.condition import Condition, Surroundings
from simulator.errors import BadFile, BadRequest, nearest
from simulator.probes import Point, parse_probe, probe_name
from simulator.reader import find_vehicle, load_vehicle
from simulator.vehicle import Vehicle

#: The words of every action, as they are typed.
VERBS = ("call", "read", *HANDS, "finding")
#: The action a case allows under another name.
_ALLOWED_AS = {"plug": "unplug", "join": "part"}
_MINUTE_NS = 60_000_000_000


class Job:
    """An attempt. ``minute``, ``condition``, ``slips`` and ``verdict`` are its state; ``do`` changes it."""

    def __init__(
        self, vehicle: Vehicle, hidden: Sequence[Fault], journal: Journal, *, seed: int, case: Case | None = None
    ) -> None:
        self.vehicle = vehicle.as_drawn()
        self.case = case
        self.seed = seed
        self.journal = journal
        self.slips: list[Slip] = []
        self.verdict: dict[str, Any] | None = None
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

    def card(self) -> tuple[str, ...]:
        """The job card in lines. It never names the fault."""
        head = self.case.title if self.case else "What is wrong with it?"
        story = self.case.story if self.case else complaint(self._bench(self._hidden), self.seed)
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
        """Hand in what is wrong, each fault as on the command line, or ``healthy``. It ends the job."""
        return self._act("finding", list(found))

    def check_finding(self, text: str) -> None:
        """Raise what handing in this finding would raise, without handing it in."""
        self._check_open()
        self._claims(_parts(text))

    def _check_open(self) -> None:
        if self.verdict is not None:
            raise BadRequest("the finding is handed in; this job is over")

    def _act(self, verb: str, words: list[str]) -> Answer:
        self._check_open()
        self._check_allowed(verb, words)
        state = replace(self._state, reached=set(self._state.reached), cautioned=set(self._state.cautioned))
        before = state.minute
        answer = self._carry_out(verb, state, words)
        state.minute = round(state.minute, 6)
        answer = replace(answer, minutes=round(state.minute - before, 6))
        record: dict[str, Any] = {"do": [verb, *words], "minute": state.minute}
        if answer.slip is not None:
            record["slip"] = answer.slip.as_json()
        if answer.verdict is not None:
            record["verdict"] = {"word": answer.verdict.word, "lines": list(answer.lines)}
        self.journal.append(record)
        self._take(state, record, answer.slip)
        return answer

    def _carry_out(self, verb: str, state: State, words: list[str]) -> Answer:
        if verb == "call":
            return self._call(state, words)
        if verb == "read":
            return self._read(state, words)
        if verb == "finding":
            return self._finding(state, words)
        return HANDS[verb](self.vehicle, state, words)

    def _take(self, state: State, record: dict[str, Any], slip: Slip | None) -> None:
        self._state = state
        if slip is not None:
            self.slips.append(slip)
        self.verdict = record.get("verdict", self.verdict)

    def _replay(self, record: dict[str, Any]) -> None:
        """Do again what the journal says was done; readings are taken from it, not taken again."""
        verb, *words = record["do"]
        state = self._state
        if verb in ("call", "read"):
            self._spend(state, verb, words)
        elif verb != "finding":
            HANDS[verb](self.vehicle, state, words)
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

    # ------------------------------------------------------------------ readings

    def _spend(self, state: State, verb: str, words: Sequence[str]) -> tuple[tuple[Point, ...], list[int]]:
        """Let the minutes of a reading pass; its probe points and the cautions it brings."""
        if verb == "call":
            if words:
                raise BadRequest("call takes nothing after it")
            state.minute += self.vehicle.action_minutes("call")
            return (), []
        if len(words) != 3 or words[0] not in ("ohms", "volts"):
            raise BadRequest("write: read ohms RED BLACK, or: read volts RED BLACK; as in: read ohms DLC.high DLC.low")
        points = tuple(parse_probe(self.vehicle, text) for text in words[1:])
        if points[0] == points[1]:
            raise BadRequest("both leads are on one point; write two different ones")
        cautions = []
        way = sum(reach(self.vehicle, state, point) for point in points)
        if any(module_of(self.vehicle, point) for point in points):
            cautions = caution(state, 9)
        state.minute += way + self.vehicle.action_minutes("read")
        return points, cautions

    def _in_force(self, state: State) -> tuple[Fault, ...]:
        """The hidden faults that are in at this minute."""
        shaken = frozenset({state.shaken}) if state.shaken else frozenset()
        around, t_ns = Surroundings(shaken=shaken), round(state.minute * _MINUTE_NS)
        return tuple(fault for fault in self._hidden if fault.is_in(t_ns, around))

    def _bench(self, found: Sequence[Fault]) -> Bench:
        key = tuple(found)
        if key not in self._benches:
            self._benches[key] = Bench(fault_room.apply(self.vehicle, key), self._traffic)
        return self._benches[key]

    def _settling(self, state: State) -> bool:
        """Whether key or battery went off less than the modules' time to fall asleep ago."""
        longest_s = max(module.sleep_s for module in self.vehicle.modules.values())
        return state.calm_since is not None and (state.minute - state.calm_since) * 60 < longest_s - 1e-6

    def _read(self, state: State, words: list[str]) -> Answer:
        points, cautions = self._spend(state, "read", words)
        kind, condition = words[0], state.condition
        bench = self._bench(self._in_force(state))
        awake = bench.awake(condition)
        if kind == "ohms" and condition.battery_on:
            cautions = caution(state, 4, always=True) + cautions
        shares = bench.shares(condition) if condition.battery_on else None
        car = bench.vehicle
        if kind == "ohms":
            reading = read_ohms(car, condition, *points, zeroed=state.zeroed, shares=shares)
        else:
            reading = read_volts(car, condition, *points, shares=shares)
        good, why = worth(
            kind, condition, reading.value, zeroed=state.zeroed, awake=awake, settling=self._settling(state)
        )
        red, black = (probe_name(self.vehicle, point) for point in points)
        slip = self._slip(state, kind, good, why, red=red, black=black, value=reading.value, display=reading.display)
        return Answer(0.0, slip=slip, cautions=tuple(cautions))

    def _call(self, state: State, words: list[str]) -> Answer:
        self._spend(state, "call", words)
        silent = self._bench(self._in_force(state)).silent(state.condition)
        answering = [name for name in self.vehicle.modules if name not in silent]
        good, why = worth("call", state.condition, None, zeroed=True, awake=True, settling=False)
        display = f"answering {', '.join(answering) or 'nobody'}; silent {', '.join(silent) or 'nobody'}"
        return Answer(0.0, slip=self._slip(state, "call", good, why, silent=tuple(silent), display=display))

    def _slip(self, state: State, kind: str, good: str, why: str, **more: Any) -> Slip:
        return Slip(
            number=len(self.slips) + 1,
            minute=state.minute,
            kind=kind,
            condition=state.condition,
            shaken=state.shaken,
            zeroed=state.zeroed,
            state=good,
            why=why,
            **more,
        )

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
            slips=tuple(self.slips),
            instruments=self.instruments,
            actions=self.actions,
            traffic=self._traffic,
            standing=Standing(self.torn_open, state.covers_off, state.condition),
        )
        verdict = judge_finding(attempt, claims, self.journal.path.with_suffix(".png"))
        return Answer(0.0, verdict_lines(verdict), verdict=verdict)


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
