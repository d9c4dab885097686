"""``fits``: readings taken on a car, held against every single fault."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import click

from lab.collapse import collapsed
from lab.commands.common import (
    console,
    fault_option,
    json_option,
    load,
    print_table,
    show_json,
    show_table,
    table,
    vehicle_argument,
)

if TYPE_CHECKING:
    from rich.console import Console

    from lab.fits import Fits

#: So many lines of a list are shown without --all.
_LINES = 12
#: Shares this near to the best of their kind are as good.
_AS_GOOD = 0.8


@click.command()
@vehicle_argument
@click.option(
    "--reading",
    "readings",
    multiple=True,
    required=True,
    metavar="READING",
    help='A reading taken, any number: "ohms DLC.high DLC.low 120 [unplug=M] [part=P]", '
    '"volts GBX.supply battery.negative 12.4", "call silent=GBX,CLU" (all others answer).',
)
@fault_option
@click.option("--pairs", is_flag=True, help="Where no single fault fits, try pairs of faults from a coarse list.")
@click.option("--all", "everything", is_flag=True, help="Every line: what went out by which reading, and no cuts.")
@json_option
def fits(
    vehicle: str, readings: tuple[str, ...], faults: tuple[str, ...], pairs: bool, everything: bool, as_json: bool
) -> None:
    """What fits? The single faults that fit readings taken on a car, and what to measure next.

    Ohms are read with the battery off, volts and the roll call with battery and ignition on, nobody sending. A reading
    fits when it lies within the worst case: terminators off by 2 %, wires by 5 %, then the meter's 1 % and 0.2 ohm.
    """
    from lab.fits import WhatFits, pairs_that_fit
    from lab.taken import parse_reading

    car, _ = load(vehicle, faults)
    taken = [parse_reading(car, text) for text in readings]
    found = WhatFits(car).against(taken)
    together = pairs_that_fit(car, taken) if pairs and not found.fits else None
    if as_json:
        shown = _as_json(found)
        if together is not None:
            shown["pairs"] = _shares(together)
        show_json(shown)
        return
    _show(console(), car.name, found, readings, everything)
    if together is not None:
        _show_pairs(console(), together, everything)


def _shares(found: Fits) -> list[dict[str, Any]]:
    return [{"fault": name, "weight": weight} for name, weight in found.fits]


def _as_json(found: Fits) -> dict[str, Any]:
    """The mapping of the answer; ``splitting`` is what to measure next, null where nothing would tell more."""
    best = found.splitting
    return {
        "fits": _shares(found),
        "out": [{"fault": name, "reading": reading} for name, reading in found.out],
        "groups": found.groups,
        "splitting": None
        if best is None
        else {"reading": best.reading, "bits": round(best.bits, 6), "minutes": best.minutes},
        "contradicting": found.contradicting,
    }


def _show(out: Console, name: str, found: Fits, readings: Sequence[str], everything: bool) -> None:
    """The answer for people."""
    if found.fits:
        _show_fits(out, name, collapsed(found.fits), everything)
        _show_groups(out, found, everything)
    else:
        out.print(f"{name}: what fits? No single fault of the catalogue gives all of these readings.", soft_wrap=True)
        for reading in found.contradicting:
            out.print(f"Without this reading something would fit: {reading}", soft_wrap=True)
        if not found.contradicting:
            out.print("No one reading stands alone against the others: look for two faults, or read again.")
    _show_out(out, found, readings, everything)
    if found.splitting is not None:
        best = found.splitting
        out.print(f"Worth measuring next: {best.reading} ({best.bits:.1f} bits, {best.minutes:g} min)", soft_wrap=True)
    elif len(found.groups) == 1:
        out.print("Worth measuring next: nothing; no reading tells apart what is left.")


def _show_fits(out: Console, name: str, families: Sequence[tuple[float, str, str]], everything: bool) -> None:
    """What fits: every place a line with ``everything``, else a line for all that are as good as one another."""
    found = [(share, share, fault, ohms) for share, fault, ohms in families] if everything else _as_good(families)
    kept = found if everything else found[:_LINES]
    rows = table("each up to", "together", "fault", "ohm", right=("each up to", "together"))
    for together, best, fault, ohms in kept:
        rows.add_row(_percent(best), _percent(together), fault, ohms)
    show_table(out, f"{name}: what fits? Still possible, best first", rows)
    if len(kept) < len(found):
        rest = sum(together for together, *_ in found[len(kept) :])
        out.print(f"and {len(found) - len(kept)} more lines with {_percent(rest)} together; --all shows them")


def _as_good(families: Iterable[tuple[float, str, str]]) -> list[tuple[float, float, str, str]]:
    """(together, best share, faults, ohms): faults of one kind in one row while none is a fifth below the best there.

    Evidence does not order those; rows are ordered by their best.
    """
    rows: list[list[tuple[float, str, str]]] = []
    for row in sorted(families, key=lambda row: -row[0]):
        kind = row[1].partition(" ")[0]
        near = (some for some in rows if some[0][1].partition(" ")[0] == kind and row[0] >= _AS_GOOD * some[0][0])
        some = next(near, None)
        if some is None:
            rows.append([row])
        else:
            some.append(row)
    return [(sum(share for share, _, _ in some), some[0][0], _places(some), _ohms(some)) for some in rows]


def _places(rows: Sequence[tuple[float, str, str]]) -> str:
    """The kind of some faults, then what they are at, without saying twice what they share."""
    at: dict[str, list[str]] = {}
    for _, fault, _ in rows[:_LINES]:
        field, _, name = fault.partition(" ")[2].rpartition("=")
        at.setdefault(field, []).append(name)
    listed = "; ".join(f"{field}=" + ", ".join(names) for field, names in at.items() if field)
    more = f" and {len(rows) - _LINES} more" if len(rows) > _LINES else ""
    return f"{rows[0][1].partition(' ')[0]} {listed}{more}".rstrip()


def _ohms(rows: Sequence[tuple[float, str, str]]) -> str:
    return " or ".join(dict.fromkeys(ohms for _, _, ohms in rows if ohms))


def _show_groups(out: Console, found: Fits, everything: bool) -> None:
    """What no reading tells apart, a line for each group of several."""
    several = [group for group in found.groups if len(group) > 1]
    if not several:
        return
    out.print("Cannot be told apart by any reading:")
    shown = several if everything else several[:_LINES]
    for group in shown:
        parts = [f"{fault} {ohms}".rstrip() for _, fault, ohms in collapsed([(name, 0.0) for name in group])]
        more = 0 if everything else max(0, len(parts) - 4)
        tail = f" and {more} more" if more else ""
        out.print(f"  {'; '.join(parts[: len(parts) - more])}{tail}", soft_wrap=True)
    if len(shown) < len(several):
        out.print(f"  and {len(several) - len(shown)} more groups")


def _show_out(out: Console, found: Fits, readings: Iterable[str], everything: bool) -> None:
    """What went out by which reading: how many, or with ``everything`` which."""
    by_reading: dict[str, list[str]] = {reading: [] for reading in readings}
    for name, reading in found.out:
        by_reading[reading].append(name)
    rows = table("out by reading", "faults", right=("faults",))
    for reading, names in by_reading.items():
        rows.add_row(reading, str(len(names)))
    print_table(out, rows)
    if everything:
        for reading, names in by_reading.items():
            out.print(f"Out by {reading}:", soft_wrap=True)
            for _, fault, ohms in collapsed([(name, 0.0) for name in names]):
                out.print(f"  {fault} {ohms}".rstrip(), soft_wrap=True)


def _show_pairs(out: Console, found: Fits, everything: bool) -> None:
    if not found.fits:
        out.print("No pair of faults of the coarse list fits either.")
        return
    rows = table("share", "two faults", right=("share",))
    kept = found.fits if everything else found.fits[:_LINES]
    for name, share in kept:
        rows.add_row(_percent(share), name)
    show_table(out, "Two faults that fit together, best first", rows)
    if len(kept) < len(found.fits):
        out.print(f"and {len(found.fits) - len(kept)} more; --all shows them")


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.0095 else "< 1 %"
