"""What modules say of themselves, and of what they were told: identity and configuration, read and compared."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from lab.tester.diagnosis import Diagnosis, NoAnswer, NoService
from simulator.diagnostics.identity import (
    HARDWARE_NUMBER,
    PART_NUMBER,
    SERIAL_NUMBER,
    SOFTWARE_NUMBER,
    SOFTWARE_VERSION,
    VEHICLE_NUMBER,
)
from simulator.errors import BadRequest
from simulator.loaded import AS_DRAWN, identity_of, loaded_in
from simulator.road import ConfigurationItem
from simulator.vehicle import Vehicle

FORMAT = 1
#: Identification of ISO 14229-1:2020, table C.1, as people call it.
TEXTS: Mapping[int, str] = {
    PART_NUMBER: "part number",
    SOFTWARE_NUMBER: "software number",
    SOFTWARE_VERSION: "software version",
    HARDWARE_NUMBER: "hardware number",
    SERIAL_NUMBER: "serial number",
    VEHICLE_NUMBER: "vehicle number",
}
#: What differs from unit to unit and is no mistake.
_OWN = frozenset({"serial number"})


@dataclass(frozen=True)
class Item:
    """One value as read: ``value`` in words, ``wanted`` by the vehicle's data ("" where nothing is), and a word.

    ``word``: as it should be, differs, missing, own (of each unit), or why it was not read; ``refused``: the module
    answered, and would not say.
    """

    name: str
    value: str
    wanted: str
    word: str
    refused: bool = False

    def as_json(self) -> dict[str, str]:
        """The mapping of the command ``config``."""
        return {"name": self.name, "value": self.value, "wanted": self.wanted, "word": self.word}


@dataclass(frozen=True)
class Configured:
    """What a module answered."""

    module: str
    answering: bool
    items: tuple[Item, ...] = ()

    @property
    def wrong(self) -> tuple[Item, ...]:
        """What is not as it should be."""
        return tuple(item for item in self.items if item.word not in ("as it should be", "own"))

    def as_json(self) -> dict[str, Any]:
        """The mapping of the command ``config``."""
        return {"module": self.module, "answering": self.answering, "items": [item.as_json() for item in self.items]}


def configuration_of(vehicle: Vehicle, module: str) -> tuple[ConfigurationItem, ...]:
    """What the vehicle needs a module to be told."""
    service = vehicle.road.service.get(module)
    return service.configuration if service is not None else ()


def read_configuration(diagnosis: Diagnosis, modules: Iterable[str] = ()) -> list[Configured]:
    """Identity and configuration of modules (default: all), beside what the vehicle's data say."""
    return [_of_module(diagnosis, name) for name in modules or diagnosis.vehicle.modules]


def value_words(item: ConfigurationItem, data: bytes) -> str:
    """A stored value in words; a memory that was never written reads as all ones."""
    if data == b"\xff" * item.length:
        return "nothing"
    return f"{item.physical(data):g} {item.unit}".strip()


def told_by(vehicle: Vehicle, module: str) -> dict[str, str]:
    """What a module of this vehicle answers to all of that, faults included, by name; "" where it refuses."""
    own, loaded = identity_of(vehicle, module), loaded_in(vehicle).get(module, AS_DRAWN)
    found = {name: str(getattr(own, name.replace(" ", "_"))) for name in TEXTS.values()}
    for name in ("part number", "software number"):
        found[name] = loaded.number(name.replace(" ", "_"), found[name])
    for item in configuration_of(vehicle, module):
        data = loaded.data(item)
        found[item.title] = "" if data is None else value_words(item, data)
    return found


def _of_module(diagnosis: Diagnosis, module: str) -> Configured:
    if not diagnosis.answers(module):
        return Configured(module, False)
    vehicle = diagnosis.vehicle
    wanted = identity_of(vehicle, module)
    items = []
    for number, name in TEXTS.items():
        should = str(getattr(wanted, name.replace(" ", "_")))
        items.append(_item(diagnosis, module, number, name, should, lambda data: data.decode("latin-1")))
    for each in configuration_of(vehicle, module):
        should = value_words(each, each.data)
        items.append(_item(diagnosis, module, each.number, each.title, should, partial(value_words, each)))
    return Configured(module, True, tuple(items))


def _item(
    diagnosis: Diagnosis, module: str, number: int, name: str, should: str, words: Callable[[bytes], str]
) -> Item:
    try:
        value = words(read_value(diagnosis, module, number))
    except NoService as no:
        return Item(name, "", should, str(no), refused=True)
    except NoAnswer as no:
        return Item(name, "", should, str(no))
    if value == should:
        return Item(name, value, should, "as it should be")
    if name in _OWN:
        return Item(name, value, should, "own")
    return Item(name, value, should, "missing" if value == "nothing" else "differs")


def read_value(diagnosis: Diagnosis, module: str, number: int) -> bytes:
    """The bytes of a data identifier (ISO 14229-1, 0x22). Raises NoAnswer, NoService."""
    # after the service and the identifier the value follows (11.2.3)
    return bytes(diagnosis.ask(module, lambda client: client.read_data_by_identifier([number])).data[2:])


# ---------------------------------------------------------------------- files, and comparing with them


def save_configuration(vehicle: Vehicle, read: Iterable[Configured], path: str | Path) -> None:
    """Write what was read into a file. Raises BadRequest where that cannot be."""
    kept = {"configuration": FORMAT, "vehicle": vehicle.name, "modules": [each.as_json() for each in read]}
    try:
        Path(path).write_text(json.dumps(kept, indent=2) + "\n", encoding="utf-8")
    except OSError as error:
        raise BadRequest(f"{path} cannot be written ({error.strerror}); name another file") from None


def load_configuration(vehicle: Vehicle, path: str | Path) -> dict[tuple[str, str], str]:
    """The values of a file by module and name. Raises BadRequest where it is none, or another vehicle's."""
    try:
        kept = json.loads(Path(path).read_text(encoding="utf-8"))
        if kept["configuration"] != FORMAT:
            raise KeyError("configuration")
        values = {
            (str(each["module"]), str(item["name"])): str(item["value"])
            for each in kept["modules"]
            for item in each["items"]
        }
        name = str(kept["vehicle"])
    except OSError as error:
        raise BadRequest(f"{path} cannot be read ({error.strerror}); name a file written by config --file") from None
    except (ValueError, KeyError, TypeError):
        raise BadRequest(f"{path} holds no saved configuration; name a file written by config --file") from None
    if name != vehicle.name:
        raise BadRequest(f"{path} is the configuration of {name}, not of {vehicle.name}; name another file")
    return values


def compare_configuration(before: Mapping[tuple[str, str], str], now: Iterable[Configured]) -> list[dict[str, str]]:
    """What is different since: module, name, before and now."""
    return [
        {"module": each.module, "name": item.name, "before": before[each.module, item.name], "now": item.value}
        for each in now
        for item in each.items
        if before.get((each.module, item.name), item.value) != item.value
    ]
