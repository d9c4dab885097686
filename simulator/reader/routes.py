"""The routes of gateways: whether the networks, modules and messages they name fit together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

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
    _check_rounds(tree, findings)


@dataclass(frozen=True)
class _Way:
    """What a gateway carries between two networks, and the line that says so."""

    gateway: str
    start: str
    end: str
    line: int


def _check_rounds(tree: Node, findings: Findings) -> None:
    """Add the routes by which diagnosis would go round: two gateways hand each other what the other has passed on.

    One gateway does not hear itself, so its own routes may join networks as they like.
    """
    ways: list[_Way] = []
    for name, module in (branch_at(tree, "modules") or Branch(1)).items.items():
        for item in items_at(module, "routes"):
            start, end, carried = (leaf_at(item, key) for key in ("from", "to", "diagnostics"))
            if start is None or end is None or carried is None or carried.text != "true":
                continue
            way = _Way(name, start.text, end.text, start.line)
            own = _joined(way.start, way.end, [each for each in ways if each.gateway == name])
            round_by = None if own is not None else _joined(way.start, way.end, ways)
            if round_by is not None:
                other = next(each for each in round_by if each.gateway != name)
                said = f"routes: diagnosis goes between {way.start} and {way.end} already, over {other.gateway}"
                findings.error(
                    way.line, f"{said} (line {other.line}), and would come twice or go round; delete one of the two"
                )
            else:
                ways.append(way)


def _joined(start: str, end: str, ways: Sequence[_Way]) -> list[_Way] | None:
    """The ways that join two networks, whichever way round each is written; None where none do."""
    came: dict[str, list[_Way]] = {start: []}
    found = [start]
    for here in found:
        for way in ways:
            for one, other in ((way.start, way.end), (way.end, way.start)):
                if one == here and other not in came:
                    came[other] = [*came[here], way]
                    found.append(other)
    return came.get(end)


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
    _check_message_rounds(tree, findings)


def _check_message_rounds(tree: Node, findings: Findings) -> None:
    """Add the messages that gateways would hand round: each has it from the one that it gives it to."""
    ways: dict[str, list[_Way]] = {}
    for name, module in (branch_at(tree, "modules") or Branch(1)).items.items():
        for item in items_at(module, "routes"):
            start, end = leaf_at(item, "from"), leaf_at(item, "to")
            for leaf in items_at(item, "messages"):
                if start is None or end is None or start.text == end.text or not isinstance(leaf, Leaf):
                    continue
                before = ways.setdefault(leaf.text, [])
                back = _carried(end.text, start.text, before)
                if back is not None and back.gateway != name:
                    said = f"messages: '{leaf.text}' comes to {start.text} from {end.text} already, over"
                    said += f" {back.gateway} (line {back.line}), and would go round"
                    findings.error(leaf.line, f"{said}; delete it in one of them")
                else:
                    before.append(_Way(name, start.text, end.text, leaf.line))


def _carried(start: str, end: str, ways: Sequence[_Way]) -> _Way | None:
    """The last of the ways by which a message comes from one network to another; None where it does not."""
    reached, last = {start}, None
    for _ in ways:
        for way in ways:
            if way.start in reached and way.end not in reached:
                reached.add(way.end)
                last = way if way.end == end else last
    return last


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
