"""``bits``: one moment of a network bit by bit, for people, as JSON, as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lab.bitcodes import CODES, attempt, noticed
from lab.commands.common import console, fault_option, json_option, load, show_json, vehicle_argument

if TYPE_CHECKING:
    from rich.console import Console

    from lab.bitview import Moment, Part

#: Before the bits of a line.
_LABEL = 8
_STEP = 10


@click.command()
@vehicle_argument
@click.option(
    "--at", "at_s", type=click.FloatRange(min=0, max=86_400), help="The instant, in seconds of simulated time."
)
@click.option(
    "--first",
    type=click.Choice(["frame", "error", "passive", "off"]),
    help="The first frame, error, error-passive or bus-off controller instead of --at.",
)
@click.option("--within", type=click.FloatRange(min=0, min_open=True, max=3600), default=10.0, show_default=True,
              help="How long to look for the --first, in seconds.")  # fmt: skip
@click.option("--network", metavar="N", help="The network; default: the first of the file.")
@fault_option
@click.option("--seed", type=int, default=0, show_default=True, help="As of run: one seed, one run.")
@click.option("--png", metavar="FILE", help="A picture; an ending .svg or .pdf gives that format.")
@json_option
def bits(vehicle: str, at_s: float | None, first: str | None, png: str | None, as_json: bool, **options: Any) -> None:
    """One moment of a run bit by bit: who drove, who read what, where in the frame each controller was."""
    from lab.bitview import look
    from simulator.errors import BadRequest

    if at_s is not None and first is not None:
        raise BadRequest("--at and --first name two moments: leave one out")
    if png is not None:
        from lab.pictures import check_ending

        check_ending(png)
    drawn, _ = load(vehicle)
    moment = look(
        drawn,
        network=options["network"],
        at_ns=None if at_s is None else round(at_s * 1e9),
        first=first,
        within_s=options["within"],
        fault_texts=options["faults"],
        seed=options["seed"],
    )
    if png is not None:
        from lab.bitpicture import draw_moment

        draw_moment(moment, png)
    if as_json:
        show_json(moment.as_json())
    else:
        _show(moment, png)


def _show(moment: Moment, png: str | None) -> None:
    out = console()
    when = f"{moment.t_ns / 1e9:.6f} s, a bit is {moment.bit_ns / 1e3:g} us"
    out.print(f"{moment.vehicle}, {moment.network} at {when}", soft_wrap=True)
    for record in moment.frames:
        out.print(attempt(record), soft_wrap=True)
    if moment.out_of_step:
        out.print("out of step: some have bits of another length than those of the network shown", soft_wrap=True)
    for number, part in enumerate(moment.parts):
        if len(moment.parts) > 1:
            out.print(f"part {number + 1} of {len(moment.parts)}: {', '.join(part.modules)}", soft_wrap=True)
        _show_part(out, part)
    if moment.quiet:
        out.print(f"nothing goes on at {', '.join(moment.quiet)}", soft_wrap=True)
    if png is not None:
        out.print(f"picture: {png}", soft_wrap=True)


def _show_part(out: Console, part: Part) -> None:
    width = max(_STEP, (out.width - _LABEL) // _STEP * _STEP)
    groups = part.groups()
    for from_bit in range(0, len(part.bits), width):
        numbers = range(from_bit, min(from_bit + width, len(part.bits)))
        out.print()
        out.print(f"{'bit':<{_LABEL}}{_ruler(numbers, part.start)}", soft_wrap=True)
        for names in groups:
            out.print(", ".join(names), soft_wrap=True)
            for label, line in _lines(part, names[0], numbers):
                out.print(f"  {label:<{_LABEL - 2}}{line}", soft_wrap=True)
    used = {bit.places[name] for bit in part.bits for name in part.modules}
    out.print()
    _print_signs(out, [f"{CODES[one]} {one}" for one in CODES if one in used])
    for number, trouble in part.noticed:
        out.print(noticed(number - part.start, trouble), soft_wrap=True)


def _print_signs(out: Console, signs: list[str]) -> None:
    """The legend, broken between its signs only."""
    line = "sends 0: drives dominant"
    for sign in signs:
        if len(line) + len(sign) + 3 > out.width:
            out.print(f"{line};", soft_wrap=True)
            line = sign
        else:
            line = f"{line}; {sign}"
    out.print(line, soft_wrap=True)


def _ruler(numbers: range, start: int) -> str:
    """Numbers of bits, counted from SOF, at every tenth."""
    marks = ""
    for number in numbers:
        if (number - start) % _STEP == 0:
            marks = f"{marks:<{number - numbers.start}}{number - start}"
    return marks


def _lines(part: Part, name: str, numbers: range) -> list[tuple[str, str]]:
    """What one controller sends, reads, and where it is, one sign for each bit."""
    chosen = [part.bits[number] for number in numbers]
    sends = "".join("0" if name in bit.driving else " " for bit in chosen)
    reads = "".join("0" if name in bit.dominant else "1" for bit in chosen)
    at = "".join(CODES[bit.places[name]] for bit in chosen)
    return [*([("sends", sends)] if sends.strip() else []), ("reads", reads), ("at", at)]
