"""The runs of one network as a graph of places: what nothing reaches, what ends nowhere, what is named twice."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

from simulator.reader.findings import Findings, instead
from simulator.reader.scalars import SMALLEST_OHM, number_of
from simulator.reader.textfile import Branch, Leaf, Row, items_at, leaf_at


@dataclass(frozen=True)
class RunLine:
    """A run whose two ends can be read, with its line."""

    name: str
    start: str
    end: str
    line: int
    own_name: bool


@dataclass
class Harness:
    """One network of the file: its readable runs, the line that first names each place, its socket."""

    name: str
    node: Branch
    runs: list[RunLine] = field(default_factory=list)
    places: dict[str, int] = field(default_factory=dict)
    ends: dict[str, int] = field(default_factory=dict)
    #: Every run could be read; without that nothing can be said about what is not reached.
    complete: bool = True

    def run_named(self, name: str) -> RunLine | None:
        """The run of that name, or of that name reversed."""
        for run in self.runs:
            if run.name == name:
                return run
        return next((run for run in self.runs if not run.own_name and name == f"{run.end}-{run.start}"), None)


def read_harness(name: str, network: Branch) -> Harness:
    """The harness of a network, as far as its runs can be read."""
    harness = Harness(name, network)
    listed = network.items.get("runs")
    harness.complete = isinstance(listed, Row) and bool(listed.items)
    for item in items_at(network, "runs"):
        start, end = leaf_at(item, "from"), leaf_at(item, "to")
        if start is None or end is None or not start.text or not end.text:
            harness.complete = False
            continue
        own = leaf_at(item, "name")
        label = own.text if own else f"{start.text}-{end.text}"
        harness.runs.append(RunLine(label, start.text, end.text, start.line, own is not None))
        for leaf in (start, end):
            harness.places.setdefault(leaf.text, leaf.line)
            harness.ends[leaf.text] = harness.ends.get(leaf.text, 0) + 1
    return harness


def check_harness(harness: Harness, modules: Collection[str] | None, findings: Findings) -> None:
    """Add the mistakes in one network's places; ``modules`` is None where they cannot be read."""
    _check_runs(harness, findings)
    _check_resistance(harness, findings)
    _check_terminators(harness, modules, findings)
    _check_parting(harness, findings)
    _check_place(harness, leaf_at(harness.node, "socket"), "socket", findings)
    if harness.complete:
        _check_islands(harness, findings)
        _warn_loose_ends(harness, modules, findings)


def _check_runs(harness: Harness, findings: Findings) -> None:
    """Runs from a place to itself, and two of one name."""
    lines: dict[str, int] = {}
    for run in harness.runs:
        if run.start == run.end:
            findings.error(run.line, f"the run goes from {run.start} to itself; write another place in 'to'")
        if run.name in lines:
            said = f"two runs of {harness.name} are called '{run.name}', the first on line {lines[run.name]}"
            findings.error(run.line, f"{said}; write a name of its own, name: ...")
        lines.setdefault(run.name, run.line)


def _check_resistance(harness: Harness, findings: Findings) -> None:
    """Runs so short that their conductors have next to no resistance."""
    per_metre = number_of(leaf_at(harness.node, "pair", "ohm_per_m"))
    for item in items_at(harness.node, "runs"):
        leaf = leaf_at(item, "length_m")
        length = number_of(leaf)
        if leaf is None or length is None or per_metre is None or length <= 0 or per_metre < SMALLEST_OHM:
            continue
        if length * per_metre < SMALLEST_OHM:
            said = f"length_m: {leaf.text} m is {length * per_metre:.2g} ohm, below {SMALLEST_OHM:g} ohm"
            findings.error(
                leaf.line, f"{said}; write {SMALLEST_OHM / per_metre:.2g} or more, or make the two places one"
            )


def _check_terminators(harness: Harness, modules: Collection[str] | None, findings: Findings) -> None:
    for item in items_at(harness.node, "terminators"):
        at, inside = leaf_at(item, "at"), leaf_at(item, "inside")
        _check_place(harness, at, "terminators", findings)
        if at is None or inside is None or inside.text != "true" or modules is None:
            continue
        if at.text in harness.places and at.text not in modules:
            said = f"a terminator inside '{at.text}', which is no module"
            findings.error(inside.line, f"{said}; write inside: false, or the module it is part of in 'at'")


def _check_parting(harness: Harness, findings: Findings) -> None:
    seen: dict[str, int] = {}
    for item in items_at(harness.node, "parting"):
        at = leaf_at(item, "at")
        known = _check_place(harness, at, "parting", findings)
        if at is not None and at.text:
            if at.text in seen:
                said = f"parting: '{at.text}' is given twice, first on line {seen[at.text]}"
                findings.error(at.line, f"{said}; write all its runs in one 'off'")
            seen.setdefault(at.text, at.line)
        taken: set[str] = set()
        for leaf in items_at(item, "off"):
            if isinstance(leaf, Leaf) and leaf.text:
                _check_off(harness, at if known else None, leaf, taken, findings)


def _check_off(harness: Harness, at: Leaf | None, leaf: Leaf, taken: set[str], findings: Findings) -> None:
    """One run of ``off``: it exists, ends at the connector, and is given once."""
    run = harness.run_named(leaf.text)
    if run is None:
        if harness.complete:
            said = f"off: no run of {harness.name} is called '{leaf.text}'"
            findings.error(leaf.line, f"{said}; {instead(leaf.text, [run.name for run in harness.runs])}")
        return
    if run.name in taken:
        findings.error(leaf.line, f"off: '{leaf.text}' is given twice; delete one of the two")
    taken.add(run.name)
    if at is not None and at.text not in (run.start, run.end):
        here = sorted(each.name for each in harness.runs if at.text in (each.start, each.end))
        said = f"off: the run '{run.name}' does not end at {at.text}"
        findings.error(leaf.line, f"{said}; write one that does: {', '.join(here)}")


def _check_place(harness: Harness, leaf: Leaf | None, key: str, findings: Findings) -> bool:
    """Whether a place is one of the runs; if not, and the runs can all be read, a mistake."""
    if leaf is None or not leaf.text:
        return False
    if leaf.text in harness.places:
        return True
    if harness.complete:
        said = f"{key}: no run of {harness.name} reaches the place '{leaf.text}'"
        findings.error(leaf.line, f"{said}; {instead(leaf.text, harness.places)}")
    return False


def _islands(harness: Harness) -> Iterator[list[str]]:
    """The places in groups joined by runs, the largest first."""
    neighbours: dict[str, set[str]] = {place: set() for place in harness.places}
    for run in harness.runs:
        neighbours[run.start].add(run.end)
        neighbours[run.end].add(run.start)
    groups: list[list[str]] = []
    left = dict.fromkeys(harness.places)
    while left:
        group = [next(iter(left))]
        del left[group[0]]
        for place in group:
            for other in sorted(neighbours[place] & left.keys()):
                del left[other]
                group.append(other)
        groups.append(group)
    yield from sorted(groups, key=len, reverse=True)


def _check_islands(harness: Harness, findings: Findings) -> None:
    main, *others = _islands(harness)
    for group in others:
        line = min(harness.places[place] for place in group)
        names = ", ".join(group[:6]) + (", ..." if len(group) > 6 else "")
        said = f"nothing reaches {names} from the rest of {harness.name} ({main[0]}, ...)"
        findings.error(line, f"{said}; write a run that joins them")


def _warn_loose_ends(harness: Harness, modules: Collection[str] | None, findings: Findings) -> None:
    socket = leaf_at(harness.node, "socket")
    for place, count in harness.ends.items():
        if count > 1 or modules is None or place in modules or (socket is not None and socket.text == place):
            continue
        said = f"the place '{place}' of {harness.name} ends one run only and is neither module nor socket"
        findings.warn(harness.places[place], f"{said}; write a run that goes on, or the name of a module")
