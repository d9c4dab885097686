"""The error counters of a run over time, a strip for each controller, with the fault diary above.

Everything is told by line style, hatching and writing, so that it reads the same in black and white.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING

from lab.controllers import Account, Change
from lab.pictures import save
from lab.wiremap import text_mm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from lab.running import Outcome

#: Measures on paper, in mm.
_WIDTH, _LEFT, _RIGHT, _TOP = 190.0, 14.0, 24.0, 14.0
_STRIP, _LOW_STRIP, _NAME, _GAP, _LINE, _BAR = 15.0, 6.0, 4.5, 2.5, 3.4, 2.4
_FOOT = 22.0
_SMALL = 7.0
#: Gaps shorter than this part of the time are not drawn: less than a line is wide.
_FINEST = 600
#: Error passive and bus-off. Bosch CAN Specification 2.0 (1991), 12.2, rules 9 and 10.
_PASSIVE, _OFF = 128, 256
#: A heavily disturbed bus (the same, note to 12.2); whoever stays below gets a lower strip.
_WARNING = 96


def draw_counters(outcome: Outcome, path: str | Path) -> None:
    """Write the picture of a run into a file. Raises BadRequest for an ending other than .png, .svg or .pdf."""
    save(counter_figure(outcome), path)


def counter_figure(outcome: Outcome) -> Figure:
    """Above when each fault was in; below, for every controller that counted, TEC and REC against simulated time."""
    from matplotlib.figure import Figure

    bars = fault_bars(outcome.diary, round(outcome.seconds * 1e9))
    labels = [wrap(text, 118) for text, _ in bars]
    moved = [account for line in outcome.networks for account in line.controllers if account.points]
    diary = sum(len(lines) * _LINE + _BAR + 1.2 for lines in labels)
    strips = sum(map(_tall, moved)) + max(len(moved), 1) * (_NAME + _GAP) + (0 if moved else _LOW_STRIP)
    height = _TOP + diary + strips + _FOOT
    figure = Figure(figsize=(_WIDTH / 25.4, height / 25.4))
    top = 1.0 - 5.0 / height
    title = f"{outcome.vehicle}: error counters, {outcome.seconds:g} s of simulated time, seed {outcome.seed}"
    figure.text(_LEFT / _WIDTH, top, title, fontsize=9, fontweight="bold", va="top")
    unit, factor = ("s", 1e9) if outcome.seconds >= 1 else ("ms", 1e6)
    until = outcome.seconds * 1e9 / factor
    y = height - _TOP
    if bars:
        _draw_diary(_axes(figure, height, y - diary, diary), bars, labels, diary, factor, until)
        y -= diary
    networks = len(outcome.networks) > 1
    for account in moved:
        y -= _NAME + _tall(account) + _GAP
        axes = _axes(figure, height, y + _GAP, _tall(account))
        _draw_strip(axes, account, factor, until, _heading(account, networks))
    if not moved:
        y -= _NAME + _LOW_STRIP + _GAP
        axes = _axes(figure, height, y + _GAP, _LOW_STRIP)
        axes.set_xlim(0, until)
        axes.set_yticks([])
        words = "no errors: all counters stayed at 0"
        axes.text(0.5, 0.5, words, transform=axes.transAxes, ha="center", va="center", fontsize=_SMALL)
    axes.tick_params(labelbottom=True, labelsize=6)
    axes.set_xlabel(f"simulated time, {unit}", fontsize=_SMALL)
    _draw_foot(figure, height, outcome, moved)
    return figure


def fault_bars(diary: Iterable[Change], end_ns: int) -> list[tuple[str, list[tuple[int, int]]]]:
    """For each fault, in the order of first coming, the stretches of time in which it was in, in ns."""
    found: dict[str, list[tuple[int, int]]] = {}
    since: dict[str, int] = {}
    for change in diary:
        stretches = found.setdefault(change.name, [])
        if change.what == "in":
            since.setdefault(change.name, change.t_ns)
        elif change.name in since:
            stretches.append((since.pop(change.name), change.t_ns))
    for name, t_ns in since.items():
        found[name].append((t_ns, end_ns))
    return list(found.items())


def _axes(figure: Figure, height: float, bottom: float, tall: float) -> Axes:
    """Axes at a place given in mm from below."""
    width = (_WIDTH - _LEFT - _RIGHT) / _WIDTH
    return figure.add_axes((_LEFT / _WIDTH, bottom / height, width, tall / height))


def _draw_diary(
    axes: Axes,
    bars: Sequence[tuple[str, list[tuple[int, int]]]],
    labels: Sequence[list[str]],
    tall: float,
    factor: float,
    until: float,
) -> None:
    """The text of a fault, below it black where it was in."""
    axes.set_xlim(0, until)
    axes.set_ylim(0, tall)
    axes.set_axis_off()
    y = tall
    for (_, stretches), lines in zip(bars, labels, strict=True):
        for line in lines:
            y -= _LINE
            axes.text(0, y + 0.8, line, fontsize=_SMALL, va="baseline")
        y -= _BAR
        axes.plot([0, until], [y + _BAR / 2] * 2, color="0.6", linewidth=0.5, zorder=0)
        spans = [(start / factor, (end - start) / factor) for start, end in stretches]
        axes.broken_barh(spans, (y, _BAR), facecolor="black", edgecolor="black", linewidth=0.5)
        y -= 1.2


def _tall(account: Account) -> float:
    """The height of a controller's strip in mm."""
    return _STRIP if max(account.most) >= _WARNING else _LOW_STRIP


def _heading(account: Account, networks: bool) -> str:
    sent, received = account.most
    name = f"{account.network} {account.module}" if networks else account.module
    return f"{name}   highest TEC {sent}, REC {received}; at the end {account.state}"


def joined(stretches: Sequence[tuple[float, float]], gap: float) -> list[tuple[float, float]]:
    """(start, length) of stretches of time, those that touch, or nearly, as one."""
    found: list[list[float]] = []
    for start, end in stretches:
        if found and start - found[-1][1] <= gap:
            found[-1][1] = end
        else:
            found.append([start, end])
    return [(start, end - start) for start, end in found]


def _draw_strip(axes: Axes, account: Account, factor: float, until: float, heading: str) -> None:
    times = [0.0, *(t_ns / factor for t_ns, _, _ in account.points), until]
    sent = [0, *(one for _, one, _ in account.points)]
    received = [0, *(one for _, _, one in account.points)]
    passive = [max(pair) >= _PASSIVE and pair[0] < _OFF for pair in zip(sent, received, strict=True)]
    off = [one >= _OFF for one in sent]
    for flags, shade, hatch in ((passive, "0.87", ""), (off, "white", "//////")):
        spans = joined([(times[k], times[k + 1]) for k, flag in enumerate(flags) if flag], until / _FINEST)
        if spans:
            axes.broken_barh(spans, (0, 290), facecolor=shade, hatch=hatch, edgecolor="0.55", linewidth=0, zorder=1)
    low = _tall(account) < _STRIP
    levels = {_WARNING: "96 warning"} if low else {_PASSIVE: "128 error passive", _OFF: "256 bus off"}
    for level, text in levels.items():
        axes.axhline(level, color="0.3", linewidth=0.5, linestyle=(0, (1, 2)), zorder=2)
        axes.annotate(
            text, (1.005, level), xycoords=("axes fraction", "data"), fontsize=6, va="center", annotation_clip=False
        )
    axes.step(times, [*sent, sent[-1]], where="post", color="black", linewidth=1.1, zorder=4)
    axes.step(
        times, [*received, received[-1]], where="post", color="black", linewidth=0.9, linestyle=(0, (3, 1.5)), zorder=3
    )
    axes.set_xlim(0, until)
    axes.set_ylim(-6, 116 if low else 290)
    axes.set_yticks([0, *levels])
    axes.tick_params(labelsize=6, length=2, labelbottom=False)
    axes.set_title(heading, fontsize=_SMALL, loc="left", pad=2)


def _draw_foot(figure: Figure, height: float, outcome: Outcome, moved: Sequence[Account]) -> None:
    """What the lines and areas mean, and who never counted."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    signs = [
        Line2D([], [], color="black", linewidth=1.1, label="transmit errors (TEC)"),
        Line2D([], [], color="black", linewidth=0.9, linestyle=(0, (3, 1.5)), label="receive errors (REC)"),
        Patch(facecolor="0.87", edgecolor="0.55", linewidth=0.3, label="error passive"),
        Patch(facecolor="white", edgecolor="0.55", hatch="//////", linewidth=0.3, label="bus off"),
    ]
    corner = (_LEFT / _WIDTH, 7.5 / height)
    figure.legend(handles=signs, loc="lower left", bbox_to_anchor=corner, ncols=4, fontsize=_SMALL, frameon=False,
                  borderaxespad=0, borderpad=0)  # fmt: skip
    several = len(outcome.networks) > 1
    quiet = []
    for line in outcome.networks:
        names = [one.module for one in line.controllers if not one.points]
        quiet += [f"{line.network} {names[0]}" if several else names[0], *names[1:]] if names else []
    if quiet and moved:
        text = f"at 0 throughout: {', '.join(quiet)}"
        while text_mm(text, _SMALL) > _WIDTH - 2 * _LEFT:
            text = f"{text[: text.rindex(', ')].removesuffix(' ...')} ..."
        figure.text(_LEFT / _WIDTH, 3.0 / height, text, fontsize=_SMALL, va="bottom")
