"""``check``, ``schema``, ``vehicles`` and ``faults``: what files may say, and what is there to use."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import click

from lab.commands.common import console, json_option, show_json, show_table, table

if TYPE_CHECKING:
    from faults import Fault


@click.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@json_option
@click.pass_context
def check(context: click.Context, files: tuple[str, ...], as_json: bool) -> None:
    """Every mistake in vehicle, database and case files; the kind of file is seen by its content.

    Warnings alone leave the exit status at 0; a mistake makes it 2.
    """
    from lab.checking import check_file

    found = [(name, *check_file(name)) for name in files]
    if as_json:
        show_json(
            [
                {"file": name, "mistakes": [str(item) for item in errors], "warnings": [str(item) for item in warnings]}
                for name, errors, warnings in found
            ]
        )
    else:
        for name, errors, warnings in found:
            for mistake in errors:
                click.echo(str(mistake), err=True)
            for warning in warnings:
                click.echo(f"{warning} (warning)", err=True)
            if not errors:
                click.echo(f"{name}: good" + (f", {len(warnings)} warnings" if warnings else ""))
    if any(errors for _, errors, _ in found):
        context.exit(2)


@click.command()
@click.option("--case", "of_case", is_flag=True, help="That of case files.")
@json_option
def schema(of_case: bool, as_json: bool) -> None:
    """The JSON schema of vehicle files (or of case files), for an editor's completion."""
    if of_case:
        from lab.case import case_schema

        show_json(dict(case_schema()))
        return
    from simulator.reader import json_schema

    show_json(json_schema())


@click.command()
@json_option
def vehicles(as_json: bool) -> None:
    """The demo vehicles that come with this."""
    from simulator.reader import demo_names, find_vehicle, load_vehicle

    loaded = {name: load_vehicle(find_vehicle(name)) for name in demo_names()}
    if as_json:
        show_json(
            [
                {
                    "name": name,
                    "vehicle": vehicle.name,
                    "maker": vehicle.maker,
                    "about": vehicle.about,
                    "networks": list(vehicle.networks),
                    "modules": list(vehicle.modules),
                }
                for name, vehicle in loaded.items()
            ]
        )
        return
    rows = table("VEHICLE", "title", "networks", "modules", "about")
    for name, vehicle in loaded.items():
        title = f"{vehicle.maker} {vehicle.name}".strip()
        rows.add_row(name, title, ", ".join(vehicle.networks), str(len(vehicle.modules)), vehicle.about)
    show_table(console(), "Demo vehicles (all invented)", rows)


@click.command(name="faults")
@json_option
def faults(as_json: bool) -> None:
    """The kinds of fault, with their fields and defaults."""
    import faults as fault_room

    kinds = fault_room.kinds()
    if as_json:
        show_json(
            [{"kind": kind, "about": _about(made), "fields": _fields(made)} for kind, made in sorted(kinds.items())]
        )
        return
    rows = table("kind", "fields", "what it is")
    for kind, made in sorted(kinds.items()):
        rows.add_row(kind, " ".join(_fields(made)), _about(made))
    out = console()
    show_table(out, 'Kinds of fault, written like --fault "open line=high at=GBX"', rows)
    out.print(
        "Each also takes a timeline: from_s= until_s= on_s= with off_s=, jitter_s= with seed=, "
        "and one of shaken=PLACE wet=PLACE cranking=true warmer_than_celsius=60.",
        soft_wrap=True,
    )


def _about(kind: type[Fault]) -> str:
    return (kind.__doc__ or "").strip().splitlines()[0].replace("``", "")


def _fields(kind: type[Fault]) -> list[str]:
    """The fields of a kind, each with its default where it has one."""
    shown = []
    for field in dataclasses.fields(kind):
        if field.name == "timeline":
            continue
        required = field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
        bare = required or field.default is None
        shown.append(field.name if bare else f"{field.name}={field.default}")
    return shown
