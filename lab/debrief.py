"""The debrief: a verdict as lines to show, and what a slip should have been in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from lab.bench import Bench
from lab.collapse import collapsed
from lab.instruments import volts_text
from lab.slip import Slip
from lab.tester import told_by
from simulator.calculator import OPEN_OHM
from simulator.probes import parse_probe

if TYPE_CHECKING:
    from lab.verdict import Verdict

#: So many lines of a list are shown, the rest is counted.
_LISTED = 12
#: So many readings that speak against a finding are shown.
_AGAINST = 3


def expected(bench: Bench, slip: Slip) -> str:
    """What a slip should show on a vehicle, with its range, in words."""
    if slip.kind == "call":
        return "silent " + (", ".join(bench.silent(slip.condition)) or "nobody")
    if slip.kind == "config":
        return config_words(bench, slip.told or {})
    red, black = (parse_probe(bench.vehicle, text) for text in (slip.red, slip.black))
    if slip.kind == "ohms":
        if slip.condition.battery_on:
            return "nothing: no ohms with the battery on"
        found = bench.ohms(slip.condition, red, black)
        return ohm_words(found.value, found.least, found.greatest)
    if slip.kind == "lamp":
        across, *lost = bench.lamp(slip.condition, red, black)
        sides = zip(("red", "black"), lost, strict=True)
        told = [f"{volt_words(one.value, one.least, one.greatest)} lost on the {side} side" for side, one in sides]
        return f"{volt_words(across.value, across.least, across.greatest)}, {' and '.join(told)}"
    found = bench.volts(slip.condition, red, black)
    return volt_words(found.value, found.least, found.greatest)


def config_words(bench: Bench, told: Mapping[str, Mapping[str, str]]) -> str:
    """What modules of a vehicle say otherwise than it needs, of the items named; all of them are taken to answer."""
    words = []
    for module, said in told.items():
        found, right = (told_by(vehicle, module) for vehicle in (bench.vehicle, bench.vehicle.as_drawn()))
        words += [f"{module} {name} {found[name] or 'refused'}" for name in said if found[name] != right[name]]
    return ", ".join(words) or "as it should be"


def ohm_words(value: float, least: float, greatest: float) -> str:
    """A resistance with its range, OL where it is open."""
    if value > OPEN_OHM:
        return "OL"
    if value >= 1000.0:
        return f"{value / 1000:.2f} kohm ({max(0.0, least) / 1000:.2f} to {greatest / 1000:.2f})"
    return f"{value:.1f} ohm ({max(0.0, least):.1f} to {greatest:.1f})"


def volt_words(value: float, least: float, greatest: float) -> str:
    """A voltage with its range."""
    return f"{volts_text(value)} V ({volts_text(least)} to {volts_text(greatest)})"


def shown(slip: Slip) -> str:
    """What a slip shows, in the words of :func:`expected`."""
    return "silent " + (", ".join(slip.silent) or "nobody") if slip.kind == "call" else slip.display


def verdict_lines(verdict: Verdict) -> tuple[str, ...]:
    """The verdict as lines to show."""
    lines = [f"Finding: {' + '.join(verdict.answer)}", f"{verdict.word.upper()}: {verdict.reason}."]
    if verdict.word == "wrong":
        lines += [f"  {text}" for text in verdict.against[:_AGAINST]]
    lines += verdict.notes
    lines += [f"The fault was: {' + '.join(verdict.hidden)}", "", "Your reading slips, beside what they should be:"]
    if not verdict.rows:
        lines.append("  none was taken")
    for row in verdict.rows:
        lines.append(f"  {row.slip.number}. {row.slip.line()}")
        lines.append(f"      healthy: {row.healthy}; with the fault: {row.faulted}")
    lines.append("")
    for row in verdict.rows:
        if not row.slip.counts:
            lines.append(f"Not counted: no. {row.slip.number}, {row.slip.state}: {row.slip.why}")
    counted = "Still possible after the ohms, volts, lamps, calls and config that count"
    lines += _listed(counted, verdict.still, "the readings do not go together")
    by_slip: dict[int, int] = {}
    for _, number in verdict.out:
        by_slip[number] = by_slip.get(number, 0) + 1
    if by_slip:
        counts = [f"{count} by reading no. {number}" for number, count in sorted(by_slip.items())]
        lines.append("Out: " + ", ".join(counts))
    if verdict.alike:
        lines += _listed("Cannot be told apart from it with what was allowed", verdict.alike, "")
    if verdict.fits_too:
        lines.append(f"This fits too: {verdict.fits_too}")
        if verdict.told_apart_by:
            lines.append(f"  This would have told them apart: {verdict.told_apart_by}")
    lines.append(f"Wire map with fault and readings: {verdict.picture}")
    return tuple(lines)


def _listed(title: str, names: Sequence[str], nothing: str) -> list[str]:
    """Faults under a title, those of one kind and place in one line, in the order in which they come."""
    if not names:
        return [f"{title}: no single fault; {nothing}"]
    rows = [f"  {fault} {ohms}".rstrip() for _, fault, ohms in collapsed([(name, 0.0) for name in names])]
    more = [f"  and {len(rows) - _LISTED} more kinds and places"] if len(rows) > _LISTED else []
    return [f"{title}:", *rows[:_LISTED], *more]
