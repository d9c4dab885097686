"""What the commands share: arguments, options, the condition they describe, and the two ways to print."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from faults import Fault
    from simulator.condition import Condition
    from simulator.vehicle import Network, Vehicle

F = TypeVar("F", bound=Callable[..., Any])

#: Words longer than this, like the bits of a frame, are folded all the same.
_LONG_WORD = 24
_ON_OFF = click.Choice(["on", "off"])


def vehicle_argument(function: F) -> F:
    """VEHICLE: the name of a demo vehicle or a file."""
    return click.argument("vehicle", metavar="VEHICLE")(function)


def json_option(function: F) -> F:
    """--json: one JSON value on stdout and nothing else."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON value and nothing else.")(function)


def fault_option(function: F) -> F:
    """--fault, any number of times, in the command-line form of a fault."""
    return click.option(
        "--fault",
        "faults",
        multiple=True,
        metavar="FAULT",
        help='A fault, e.g. "open line=high at=GBX"; any number. See: sixtyohm faults.',
    )(function)


def unplug_option(function: F) -> F:
    """--unplug MODULE, any number of times."""
    return click.option("--unplug", multiple=True, metavar="MODULE", help="Unplug this module; any number.")(function)


def part_option(function: F) -> F:
    """--part PLACE, any number of times; PLACE.NETWORK where several networks part there."""
    return click.option(
        "--part", multiple=True, metavar="PLACE", help="Open the in-line connector at this place; any number."
    )(function)


def battery_option(function: F) -> F:
    """--battery on/off; None where not given, for the command's own default."""
    return click.option("--battery", type=_ON_OFF, help="Battery connected or not.")(function)


def ignition_option(function: F) -> F:
    """--ignition on/off; None where not given: on where the battery is on."""
    return click.option("--ignition", type=_ON_OFF, help="Ignition; default: on where the battery is on.")(function)


def load(name: str, fault_texts: Iterable[str] = ()) -> tuple[Vehicle, tuple[Fault, ...]]:
    """The vehicle of that name or file with the faults in it, and the faults. Raises the errors of both."""
    from simulator.reader import find_vehicle, load_vehicle

    vehicle = load_vehicle(find_vehicle(name))
    texts = tuple(fault_texts)
    if not texts:
        return vehicle, ()
    import faults

    parsed = tuple(faults.parse(text) for text in texts)
    return faults.apply(vehicle, parsed), tuple(fault.canonical(vehicle) for fault in parsed)


def condition_of(
    vehicle: Vehicle,
    *,
    battery_on: bool = True,
    ignition_on: bool | None = None,
    unplug: Iterable[str] = (),
    part: Iterable[str] = (),
) -> Condition:
    """The condition the options describe; ``ignition_on`` None follows the battery. Raises BadRequest, UnknownName."""
    from lab.taken import connector
    from simulator.condition import Condition

    return Condition(
        battery_on=battery_on,
        ignition_on=battery_on if ignition_on is None else ignition_on,
        unplugged=frozenset(vehicle.module(name).name for name in unplug),
        parted=frozenset(connector(vehicle, text) for text in part),
    )


def chosen_networks(vehicle: Vehicle, name: str | None) -> tuple[Network, ...]:
    """The networks --network asks for: the first of the file where nothing is said, every one for ``all``."""
    if name == "all":
        return tuple(vehicle.networks.values())
    return (vehicle.network(name),)


def switch(text: str | None) -> bool | None:
    """'on' and 'off' as a truth value; None stays None."""
    return None if text is None else text == "on"


def finite(value: float | None) -> float | None:
    """A number for JSON: None for an open circuit."""
    return None if value is None or math.isinf(value) or math.isnan(value) else value


def show_json(value: object) -> None:
    """Print one JSON value on stdout."""
    click.echo(json.dumps(value, indent=2, allow_nan=False))


def console() -> Console:
    """A console for people: no colour is needed to read it, numbers are not painted."""
    from rich.console import Console

    return Console(highlight=False, no_color=True, emoji=False, markup=False)


def table(*columns: str, right: Iterable[str] = ()) -> Table:
    """An empty table with these columns; those in ``right`` are set flush right."""
    from rich import box
    from rich.table import Table

    made = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    numbers = set(right)
    for column in columns:
        made.add_column(column, justify="right" if column in numbers else "left", overflow="fold")
    return made


def show_table(out: Console, title: str, rows: Table) -> None:
    """Print a table under its title."""
    out.print(title, soft_wrap=True)
    print_table(out, rows)


def print_table(out: Console, rows: Table) -> None:
    """Print a table whose columns fold between words only; where not even that fits, it is wider than the terminal."""
    for column in rows.columns:
        words = [word for cell in (column.header, *column.cells) for word in str(cell).split()]
        column.min_width = min(max(map(len, words), default=1), _LONG_WORD)
    # around each column a blank on both sides but at the table's edges, between columns one more
    needed = sum((column.min_width or 1) + 3 for column in rows.columns) - 1
    if needed > out.width:
        rows.width = needed
    out.print(rows, crop=False, no_wrap=False)


def ohm_text(value: float | None) -> str:
    """A resistance to a tenth of an ohm, in kohm and Mohm to four digits; ``OL`` for an open circuit."""
    if value is None or math.isinf(value):
        return "OL"
    if abs(value) < 1e3:
        return f"{value:.1f} ohm"
    return f"{value / 1e3:.4g} kohm" if abs(value) < 1e6 else f"{value / 1e6:.4g} Mohm"
