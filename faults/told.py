"""Faults of what a module was told, and of which unit it is: nothing in the wiring shows them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar, Self

from faults.fault import Fault, register
from faults.reading import Label, ModuleName, Part, Physical, ValueName
from faults.severities import Severities
from simulator.deviations import Behaviour, Deviation, Fitted, Told
from simulator.errors import BadRequest, UnknownName
from simulator.loaded import identity_of
from simulator.road import ConfigurationItem
from simulator.vehicle import Vehicle


def _items(kind: str, vehicle: Vehicle, module: str) -> tuple[ConfigurationItem, ...]:
    """What a module is told. Raises UnknownName, and BadRequest where that is nothing."""
    service = vehicle.road.service.get(vehicle.module(module).name)
    if service is None or not service.configuration:
        told = [name for name, each in vehicle.road.service.items() if each.configuration]
        instead = f"write one of {', '.join(told)}" if told else "no module of this vehicle is"
        raise BadRequest(f"{kind}: {module} is told nothing (the vehicle file has no configuration of it); {instead}")
    return service.configuration


@register
@dataclass(frozen=True, kw_only=True)
class WrongValue(Fault):
    """A module was told another value than the vehicle needs: all else works, and it computes with that."""

    kind: ClassVar[str] = "wrong_value"
    example: ClassVar[str] = 'wrong_value module=GBX name="axle ratio" value=3.7'

    module: ModuleName
    name: ValueName
    value: Physical

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        item = self._item(vehicle)
        return (Told(self.module, item.title, self._stored(item)),)

    def canonical(self, vehicle: Vehicle) -> Self:
        """The same fault with the title as the vehicle file writes it, and the value that the module can hold."""
        item = self._item(vehicle)
        return replace(self, name=item.title, value=self._stored(item))

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for module, service in vehicle.road.service.items():
            for item in service.configuration:
                right, least, most = _raw(item, item.value), *_raws(item)
                near = [round(right * factor) for factor in severities.factors]
                wrong = [raw for raw in near if raw != right and least <= raw <= most] or [right - 1 or right + 1]
                yield from (cls(module=module, name=item.title, value=_physical(item, raw)) for raw in wrong)

    def _item(self, vehicle: Vehicle) -> ConfigurationItem:
        """The item of that title, also with dashes for blanks, or of that identifier."""
        items = _items(self.kind, vehicle, self.module)
        wanted = self.name.casefold().replace("-", " ")
        for item in items:
            if wanted == item.title.casefold().replace("-", " ") or wanted == f"0x{item.number:04x}":
                return item
        raise UnknownName(f"value that {self.module} is told", self.name, [item.title for item in items])

    def _stored(self, item: ConfigurationItem) -> float:
        """The value as the module holds it."""
        least, most = _raws(item)
        raw = _raw(item, self.value)
        if not least <= raw <= most:
            low, high = _physical(item, least), _physical(item, most)
            held = f"{item.title} that {self.module} can hold"
            raise BadRequest(f"{self.kind}: value {self.value:g} is no {held}; write {low:g} to {high:g}")
        if raw == _raw(item, item.value):
            raise BadRequest(
                f"{self.kind}: value {item.value:g} is the {item.title} that the vehicle needs; write another"
            )
        return _physical(item, raw)


def _raws(item: ConfigurationItem) -> tuple[int, int]:
    """The least and the greatest number that an item can be: all ones are an erased memory, and no size is nothing."""
    return int(item.length > 1), 256**item.length - 2


def _raw(item: ConfigurationItem, value: float) -> int:
    return round(value / item.scale)


def _physical(item: ConfigurationItem, raw: int) -> float:
    """The value of a number, without the dust of a multiplication."""
    return float(f"{raw * item.scale:.12g}")


@register
@dataclass(frozen=True, kw_only=True)
class HalfWritten(Fault):
    """A writing broke off at `part` of it: the module answers its name, keeps nothing, sends nothing."""

    kind: ClassVar[str] = "half_written"
    example: ClassVar[str] = "half_written module=GBX part=0.4"

    module: ModuleName
    part: Part = 0.5

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        _items(self.kind, vehicle, self.module)
        return (Behaviour(self.module, "half_written", round(self.part * 100)),)

    def canonical(self, vehicle: Vehicle) -> Self:
        """The same fault in whole percents."""
        return replace(self, part=round(self.part * 100) / 100)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        yield from (cls(module=name) for name, service in vehicle.road.service.items() if service.configuration)


@register
@dataclass(frozen=True, kw_only=True)
class WrongUnit(Fault):
    """Another unit is fitted than the one that belongs there: by its part number, its software number or both."""

    kind: ClassVar[str] = "wrong_unit"
    example: ClassVar[str] = "wrong_unit module=GBX software_number=FMW-20-S01"

    module: ModuleName
    part_number: Label | None = None
    software_number: Label | None = None

    def check(self) -> None:
        if self.part_number is None and self.software_number is None:
            raise self.refuse("neither part_number nor software_number; write the one that is another")

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        own = identity_of(vehicle, self.module)
        found: list[Deviation] = []
        if self.part_number is not None:
            found.append(Fitted(self.module, "part_number", _other("part_number", self.part_number, own.part_number)))
        if self.software_number is not None:
            text = _other("software_number", self.software_number, own.software_number)
            found.append(Fitted(self.module, "software_number", text))
        return tuple(found)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for module in vehicle.modules:
            own = identity_of(vehicle, module)
            yield cls(module=module, part_number=_altered(own.part_number))
            yield cls(module=module, software_number=_altered(own.software_number))


def _other(field: str, text: str, own: str) -> str:
    if text == own:
        raise BadRequest(f"{field}: {text} is that of the unit that belongs there; write another")
    return text


def _altered(number: str) -> str:
    """A number that looks like another one but is none of this vehicle."""
    return number[:30] + "-X"
