"""``codes``, ``values`` and ``config``: modules questioned over the network, after the vehicle has run for a while."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

from lab.commands.common import (
    condition_of,
    console,
    fault_option,
    ignition_option,
    json_option,
    print_table,
    show_json,
    show_table,
    switch,
    table,
    unplug_option,
    vehicle_argument,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lab.tester import Codes, Diagnosis

F = TypeVar("F", bound=Callable[..., Any])
#: Longer than any monitor of a module takes to be sure.
_SECONDS = 10.0
_SAVE_FIRST = "Clearing forgets when, how often and with what supply: save first (codes VEHICLE save --file FILE)."


def _after_option(function: F) -> F:
    """--seconds and --drive: how long the vehicle runs first, and how."""
    function = click.option("--drive", metavar="SCRIPT", help="What is driven meanwhile: the name of a drive script.")(
        function
    )
    return click.option(
        "--seconds",
        type=click.FloatRange(0, 3600),
        default=_SECONDS,
        show_default=True,
        help="Simulated seconds the vehicle runs before the first question.",
    )(function)


@contextmanager
def _diagnosis(
    vehicle: str,
    fault_texts: Sequence[str],
    unplug: Sequence[str],
    ignition: str | None,
    seconds: float,
    drive: str | None,
) -> Iterator[Diagnosis]:
    """A tester at the sockets of a vehicle that has run for a while; faults follow their timelines."""
    import faults
    from lab.commands.common import load
    from lab.tester import Diagnosis
    from simulator.simulation import Simulation
    from simulator.world import World

    car, _ = load(vehicle)
    parsed = [faults.parse(text).canonical(car) for text in fault_texts]
    faults.apply(car, parsed)
    condition = condition_of(car, ignition_on=switch(ignition), unplug=unplug)
    simulation = Simulation(car, faults=parsed, condition=condition)
    World(simulation, script=drive or "")
    simulation.advance(seconds)
    with Diagnosis(simulation) as diagnosis:
        yield diagnosis


@click.command()
@vehicle_argument
@click.argument("what", type=click.Choice(["read", "save", "clear", "misses"]), metavar="read/save/clear/misses")
@fault_option
@unplug_option
@ignition_option
@_after_option
@click.option("--file", "path", type=click.Path(dir_okay=False), help="Where save (and clear, first) writes the codes.")
@click.option("--against", type=click.Path(dir_okay=False), help="With read: what is different from a saved file.")
@json_option
def codes(
    vehicle: str,
    what: str,
    faults: tuple[str, ...],
    unplug: tuple[str, ...],
    ignition: str | None,
    seconds: float,
    drive: str | None,
    path: str | None,
    against: str | None,
    as_json: bool,
) -> None:
    """Every module's fault memory, asked over the network: read, save, clear, and misses (who misses whom).

    The vehicle starts with empty memories and runs for --seconds; then the tester asks at the socket, and hears only
    what wiring and gateways let through. clear asks again after five more seconds, so that what comes back is seen.
    """
    from lab.tester import load_codes, read_codes, save_codes

    if what == "save" and path is None:
        raise click.UsageError("save writes a file: add --file FILE")
    if path is not None and what not in ("save", "clear"):
        raise click.UsageError(f"{what} writes no file; use save --file FILE")
    if against is not None and what != "read":
        raise click.UsageError("--against goes with read")
    before = load_codes(against) if against is not None else None
    with _diagnosis(vehicle, faults, unplug, ignition, seconds, drive) as diagnosis:
        found = read_codes(diagnosis)
        if path is not None:
            save_codes(found, path)
        if what == "clear":
            _clear(diagnosis, found, path, as_json)
        elif what == "misses":
            _misses(found, as_json)
        elif what == "save":
            _saved(found, str(path), as_json)
        else:
            _read(found, before, as_json)


def _read(found: Codes, before: Codes | None, as_json: bool) -> None:
    from lab.tester import compare_codes

    changes = compare_codes(before, found) if before is not None else None
    if as_json:
        show_json({**found.as_json(), **({} if changes is None else {"changes": changes})})
        return
    _show(found)
    if changes is not None:
        click.echo("Since the saved file:" if changes else "Nothing is different from the saved file.")
        for each in changes:
            click.echo(f"  {each['module']} {each['code']} {each['change']}".replace("  ", " ").rstrip())


def _show(found: Codes) -> None:
    from lab.tester.show import code_lines

    for line in code_lines(found):
        click.echo(line)


def _saved(found: Codes, path: str, as_json: bool) -> None:
    if as_json:
        show_json({"vehicle": found.vehicle, "file": path, "count": found.count})
        return
    click.echo(f"{path}: {found.count} codes of {sum(each.answering for each in found.modules)} modules")


def _misses(found: Codes, as_json: bool) -> None:
    from lab.tester import LEGEND, who_misses_whom
    from lab.tester.show import changing_lines

    grid = who_misses_whom(found)
    if as_json:
        show_json(grid.as_json())
        return
    head, *rows = grid.table()
    made = table(*head)
    for row in rows:
        made.add_row(*row)
    made.padding = (0, 0, 0, 0)
    show_table(console(), f"{grid.vehicle}: who misses whom", made)
    for line in [LEGEND, *changing_lines(found)]:
        click.echo(line)


def _clear(diagnosis: Diagnosis, found: Codes, path: str | None, as_json: bool) -> None:
    from lab.tester import clear_codes, compare_codes, read_codes

    cleared = clear_codes(diagnosis)
    diagnosis.simulation.advance(5.0)
    after = read_codes(diagnosis)
    warnings = [] if path is not None else [_SAVE_FIRST]
    if as_json:
        show_json(
            {
                "vehicle": found.vehicle,
                "cleared": list(cleared.cleared),
                "silent": list(cleared.silent),
                "refused": dict(cleared.refused),
                "file": path,
                "after": after.as_json(),
                "changes": compare_codes(found, after),
                "warnings": warnings,
            }
        )
        return
    for line in [*warnings, *cleared.lines(), "Five seconds later:"]:
        click.echo(line)
    _show(after)


@click.command()
@vehicle_argument
@click.argument("names", nargs=-1, metavar="[NAME...]")
@fault_option
@unplug_option
@ignition_option
@_after_option
@json_option
def values(
    vehicle: str,
    names: tuple[str, ...],
    faults: tuple[str, ...],
    unplug: tuple[str, ...],
    ignition: str | None,
    seconds: float,
    drive: str | None,
    as_json: bool,
) -> None:
    """Live values by NAME: MODULE.supply and MODULE.clock are asked, MESSAGE.SIGNAL is heard at the socket.

    NAME may have * and ? for any letters; without one, all that there are.
    """
    from lab.tester import read_values

    with _diagnosis(vehicle, faults, unplug, ignition, seconds, drive) as diagnosis:
        found = read_values(diagnosis, names)
        if as_json:
            show_json({"vehicle": diagnosis.vehicle.name, "values": [value.as_json() for value in found]})
            return
        rows = table("name", "value", "by")
        for value in found:
            rows.add_row(value.name, value.shown(), value.by)
        show_table(console(), f"{diagnosis.vehicle.name}: values", rows)


@click.command()
@vehicle_argument
@click.argument("modules", nargs=-1, metavar="[MODULE...]")
@fault_option
@unplug_option
@ignition_option
@_after_option
@click.option("--file", "path", type=click.Path(dir_okay=False), help="Write what was read into this file.")
@click.option("--against", type=click.Path(dir_okay=False), help="What is different from such a file.")
@json_option
def config(
    vehicle: str,
    modules: tuple[str, ...],
    faults: tuple[str, ...],
    unplug: tuple[str, ...],
    ignition: str | None,
    seconds: float,
    drive: str | None,
    path: str | None,
    against: str | None,
    as_json: bool,
) -> None:
    """What each MODULE says of itself and of what it was told, beside what the vehicle needs (default: all modules)."""
    from lab.tester import compare_configuration, load_configuration, read_configuration, save_configuration

    with _diagnosis(vehicle, faults, unplug, ignition, seconds, drive) as diagnosis:
        car = diagnosis.vehicle
        before = load_configuration(car, against) if against is not None else None
        found = read_configuration(diagnosis, [car.module(name).name for name in modules])
        changes = compare_configuration(before, found) if before is not None else None
        if path is not None:
            save_configuration(car, found, path)
        if as_json:
            more = {} if changes is None else {"changes": changes}
            show_json({"vehicle": car.name, "modules": [each.as_json() for each in found], **more})
            return
        rows = table("module", "what", "reads", "should be", "word")
        for each in found:
            if not each.answering:
                rows.add_row(each.module, "", "", "", "silent")
            for item in each.items:
                rows.add_row(each.module, item.name, item.value, item.wanted, item.word)
        out = console()
        out.print(f"{car.name}: configuration", soft_wrap=True)
        print_table(out, rows)
        for change in changes or ():
            click.echo(f"{change['module']} {change['name']}: {change['now']}, was {change['before']}")
        if changes is not None and not changes:
            click.echo("Nothing is different from the saved file.")
