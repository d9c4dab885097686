"""Codes as lines to show, on a terminal, in a job and on paper."""

from __future__ import annotations

from lab.tester.memory import Codes


def code_lines(codes: Codes, *, freezes: bool = True) -> list[str]:
    """Every module with its codes, then those without in one line, then the silent ones."""
    lines = [f"{codes.vehicle}: fault memories"]
    for memory in codes.modules:
        if not memory.codes:
            continue
        lines.append(f"{memory.module} {memory.title}".rstrip())
        for code in memory.codes:
            lines.append(f"  {code.line()}")
            lines.append(f"    {code.words}: {code.failure_type}")
            lines += [f"    {shot.words()}" for shot in code.snapshots] if freezes else []
    empty = [each.module for each in codes.modules if each.answering and not each.codes]
    silent = [each.module for each in codes.modules if not each.answering]
    untested = [f"{each.module} {each.untested}" for each in codes.modules if each.untested]
    lines += [f"No code: {', '.join(empty)}"] if empty else []
    lines += [f"Silent, cannot be asked: {', '.join(silent)}"] if silent else []
    if untested:
        lines.append(f"Not tested since the last clear, which is not the same as passed: {', '.join(untested)} tests")
    return lines
