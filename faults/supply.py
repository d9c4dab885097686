"""Faults of battery, fuses, feeds and grounds."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar, Literal

from faults.fault import Fault, register
from faults.reading import BatteryVolt, FuseName, GroundName, ModuleName, Ohm, Volt
from faults.severities import Severities
from simulator import deviations
from simulator.deviations import BatteryValue, Bridge, Deviation, SupplySeries
from simulator.errors import BadRequest, UnknownName
from simulator.vehicle import Vehicle


@register
@dataclass(frozen=True, kw_only=True)
class PowerDropout(Fault):
    """The feed wire of a module, or a fuse, is open, or has ``ohm`` more."""

    kind: ClassVar[str] = "power_dropout"
    example: ClassVar[str] = "power_dropout fuse=F7"

    module: ModuleName | None = None
    fuse: FuseName | None = None
    ohm: Ohm | None = None

    def check(self) -> None:
        if (self.module is None) == (self.fuse is None):
            raise self.refuse("write either module=, for its feed wire, or fuse=")

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        if self.module is not None:
            return _in_series("feed", vehicle.module(self.module).name, self.ohm)
        return _in_series("fuse", _fuse(vehicle, self.fuse), self.ohm)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for ohm in (None, *severities.ohms):
            yield from (cls(module=module, ohm=ohm) for module in vehicle.modules)
            yield from (cls(fuse=fuse, ohm=ohm) for fuse in vehicle.fuses)


@register
@dataclass(frozen=True, kw_only=True)
class GroundDropout(Fault):
    """The ground wire of a module, or a ground point, is open, or has ``ohm`` more."""

    kind: ClassVar[str] = "ground_dropout"
    example: ClassVar[str] = "ground_dropout module=GBX ohm=2"

    module: ModuleName | None = None
    ground: GroundName | None = None
    ohm: Ohm | None = None

    def check(self) -> None:
        if (self.module is None) == (self.ground is None):
            raise self.refuse("write either module=, for its ground wire, or ground=, for a ground point")

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        if self.module is not None:
            return _in_series("ground", vehicle.module(self.module).name, self.ohm)
        assert self.ground is not None
        if self.ground not in vehicle.grounds:
            raise UnknownName("ground point", self.ground, vehicle.grounds)
        return _in_series("point", self.ground, self.ohm)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for ohm in (None, *severities.ohms):
            yield from (cls(module=module, ohm=ohm) for module in vehicle.modules)
            yield from (cls(ground=ground, ohm=ohm) for ground in vehicle.grounds)


@register
@dataclass(frozen=True, kw_only=True)
class WakeDropout(Fault):
    """The wake wire of a module is open, or has ``ohm`` more."""

    kind: ClassVar[str] = "wake_dropout"
    example: ClassVar[str] = "wake_dropout module=GBX"

    module: ModuleName
    ohm: Ohm | None = None

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        if vehicle.module(self.module).wake is None:
            raise BadRequest(f"'{self.module}' has no wake pin; write a module that has one")
        return _in_series("wake", self.module, self.ohm)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for ohm in (None, *severities.ohms):
            yield from (cls(module=name, ohm=ohm) for name, module in vehicle.modules.items() if module.wake)


@register
@dataclass(frozen=True, kw_only=True)
class WeakBattery(Fault):
    """The battery has another open-circuit voltage and another internal resistance."""

    kind: ClassVar[str] = "weak_battery"
    example: ClassVar[str] = "weak_battery open_circuit_volt=11.5 internal_ohm=0.05"

    open_circuit_volt: BatteryVolt
    internal_ohm: Ohm

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        return (BatteryValue(self.open_circuit_volt, self.internal_ohm),)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        yield from (cls(open_circuit_volt=volt, internal_ohm=ohm) for volt, ohm in severities.batteries)


@register
@dataclass(frozen=True, kw_only=True)
class BackFeed(Fault):
    """A module's supply pin gets current through ``ohm`` from the load side of a fuse: a feed that is none."""

    kind: ClassVar[str] = "back_feed"
    example: ClassVar[str] = "back_feed module=GBX fuse=F10 ohm=20"

    module: ModuleName
    fuse: FuseName
    ohm: Ohm

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        module, fuse = vehicle.module(self.module).name, _fuse(vehicle, self.fuse)
        return (Bridge(("fuse", fuse), ("supply", module), self.ohm),)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for module in vehicle.modules:
            for fuse in vehicle.fuses:
                yield from (cls(module=module, fuse=fuse, ohm=ohm) for ohm in severities.ohms)


@register
@dataclass(frozen=True, kw_only=True)
class GroundShift(Fault):
    """A module's ground pin is ``volt`` above where its wire would put it, while the battery is connected."""

    kind: ClassVar[str] = "ground_shift"
    example: ClassVar[str] = "ground_shift module=GBX volt=2"

    module: ModuleName
    volt: Volt

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        """A source in the module's ground wire."""
        return (deviations.GroundShift(vehicle.module(self.module).name, self.volt),)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        """The fault wherever the vehicle can have it, in each severity."""
        for module in vehicle.modules:
            yield from (cls(module=module, volt=volt) for volt in severities.volts)


def _in_series(
    part: Literal["feed", "wake", "ground", "fuse", "point"], name: str, ohm: float | None
) -> tuple[Deviation, ...]:
    return (SupplySeries(part, name, math.inf if ohm is None else ohm),)


def _fuse(vehicle: Vehicle, name: str | None) -> str:
    """The name itself, if the vehicle has that fuse. Raises UnknownName."""
    assert name is not None
    if name not in vehicle.fuses:
        raise UnknownName("fuse", name, vehicle.fuses)
    return name
