"""The command line in this process: what it printed and the exit status, without the start of an interpreter."""

from __future__ import annotations

import io
import json
from contextlib import redirect_stderr, redirect_stdout
from typing import Any, NamedTuple

from lab.command import main


class Answer(NamedTuple):
    """What a command gave back."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """The one JSON value on stdout."""
        return json.loads(self.out)


def sixtyohm(*arguments: object) -> Answer:
    """Run ``sixtyohm`` with these arguments."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = main([str(argument) for argument in arguments])
    return Answer(status, out.getvalue(), err.getvalue())


def good(*arguments: object) -> Any:
    """Run it with ``--json``, see that it went well and printed nothing else, and return the JSON value."""
    answer = sixtyohm(*arguments, "--json")
    assert (answer.status, answer.err) == (0, ""), answer
    return answer.json
