"""``demo``: from a fresh install to a fault found, in a few seconds."""

from __future__ import annotations

import click

from lab.commands.common import json_option, show_json


@click.command()
@click.argument("vehicle", metavar="[VEHICLE]", default="pipkin")
@click.option(
    "--out", type=click.Path(file_okay=False), default=".", help="Folder for the pictures; default: the current one."
)
@json_option
def demo(vehicle: str, out: str, as_json: bool) -> None:
    """Put a fault into a vehicle, take five readings and the roll call, name what fits, and write two pictures."""
    from lab.demo import show_tour, take_tour

    tour = take_tour(vehicle, out)
    if as_json:
        show_json(tour.as_json())
    else:
        show_tour(tour)
