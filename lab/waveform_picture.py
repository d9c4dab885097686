"""The picture of a waveform: two lines, their difference, the frame underneath, the healthy vehicle as a ghost.

Drawn as a paper chart: time runs along metre-stick ticks, black on white, told apart by weight and dash and never by
colour alone. The whole frame is on the left, its first release on the right, ten times wider.
"""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.calculator import LIMITS
from simulator.circuit import DOMINANT_VOLT, RECESSIVE_VOLT

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    from simulator.circuit.waveform import Trace, Waveform

Floats: TypeAlias = NDArray[np.float64]

#: The healthy vehicle's traces.
GHOST = "0.75"
#: Points across a picture; beyond that a trace is drawn as its least and most in each column.
COLUMNS = 3000


def waveform_figure(wave: Waveform, place: str, *, ghost: Waveform | None = None, title: str = "") -> Figure:
    """A figure of the waveform at a recorded place; ``ghost`` is the healthy vehicle's, drawn behind."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(14.0, 7.6), layout="constrained")
    grid = figure.subplots(
        3, 2, sharex="col", sharey="row", gridspec_kw={"height_ratios": [3.0, 2.4, 0.9], "width_ratios": [3.2, 1.0]}
    )
    name = title or f"{wave.network.name} at {place}: {wave.transmitter} sends"
    figure.suptitle("\n".join(wrap(name, 150)), fontsize=11, fontweight="bold", x=0.01, ha="left")
    traces = [(wave, wave.places[place], False)]
    if ghost is not None:
        traces.insert(0, (ghost, ghost.places[place], True))
    spans = ((float(wave.t_ns[0]), float(wave.t_ns[-1])), _close_up(wave))
    for column, span in enumerate(spans):
        lines, difference, fields = grid[0][column], grid[1][column], grid[2][column]
        _limits(lines, difference)
        for item, trace, behind in traces:
            _draw_lines(lines, item, trace, span, behind)
            _draw_difference(difference, item, trace, span, behind)
        _draw_frame(fields, wave, span, detailed=column == 1)
        fields.set_xlim(span[0] / 1000.0, span[1] / 1000.0)
        fields.set_xlabel("microseconds" if column else "microseconds after the driver begins to move")
        for axes in (lines, difference):
            axes.grid(axis="y", color="0.88", linewidth=0.5)
            axes.set_axisbelow(True)
    grid[0][0].set_title("the whole transmission", fontsize=9, loc="left")
    grid[0][1].set_title("its first release", fontsize=9, loc="left")
    grid[0][0].set_ylabel("line to body, volt")
    grid[1][0].set_ylabel("high minus low, volt")
    _name_limits(grid[0][1], grid[1][1])
    _legend(figure, ghost is not None)
    return figure


def _close_up(wave: Waveform) -> tuple[float, float]:
    """From a little before the first release to the end of that bit; the whole where nothing is ever released."""
    bits = np.frombuffer(wave.bits, np.uint8)
    released = np.flatnonzero((bits[:-1] == 0) & (bits[1:] == 1))
    if not len(released):
        return float(wave.t_ns[0]), float(wave.t_ns[-1])
    n = int(released[0])
    begin, end = wave.bit_starts_ns[n + 1], wave.bit_starts_ns[n + 2]
    return begin - 0.15 * (end - begin), begin + min(1.05 * (end - begin), 2000.0)


def _columns(wave: Waveform, values: Floats, span: tuple[float, float]) -> tuple[Floats, Floats]:
    """Microseconds and volts within a span; where there are too many, the least and the most of each column."""
    first, last = np.searchsorted(wave.t_ns, span)
    t, v = wave.t_ns[first : last + 1] / 1000.0, values[first : last + 1]
    width = len(t) // COLUMNS
    if width < 2:
        return t, v
    count = len(t) // width
    block = v[: count * width].reshape(count, width)
    both = np.stack([block.min(axis=1), block.max(axis=1)], axis=1).ravel()
    return np.repeat(t[: count * width : width], 2), both


def _draw_lines(axes: Axes, wave: Waveform, trace: Trace, span: tuple[float, float], behind: bool) -> None:
    for values, dashes in ((trace.high_volt, (0, ())), (trace.low_volt, (0, (4, 1.2)))):
        colour, width = (GHOST, 2.6) if behind else ("black", 1.0)
        axes.plot(*_columns(wave, values, span), color=colour, linewidth=width, linestyle=dashes)


def _draw_difference(axes: Axes, wave: Waveform, trace: Trace, span: tuple[float, float], behind: bool) -> None:
    colour, width = (GHOST, 2.6) if behind else ("black", 1.0)
    axes.plot(*_columns(wave, trace.difference_volt, span), color=colour, linewidth=width)


def _limits(lines: Axes, difference: Axes) -> None:
    """Output windows of ISO 11898-2 as tinted bands, the receiver's undefined band hatched."""
    for name in ("dominant high", "dominant low"):
        lines.axhspan(*LIMITS[name], color="0.95", linewidth=0, zorder=0)
    for volt in LIMITS["recessive high"]:
        lines.axhline(volt, color="0.6", linewidth=0.6, linestyle=(0, (1, 2)))
    difference.axhspan(*LIMITS["dominant difference"], color="0.95", linewidth=0, zorder=0)
    difference.axhspan(
        RECESSIVE_VOLT, DOMINANT_VOLT, facecolor="white", edgecolor="0.7", hatch="////", linewidth=0, zorder=0
    )
    for volt in (RECESSIVE_VOLT, DOMINANT_VOLT):
        difference.axhline(volt, color="0.35", linewidth=0.7)


def _name_limits(lines: Axes, difference: Axes) -> None:
    def band(name: str) -> str:
        return "{:g} to {:g} V".format(*LIMITS[name])

    line_names = (
        (3.85, f"dominant high\n{band('dominant high')}"),
        (2.5, f"recessive\n{band('recessive high')}"),
        (1.15, f"dominant low\n{band('dominant low')}"),
    )
    difference_names = (
        (2.25, f"dominant\n{band('dominant difference')}"),
        (0.7, f"undefined, {RECESSIVE_VOLT} to {DOMINANT_VOLT} V"),
        (-0.1, "recessive below"),
    )
    for axes, names in ((lines, line_names), (difference, difference_names)):
        for volt, text in names:
            axes.annotate(text, (1.02, volt), xycoords=("axes fraction", "data"), fontsize=7, ha="left", va="center")


def _draw_frame(axes: Axes, wave: Waveform, span: tuple[float, float], *, detailed: bool) -> None:
    """The bits as a strip, filled while dominant, and the fields as a ruler under it; stuff bits are dotted."""
    starts = np.array(wave.bit_starts_ns) / 1000.0
    stuffed = set(wave.frame.stuff_bits) if wave.frame else set()
    sent = wave.frame.bits if wave.frame and wave.acknowledgers else wave.bits
    for n, bit in enumerate(sent):
        axes.add_patch(_box(starts[n], starts[n + 1], 1.05, 1.85, "0.25" if bit == 0 else "white", "0.25"))
        if n in stuffed:
            axes.plot([(starts[n] + starts[n + 1]) / 2], [2.05], marker="o", markersize=1.8, color="black")
        if detailed and span[0] / 1000 < (starts[n] + starts[n + 1]) / 2 < span[1] / 1000:
            words = f"bit {n}: {'recessive' if bit else 'dominant'}"
            axes.text(
                (starts[n] + starts[n + 1]) / 2, 1.45, words, fontsize=7, ha="center", va="center",
                color="black" if bit else "white",
            )  # fmt: skip
    axes.set_ylim(-0.15, 2.3)
    axes.set_yticks([])
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    if wave.frame is not None and not detailed:
        _rule(axes, wave, starts, span)


def _box(left: float, right: float, low: float, high: float, face: str, edge: str) -> Rectangle:
    from matplotlib.patches import Rectangle

    return Rectangle((left, low), right - left, high - low, facecolor=face, edgecolor=edge, linewidth=0.4)


def _rule(axes: Axes, wave: Waveform, starts: Floats, span: tuple[float, float]) -> None:
    """Field names between ticks; a field too narrow for its name has a number, told at the end of the row."""
    assert wave.frame is not None
    per_letter = (span[1] - span[0]) / 1000.0 / 190.0
    notes: list[str] = []
    for field, text in zip(wave.frame.fields, field_texts(wave), strict=True):
        left, right = float(starts[field.start]), float(starts[field.end + 1])
        axes.plot([left, left, right, right], [0.95, 0.8, 0.8, 0.95], color="0.4", linewidth=0.6)
        longest = max(len(row) for row in text.split("\n"))
        if longest * per_letter > right - left:
            notes.append(text.replace("\n", " "))
            text = str(len(notes))
        # Numbers stand close together: every second one is a little lower.
        drop = 0.26 if text.isdigit() and len(notes) % 2 == 0 else 0.0
        axes.text((left + right) / 2, 0.72 - drop, text, fontsize=6.5, ha="center", va="top")
    listed = "   ".join(f"{number} {note}" for number, note in enumerate(notes, 1))
    axes.text(0.0, -0.05, listed, fontsize=6.5, ha="left", va="top", transform=axes.get_xaxis_transform())
    axes.tick_params(axis="x", pad=14)


def field_texts(wave: Waveform) -> list[str]:
    """What each field of the frame says, in the order of the fields."""
    frame = wave.frame
    assert frame is not None
    found = []
    for field in frame.fields:
        text = field.name
        if field.name == "ID":
            text = f"ID\n0x{(frame.frame_id >> 18 if frame.extended else frame.frame_id):X}"
        elif field.name == "ID extension":
            text = f"ID extension\n0x{frame.frame_id & 0x3FFFF:X}"
        elif field.name == "DLC":
            text = f"DLC\n{frame.dlc}"
        elif field.name == "data":
            text = f"data\n{frame.data.hex(' ').upper()}"
        elif field.name == "CRC":
            text = f"CRC\n0x{frame.crc:X}"
        found.append(text)
    return found


def _legend(figure: Figure, ghost: bool) -> None:
    from matplotlib.lines import Line2D

    marks = [
        Line2D([], [], color="black", linewidth=1.0, label="high"),
        Line2D([], [], color="black", linewidth=1.0, linestyle=(0, (4, 1.2)), label="low"),
    ]
    if ghost:
        marks.append(Line2D([], [], color=GHOST, linewidth=2.6, label="the same without a fault"))
    marks.append(Line2D([], [], color="black", marker="o", markersize=2.5, linestyle="none", label="stuff bit"))
    figure.legend(handles=marks, loc="outside lower right", ncols=len(marks), fontsize=8, frameon=False)
