"""A moment of a network as a picture: a line for each controller's level, below it where in the frame it is.

Measures are millimetres on paper; everything is told by line, shape and writing, for black and white.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from lab.bitcodes import CODES, attempt, noticed
from lab.pictures import save
from lab.wiremap import text_mm, write

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from lab.bitview import Moment, Part

_MARGIN, _BIT, _LINE_BITS = 8.0, 2.1, 130
_ROW, _NAME, _LEVEL, _PLACE, _GAP = 3.4, 3.4, 4.0, 3.6, 2.0
#: Lines of what was noticed; the command line has all of them.
_MOST_LINES = 24
_SIZE = 6.0


def draw_moment(moment: Moment, path: str | Path) -> None:
    """Write the picture of a moment into a file. Raises BadRequest for an ending other than .png, .svg or .pdf."""
    save(moment_figure(moment), path)


def moment_figure(moment: Moment) -> Figure:
    """The moment part by part, in lines of 130 bits."""
    from matplotlib.figure import Figure

    longest = max([min(len(part.bits), _LINE_BITS) for part in moment.parts], default=0)
    told = [attempt(record) for record in moment.frames] + [f"fault: {text}" for text in moment.faults]
    if moment.out_of_step:
        told.append("out of step: some have bits of another length than those of the network shown")
    if moment.quiet:
        told.append(f"nothing goes on at {', '.join(moment.quiet)}")
    heading = f"{moment.vehicle}, {moment.network} at {moment.t_ns / 1e9:.6f} s, a bit is {moment.bit_ns / 1e3:g} us"
    words = [*told, *(line for part in moment.parts for line in _said(part)), *_legend(moment)]
    names = [", ".join(group) for part in moment.parts for group in part.groups()]
    wide = max([longest * _BIT, text_mm(heading, 9, "bold"), *(text_mm(text, _SIZE) for text in (*words, *names))])
    height = 2 * _MARGIN + 6.0 + _ROW * len(told) + sum(_tall(part) for part in moment.parts) + 3 * _ROW
    width = wide + 2 * _MARGIN
    figure = Figure(figsize=(width / 25.4, height / 25.4))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, width)
    axes.set_ylim(0, height)
    axes.set_axis_off()
    y = height - _MARGIN
    write(axes, _MARGIN, y, heading, va="top", size=9, weight="bold")
    y -= 6.0
    for line in told:
        write(axes, _MARGIN, y, line, va="top", size=_SIZE)
        y -= _ROW
    for part in moment.parts:
        y = _draw_part(axes, part, y)
    for line in _legend(moment):
        y -= _ROW
        write(axes, _MARGIN, y, line, va="baseline", size=_SIZE)
    return figure


def _legend(moment: Moment) -> list[str]:
    """What lines and signs mean."""
    used = {bit.places[name] for part in moment.parts for bit in part.bits for name in part.modules}
    signs = [f"{CODES[place]} {place}" for place in CODES if place in used]
    middle = -(-len(signs) // 2)
    lines = "line: what it reads, up recessive, down dominant; thick: it drives dominant; triangle: an error noticed"
    return [lines, *("; ".join(some) for some in (signs[:middle], signs[middle:]) if some)]


def _said(part: Part) -> list[str]:
    lines = [noticed(number - part.start, trouble) for number, trouble in part.noticed]
    rest = len(lines) - _MOST_LINES
    return [*lines[:_MOST_LINES], *([f"and {rest} more"] if rest > 0 else [])]


def _tall(part: Part) -> float:
    """The height of a part in mm."""
    lines = -(-len(part.bits) // _LINE_BITS)
    group = _NAME + _LEVEL + _PLACE + _GAP
    return lines * (_ROW + _GAP + len(part.groups()) * group) + len(_said(part)) * _ROW + _GAP


def _draw_part(axes: Axes, part: Part, y: float) -> float:
    for first in range(0, len(part.bits), _LINE_BITS):
        numbers = range(first, min(first + _LINE_BITS, len(part.bits)))
        y -= _GAP
        for number in numbers:
            if (number - part.start) % 10 == 0:
                x = _MARGIN + (number - first) * _BIT
                write(axes, x, y, f"{number - part.start}", va="top", size=_SIZE - 1)
        y -= _ROW
        for group in part.groups():
            write(axes, _MARGIN, y, ", ".join(group), va="top", size=_SIZE, weight="bold")
            y -= _NAME
            _draw_level(axes, part, group[0], numbers, y - _LEVEL)
            y -= _LEVEL
            _draw_places(axes, part, group[0], numbers, y)
            _mark(axes, part, group, numbers, y)
            y -= _PLACE + _GAP
    for line in _said(part):
        write(axes, _MARGIN, y, line, va="top", size=_SIZE)
        y -= _ROW
    return y - _GAP


def _draw_level(axes: Axes, part: Part, name: str, numbers: range, bottom: float) -> None:
    """What a controller reads, and thick where it drives."""
    low, high = bottom + 1.0, bottom + _LEVEL - 0.6
    xs, ys = [], []
    for number in numbers:
        bit = part.bits[number]
        x = _MARGIN + (number - numbers.start) * _BIT
        level = low if name in bit.dominant else high
        xs += [x, x + _BIT]
        ys += [level, level]
        if name in bit.driving:
            axes.plot([x + 0.15, x + _BIT - 0.15], [low] * 2, color="black", linewidth=3.2, solid_capstyle="butt")
    axes.plot(xs, ys, color="black", linewidth=0.8)


def _draw_places(axes: Axes, part: Part, name: str, numbers: range, top: float) -> None:
    """Boxes with the field of the frame or the state of the controller; a sign where the word does not fit."""
    from matplotlib.patches import Rectangle

    first = numbers.start
    while first < numbers.stop:
        place = part.bits[first].places[name]
        last = first
        while last + 1 < numbers.stop and part.bits[last + 1].places[name] == place:
            last += 1
        x, wide = _MARGIN + (first - numbers.start) * _BIT, (last + 1 - first) * _BIT
        shade = "white" if place in ("idle", "intermission") else "0.8" if "flag" in place else "0.93"
        axes.add_patch(
            Rectangle((x, top - _PLACE), wide, _PLACE, facecolor=shade, edgecolor="0.4", linewidth=0.4, zorder=2)
        )
        text = place if text_mm(place, _SIZE - 1) < wide - 0.4 else CODES[place]
        write(axes, x + wide / 2, top - _PLACE / 2, text, ha="center", va="center_baseline", size=_SIZE - 1)
        first = last + 1


def _mark(axes: Axes, part: Part, group: tuple[str, ...], numbers: range, low: float) -> None:
    """A triangle at every bit in which one of a group noticed an error."""
    for number, trouble in part.noticed:
        if trouble.node in group and number in numbers and trouble.kind != "lost arbitration":
            x = _MARGIN + (number - numbers.start + 0.5) * _BIT
            axes.plot([x], [low + _LEVEL - 0.2], marker="v", markersize=4, color="black", zorder=8)
