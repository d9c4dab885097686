"""Every single fault a vehicle can have, and the table of all kinds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import MISSING, replace

from faults.fault import Fault, field_readers, kind_called, own_fields
from faults.fault import kinds as all_kinds
from faults.reading import write_value
from faults.severities import Severities
from simulator.vehicle import Vehicle

#: From 0.1 ohm to 10 kohm in steps below half a decade, in round numbers.
FINE_OHMS: tuple[float, ...] = (
    *(float(f"{digit}e{exponent}") for exponent in range(-1, 4) for digit in (1, 2, 5)),
    10_000.0,
)


def catalogue(
    vehicle: Vehicle,
    *,
    ohms: Iterable[float] | None = None,
    kinds: Iterable[str] | None = None,
    severities: Severities | None = None,
) -> tuple[Fault, ...]:
    """Every kind of fault at every place, line, module, run, fuse and ground of a vehicle, each once and alone.

    ``ohms`` replaces the ohm values of ``severities``; ``kinds`` chooses kinds. Sorted by kind, then in the order of
    the vehicle file. Opens and resistances sit in the middle of a run; shorts to the supply are to battery positive.
    Raises UnknownName for a kind that is none.
    """
    numbers = severities or Severities()
    if ohms is not None:
        numbers = replace(numbers, ohms=tuple(ohms))
    chosen = all_kinds() if kinds is None else {name: kind_called(name) for name in sorted(set(kinds))}
    found = (fault for kind in chosen.values() for fault in kind.everywhere(vehicle, numbers))
    return tuple(dict.fromkeys(found))


def reference_table() -> str:
    """The kinds of fault as a markdown table: kind, fields, what it does, an example line."""
    rows = ["| kind | fields | what it does | example |", "| --- | --- | --- | --- |"]
    for kind, cls in all_kinds().items():
        what = (cls.__doc__ or "").strip().splitlines()[0]
        cells = [f"`{kind}`", _fields(cls), what.replace("``", "`"), f"`{cls.example}`"]
        rows.append("| " + " | ".join(cells) + " |")
    return "\n".join(rows) + "\n"


def _fields(cls: type[Fault]) -> str:
    """The fields of a kind, each with its unit or words, and its default in brackets."""
    readers = field_readers(cls)
    parts = []
    for field in own_fields(cls):
        text = f"`{field.name}` ({readers[field.name].about()})"
        if field.default is None:
            text += " optional"
        elif field.default is not MISSING:
            text += f" [{write_value(field.default)}]"
        parts.append(text)
    return ", ".join(parts)
