"""The routes of gateways: whether the networks, modules and messages they name fit together."""

from __future__ import annotations

from collections.abc import Mapping

from simulator.reader.findings import Findings, instead
from simulator.reader.harness import Harness
from simulator.reader.textfile import Branch, Leaf, Node, branch_at, items_at, leaf_at
from simulator.vehicle import Message


def check_routes(tree: Node, harnesses: list[Harness], findings: Findings) -> None:
    """Add the mistakes in the networks that routes name; their messages are checked by ``check_passed_on``."""
    by_name = {harness.name: harness for harness in harnesses}
    for name, module in (branch_at(tree, "modules") or Branch(1)).items.items():
        known = [harness.name for harness in harnesses if name in harness.places]
        pairs: dict[tuple[str, str], int] = {}
        for item in items_at(module, "routes"):
            start, end = leaf_at(item, "from"), leaf_at(item, "to")
            for leaf in (start, end):
                if leaf is not None and leaf.text and leaf.text not in known and _readable(leaf, by_name):
                    said = f"routes: {name} is not on a network called '{leaf.text}'"
                    findings.error(leaf.line, f"{said}; {instead(leaf.text, known)}")
            if start is None or end is None or not start.text or not end.text:
                continue
            if start.text == end.text:
                findings.error(end.line, f"routes: from {start.text} to itself; write another network in 'to'")
            pair = start.text, end.text
            if pair in pairs:
                said = f"routes: from {pair[0]} to {pair[1]} is on line {pairs[pair]} already"
                findings.error(start.line, f"{said}; write both in one")
            pairs.setdefault(pair, start.line)
            if isinstance(item, Branch) and not {"messages", "diagnostics"} & item.items.keys():
                said = f"routes: from {pair[0]} to {pair[1]} passes nothing on"
                findings.error(start.line, f"{said}; write messages: [...], or diagnostics: true, or delete it")


def _readable(leaf: Leaf, harnesses: Mapping[str, Harness]) -> bool:
    """Whether enough of a network can be read to say that a module is not on it."""
    return leaf.text not in harnesses or harnesses[leaf.text].complete


def check_passed_on(tree: Node, messages: Mapping[str, tuple[Message, ...]], findings: Findings) -> None:
    """Add the mistakes in the messages that routes name: sent by another on one side, by the gateway on the other."""
    for name, module in (branch_at(tree, "modules") or Branch(1)).items.items():
        for item in items_at(module, "routes"):
            start, end = leaf_at(item, "from"), leaf_at(item, "to")
            if start is None or end is None or start.text not in messages or end.text not in messages:
                continue
            heard = {each.name: each for each in messages[start.text] if each.sender != name}
            said = {each.name: each for each in messages[end.text] if each.sender == name}
            seen: set[str] = set()
            for leaf in items_at(item, "messages"):
                if isinstance(leaf, Leaf) and leaf.text:
                    _check_message(name, leaf, (start.text, heard), (end.text, said), findings)
                    if leaf.text in seen:
                        findings.error(leaf.line, f"messages: '{leaf.text}' is given twice; delete one of the two")
                    seen.add(leaf.text)


def _check_message(
    gateway: str,
    leaf: Leaf,
    start: tuple[str, Mapping[str, Message]],
    end: tuple[str, Mapping[str, Message]],
    findings: Findings,
) -> None:
    """One message of a route: other modules send it at the start, the gateway at the end, and it is equally long."""
    if leaf.text not in start[1]:
        said = f"messages: nobody but {gateway} sends a message '{leaf.text}' on {start[0]}"
        findings.error(leaf.line, f"{said}; {instead(leaf.text, set(start[1]) & set(end[1]) or start[1])}")
    elif leaf.text not in end[1]:
        said = f"messages: the database of {end[0]} has no message '{leaf.text}' sent by {gateway}"
        findings.error(leaf.line, f"{said}; write it there, or leave it out here")
    elif start[1][leaf.text].length != end[1][leaf.text].length:
        lengths = f"{start[1][leaf.text].length} byte on {start[0]} and {end[1][leaf.text].length} on {end[0]}"
        findings.error(leaf.line, f"messages: '{leaf.text}' has {lengths}; write it equally long in both databases")
