"""Faults of the twisted pair and its contacts."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal, Self, TypeAlias, TypeVar

from faults.fault import Fault, register, rename
from faults.places import place_network_word, places, plug_network, plugs, run_words, runs
from faults.reading import Along, FuseName, Metre, ModuleName, NetworkName, Ohm, OneOf, Place, RunName
from faults.severities import Severities
from simulator.deviations import LINES, Bridge, Crossing, Deviation, Line, PinSeries, RunSeries, StubLength
from simulator.errors import UnknownName
from simulator.vehicle import Network, Vehicle

WireChoice: TypeAlias = Literal["high", "low", "both"]
_WIRES: tuple[WireChoice, ...] = ("high", "low", "both")
Wires: TypeAlias = Annotated[WireChoice, OneOf(_WIRES)]
Pairing: TypeAlias = Literal["high-low", "high-ground", "low-ground", "high-supply", "low-supply"]
PAIRINGS: tuple[Pairing, ...] = ("high-low", "high-ground", "low-ground", "high-supply", "low-supply")
Between: TypeAlias = Annotated[Pairing, OneOf(PAIRINGS)]

_MIDDLE = 0.5


@dataclass(frozen=True, kw_only=True)
class _InLine(Fault):
    """A resistance or an open in one conductor or in both, at a module's contacts or in a run."""

    line: Wires
    at: ModuleName | None = None
    run: RunName | None = None
    along: Along = _MIDDLE
    network: NetworkName | None = None

    def check(self) -> None:
        _check_at_or_run(self, self.at, self.run)
        if self.at is not None and self.along != _MIDDLE:
            raise self.refuse("along= is a point of a run; leave it out with at=, or write run=")

    def canonical(self, vehicle: Vehicle) -> Self:
        return _canonical(self, vehicle, self.at, self.run, self.network)

    def in_series(self, vehicle: Vehicle, ohm: float) -> tuple[Deviation, ...]:
        """That many ohm in each conductor concerned."""
        lines: tuple[Line, ...] = LINES if self.line == "both" else (self.line,)
        if self.at is not None:
            network = plug_network(vehicle, self.at, self.network)
            return tuple(PinSeries(network.name, self.at, line, ohm) for line in lines)
        network, run = _run_of(vehicle, self.run, self.network)
        return tuple(RunSeries(network.name, run, line, self.along, ohm) for line in lines)


@register
@dataclass(frozen=True, kw_only=True)
class Open(_InLine):
    """A conductor is open: at a module's contacts, or in a run, ``along`` of the way from its start.

    ``line``: high, low or both. At contacts it has no effect once the module is unplugged.
    """

    kind: ClassVar[str] = "open"
    example: ClassVar[str] = "open line=high at=GBX"

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        return self.in_series(vehicle, math.inf)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for line in _WIRES:
            yield from (cls(line=line, at=at, network=network) for at, network in plugs(vehicle))
            yield from (cls(line=line, run=run, network=network) for run, network in runs(vehicle))


@register
@dataclass(frozen=True, kw_only=True)
class Resistance(_InLine):
    """A conductor has ``ohm`` more, in series: a corroded contact, or a bad joint ``along`` of the way along a run.

    ``line``: high, low or both (then each conductor has it). At contacts it has no effect once the module is unplugged.
    """

    kind: ClassVar[str] = "resistance"
    example: ClassVar[str] = "resistance line=high at=GBX ohm=200"

    ohm: Ohm

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        """That many ohm in each conductor concerned."""
        return self.in_series(vehicle, self.ohm)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        """The fault wherever the vehicle can have it, in each severity."""
        for line in _WIRES:
            for at, network in plugs(vehicle):
                yield from (cls(line=line, at=at, network=network, ohm=ohm) for ohm in severities.ohms)
            for run, network in runs(vehicle):
                yield from (cls(line=line, run=run, network=network, ohm=ohm) for ohm in severities.ohms)


@register
@dataclass(frozen=True, kw_only=True)
class Short(Fault):
    """Two lines touch through ``ohm``: each other, ground, or the supply, on the harness side of a place.

    Ground is the body. Supply is battery positive, unfused, or with ``fuse`` the load side of that fuse.
    """

    kind: ClassVar[str] = "short"
    example: ClassVar[str] = "short between=high-low at=DLC"

    between: Between
    at: Place
    ohm: Ohm = 0.1
    fuse: FuseName | None = None
    network: NetworkName | None = None

    def check(self) -> None:
        if self.fuse is not None and not self.between.endswith("-supply"):
            raise self.refuse(f"fuse= goes with high-supply and low-supply; leave it out with {self.between}")

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        network = vehicle.network_of_place(self.at, self.network).name
        if self.fuse is not None and self.fuse not in vehicle.fuses:
            raise UnknownName("fuse", self.fuse, vehicle.fuses)
        first, _, second = self.between.partition("-")
        ends: dict[str, tuple[str, ...]] = {
            "low": ("place", network, self.at, "low"),
            "ground": ("body",),
            "supply": ("positive",) if self.fuse is None else ("fuse", self.fuse),
        }
        return (Bridge(("place", network, self.at, first), ends[second], self.ohm),)

    def canonical(self, vehicle: Vehicle) -> Self:
        return rename(self, network=place_network_word(vehicle, self.at, self.network))

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for between in PAIRINGS:
            for at, network in places(vehicle):
                yield from (cls(between=between, at=at, network=network, ohm=ohm) for ohm in severities.ohms)


@register
@dataclass(frozen=True, kw_only=True)
class Crossed(Fault):
    """High and low are exchanged: in a module's contacts, or at the ``to`` end of a run. Two at one spot cancel."""

    kind: ClassVar[str] = "crossed"
    example: ClassVar[str] = "crossed at=GBX"

    at: ModuleName | None = None
    run: RunName | None = None
    network: NetworkName | None = None

    def check(self) -> None:
        _check_at_or_run(self, self.at, self.run)

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        if self.at is not None:
            return (Crossing(plug_network(vehicle, self.at, self.network).name, "module", self.at),)
        network, run = _run_of(vehicle, self.run, self.network)
        return (Crossing(network.name, "run", run),)

    def canonical(self, vehicle: Vehicle) -> Self:
        return _canonical(self, vehicle, self.at, self.run, self.network)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        yield from (cls(at=at, network=network) for at, network in plugs(vehicle))
        yield from (cls(run=run, network=network) for run, network in runs(vehicle))


@register
@dataclass(frozen=True, kw_only=True)
class LongStub(Fault):
    """A module's plug hangs on a stub of ``length_m``: the runs that ended at the plug end at a joint before it."""

    kind: ClassVar[str] = "long_stub"
    example: ClassVar[str] = "long_stub at=GBX length_m=4"

    at: ModuleName
    length_m: Metre
    network: NetworkName | None = None

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        return (StubLength(plug_network(vehicle, self.at, self.network).name, self.at, self.length_m),)

    def canonical(self, vehicle: Vehicle) -> Self:
        return rename(self, network=place_network_word(vehicle, self.at, self.network))

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for at, network in plugs(vehicle):
            yield from (cls(at=at, network=network, length_m=length_m) for length_m in severities.lengths_m)


_T = TypeVar("_T", bound=Fault)


def _check_at_or_run(fault: Fault, at: str | None, run: str | None) -> None:
    """Refuse both and neither."""
    if (at is None) == (run is None):
        what = "both at= and run= are given" if at else "neither at= nor run= is given"
        raise fault.refuse(f"{what}; write at=MODULE for its contacts or run=NAME for the wire")


def _run_of(vehicle: Vehicle, run: str | None, network: str | None) -> tuple[Network, str]:
    """The network of a run and the run's name as the file writes it."""
    assert run is not None
    found = vehicle.network_of_run(run, network)
    return found, found.run(run).name


def _canonical(fault: _T, vehicle: Vehicle, at: str | None, run: str | None, network: str | None) -> _T:
    if at is not None:
        return rename(fault, network=place_network_word(vehicle, at, network))
    assert run is not None
    name, word = run_words(vehicle, run, network)
    return rename(fault, run=name, network=word)
