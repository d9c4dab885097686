"""The databases of the demo vehicles, parsed once by a process.

Commands, cases, buses and tests read a vehicle anew each: more than a thousand times the same few files in a whole run,
and most of that time goes into parsing their databases. Copies of a demo, changed or broken, are read as ever.
"""

from __future__ import annotations

from pathlib import Path

from simulator.reader import database
from simulator.reader.dbc_text import Database

DEMOS = Path(__file__).resolve().parents[1] / "dbc_demo"


def read_demos_once() -> None:
    """From now on; nobody writes into what was read."""
    read_anew, kept = database.read_database, dict[Path, Database]()

    def read(file: Path) -> Database:
        if DEMOS not in file.parents:
            return read_anew(file)
        if file not in kept:
            kept[file] = read_anew(file)
        return kept[file]

    database.read_database = read
