"""The command line ``sixtyohm``: one group, one place where errors become one line and an exit status.

Exit status: 0; 2 for bad input; 1 for anything else. Everything heavy is imported inside the commands, so that
``sixtyohm --help`` costs no more than click. ``SIXTYOHM_TRACEBACK=1`` shows where an unexpected error came from.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from lab.commands import COMMANDS
from simulator.errors import BadFile, BadRequest

#: A path that cannot be is bad input; a full disk is not.
_BAD_PATH = (FileNotFoundError, NotADirectoryError, IsADirectoryError, PermissionError)
_EPILOG = "Simulation only: readings teach method; use the vehicle's own data on a real car."


@click.group(commands=COMMANDS, epilog=_EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="sixtyohm", prog_name="sixtyohm")
def sixtyohm() -> None:
    """A vehicle's bus network as one circuit: what should it read, who answers, and what fits a reading.

    VEHICLE is the name of a demo vehicle (see: sixtyohm vehicles) or a vehicle file. Every command takes --json.
    """


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; ``arguments`` default to those of the process. Returns the exit status."""
    try:
        outcome = sixtyohm.main(
            args=None if arguments is None else list(arguments), prog_name="sixtyohm", standalone_mode=False
        )
        sys.stdout.flush()
    except BrokenPipeError:
        _close_quietly()
        return 1
    except Exception as error:
        return _explain(error)
    except KeyboardInterrupt:
        print("sixtyohm: stopped", file=sys.stderr)
        return 1
    return outcome if isinstance(outcome, int) else 0


def _explain(error: Exception) -> int:
    """Write what went wrong to stderr, a line per mistake, and return the exit status."""
    if os.environ.get("SIXTYOHM_TRACEBACK") == "1" and not isinstance(error, click.ClickException):
        import traceback

        traceback.print_exception(error)
    if isinstance(error, click.ClickException):
        error.show()
        return 2
    if isinstance(error, click.Abort):
        print("sixtyohm: stopped", file=sys.stderr)
        return 1
    if isinstance(error, BadFile):
        for mistake in error.mistakes:
            print(mistake, file=sys.stderr)
        return 2
    if isinstance(error, BadRequest):
        print(f"sixtyohm: {_one_line(error)}", file=sys.stderr)
        return 2
    if isinstance(error, OSError):
        return _explain_path(error)
    print(f"sixtyohm: {type(error).__name__}: {_one_line(error)}", file=sys.stderr)
    return 1


def _explain_path(error: OSError) -> int:
    """One line about a file that cannot be read or written, or about our own output."""
    if error.filename is None:
        print(f"sixtyohm: the output cannot be written: {error.strerror or _one_line(error)}", file=sys.stderr)
        _close_quietly()
        return 1
    bad_path = isinstance(error, _BAD_PATH)
    print(f"sixtyohm: {error.filename}: {error.strerror}{'; name another file' if bad_path else ''}", file=sys.stderr)
    return 2 if bad_path else 1


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())


def _close_quietly() -> None:
    """The reader of our output has gone: point stdout at nothing, so that the interpreter's last flush says nothing."""
    sink = os.open(os.devnull, os.O_WRONLY)
    os.dup2(sink, sys.stdout.fileno())
    os.close(sink)
