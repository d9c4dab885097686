"""The message database of a network: a DBC file judged against the vehicle, each mistake with its line."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from simulator.errors import Mistake
from simulator.reader.dbc_text import NOBODY, Database, MessageLine, read_database
from simulator.reader.findings import Findings, instead
from simulator.reader.harness import read_harness
from simulator.reader.meaning import database_path
from simulator.reader.scalars import number_of
from simulator.reader.textfile import Branch, Leaf, Node, branch_at, items_at, leaf_at
from simulator.vehicle import Message, Signal


@dataclass(frozen=True)
class Surrounding:
    """What a vehicle file says about the network of a database: who may send and receive there, and how fast."""

    network: str
    #: None where the modules of the vehicle cannot be read.
    modules: Collection[str] | None
    testers: Collection[str]
    #: The modules on this network; None where its runs cannot all be read.
    here: Collection[str] | None
    #: The modules on any network.
    anywhere: Collection[str]
    flexible: bool
    #: Diagnostic addresses of the modules here: identifier -> (module, "request_id" or "response_id").
    addresses: Mapping[int, tuple[str, str]] = field(default_factory=dict)


def read_databases(tree: Node, folder: Path, findings: Findings) -> dict[str, tuple[Message, ...]]:
    """The messages of every network; mistakes go to ``findings`` under the path of the vehicle file or the database."""
    messages: dict[str, tuple[Message, ...]] = {}
    read: dict[str, Database] = {}
    for name, network in (branch_at(tree, "networks") or Branch(1)).items.items():
        leaf, path = database_path(network)
        if leaf is None or path is None:
            continue
        if path not in read:
            file = folder / path
            try:
                missing = not file.is_file()
            except (OSError, ValueError):
                missing = True
            if missing:
                offer = instead(path, _databases_in(folder))
                findings.error(
                    leaf.line,
                    f"database: there is no file '{leaf.text[:80]}' beside this file; {offer}, or put it there",
                )
                continue
            read[path] = read_database(file)
            findings.errors += read[path].mistakes
        messages[name] = _judge(read[path], _surrounding(tree, name, network), findings)
    return messages


def check_database(path: str | Path) -> tuple[list[Mistake], list[Mistake]]:
    """Every error and every warning that a DBC file shows on its own, without the vehicle it belongs to."""
    database = read_database(Path(path))
    return sorted(set(database.mistakes)), []


def _databases_in(folder: Path) -> list[str]:
    try:
        return sorted(file.name for file in folder.glob("*.dbc"))[:50]
    except OSError:
        return []


def _surrounding(tree: Node, name: str, network: Node) -> Surrounding:
    modules = branch_at(tree, "modules")
    names = None if modules is None else list(modules.items)
    here = None
    if isinstance(network, Branch) and names is not None:
        harness = read_harness(name, network)
        here = [module for module in names if module in harness.places] if harness.complete else None
    addresses: dict[int, tuple[str, str]] = {}
    for module in here or ():
        for key in ("request_id", "response_id"):
            value = number_of(leaf_at(modules, module, key))
            if value is not None:
                addresses.setdefault(int(value), (module, key))
    networks = branch_at(tree, "networks") or Branch(1)
    harnesses = [read_harness(each, node) for each, node in networks.items.items() if isinstance(node, Branch)]
    anywhere = {place for harness in harnesses for place in harness.places}
    testers = [leaf.text for leaf in items_at(network, "testers") if isinstance(leaf, Leaf)]
    flexible = isinstance(network, Branch) and "data_bit_rate" in network.items
    return Surrounding(name, names, testers, here, anywhere, flexible, addresses)


def _judge(database: Database, around: Surrounding, findings: Findings) -> tuple[Message, ...]:
    """The messages that can be sent on this network; what does not fit the vehicle goes to ``findings``."""
    kept: list[Message] = []
    for line in database.messages:
        _judge_names(line, database.path, around, findings)
        _judge_length(line, database.path, around, findings)
        _judge_address(line, database.path, around, findings)
        if line.codec is None:
            continue
        sender = line.sender
        if around.here is not None and sender in (around.modules or ()) and sender not in around.here:
            if sender not in around.anywhere:
                continue  # the missing run is reported
            said = f"{line.name}: its sender {sender} is not on {around.network}, so that nobody sends it there"
            findings.warnings.append(Mistake(database.path, line.line, f"{said}; write a module of {around.network}"))
            continue
        kept.append(_message(line))
    return tuple(kept)


def _judge_names(line: MessageLine, path: str, around: Surrounding, findings: Findings) -> None:
    """Senders and receivers that are neither module nor tester."""
    if around.modules is None:
        return
    known = {*around.modules, *around.testers, NOBODY}
    remedy = f"name it under testers: of {around.network}"
    for sender in line.senders:
        if sender not in known:
            said = f"{line.name}: the sender '{sender}' is no module"
            offer = instead(sender, around.here or around.modules)
            findings.errors.append(Mistake(path, line.line, f"{said}; {offer}, or {remedy}"))
    for signal in line.signals:
        for receiver in signal.receivers:
            if receiver not in known:
                said = f"{line.name}: the receiver '{receiver}' of {signal.name} is no module"
                offer = instead(receiver, around.here or around.modules)
                findings.errors.append(Mistake(path, signal.line, f"{said}; {offer}, or {remedy}"))


def _judge_length(line: MessageLine, path: str, around: Surrounding, findings: Findings) -> None:
    if around.flexible or line.length <= 8:
        if line.flexible and not around.flexible:
            said = f"{line.name} is a CAN FD message, but {around.network} has no data_bit_rate"
            findings.errors.append(
                Mistake(path, line.line, f"{said}; write it as StandardCAN, or give the network one")
            )
        return
    if line.length <= 64:
        said = f"{line.name} has {line.length} bytes, but {around.network} has no data_bit_rate"
        findings.errors.append(
            Mistake(path, line.line, f"{said}; write at most 8, or give the network a data_bit_rate")
        )


def _judge_address(line: MessageLine, path: str, around: Surrounding, findings: Findings) -> None:
    """Identifiers that are diagnostic addresses here, unless the message is the very request or response."""
    found = None if line.extended else around.addresses.get(line.frame_id)
    if found is None or around.modules is None:
        return
    module, key = found
    fits = line.sender not in around.modules if key == "request_id" else line.sender in (module, None)
    if not fits:
        said = f"{line.name}: 0x{line.frame_id:X} is the {key} of {module}"
        findings.errors.append(Mistake(path, line.line, f"{said}; write another identifier"))


def _message(line: MessageLine) -> Message:
    codec: Any = line.codec
    signals = tuple(
        Signal(
            name=signal.name,
            unit=signal.unit or "",
            minimum=None if signal.minimum is None else float(signal.minimum),
            maximum=None if signal.maximum is None else float(signal.maximum),
            receivers=tuple(receiver for receiver in signal.receivers if receiver != NOBODY),
        )
        for signal in codec.signals
    )
    receivers = dict.fromkeys(receiver for signal in signals for receiver in signal.receivers)
    return Message(
        name=line.name,
        frame_id=line.frame_id,
        extended=line.extended,
        length=line.length,
        cycle_ms=line.cycle_ms,
        sender=line.sender,
        receivers=tuple(receivers),
        signals=signals,
        is_fd=line.flexible or line.length > 8,
        codec=codec,
    )
