"""A case: a vehicle with a hidden fault, a story, and what a student may use; a YAML file, mistakes with lines."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeAlias

from pydantic import Field

import faults as fault_room
from faults import Fault
from lab.cautions import CAUTIONS
from simulator.errors import BadFile, BadRequest, Mistake, UnknownName
from simulator.reader import demo_names, find_vehicle, load_vehicle
from simulator.reader.checking import check_tree
from simulator.reader.scalars import Choice, Number, Scalar, own_words
from simulator.reader.schema import FreeText, Part, Words
from simulator.reader.textfile import Branch, Leaf, Node, Row, leaf_at, line_at, node_at, read_tree
from simulator.vehicle import Vehicle

#: What a student may measure with.
INSTRUMENTS = ("ohms", "volts", "call")
#: What a student may do besides; ``unplug`` brings ``plug`` with it, ``part`` brings ``join``.
ACTIONS = (
    "zero", "unplug", "part", "battery", "ignition", "covers", "shake", "wait", "lamp", "pins", "codes", "values",
    "config", "order",
)  # fmt: skip
#: What ends a job: the vehicle is handed back, or the finding is handed in.
ENDINGS = ("hand back", "finding")
#: The kinds of complex fault that an assessment unit of an Oceanian curriculum lists.
TAGS = ("intermittent", "several-systems", "earlier-repair", "indirect")

Instrument: TypeAlias = Annotated[str, Choice({word: word for word in INSTRUMENTS})]
Action: TypeAlias = Annotated[str, Choice({word: word for word in ACTIONS})]
Ending: TypeAlias = Annotated[str, Choice({word: word for word in ENDINGS})]
Tag: TypeAlias = Annotated[str, Choice({word: word for word in TAGS})]
Minutes: TypeAlias = Annotated[float, Number(0, 1440, unit="minutes", above=True)]
Seed: TypeAlias = Annotated[int, Number(0, 2**31 - 1, whole=True)]
CautionNumber: TypeAlias = Annotated[int, Number(1, max(CAUTIONS), whole=True)]


class _Format(Scalar):
    """The number of the format of case files: 1."""

    wanted = "1"

    def read(self, leaf: Leaf) -> int:
        """1, or a complaint."""
        if leaf.text == "1" and not leaf.quoted:
            return 1
        raise own_words(f"'{leaf.text[:20]}' is no case format this version knows; write 1")

    def json(self) -> dict[str, Any]:
        """The JSON schema of the number."""
        return {"const": 1}


class CasePart(Part):
    """A case file."""

    case: Annotated[int, _Format()] = Field(description="The number of this format: 1")
    title: Words = Field(description="What the case is called; shown to the student, so it names no fault")
    story: FreeText = Field(description="What the customer says; shown to the student")
    vehicle: Words = Field(description="The name of a demo vehicle, or a vehicle file, seen from this file")
    faults: list[Any] = Field(min_length=1, description="The hidden faults, as mappings with kind or as command lines")
    instruments: list[Instrument] = Field(min_length=1, description="What the student may measure with")
    actions: list[Action] = Field(default=list(ACTIONS), description="What the student may do besides; all by default")
    minutes: Minutes = Field(description="Minutes the student has, of the vehicle's own clock")
    find: Any = Field(default="as injected", description="as injected, or the list of faults that must be found")
    ends: Ending = Field(default=ENDINGS[0], description="What ends the job")
    tags: list[Tag] = Field(default=[], description="Kinds of complex fault")
    cautions: list[CautionNumber] = Field(default=[], description="More cautions to show at the start, by number")
    seed: Seed = Field(default=0, description="Seed of everything drawn by lot in this case")


@dataclass(frozen=True)
class Case:
    """A case as read: the vehicle as drawn, the faults to put in, the faults to find, what is allowed."""

    title: str
    story: str
    vehicle: Vehicle
    faults: tuple[Fault, ...]
    find: tuple[Fault, ...]
    minutes: float
    instruments: tuple[str, ...] = INSTRUMENTS
    actions: tuple[str, ...] = ACTIONS
    tags: tuple[str, ...] = ()
    cautions: tuple[int, ...] = ()
    ends: str = ENDINGS[0]
    seed: int = 0
    path: str = ""


def load_case(path: str | Path) -> Case:
    """The case of a file. Raises BadFile with every mistake, those of its vehicle included."""
    case, mistakes = _read(path)
    if case is None or mistakes:
        raise BadFile(mistakes)
    return case


def check_case(path: str | Path) -> tuple[list[Mistake], list[Mistake]]:
    """Every error and every warning of a case file, each in order of file and line."""
    _, mistakes = _read(path)
    return sorted(set(mistakes)), []


def is_case(tree: Node | None) -> bool:
    """Whether a tree is meant as a case file: it has the key ``case``."""
    return isinstance(tree, Branch) and "case" in tree.items


def _read(path: str | Path) -> tuple[Case | None, list[Mistake]]:
    shown = str(path)
    tree, mistakes = read_tree(path, "a case file")
    if tree is None:
        return None, mistakes
    part, wrong = check_tree(CasePart, tree, shown)
    mistakes = mistakes + wrong
    if not isinstance(tree, Branch):
        return None, mistakes
    vehicle, why = _vehicle(tree, shown)
    mistakes += why
    reader = _FaultReader(tree, shown, vehicle, mistakes)
    injected = reader.list_at("faults")
    find = reader.list_at("find") if isinstance(node_at(tree, ["find"]), Row) else injected
    _check_find(tree, shown, find, injected, mistakes)
    if part is not None:
        _check_meaning(part, tree, shown, injected, mistakes)
    if part is None or vehicle is None or mistakes:
        return None, mistakes
    return _case(part, vehicle, injected, find, shown), []


def _case(part: CasePart, vehicle: Vehicle, injected: list[Fault], find: list[Fault], shown: str) -> Case:
    return Case(
        title=part.title,
        story=" ".join(part.story.split()),
        vehicle=vehicle,
        faults=tuple(injected),
        find=tuple(find),
        minutes=part.minutes,
        instruments=tuple(dict.fromkeys(part.instruments)),
        actions=tuple(dict.fromkeys(part.actions)),
        tags=tuple(dict.fromkeys(part.tags)),
        cautions=tuple(dict.fromkeys(part.cautions)),
        ends=part.ends,
        seed=part.seed,
        path=shown,
    )


def _vehicle(tree: Branch, shown: str) -> tuple[Vehicle | None, list[Mistake]]:
    """The vehicle a case is about: a demo's name, or a file seen from the case file."""
    leaf = leaf_at(tree, "vehicle")
    if leaf is None or not leaf.text.strip():
        return None, []
    name = leaf.text if leaf.text in demo_names() else str(Path(shown).parent / leaf.text)
    try:
        return load_vehicle(find_vehicle(name)), []
    except UnknownName:
        known = ", ".join(demo_names())
        text = f"vehicle: no demo and no file called '{leaf.text[:80]}'; write one of {known}, or a vehicle file's path"
        return None, [Mistake(shown, leaf.line, f"{text} as seen from this file")]
    except BadFile as bad:
        count = len(bad.mistakes)
        text = f"vehicle: {leaf.text} has {count} mistake{'s' if count > 1 else ''} of its own; mend that file first"
        return None, [Mistake(shown, leaf.line, text), *bad.mistakes]


class _FaultReader:
    """Reads lists of faults and keeps the line of each."""

    def __init__(self, tree: Branch, shown: str, vehicle: Vehicle | None, mistakes: list[Mistake]) -> None:
        self.tree, self.shown, self.vehicle, self.mistakes = tree, shown, vehicle, mistakes

    def list_at(self, key: str) -> list[Fault]:
        """The faults of a list, without the wrong ones; those together must be possible."""
        node = node_at(self.tree, [key])
        if not isinstance(node, Row):
            return []
        found: list[Fault] = []
        for item in node.items:
            fault = self._one(item, key)
            if fault is not None and fault in found:
                text = f"{key}: '{fault}' stands here a second time; delete one of them"
                self.mistakes.append(Mistake(self.shown, item.line, text))
            if fault is not None:
                found.append(fault)
        if self.vehicle is not None and len(found) == len(node.items):
            try:
                fault_room.apply(self.vehicle, found)
            except BadRequest as problem:
                self.mistakes.append(Mistake(self.shown, node.line, f"{key}: {problem}"))
        return found

    def _one(self, item: Node, key: str) -> Fault | None:
        try:
            if isinstance(item, Leaf):
                fault = fault_room.parse(item.text)
            elif isinstance(item, Branch):
                fault = fault_room.from_mapping(_texts(item))
            else:
                raise BadRequest(f"a list stands where a fault belongs; write {_EXAMPLE}")
            if self.vehicle is not None:
                fault.deviations(self.vehicle)
                fault.timeline.check_names(self.vehicle)
        except BadRequest as problem:
            self.mistakes.append(Mistake(self.shown, _line_of(item, str(problem)), f"{key}: {problem}"))
            return None
        return fault


_EXAMPLE = "a mapping like {kind: open, line: high, at: GBX} or a line like 'open line=high at=GBX'"


def _texts(branch: Branch) -> dict[str, Any]:
    """A mapping of texts; what is no scalar is left for the reader of faults to refuse."""
    return {
        key: node.text if isinstance(node, Leaf) else _texts(node) if isinstance(node, Branch) else [str(node)]
        for key, node in branch.items.items()
    }


def _line_of(item: Node, problem: str) -> int:
    """The line of the key or value that a complaint names, else that of the fault."""
    if not isinstance(item, Branch):
        return item.line
    named = problem.partition(";")[0]
    for key, node in item.items.items():
        inner = _line_of(node, problem) if isinstance(node, Branch) else 0
        if inner and inner != node.line:
            return inner
        value = node.text if isinstance(node, Leaf) else None
        if (value and f"'{value}'" in named) or f"'{key}'" in named:
            return item.lines[key]
    for key in item.items:
        if key != "kind" and re.search(rf"\b{re.escape(key)}\b", named):
            return item.lines[key]
    return item.line


def same_fault(one: Fault, other: Fault, *, any_ohm: bool = False) -> bool:
    """Whether two faults are of one kind at one place, their ohms within half a decade of each other or ``any_ohm``.

    A reading cannot tell 100 from 110 ohm, nor a break at one third of a run from one in its middle: lengths, places
    along a run, volts and where a writing broke off need not agree. Timelines do not count.
    """
    if type(one) is not type(other):
        return False
    mine, others = one.given(), other.given()
    for key in {*mine, *others}:
        a, b = getattr(one, key), getattr(other, key)
        if a == b or key in LOOSE:
            continue
        if key == "ohm" and any_ohm:
            continue
        if key == "ohm" and a is not None and b is not None and max(a, b) <= HALF_DECADE * min(a, b):
            continue
        return False
    return True


HALF_DECADE = 10.0**0.5 * 1.0001
#: Keys whose number a finding need not hit: no reading gives it exactly.
LOOSE = ("along", "length_m", "volt", "open_circuit_volt", "internal_ohm", "id", "bit_rate", "part")


def _check_find(
    tree: Branch, shown: str, find: Sequence[Fault], injected: Sequence[Fault], mistakes: list[Mistake]
) -> None:
    node = node_at(tree, ["find"])
    if isinstance(node, Leaf) and (node.text != "as injected"):
        said = f"'{node.text[:40]}' stands there" if node.text else "no value"
        mistakes.append(Mistake(shown, node.line, f"find: {said}; write as injected, or a list of faults"))
    elif isinstance(node, Branch):
        said = "find: a mapping stands there; write as injected, or a list of faults"
        mistakes.append(Mistake(shown, tree.lines["find"], said))
    elif isinstance(node, Row) and not node.items:
        mistakes.append(Mistake(shown, node.line, "find: the list is empty; write as injected, or at least one fault"))
    elif isinstance(node, Row) and len(find) == len(node.items):
        for item, fault in zip(node.items, find, strict=True):
            if not any(same_fault(fault, hidden) for hidden in injected) and injected:
                text = f"find: '{fault}' is not among the faults of this case; write one of them, or as injected"
                mistakes.append(Mistake(shown, item.line, text))


def _check_meaning(
    part: CasePart, tree: Branch, shown: str, injected: Sequence[Fault], mistakes: list[Mistake]
) -> None:
    """What the keys of a case mean together."""
    actions = tree.lines.get("actions", tree.line)
    if "ohms" in part.instruments and "battery" not in part.actions:
        text = "actions: without battery no ohm reading can be valid; add battery, or take ohms off the instruments"
        mistakes.append(Mistake(shown, actions, text))
    if any(fault.timeline.shaken for fault in injected) and "shake" not in part.actions:
        mistakes.append(Mistake(shown, actions, "actions: a fault waits for shaking, which nobody may do; add shake"))
    for number, fault in enumerate(injected):
        waits = fault.timeline
        if waits.wet is not None or waits.cranking or waits.warmer_than_celsius is not None:
            text = "faults: a job can shake a place, but not wet it, crank or warm it; use shaken, or on_s with off_s"
            mistakes.append(Mistake(shown, line_at(tree, ["faults", number]), text))
        if waits.from_s is not None and waits.from_s > part.minutes * 60:
            text = f"faults: from_s={waits.from_s:g} is after the {part.minutes:g} minutes of the case; write less"
            mistakes.append(Mistake(shown, line_at(tree, ["faults", number]), text))


def case_schema() -> Mapping[str, Any]:
    """The JSON schema of case files, for an editor's completion."""
    return CasePart.model_json_schema(by_alias=True)
