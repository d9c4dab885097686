"""The commands of ``sixtyohm``, one file per family; ``COMMANDS`` is the door."""

from __future__ import annotations

import click

from lab.commands.calculator import should, spice
from lab.commands.cases import job, sheet
from lab.commands.codes import codes, config, values
from lab.commands.files import check, faults, schema, vehicles
from lab.commands.fits import fits
from lab.commands.moment import bits
from lab.commands.reach import reach
from lab.commands.readings import call, read
from lab.commands.tour import demo
from lab.commands.traffic import frame, run
from lab.commands.waves import picture

__all__ = ["COMMANDS"]

COMMANDS: dict[str, click.Command] = {
    command.name: command
    for command in (
        should,
        read,
        call,
        codes,
        values,
        config,
        fits,
        reach,
        frame,
        picture,
        run,
        bits,
        spice,
        check,
        schema,
        vehicles,
        faults,
        demo,
        job,
        sheet,
    )
    if command.name is not None
}
