"""How a vehicle differs from its drawing: the few words in which every fault is said.

Each word names a place in the description and what is different there. Words about the same thing merge by one rule
each (see :func:`merge`), so that faults act together in any order with the same result.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import astuple, dataclass
from typing import Literal, TypeAlias

from simulator.errors import BadRequest

Line: TypeAlias = Literal["high", "low"]
LINES: tuple[Line, Line] = ("high", "low")


@dataclass(frozen=True)
class PinSeries:
    """Resistance in series with one bus pin contact of a module, in ohm (inf: open). Adds up."""

    network: str
    module: str
    line: Line
    ohm: float


@dataclass(frozen=True)
class RunSeries:
    """Resistance in one conductor of a run, ``along`` of the way from its start, in ohm (inf: open). Adds up."""

    network: str
    run: str
    line: Line
    along: float
    ohm: float


@dataclass(frozen=True)
class SupplySeries:
    """Resistance in series with a part of the supply, in ohm (inf: open). Adds up.

    ``part``: "feed", "wake" and "ground" are wires of the module ``name``; "fuse" and "point" are the fuse and the
    ground point of that name.
    """

    part: Literal["feed", "wake", "ground", "fuse", "point"]
    name: str
    ohm: float


@dataclass(frozen=True)
class Bridge:
    """A resistor between two points of the harness, in ohm. Parallel ones stay apart elements.

    A point is ("place", network, place, line), ("fuse", name), ("supply", module), ("positive",) or ("body",).
    ``terminator`` marks one that was fitted as a terminator, so that it has a terminator's tolerance.
    """

    start: tuple[str, ...]
    end: tuple[str, ...]
    ohm: float
    terminator: bool = False


@dataclass(frozen=True)
class Crossing:
    """High and low exchanged in a module's contacts ("module") or at the end of a run ("run"). Two cancel."""

    network: str
    where: Literal["module", "run"]
    name: str


@dataclass(frozen=True)
class TerminatorValue:
    """The terminators of a place have another resistance, in ohm (inf: missing, which beats any value)."""

    network: str
    place: str
    ohm: float


@dataclass(frozen=True)
class StubLength:
    """The runs at a module's plug end at a joint, and a stub of this length, in metre, goes on to the plug. Adds up."""

    network: str
    module: str
    length_m: float


@dataclass(frozen=True)
class GroundShift:
    """An ideal source in series with a module's ground wire, positive at the pin, in volt. Adds up."""

    module: str
    volt: float


@dataclass(frozen=True)
class BatteryValue:
    """Another battery: open-circuit voltage in volt, internal resistance in ohm."""

    open_circuit_volt: float
    internal_ohm: float


@dataclass(frozen=True)
class Behaviour:
    """A module that behaves otherwise.

    ``value`` is the identifier it floods with, its wrong bit rate, or at how many percent a writing broke off.
    """

    module: str
    kind: Literal[
        "dead", "stuck_dominant", "stuck_recessive", "not_configured", "half_written", "flooding", "wrong_bit_rate"
    ]
    value: int = 0


@dataclass(frozen=True)
class SilentMessage:
    """A message of the database that its sender no longer sends."""

    network: str
    message: str


@dataclass(frozen=True)
class Told:
    """A module was told another value of its configuration: title of the item, physical value in the item's unit."""

    module: str
    title: str
    value: float


@dataclass(frozen=True)
class Fitted:
    """Another unit is fitted than the one that belongs there: its part number or software number is another."""

    module: str
    number: Literal["part_number", "software_number"]
    text: str


Deviation: TypeAlias = (
    PinSeries
    | RunSeries
    | SupplySeries
    | Bridge
    | Crossing
    | TerminatorValue
    | StubLength
    | GroundShift
    | BatteryValue
    | Behaviour
    | SilentMessage
    | Told
    | Fitted
)


def merge(deviations: Iterable[Deviation]) -> tuple[Deviation, ...]:
    """Canonical form of a set of deviations: sums summed, pairs of crossings gone, sorted.

    Raises BadRequest where two of them set one value to different numbers.
    """
    sums: dict[tuple[object, ...], list[float]] = {}
    crossings: dict[tuple[object, ...], int] = {}
    values: dict[tuple[object, ...], Deviation] = {}
    kept: list[Deviation] = []
    for item in deviations:
        match item:
            case PinSeries(network, module, line, ohm):
                sums.setdefault((PinSeries, network, module, line), []).append(ohm)
            case RunSeries(network, run, line, along, ohm):
                sums.setdefault((RunSeries, network, run, line, along), []).append(ohm)
            case SupplySeries(part, name, ohm):
                sums.setdefault((SupplySeries, part, name), []).append(ohm)
            case StubLength(network, module, length_m):
                sums.setdefault((StubLength, network, module), []).append(length_m)
            case GroundShift(module, volt):
                sums.setdefault((GroundShift, module), []).append(volt)
            case Crossing(network, where, name):
                key: tuple[object, ...] = (Crossing, network, where, name)
                crossings[key] = crossings.get(key, 0) + 1
            case TerminatorValue(network, place, ohm):
                _set(values, (TerminatorValue, network, place, math.isinf(ohm)), item)
            case BatteryValue():
                _set(values, (BatteryValue,), item)
            case Behaviour(module, kind, _):
                _set(values, (Behaviour, module, kind), item)
            case SilentMessage(network, message):
                values[(SilentMessage, network, message)] = item
            case Told(module, title, _):
                _set(values, (Told, module, title), item)
            case Fitted(module, number, _):
                _set(values, (Fitted, module, number), item)
            case Bridge():
                kept.append(item)
    kept += [_rebuild(key, _total(addends)) for key, addends in sums.items()]
    kept += [_rebuild(key) for key, count in crossings.items() if count % 2]
    kept += [item for key, item in values.items() if not _is_beaten(key, values)]
    return tuple(sorted(kept, key=_order))


def _total(addends: list[float]) -> float:
    """The exactly rounded sum, which no order of the addends changes."""
    try:
        return math.fsum(addends)
    except OverflowError:
        return math.inf


def _set(values: dict[tuple[object, ...], Deviation], key: tuple[object, ...], item: Deviation) -> None:
    """Keep the one value for a key; equal ones agree, different ones are an error."""
    other = values.setdefault(key, item)
    if other != item:
        both = " and ".join(sorted((_plain(other), _plain(item))))
        raise BadRequest(f"two faults set one value to different numbers: {both}; leave one out")


def _is_beaten(key: tuple[object, ...], values: Mapping[tuple[object, ...], Deviation]) -> bool:
    """Whether it is the value of a terminator that is missing anyhow."""
    kind, *where = key
    return kind is TerminatorValue and not where[-1] and (kind, *where[:-1], True) in values


def _plain(item: Deviation) -> str:
    return f"{type(item).__name__}({', '.join(str(part) for part in astuple(item))})"


def _rebuild(key: tuple[object, ...], *value: float) -> Deviation:
    kind, *fields = key
    built: Deviation = kind(*fields, *value)  # type: ignore[operator]
    return built


def _order(item: Deviation) -> tuple[str, str]:
    return type(item).__name__, repr(astuple(item))
