"""Fault memories read over the network: every module's codes, in words, with counters and snapshots; files of them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from lab.tester.diagnosis import Diagnosis, NoAnswer, NoService
from lab.tester.wording import code_words, failure_words, missed_module
from simulator.diagnostics import Status, code_number, code_text
from simulator.diagnostics.services.read_codes import AGED, CLOCK, DETAIL, EVERY_RECORD, FIRST, OCCURRENCES, SUPPLY
from simulator.errors import BadRequest
from simulator.vehicle import Vehicle

FORMAT = 1
#: What is asked for: every bit, so that what was not tested since a clear can be counted too.
_ANY_BIT = 0xFF
#: So often all modules are asked again where codes have changed meanwhile.
_ROUNDS = 3


@dataclass(frozen=True)
class Freeze:
    """A snapshot: the module's clock in s, its supply in volt, the message that was missing or wrong ("" for none)."""

    record: str
    clock_s: float
    supply_volt: float
    message: str = ""


@dataclass(frozen=True)
class Code:
    """One code of one module. ``when``: now (its test fails) or earlier; ``misses``: whose messages are lost."""

    code: str
    words: str
    failure_type: str
    status: int
    when: str
    pending: bool
    confirmed: bool
    occurrences: int
    cycles_without: int
    misses: str | None = None
    snapshots: tuple[Freeze, ...] = ()

    def line(self) -> str:
        """The code in one line."""
        state = ", ".join(name for name in ("pending", "confirmed") if getattr(self, name))
        times = f"{self.occurrences} time{'' if self.occurrences == 1 else 's'}"
        aged = f", {self.cycles_without} cycles without" if self.cycles_without else ""
        return f"{self.code} {self.when} ({state or 'not stored'}, 0x{self.status:02X}; {times}{aged})"


@dataclass(frozen=True)
class Memory:
    """What a module answered: its codes; ``untested``: how many of its tests have not run since the last clear."""

    module: str
    title: str
    answering: bool
    codes: tuple[Code, ...] = ()
    untested: int = 0


@dataclass(frozen=True)
class Codes:
    """Every module's memory at one moment; ``changing``: whose has changed while all were asked, however often."""

    vehicle: str
    modules: tuple[Memory, ...] = field(default=())
    changing: tuple[str, ...] = ()

    def of(self, module: str) -> Memory:
        """The memory of a module."""
        return next(each for each in self.modules if each.module == module)

    @property
    def count(self) -> int:
        """How many codes there are."""
        return sum(len(each.codes) for each in self.modules)

    def as_json(self) -> dict[str, Any]:
        """The mapping that a file of codes holds."""
        return {"codes": FORMAT, **json.loads(json.dumps(asdict(self)))}


def read_codes(diagnosis: Diagnosis) -> Codes:
    """Ask every module of a vehicle for its codes.

    Modules are asked one after another. What all had when the last one was asked first holds for one moment if the
    first has the same when it is asked again; where codes come and go meanwhile, they are read anew.
    """
    vehicle = diagnosis.vehicle
    seen = {name: _statuses(diagnosis, name) for name in vehicle.modules}
    for _ in range(_ROUNDS):
        found = tuple(_memory(diagnosis, name, seen[name]) for name in vehicle.modules)
        silent = [name for name, there in seen.items() if there is None]
        for name in silent:
            diagnosis.forget(name)
        before, answering = seen, [name for name in seen if name not in silent]
        # the silent ones last: nobody answers while they are waited for
        seen = {name: _statuses(diagnosis, name) for name in [*answering, *silent]}
        changing = tuple(
            each.module
            for each in found
            if seen[each.module] != before[each.module] or each.answering is (seen[each.module] is None)
        )
        if not changing:
            break
    return Codes(vehicle.name, found, changing)


def _statuses(diagnosis: Diagnosis, module: str) -> dict[int, int] | None:
    """The status byte of every code that a module knows; None where it does not answer."""
    try:
        found = diagnosis.ask(module, lambda client: client.get_dtc_by_status_mask(_ANY_BIT).service_data.dtcs)
    except (NoAnswer, NoService):
        return None
    return {each.id: each.status.get_byte_as_int() for each in found}


def _memory(diagnosis: Diagnosis, module: str, statuses: Mapping[int, int] | None) -> Memory:
    title = diagnosis.vehicle.module(module).title
    if statuses is None:
        return Memory(module, title, False)
    try:
        codes = tuple(
            _code(diagnosis, module, number, status)
            for number, status in statuses.items()
            if status & (Status.PENDING | Status.CONFIRMED | Status.TEST_FAILED)
        )
    except (NoAnswer, NoService):
        return Memory(module, title, False)
    untested = sum(bool(status & Status.NOT_COMPLETED_SINCE_CLEAR) for status in statuses.values())
    return Memory(module, title, True, codes, untested)


def _code(diagnosis: Diagnosis, module: str, number: int, status: int) -> Code:
    vehicle = diagnosis.vehicle
    extended = diagnosis.ask(
        module, lambda client: client.get_dtc_extended_data_by_dtc_number(number, EVERY_RECORD, data_size=1)
    )
    counters = {
        each.record_number: each.raw_data[0] for dtc in extended.service_data.dtcs for each in dtc.extended_data
    }
    shots = diagnosis.ask(module, lambda client: client.get_dtc_snapshot_by_dtc_number(number, EVERY_RECORD))
    return Code(
        code=code_text(number),
        words=code_words(vehicle, module, number),
        failure_type=failure_words(number),
        status=status,
        when="now" if status & Status.TEST_FAILED else "earlier",
        pending=bool(status & Status.PENDING),
        confirmed=bool(status & Status.CONFIRMED),
        occurrences=counters.get(OCCURRENCES, 0),
        cycles_without=counters.get(AGED, 0),
        misses=missed_module(vehicle, number),
        snapshots=_freezes(vehicle, module, shots.service_data.dtcs),
    )


def _freezes(vehicle: Vehicle, module: str, dtcs: Sequence[Any]) -> tuple[Freeze, ...]:
    values: dict[int, dict[int, int]] = {}
    for dtc in dtcs:
        for shot in dtc.snapshots:
            values.setdefault(shot.record_number, {})[shot.did] = shot.data
    return tuple(
        Freeze(
            record="first" if record == FIRST else "latest",
            clock_s=kept.get(CLOCK, 0) / 10,
            supply_volt=kept.get(SUPPLY, 0) / 100,
            message=_message(vehicle, module, kept.get(DETAIL, 0)),
        )
        for record, kept in sorted(values.items())
    )


def _message(vehicle: Vehicle, module: str, frame_id: int) -> str:
    if not frame_id:
        return ""
    for network in vehicle.networks.values():
        if module in network.places:
            for message in network.messages:
                if message.frame_id == frame_id:
                    return f"{message.name} (0x{frame_id:03X})"
    return f"0x{frame_id:03X}"


# ---------------------------------------------------------------------- clearing


@dataclass(frozen=True)
class Cleared:
    """Which modules have cleared their memories, which did not answer, which refused and with what words."""

    cleared: tuple[str, ...]
    silent: tuple[str, ...]
    refused: Mapping[str, str]

    def lines(self) -> list[str]:
        """What to show."""
        lines = [f"Cleared: {', '.join(self.cleared) or 'nobody'}."]
        lines += [f"Not cleared, silent: {', '.join(self.silent)}."] if self.silent else []
        return lines + [f"Not cleared: {words}." for words in self.refused.values()]


def clear_codes(diagnosis: Diagnosis) -> Cleared:
    """Ask every module to forget all its codes (ISO 14229-1, 0x14)."""
    cleared, silent, refused = [], [], {}
    for module in diagnosis.vehicle.modules:
        try:
            diagnosis.ask(module, lambda client: client.clear_dtc())
        except NoAnswer:
            silent.append(module)
        except NoService as no:
            refused[module] = str(no)
        else:
            cleared.append(module)
    return Cleared(tuple(cleared), tuple(silent), refused)


# ---------------------------------------------------------------------- files, and comparing with them


def save_codes(codes: Codes, path: str | Path) -> None:
    """Write codes into a file. Raises BadRequest where that cannot be."""
    try:
        Path(path).write_text(json.dumps(codes.as_json(), indent=2) + "\n", encoding="utf-8")
    except OSError as error:
        raise BadRequest(f"{path} cannot be written ({error.strerror}); name another file") from None


def load_codes(path: str | Path) -> Codes:
    """The codes of a file. Raises BadRequest where it is none."""
    try:
        kept = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise BadRequest(f"{path} cannot be read ({error.strerror}); name a file written by codes save") from None
    except ValueError:
        kept = None
    try:
        return codes_from_json(kept)
    except (KeyError, TypeError, AttributeError, BadRequest):
        raise BadRequest(f"{path} holds no saved codes; name a file written by codes save") from None


def codes_from_json(kept: Any) -> Codes:
    """The codes of a mapping as :meth:`Codes.as_json` gives it. Raises what a mapping of another kind raises."""
    if kept["codes"] != FORMAT:
        raise BadRequest(f"codes of format {kept['codes']}")
    modules = []
    for each in kept["modules"]:
        codes = []
        for code in each["codes"]:
            code_number(code["code"])
            shots = tuple(Freeze(**shot) for shot in code["snapshots"])
            codes.append(Code(**{**code, "snapshots": shots}))
        modules.append(Memory(**{**each, "codes": tuple(codes)}))
    return Codes(kept["vehicle"], tuple(modules), tuple(kept.get("changing", ())))


def compare_codes(before: Codes, now: Codes) -> list[dict[str, str]]:
    """What is different since: a mapping of module, code and change (new, gone, was ..., silent now, answers now).

    Raises BadRequest for the codes of another vehicle.
    """
    if before.vehicle != now.vehicle:
        raise BadRequest(f"the saved codes are those of {before.vehicle}, not of {now.vehicle}; name another file")
    known = {each.module: each for each in before.modules}
    changes = []
    for memory in now.modules:
        old = known.get(memory.module)
        if old is None:
            continue
        if old.answering is not memory.answering:
            word = "answers now" if memory.answering else "silent now"
            changes.append({"module": memory.module, "code": "", "change": word})
        if old.answering and memory.answering:
            changes += _changes(memory.module, old.codes, memory.codes)
    return changes


def _changes(module: str, old: Sequence[Code], now: Sequence[Code]) -> list[dict[str, str]]:
    was, there = {each.code: each for each in old}, {each.code: each for each in now}
    changes = []
    for code in sorted({*was, *there}):
        if code not in was:
            change = f"new, {there[code].when}"
        elif code not in there:
            change = f"gone, was {was[code].when}"
        elif was[code].when != there[code].when:
            change = f"{there[code].when}, was {was[code].when}"
        else:
            continue
        changes.append({"module": module, "code": code, "change": change})
    return changes
