"""Long lists of faults made short: those of one kind and place together, with the range of their ohms."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import MISSING

#: Kinds that are an open where they have no ohm: shown together with those that have one.
_TOGETHER = {"open": "resistance", "missing_terminator": "wrong_terminator"}


def collapsed(names: Iterable[tuple[str, float]]) -> list[tuple[float, str, str]]:
    """(share, fault without its ohm, the range of ohms) with those of one kind and place together, best first."""
    kinds: dict[str, set[str]] = {}
    ohms: dict[str, list[float]] = {}
    shares: dict[str, float] = {}
    for name, share in names:
        words = name.split(" ")
        tail = " ".join(word for word in words[1:] if not word.startswith("ohm="))
        key = f"{_TOGETHER.get(words[0], words[0])} {tail}"
        given = [float(word[4:]) for word in words if word.startswith("ohm=")]
        kinds.setdefault(key, set()).add(words[0])
        ohms.setdefault(key, []).extend(given or _unsaid(words[0]))
        shares[key] = shares.get(key, 0.0) + share
    rows = []
    for key, share in shares.items():
        values = sorted(set(ohms[key]))
        label = f"{'/'.join(sorted(kinds[key]))} {key.partition(' ')[2]}".rstrip()
        rows.append((share, label, _range(values)))
    return sorted(rows, key=lambda row: -row[0])


def _unsaid(kind: str) -> list[float]:
    """The ohm of a fault that is written without one: its default, an open, or none at all."""
    import faults as fault_room  # only here, because commands that need no faults load this too
    from faults.fault import own_fields

    cls = fault_room.kinds().get(kind)
    field = next((field for field in own_fields(cls) if field.name == "ohm"), None) if cls else None
    if kind in _TOGETHER or (field is not None and field.default is None):
        return [float("inf")]
    return [float(field.default)] if field is not None and field.default is not MISSING else []


def _range(values: Sequence[float]) -> str:
    """A range of ohms as tried: "200 ohm to open"."""
    ends = [_ohm(value) for value in dict.fromkeys([*values[:1], *values[-1:]])]
    return " to ".join(ends)


def _ohm(value: float) -> str:
    if value == float("inf"):
        return "open"
    return f"{value:g} ohm" if value < 1e3 else f"{value / 1e3:g} kohm" if value < 1e6 else f"{value / 1e6:g} Mohm"
