"""What the models cannot see: whether the names in a file fit together. It goes on after mistakes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from pathlib import PurePosixPath, PureWindowsPath

from simulator.modules.gateway import FUNCTIONAL_ID
from simulator.reader.findings import Findings, instead
from simulator.reader.harness import Harness, check_harness, read_harness
from simulator.reader.road_file import check_service
from simulator.reader.routes import check_routes
from simulator.reader.scalars import number_of, tell
from simulator.reader.textfile import Branch, Leaf, Node, branch_at, items_at, leaf_at


def check_meaning(tree: Node, findings: Findings) -> None:
    """Add every mistake of meaning in the tree of a vehicle file."""
    modules = branch_at(tree, "modules")
    harnesses = [
        read_harness(name, network)
        for name, network in (branch_at(tree, "networks") or Branch(1)).items.items()
        if isinstance(network, Branch)
    ]
    _check_supply_names(tree, modules, findings)
    _check_chains(branch_at(tree, "supply", "fuses"), findings)
    _check_addresses(modules, findings)
    for harness in harnesses:
        check_harness(harness, None if modules is None else modules.items, findings)
        _check_rates(harness, findings)
        _check_timeouts(harness, modules, findings)
        _check_database_path(harness, findings)
        _check_testers(harness, modules, findings)
    check_routes(tree, harnesses, findings)
    check_service(tree, modules, findings)
    _check_modules_reached(tree, modules, harnesses, findings)
    _check_twins(tree, harnesses, findings)


def _check_supply_names(tree: Node, modules: Branch | None, findings: Findings) -> None:
    """Fuses and ground points that nobody defined."""
    fuses, grounds = branch_at(tree, "supply", "fuses"), branch_at(tree, "supply", "grounds")
    for module in (modules or Branch(1)).items.values():
        for wire in ("feed", "wake"):
            _check_name(leaf_at(module, wire, "fuse"), "fuse", fuses, "supply.fuses", findings)
        _check_name(leaf_at(module, "ground", "point"), "ground point", grounds, "supply.grounds", findings)


def _check_chains(fuses: Branch | None, findings: Findings) -> None:
    """Fuses behind one that nobody defined, or behind themselves."""
    chain = {name: leaf_at(fuse, "behind") for name, fuse in (fuses or Branch(1)).items.items()}
    for name, leaf in chain.items():
        _check_name(leaf, "fuse", fuses, "supply.fuses", findings)
        passed, last = [name], leaf
        while last is not None and last.text in chain and last.text not in passed:
            passed.append(last.text)
            last = chain[last.text]
        if leaf is not None and last is not None and last.text == name:
            said = f"behind: {' behind '.join([*passed, name])}, so that nothing feeds it"
            findings.error(leaf.line, f"{said}; delete one 'behind'")


def _check_name(leaf: Leaf | None, what: str, known: Branch | None, where: str, findings: Findings) -> None:
    if leaf is None or not leaf.text or known is None or leaf.text in known.items:
        return
    said = f"no {what} called '{leaf.text}' in {where}"
    findings.error(leaf.line, f"{said}; {instead(leaf.text, known.items)} or define it there")


def _check_addresses(modules: Branch | None, findings: Findings) -> None:
    """Diagnostic addresses given twice; the first owner keeps its address."""
    owners: dict[int, tuple[str, int]] = {}
    for name, module in (modules or Branch(1)).items.items():
        for key in ("request_id", "response_id"):
            leaf = leaf_at(module, key)
            value = number_of(leaf)
            if leaf is None or value is None or value != int(value) or not 0 <= value <= 0x7FF:
                continue
            address, mine = int(value), f"{key} of {name}"
            if address == FUNCTIONAL_ID:
                said = f"0x{address:X} asks all modules at once (ISO 15765-4)"
                findings.warn(leaf.line, f"{key}: {said}; write one of its own")
            if address in owners:
                owner, line = owners[address]
                said = f"0x{address:X} is already the {owner} (line {line})"
                findings.error(leaf.line, f"{key}: {said}; write an identifier of its own")
            else:
                owners[address] = (mine, leaf.line)


def _check_rates(harness: Harness, findings: Findings) -> None:
    """The two keys of CAN FD belong together, and the data phase is never slower (ISO 11898-1)."""
    network = harness.node
    for key, other in (("data_bit_rate", "data_sample_point"), ("data_sample_point", "data_bit_rate")):
        if key in network.items and other not in network.items:
            line = network.lines[key]
            findings.error(line, f"{key} is given without {other}; write both for CAN FD, or neither")
    fast, slow = number_of(network.items.get("data_bit_rate")), number_of(network.items.get("bit_rate"))
    if fast is not None and slow is not None and fast < slow:
        line = network.lines["data_bit_rate"]
        findings.error(line, f"data_bit_rate: {tell(fast)} is below the bit_rate; write {tell(slow)} or more")


def _check_timeouts(harness: Harness, modules: Branch | None, findings: Findings) -> None:
    """A dominant time-out within five bits and the error flag of six after them, which would cut off healthy frames."""
    rate = number_of(harness.node.items.get("bit_rate"))
    for name, module in (modules or Branch(1)).items.items():
        leaf = leaf_at(module, "transceiver", "dominant_timeout_ms")
        timeout_ms = number_of(leaf)
        if leaf is None or timeout_ms is None or not rate or rate <= 0 or name not in harness.places:
            continue
        least_ms = 11_000 / rate
        if timeout_ms < least_ms:
            said = f"{tell(timeout_ms)} ms is less than 11 bits of {harness.name} ({tell(rate)} bit/s)"
            fitting = tell(math.ceil(least_ms * 10) / 10)
            findings.error(leaf.line, f"dominant_timeout_ms: {said}; write {fitting} or more")


def database_path(network: Node) -> tuple[Leaf | None, str | None]:
    """The leaf of a network's ``database`` key and, where it stays in the vehicle's folder, the path it names."""
    leaf = leaf_at(network, "database")
    if leaf is None or not leaf.text:
        return None, None
    path, windows = PurePosixPath(leaf.text), PureWindowsPath(leaf.text)
    leaves = path.is_absolute() or windows.drive or windows.root or ".." in path.parts or ".." in windows.parts
    return leaf, None if leaves else leaf.text


def _check_database_path(harness: Harness, findings: Findings) -> None:
    leaf, path = database_path(harness.node)
    if leaf is not None and path is None:
        name = PureWindowsPath(leaf.text).name or "NAME.dbc"
        findings.error(
            leaf.line, f"database: '{leaf.text}' leaves the folder of the vehicle file; put it there, write {name}"
        )


def _check_testers(harness: Harness, modules: Branch | None, findings: Findings) -> None:
    seen: set[str] = set()
    for leaf in items_at(harness.node, "testers"):
        if not isinstance(leaf, Leaf) or not leaf.text:
            continue
        if modules is not None and leaf.text in modules.items:
            findings.error(
                leaf.line, f"testers: '{leaf.text}' is a module already; write only names that are no modules"
            )
        if leaf.text in seen:
            findings.error(leaf.line, f"testers: '{leaf.text}' is given twice; delete one of the two")
        seen.add(leaf.text)


def _check_modules_reached(tree: Node, modules: Branch | None, harnesses: list[Harness], findings: Findings) -> None:
    """A module in no run; silent where a run's ends or a network cannot be read, for the module may belong there."""
    networks = branch_at(tree, "networks")
    if modules is None or networks is None or len(harnesses) < len(networks.items):
        return
    if not all(harness.complete for harness in harnesses):
        return
    for name in modules.items:
        if not any(name in harness.places for harness in harnesses):
            findings.error(modules.lines[name], f"no run reaches the module {name}; write a run from or to {name}")


def _check_twins(tree: Node, harnesses: list[Harness], findings: Findings) -> None:
    """Names that differ only in capitals or in '-' and '_': as circuit nodes (lower case, '_') they would be one."""
    places: dict[str, int] = {}
    for harness in harnesses:
        for place, line in harness.places.items():
            places.setdefault(place, line)
    modules, networks = branch_at(tree, "modules"), branch_at(tree, "networks")
    for name, line in _named(modules):
        places.setdefault(name, line)
    _report_twins("place or module", places.items(), findings)
    _report_twins("network", _named(networks), findings)
    _report_twins("fuse", _named(branch_at(tree, "supply", "fuses")), findings)
    _report_twins("ground point", _named(branch_at(tree, "supply", "grounds")), findings)


def _named(branch: Branch | None) -> Iterator[tuple[str, int]]:
    for name in (branch or Branch(1)).items:
        yield name, branch.lines[name] if branch else 1


def _report_twins(what: str, named: Iterable[tuple[str, int]], findings: Findings) -> None:
    first: dict[str, tuple[str, int]] = {}
    for name, line in sorted(named, key=lambda item: item[1]):
        folded = name.casefold().replace("-", "_")
        other, other_line = first.setdefault(folded, (name, line))
        if other != name:
            why = "would be one node of the circuit, where case and '-' or '_' do not count"
            said = f"{what} '{name}' and '{other}' (line {other_line}) {why}"
            findings.error(line, f"{said}; write '{other}' if it is the same, else a name that differs more")
