"""What a fault is, the registry of all kinds, and the text and mapping forms that every kind shares."""

from __future__ import annotations

import shlex
import sys
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import MISSING, Field, dataclass, fields, replace
from functools import cache
from typing import Any, ClassVar, Self, TypeVar, get_type_hints

from faults.diary import ALWAYS, Timeline, timeline_readers
from faults.reading import Reader, reader_of
from faults.severities import Severities
from simulator.condition import Surroundings
from simulator.deviations import Deviation
from simulator.errors import BadRequest, UnknownName, nearest
from simulator.vehicle import Vehicle


@dataclass(frozen=True, kw_only=True)
class Fault(ABC):
    """A pure function from vehicle to vehicle, with a timeline. One class per kind, made known by :func:`register`.

    A kind says its fields (annotated with a reader of ``faults.reading``), an ``example``, what it does to a vehicle
    and where a vehicle can have it. Field values may be given as text; BadRequest says what is wrong with one.
    """

    kind: ClassVar[str]
    example: ClassVar[str]

    timeline: Timeline = ALWAYS

    def __post_init__(self) -> None:
        if not isinstance(self.timeline, Timeline):
            raise BadRequest(f"{self.kind}: timeline must be a faults.Timeline, not {self.timeline!r}")
        for name, reader in field_readers(type(self)).items():
            value = getattr(self, name)
            if value is not None:
                self._settle(name, reader.read(f"{self.kind}: {name}", value))
        self.check()

    def _settle(self, name: str, value: object) -> None:
        """Give a field its value while the fault is being made."""
        object.__setattr__(self, name, value)

    def check(self) -> None:  # noqa: B027 - most kinds have nothing to check
        """Raise BadRequest where fields do not go together."""

    @abstractmethod
    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        """What the fault does to that vehicle. Raises UnknownName and BadRequest where the vehicle cannot have it."""

    @classmethod
    @abstractmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        """The fault wherever the vehicle can have it, in each severity."""

    def canonical(self, vehicle: Vehicle) -> Self:
        """The same fault with the names that this vehicle prints: runs as the file writes them, no needless network."""
        return self

    def deviations(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        """What the fault does to that vehicle, its timeline ignored. Raises UnknownName and BadRequest."""
        try:
            self.timeline.check_names(vehicle)
            return self.changes(vehicle)
        except UnknownName:
            raise
        except BadRequest as problem:
            if str(problem).startswith(f"{self.kind}: "):
                raise
            raise BadRequest(f"{self.kind}: {problem}") from None

    def apply(self, vehicle: Vehicle) -> Vehicle:
        """The vehicle with the fault in it, its timeline ignored. Raises UnknownName and BadRequest."""
        return vehicle.deviating(*self.deviations(vehicle))

    def is_in(self, t_ns: int, surroundings: Surroundings) -> bool:
        """Whether the fault is in at a time, given what the vehicle goes through just then."""
        return self.timeline.is_in(t_ns, surroundings)

    def next_change_ns(self, t_ns: int) -> int | None:
        """The first time after ``t_ns`` at which the timeline puts the fault in or out; None: never."""
        return self.timeline.next_change_ns(t_ns)

    def given(self) -> dict[str, Any]:
        """The fields that differ from their defaults, timeline aside, in the order of the fields."""
        return {
            field.name: value
            for field in own_fields(type(self))
            if (value := getattr(self, field.name)) != field.default
        }

    def to_mapping(self) -> dict[str, Any]:
        """The YAML form, with the timeline under ``when``; :func:`from_mapping` gives the fault again."""
        mapping = {"kind": self.kind, **self.given()}
        when = self.timeline.to_mapping()
        return {**mapping, "when": when} if when else mapping

    def __str__(self) -> str:
        """The command-line form; :func:`parse` gives the fault again."""
        readers = {**field_readers(type(self)), **timeline_readers()}
        pairs = {**self.given(), **self.timeline.to_mapping()}
        return " ".join([self.kind, *(f"{name}={readers[name].write(value)}" for name, value in pairs.items())])

    def refuse(self, text: str) -> BadRequest:
        """A BadRequest about this fault, with its kind in front and the example behind."""
        return BadRequest(f"{self.kind}: {text}; for example '{self.example}'")


_KINDS: dict[str, type[Fault]] = {}
_DEFINED: dict[str, str] = {}

F = TypeVar("F", bound=Fault)


def register(cls: type[F]) -> type[F]:
    """Class decorator: make a kind of fault known by its ``kind``. Raises BadRequest where that is taken."""
    caller = sys._getframe(1)
    here = f"{caller.f_code.co_filename}:{caller.f_lineno}"
    if cls.kind in _KINDS:
        raise BadRequest(f"fault '{cls.kind}' is defined twice: {_DEFINED[cls.kind]} and {here}; rename one of them")
    field_readers(cls)  # complain now about a field without a reader
    _KINDS[cls.kind] = cls
    _DEFINED[cls.kind] = here
    return cls


def kinds() -> dict[str, type[Fault]]:
    """Every kind of fault by name, sorted."""
    return dict(sorted(_KINDS.items()))


def kind_called(name: object) -> type[Fault]:
    """The class of a kind. Raises UnknownName with the nearest one."""
    if not isinstance(name, str) or name not in _KINDS:
        raise UnknownName("fault", str(name), _KINDS)
    return _KINDS[name]


@cache
def field_readers(cls: type[Fault]) -> Mapping[str, Reader]:
    """The fields of a kind, timeline aside, and how each is read."""
    hints = get_type_hints(cls, include_extras=True)
    return {field.name: reader_of(hints[field.name]) for field in own_fields(cls)}


def own_fields(cls: type[Fault]) -> tuple[Field[Any], ...]:
    """The fields of a kind, timeline aside."""
    return tuple(field for field in fields(cls) if field.name != "timeline")


def parse(text: str) -> Fault:
    """A fault from its command-line form, ``open line=high at=GBX``; names with blanks in double quotes.

    Raises BadRequest, one line.
    """
    try:
        words = shlex.split(text)
    except ValueError:
        raise BadRequest(f"'{text}' has a quote that does not end; close it") from None
    if not words:
        raise BadRequest(f"an empty fault; write a kind and its fields, for example '{_KINDS['open'].example}'")
    cls = kind_called(words[0])
    values: dict[str, object] = {}
    for word in words[1:]:
        name, equals, value = word.partition("=")
        if not equals or not name:
            raise BadRequest(f"{cls.kind}: '{word}' is no key=value; for example '{cls.example}'")
        if name in values:
            raise BadRequest(f"{cls.kind}: {name} is given twice; leave one out")
        values[name] = value
    when = {name: values.pop(name) for name in timeline_readers() if name in values}
    return _make(cls, values, when, known_also=timeline_readers())


def from_mapping(mapping: Mapping[str, object]) -> Fault:
    """A fault from its YAML form, ``{kind: open, line: high, at: GBX, when: {...}}``; scalars may be text.

    Raises BadRequest, one line.
    """
    if not isinstance(mapping, Mapping):
        raise BadRequest(f"a fault is a mapping like {{kind: open, line: high, at: GBX}}, not {mapping!r}")
    values = dict(mapping)
    if "kind" not in values:
        raise BadRequest("a fault without kind; write for example {kind: open, line: high, at: GBX}")
    cls = kind_called(values.pop("kind"))
    when = values.pop("when", {})
    if not isinstance(when, Mapping):
        raise BadRequest(f"{cls.kind}: when is a mapping like {{on_s: 2, off_s: 5}}, not {when!r}")
    astray = [name for name in timeline_readers() if name in values]
    if astray:
        raise BadRequest(f"{cls.kind}: {', '.join(astray)} belongs under 'when:'")
    return _make(cls, values, dict(when), known_also=("when",))


def _make(
    cls: type[Fault], values: Mapping[str, object], when: Mapping[str, object], *, known_also: Iterable[str]
) -> Fault:
    """A fault of a class from named values; complains of unknown, missing and empty ones."""
    known = [field.name for field in own_fields(cls)]
    for name in values:
        if name not in known:
            hint = nearest(str(name), [*known, *known_also])
            raise BadRequest(f"{cls.kind}: no field called '{name}'; {hint}")
    for name in when:
        if name not in timeline_readers():
            hint = nearest(str(name), [*timeline_readers()])
            raise BadRequest(f"{cls.kind}: no timeline key called '{name}'; {hint}")
    for name, value in {**values, **when}.items():
        if value is None or value == "":
            raise BadRequest(f"{cls.kind}: {name} has no value; write one or leave {name} out")
    missing = [field.name for field in own_fields(cls) if field.default is MISSING and field.name not in values]
    if missing:
        raise BadRequest(f"{cls.kind}: {' and '.join(missing)} missing; for example '{cls.example}'")
    try:
        timeline = Timeline(**when)  # type: ignore[arg-type]
    except BadRequest as problem:
        raise BadRequest(f"{cls.kind}: {problem}") from None
    return cls(timeline=timeline, **values)


def apply(vehicle: Vehicle, faults: Iterable[Fault]) -> Vehicle:
    """The vehicle with all these faults in it, their timelines ignored; their order does not matter.

    Raises UnknownName and BadRequest, the latter also where two faults set one value to different numbers.
    """
    return vehicle.deviating(*(item for fault in faults for item in fault.deviations(vehicle)))


def rename(fault: F, **names: str | None) -> F:
    """The fault with other names in these fields, or itself where none differs."""
    if all(getattr(fault, field) == name for field, name in names.items()):
        return fault
    return replace(fault, **names)  # type: ignore[arg-type]
