"""Faults of the terminators."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar, Self

from faults.fault import Fault, register, rename
from faults.places import place_network_word, places
from faults.reading import NetworkName, Ohm, Place
from faults.severities import Severities
from simulator.deviations import Bridge, Deviation, TerminatorValue
from simulator.errors import BadRequest
from simulator.vehicle import Terminator, Vehicle

_USUAL_OHM = 120.0


@register
@dataclass(frozen=True, kw_only=True)
class MissingTerminator(Fault):
    """The terminators of a place are missing; this beats another value of theirs."""

    kind: ClassVar[str] = "missing_terminator"
    example: ClassVar[str] = "missing_terminator at=ENG"

    at: Place
    network: NetworkName | None = None

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        network, _ = _terminators(vehicle, self.at, self.network)
        return (TerminatorValue(network, self.at, math.inf),)

    def canonical(self, vehicle: Vehicle) -> Self:
        return rename(self, network=place_network_word(vehicle, self.at, self.network))

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        yield from (cls(at=at, network=network) for at, network, _ in _terminated(vehicle))


@register
@dataclass(frozen=True, kw_only=True)
class WrongTerminator(Fault):
    """The terminators of a place have ``ohm`` each."""

    kind: ClassVar[str] = "wrong_terminator"
    example: ClassVar[str] = "wrong_terminator at=ENG ohm=180"

    at: Place
    ohm: Ohm
    network: NetworkName | None = None

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        network, _ = _terminators(vehicle, self.at, self.network)
        return (TerminatorValue(network, self.at, self.ohm),)

    def canonical(self, vehicle: Vehicle) -> Self:
        return rename(self, network=place_network_word(vehicle, self.at, self.network))

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for at, network, right in _terminated(vehicle):
            wrong = (ohm for ohm in severities.ohms if any(item.ohm != ohm for item in right))
            yield from (cls(at=at, network=network, ohm=ohm) for ohm in wrong)


@register
@dataclass(frozen=True, kw_only=True)
class ExtraTerminator(Fault):
    """One terminator too many, of ``ohm``, across the pair on the harness side of a place."""

    kind: ClassVar[str] = "extra_terminator"
    example: ClassVar[str] = "extra_terminator at=DLC"

    at: Place
    ohm: Ohm = _USUAL_OHM
    network: NetworkName | None = None

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        network = vehicle.network_of_place(self.at, self.network).name
        high, low = ("place", network, self.at, "high"), ("place", network, self.at, "low")
        return (Bridge(high, low, self.ohm, terminator=True),)

    def canonical(self, vehicle: Vehicle) -> Self:
        return rename(self, network=place_network_word(vehicle, self.at, self.network))

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for at, network in places(vehicle):
            for ohm in sorted({*severities.ohms, _USUAL_OHM}):
                yield cls(at=at, network=network, ohm=ohm)


def _terminators(vehicle: Vehicle, at: str, network: str | None) -> tuple[str, tuple[Terminator, ...]]:
    """The network of a place and the terminators there. Raises BadRequest where there is none."""
    found = vehicle.network_of_place(at, network)
    there = tuple(terminator for terminator in found.terminators if terminator.at == at)
    if not there:
        known = ", ".join(dict.fromkeys(terminator.at for terminator in found.terminators)) or "nowhere"
        raise BadRequest(f"'{at}' has no terminator on {found.name}; terminators there are at: {known}")
    return found.name, there


def _terminated(vehicle: Vehicle) -> Iterator[tuple[str, str | None, tuple[Terminator, ...]]]:
    """Every place that has terminators, with the network to print."""
    for network in vehicle.networks.values():
        for at in dict.fromkeys(terminator.at for terminator in network.terminators):
            _, there = _terminators(vehicle, at, network.name)
            yield at, place_network_word(vehicle, at, network.name), there
