"""The kinds of scalar: how the text of a file becomes a number, a name or a choice, and what to say if not."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from simulator.reader.textfile import Leaf

#: The error type of every message in our own words.
OWN = "own_words"

#: No number of a file is larger: far beyond any part of a vehicle, far below where floating point gives out.
LARGEST = 1e12
#: No resistance is smaller: to a solver it would be none, and in a vehicle it is none either.
SMALLEST_OHM = 1e-6

_NUMBER = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?")
_HEX = re.compile(r"[-+]?0[xX][0-9a-fA-F]+")
_UNIT = re.compile(r"\s*([A-Za-zµμΩ°%][A-Za-z0-9µμΩ°%/. ]*)")

#: Scales of the units people write, by the unit the key asks for.
_SCALES: Mapping[str, Mapping[str, float]] = {
    "m": {"mm": 0.001, "cm": 0.01, "km": 1000},
    "ohm": {"mohm": 0.001, "milliohm": 0.001, "kohm": 1000, "k": 1e3, "kΩ": 1e3, "Mohm": 1e6, "M": 1e6, "MΩ": 1e6},
    "volt": {"mV": 0.001, "kV": 1000},
    "amp": {"mA": 0.001},
    "s": {"ms": 0.001, "min": 60},
    "bit/s": {"kbit/s": 1000, "kbps": 1000, "kbaud": 1000, "k": 1000, "Mbit/s": 1e6, "Mbps": 1e6, "M": 1e6},
    "minutes": {"s": 1 / 60, "h": 60},
    "": {"%": 0.01},
}


def own_words(text: str) -> PydanticCustomError:
    """A validation error whose message is exactly this text."""
    return PydanticCustomError(OWN, "{text}", {"text": text})


def shorten(text: str) -> str:
    """A text for a message: one line, at most 40 characters."""
    flat = " ".join(text.split())
    return flat if len(flat) <= 40 else flat[:37] + "..."


def tell(number: float) -> str:
    """A number as one would write it in a file."""
    if number == int(number) and abs(number) < 1e7:
        return str(int(number))
    return f"{number:.6g}"


class Scalar:
    """A kind of scalar: ``read`` turns a leaf into a value or raises in our own words, ``json`` is for editors."""

    #: What belongs here, for the message where a list or mapping stands.
    wanted = "a value"

    def read(self, leaf: Leaf) -> Any:
        """The value of a leaf. Raises PydanticCustomError."""
        raise NotImplementedError

    def json(self) -> dict[str, Any]:
        """The JSON Schema of this kind."""
        raise NotImplementedError

    def _read(self, value: Any) -> Any:
        if isinstance(value, Leaf):
            return self.read(value)
        if isinstance(value, str):  # a key of a mapping
            return self.read(Leaf(value, False, 0))
        kind = "a mapping" if isinstance(value, dict) else "a list"
        raise own_words(f"{kind} stands where {self.wanted} belongs; write {self.wanted}")

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self._read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return self.json()


@dataclass(frozen=True, eq=False)
class Number(Scalar):
    """A plain number from ``low`` to ``high`` in ``unit``; ``whole`` ones become integers and may be hexadecimal."""

    low: float
    high: float = LARGEST
    unit: str = ""
    whole: bool = False
    #: ``low`` itself does not count.
    above: bool = False
    #: How the bounds are told, for identifiers in hexadecimal.
    hexadecimal: bool = False

    @property
    def wanted(self) -> str:  # type: ignore[override]
        kind = "a whole number" if self.whole else "a number"
        return f"{kind} in {self.unit}" if self.unit else kind

    @property
    def range_words(self) -> str:
        """The range in words: "from 0 to 60"."""
        low, high = (f"0x{int(each):X}" if self.hexadecimal else tell(each) for each in (self.low, self.high))
        if self.high == LARGEST:
            return f"above {low}" if self.above else f"of {low} or more"
        return f"above {low}, up to {high}" if self.above else f"from {low} to {high}"

    def read(self, leaf: Leaf) -> float:
        """The number of a leaf. Raises PydanticCustomError."""
        value = self._value(leaf)
        too_low = value <= self.low if self.above else value < self.low
        if too_low or value > self.high:
            limit = f" (at most {tell(LARGEST)})" if value > self.high == LARGEST else ""
            raise own_words(f"{shorten(leaf.text)} is out of range; write {self._article()} {self.range_words}{limit}")
        if not self.whole:
            return value
        if value != int(value):
            raise own_words(f"{shorten(leaf.text)} is not a whole number; write {self._article()} {self.range_words}")
        return int(value)

    def _article(self) -> str:
        return "a whole number" if self.whole else "a number"

    def _value(self, leaf: Leaf) -> float:
        """The number as written, before its range is judged."""
        text = leaf.text
        if leaf.quoted:
            wanted = text if _NUMBER.fullmatch(text) or _HEX.fullmatch(text) else self.wanted
            raise own_words(f"'{shorten(text)}' in quotes is text; write {shorten(wanted)} without quotes")
        if not text:
            raise own_words(f"no value; write {self.wanted}")
        if len(text) > 60:
            raise own_words(f"'{shorten(text)}' is not a number; write {self.wanted}")
        if _HEX.fullmatch(text):
            return float(int(text, 16))
        if _NUMBER.fullmatch(text):
            if re.match(r"[-+]?0\d", text):
                stripped = re.sub(r"^([-+]?)0+(?=\d)", r"\1", text)
                raise own_words(f"'{text}' begins with 0, which some read as octal; write {stripped}")
            value = float(text)
            if math.isinf(value):
                raise own_words(f"{text} is out of range; write {self._article()} {self.range_words}")
            return value
        raise own_words(self._no_number(text))

    def _no_number(self, text: str) -> str:
        """What to say to a text that is no number."""
        bare = text.replace("_", "")
        if bare != text and _NUMBER.fullmatch(bare):
            return f"'{text}' has an underscore; write {bare}"
        if re.fullmatch(r"[-+]?\d+,\d+", text):
            return f"'{text}' has a comma; write {text.replace(',', '.')}"
        if text.lower().lstrip("+-") in (".inf", "inf", "infinity", ".nan", "nan"):
            return f"'{text}' is not a finite number; write {self._article()} {self.range_words}"
        match = _NUMBER.match(text)
        unit = _UNIT.fullmatch(text, match.end()) if match else None
        if match and unit:
            scale = _SCALES.get(self.unit, {}).get(unit.group(1).strip(), 1.0)
            value = match.group() if scale == 1.0 else f"{float(match.group()) * scale:.6g}"
            of_key = f" (the key is in {self.unit})" if self.unit else ""
            return f"'{shorten(text)}' carries a unit; write {value}{of_key}"
        return f"'{shorten(text)}' is not a number; write {self.wanted}"

    def json(self) -> dict[str, Any]:
        """The JSON Schema of the number."""
        low = "exclusiveMinimum" if self.above else "minimum"
        kind = "integer" if self.whole else "number"
        schema: dict[str, Any] = {"type": kind, low: int(self.low) if self.whole else self.low}
        schema["maximum"] = int(self.high) if self.whole else self.high
        return schema


@dataclass(frozen=True, eq=False)
class Text(Scalar):
    """A text; ``pattern`` with ``shape`` (the pattern in words) and ``reserved`` names narrow it."""

    pattern: str = ""
    shape: str = ""
    reserved: Mapping[str, str] = field(default_factory=dict)
    may_be_empty: bool = False
    wanted: str = "text"

    def read(self, leaf: Leaf) -> str:
        """The text of a leaf. Raises PydanticCustomError."""
        text = leaf.text
        if not text.strip() and not (self.may_be_empty and leaf.quoted):
            raise own_words(f"no value; write {self.wanted}")
        if self.pattern and not re.fullmatch(self.pattern, text):
            raise own_words(f"'{shorten(text)}' is no {self.wanted.partition(' ')[2]}; write {self.shape}")
        if text in self.reserved:
            raise own_words(f"'{text}' is reserved for {self.reserved[text]}; write another name")
        return text

    def json(self) -> dict[str, Any]:
        """The JSON Schema of the text."""
        schema: dict[str, Any] = {"type": "string"}
        if self.pattern:
            schema["pattern"] = f"^{self.pattern}$"
        elif not self.may_be_empty:
            schema["minLength"] = 1
        if self.reserved:
            schema["not"] = {"enum": sorted(self.reserved)}
        return schema


@dataclass(frozen=True, eq=False)
class Choice(Scalar):
    """One of a few plain words, each with the value it stands for; ``true`` and ``false`` are such words."""

    values: Mapping[str, Any]
    #: Only a plain word counts, as for true and false.
    unquoted: bool = False

    @property
    def wanted(self) -> str:  # type: ignore[override]
        *others, last = self.values
        return f"{', '.join(others)} or {last}" if others else last

    def read(self, leaf: Leaf) -> Any:
        """The value of the word. Raises PydanticCustomError."""
        if leaf.quoted and self.unquoted:
            raise own_words(f"'{shorten(leaf.text)}' in quotes is text; write {self.wanted} without quotes")
        if leaf.text not in self.values:
            said = f"'{shorten(leaf.text)}' is not known here" if leaf.text else "no value"
            raise own_words(f"{said}; write {self.wanted}")
        return self.values[leaf.text]

    def json(self) -> dict[str, Any]:
        """The JSON Schema of the choice."""
        words = list(self.values)
        return {"type": "boolean"} if words == ["true", "false"] else {"enum": words}


_ANY_NUMBER = Number(-LARGEST)


def number_of(leaf: object) -> float | None:
    """The number of a leaf, or None where there is none; its own mistake is reported elsewhere."""
    if not isinstance(leaf, Leaf):
        return None
    try:
        return _ANY_NUMBER.read(leaf)
    except PydanticCustomError:
        return None
