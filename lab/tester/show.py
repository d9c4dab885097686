"""Codes as lines to show, on a terminal, in a job and on paper."""

from __future__ import annotations

from collections.abc import Callable

from lab.tester.memory import Code, Codes


def code_lines(codes: Codes, *, moment: Callable[[float], str] | None = None) -> list[str]:
    """Every module with its codes, then those without in one line, then the silent ones.

    ``moment`` says a module's clock, in s, in other words.
    """
    lines = [f"{codes.vehicle}: fault memories"]
    for memory in codes.modules:
        if not memory.codes:
            continue
        lines.append(f"{memory.module} {memory.title}".rstrip())
        for code in memory.codes:
            lines.append(f"  {code.line()}")
            lines.append(f"    {code.words}: {code.failure_type}")
            lines += [f"    {line}" for line in _freezes(code, moment)]
    empty = [each.module for each in codes.modules if each.answering and not each.codes]
    silent = [each.module for each in codes.modules if not each.answering]
    untested = [f"{each.module} {each.untested}" for each in codes.modules if each.untested]
    lines += [f"No code: {', '.join(empty)}"] if empty else []
    lines += [f"Silent, cannot be asked: {', '.join(silent)}"] if silent else []
    if untested:
        lines.append(f"Not tested since the last clear, which is not the same as passed: {', '.join(untested)} tests")
    return [*lines, *changing_lines(codes)]


def changing_lines(codes: Codes) -> list[str]:
    """Whose codes are not those of the same moment as the others', in one line; none where all are."""
    if not codes.changing:
        return []
    return [f"Not one moment, since codes or answers came and went while all were asked: {', '.join(codes.changing)}"]


def _freezes(code: Code, moment: Callable[[float], str] | None) -> list[str]:
    """The snapshots; first and latest in one line where they are the same."""
    by_words: dict[str, list[str]] = {}
    for shot in code.snapshots:
        at = moment(shot.clock_s) if moment else f"{shot.clock_s:.1f} s on its clock"
        about = f", message {shot.message}" if shot.message else ""
        by_words.setdefault(f"{at}, {shot.supply_volt:.2f} V{about}", []).append(shot.record)
    return [f"{' and '.join(records)}: {words}" for words, records in by_words.items()]
