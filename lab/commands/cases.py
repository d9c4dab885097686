"""``job`` and ``sheet``: a student's attempt at a vehicle, and a case on paper."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lab.commands.common import json_option, show_json

if TYPE_CHECKING:
    from lab.job import Job


@click.group()
def job() -> None:
    """A job: find the fault of a vehicle, mend it, hand it back; every action has its minutes, every reading its slip.

    The journal is on the disk before an answer is shown: after a power cut, go on with job resume.
    """


@job.command()
@click.argument("subject", metavar="VEHICLE/CASE")
@click.option("--seed", type=int, help="For a vehicle: another seed, another fault. A case brings its own.")
@click.option(
    "--journal", type=click.Path(dir_okay=False), help="Journal file; default: named after the subject, here."
)
@json_option
def start(subject: str, seed: int | None, journal: str | None, as_json: bool) -> None:
    """Open a job on a case file, or on a vehicle with a fault drawn by --seed. With --json: only opens it."""
    from lab.job import start_job

    _at_the_prompt(start_job(subject, seed, journal), as_json)


@job.command()
@click.argument("journal", required=False, metavar="[JOURNAL]")
@json_option
def resume(journal: str | None, as_json: bool) -> None:
    """Go on with a job at the minute it was left (default: the newest journal here). With --json: only shows it."""
    from lab.job import resume_job

    _at_the_prompt(resume_job(journal), as_json)


@job.command(name="do")
@click.argument("words", nargs=-1, required=True, metavar="ACTION")
@click.option("--journal", type=click.Path(dir_okay=False), help="Journal file; default: the newest here.")
@json_option
def do_action(words: tuple[str, ...], journal: str | None, as_json: bool) -> None:
    """One ACTION of a job, like read ohms DLC.high DLC.low, without the prompt; "help" lists them."""
    from lab.cautions import caution
    from lab.job import resume_job
    from lab.looks import LOOKS, TORN

    action = " ".join(_quoted(word) for word in words)
    verb, _, rest = action.strip().partition(" ")
    opened = resume_job(journal)
    try:
        if opened.journal.torn:
            click.echo(TORN, err=True)
        answer = None if verb in LOOKS else opened.do(action)
        slip = answer.slip if answer else None
        lines = LOOKS[verb](opened, rest) if answer is None else answer.lines
        warnings = [caution(number) for number in answer.cautions] if answer else []
        if as_json:
            show_json(
                {
                    "minute": opened.minute,
                    "minutes": answer.minutes if answer else 0.0,
                    "lines": list(lines),
                    "slip": slip.as_json() if slip else None,
                    "warnings": warnings,
                }
            )
            return
        for line in (*warnings, *([slip.line()] if slip else []), *lines):
            click.echo(line)
    finally:
        opened.journal.close()


def _quoted(word: str) -> str:
    """A word of the shell as it would be typed at the prompt: run=gearbox stub in quotes again."""
    key, equals, value = word.partition("=")
    alone = equals and " " not in key and "=" not in value
    return f'{key}="{value}"' if alone and " " in value and '"' not in value else word


def _at_the_prompt(opened: Job, as_json: bool) -> None:
    """Hand a job to the prompt, or show it; the journal is closed in the end."""
    try:
        if as_json:
            show_json(_as_json(opened))
            return
        from lab.shell import run_shell

        run_shell(opened)
    finally:
        opened.journal.close()


def _as_json(opened: Job) -> dict[str, Any]:
    from lab.cautions import caution
    from lab.looks import OLD, TORN

    return {
        "journal": str(opened.journal.path),
        "vehicle": opened.vehicle.name,
        "card": list(opened.card()),
        "minute": opened.minute,
        "minutes_allowed": opened.minutes_allowed,
        "slips": [slip.as_json() for slip in opened.slips],
        "verdict": opened.verdict,
        "handed_back": opened.handed_back,
        "warnings": [
            caution(1),
            *([TORN] if opened.journal.torn else []),
            *([OLD] if opened.journal.format == 1 else []),
        ],
    }


@click.command()
@click.argument("case", metavar="CASE")
@click.option("--out", type=click.Path(dir_okay=False), help="PDF file; default: named after the case, here.")
@json_option
def sheet(case: str, out: str | None, as_json: bool) -> None:
    """Print a case as PDF: job card, wire map and worksheet for the student, then the answer key."""
    from pathlib import Path

    from lab.sheet import write_sheet

    path = out or f"{Path(case).stem}.pdf"
    pages = write_sheet(case, path)
    if as_json:
        show_json({"case": case, "file": path, "pages": pages})
    else:
        click.echo(f"{path}: {pages} pages; the answer key is at the end")
