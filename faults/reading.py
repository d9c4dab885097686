"""How one value of a fault is read, from a command line, a YAML scalar or Python, and how it is written again."""

from __future__ import annotations

import math
import numbers
import re
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias, get_args, get_origin

from simulator.errors import BadRequest, nearest

_DECIMAL = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_WHOLE = re.compile(r"[+-]?[0-9]+|0[xX][0-9a-fA-F]+")
_PLAIN = re.compile(r"[A-Za-z0-9_./:+-]+")


class Reader(ABC):
    """Turns text or a Python value into the value of a field; raises BadRequest saying what to write instead."""

    @abstractmethod
    def read(self, name: str, value: object) -> object:
        """The value of the field ``name``."""

    @abstractmethod
    def about(self) -> str:
        """Unit or meaning, for the table of faults."""

    def write(self, value: object) -> str:
        """The value as the command line reads it."""
        return write_value(value)


@dataclass(frozen=True)
class Number(Reader):
    """A finite number between two bounds (both allowed), in the unit named."""

    unit: str
    low: float = -math.inf
    high: float = math.inf

    def read(self, name: str, value: object) -> float:
        """The number as a float."""
        number = _float(value)
        if number is None:
            raise BadRequest(f"{name}: '{value}' is no number; write the number alone, in {self.unit}")
        if not math.isfinite(number) or not self.low <= number <= self.high:
            written = write_value(value)
            raise BadRequest(f"{name}: {written} is out of range; write a number {self._range()}, in {self.unit}")
        return number + 0.0  # never -0.0: it would print differently

    def _range(self) -> str:
        if math.isinf(self.high):
            return f"of at least {self.low:g}" if math.isfinite(self.low) else "that is finite"
        return f"from {self.low:g} to {self.high:g}"

    def about(self) -> str:
        """The unit."""
        return self.unit


@dataclass(frozen=True)
class Whole(Reader):
    """A whole number between two bounds (both allowed), decimal or ``0x...``."""

    unit: str
    low: int
    high: int
    hexadecimal: bool = False

    def read(self, name: str, value: object) -> int:
        """The number as an int."""
        number: int | None = None
        if isinstance(value, str) and _WHOLE.fullmatch(value.strip()):
            text = value.strip()
            number = int(text, 16) if text[:2] in ("0x", "0X") else int(text)
        elif isinstance(value, numbers.Integral) and not isinstance(value, bool):
            number = int(value)
        elif isinstance(value, (str, float)) and (as_float := _float(value)) is not None and as_float.is_integer():
            number = int(as_float)
        if number is None:
            raise BadRequest(f"{name}: '{value}' is no whole number; write the number alone ({self.unit})")
        if not self.low <= number <= self.high:
            low, high = self.write(self.low), self.write(self.high)
            raise BadRequest(f"{name}: {value} is out of range; write a whole number from {low} to {high}")
        return number

    def about(self) -> str:
        return self.unit

    def write(self, value: object) -> str:
        return f"0x{value:03X}" if self.hexadecimal else str(value)


@dataclass(frozen=True)
class OneOf(Reader):
    """One word of a few."""

    words: tuple[str, ...]

    def read(self, name: str, value: object) -> str:
        """The word."""
        if isinstance(value, str) and value in self.words:
            return value
        hint = nearest(str(value), self.words)
        raise BadRequest(f"{name}: '{value}' is none of {', '.join(self.words)}; {hint}")

    def about(self) -> str:
        return " / ".join(self.words)


@dataclass(frozen=True)
class Name(Reader):
    """The name of something of the vehicle; whether it is there is checked when the fault meets the vehicle."""

    what: str

    def read(self, name: str, value: object) -> str:
        """The name."""
        if not isinstance(value, str) or not value.strip() or not value.isprintable():
            raise BadRequest(f"{name}: '{value}' is no name; write the name of a {self.what}")
        return value.strip()

    def about(self) -> str:
        return self.what


@dataclass(frozen=True)
class Truth(Reader):
    """True or false."""

    def read(self, name: str, value: object) -> bool:
        """The truth value."""
        if isinstance(value, bool):
            return value
        if value in ("true", "false"):
            return value == "true"
        raise BadRequest(f"{name}: '{value}' is neither true nor false; write true, or leave it out")

    def about(self) -> str:
        return "true"


@dataclass(frozen=True)
class Plain(Reader):
    """A number as it is printed on a label: 1 to 32 plain characters."""

    what: str

    def read(self, name: str, value: object) -> str:
        """The text."""
        text = str(value).strip() if isinstance(value, (str, int)) and not isinstance(value, bool) else ""
        if not 1 <= len(text) <= 32 or not text.isascii() or not text.isprintable():
            raise BadRequest(f"{name}: '{value}' is no {self.what}; write 1 to 32 plain characters")
        return text

    def about(self) -> str:
        return self.what


Ohm: TypeAlias = Annotated[float, Number("ohm", low=1e-6)]
Volt: TypeAlias = Annotated[float, Number("volt", low=-60, high=60)]
BatteryVolt: TypeAlias = Annotated[float, Number("volt", low=0, high=60)]
Metre: TypeAlias = Annotated[float, Number("metre", low=1e-6)]
Along: TypeAlias = Annotated[float, Number("part of the run's length", low=0, high=1)]
Identifier: TypeAlias = Annotated[int, Whole("identifier, 11 bit", 0, 0x7FF, hexadecimal=True)]
BitRate: TypeAlias = Annotated[int, Whole("bit/s", 5_000, 8_000_000)]
Seconds: TypeAlias = Annotated[float, Number("second", low=0)]
Duration: TypeAlias = Annotated[float, Number("second", low=1e-6)]
Celsius: TypeAlias = Annotated[float, Number("degree Celsius", low=-273.15, high=1000)]
Seed: TypeAlias = Annotated[int, Whole("seed", 0, 2**63 - 1)]
Flag: TypeAlias = Annotated[bool, Truth()]
Place: TypeAlias = Annotated[str, Name("place")]
ModuleName: TypeAlias = Annotated[str, Name("module")]
RunName: TypeAlias = Annotated[str, Name("run")]
NetworkName: TypeAlias = Annotated[str, Name("network")]
FuseName: TypeAlias = Annotated[str, Name("fuse")]
GroundName: TypeAlias = Annotated[str, Name("ground point")]
MessageName: TypeAlias = Annotated[str, Name("message")]
ValueName: TypeAlias = Annotated[str, Name("value of its configuration")]
Physical: TypeAlias = Annotated[float, Number("unit of that value", low=0)]
Part: TypeAlias = Annotated[float, Number("part of the writing", low=0, high=1)]
Label: TypeAlias = Annotated[str, Plain("number of a unit")]


def reader_of(hint: Any) -> Reader:
    """The reader in an annotation like ``Ohm`` or ``Ohm | None``. Raises TypeError where there is none."""
    if get_origin(hint) is Annotated:
        reader: Reader = get_args(hint)[1]
        return reader
    for part in get_args(hint):
        if get_origin(part) is Annotated:
            return reader_of(part)
    raise TypeError(f"{hint} names no reader; annotate the field with one of faults.reading")


def write_value(value: object) -> str:
    """A value as the command line reads it: the shortest digits that give the same number, quotes where needed."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    text = str(value)
    if isinstance(value, str) and not _PLAIN.fullmatch(text):
        return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return text


def _float(value: object) -> float | None:
    """The number in a text or a Python number, else None."""
    if isinstance(value, str):
        return float(value) if _DECIMAL.fullmatch(value.strip()) else None
    if isinstance(value, numbers.Real) and not isinstance(value, bool):
        return float(value)
    return None
