"""``check``: every mistake in a file, whatever kind of file it is."""

from __future__ import annotations

import re
from pathlib import Path

from simulator.errors import Mistake
from simulator.reader import check_database, check_vehicle

#: What a message database begins a line with, and a YAML file never does.
_DATABASE = re.compile(rb"^\s*(VERSION\s+\"|NS_\s*:|BS_\s*:|BU_\s*:|BO_\s+\d)", re.MULTILINE)
#: The key a case file has and a vehicle file has not.
_CASE = re.compile(rb"^case\s*:", re.MULTILINE)
_ENOUGH_BYTES = 1 << 20


def check_file(name: str | Path) -> tuple[list[Mistake], list[Mistake]]:
    """Every mistake and every warning of a vehicle, database or case file; its kind is seen by its content."""
    try:
        with open(name, "rb") as file:
            content = file.read(_ENOUGH_BYTES)
    except OSError as error:
        return [
            Mistake(str(name), 1, f"the file cannot be read ({error.strerror}); write the path of one that can")
        ], []
    if _DATABASE.search(content):
        return check_database(name)
    if _CASE.search(content):
        from lab.case import check_case

        return check_case(name)
    return check_vehicle(name)
