"""The levels on a network, healthy beside faulted, over the bands of ISO 11898-2."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from lab.layout import longest_way, spanning_tree
from simulator.calculator import LIMITS, Level, expected_levels
from simulator.circuit import DOMINANT_VOLT, RECESSIVE_VOLT
from simulator.condition import Condition

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simulator.vehicle import Network, Vehicle

#: Shape of the mark: what is measured. Filled: dominant; hollow: recessive.
_MARKS = {"high": "^", "low": "v", "difference": "s"}


def level_figure(
    vehicle: Vehicle, faulted_vehicle: Vehicle, *, network: str | None = None, condition: Condition | None = None
) -> Figure:
    """Left the vehicle as it should be, right with its fault, battery and ignition on; a figure.

    Above: each line to the body; below: high minus low. An upright bar spans what the modules that can send make at a
    place, the mark is the sender with the smallest difference. Bands: ISO 11898-2. Raises UnknownName.
    """
    from matplotlib.figure import Figure

    net = vehicle.network(network)
    places = _in_order(net)
    width = max(11.0, 2.0 + 0.5 * len(places))
    figure = Figure(figsize=(width, 7.5), layout="constrained")
    grid = figure.subplots(2, 2, sharex="col", sharey="row", gridspec_kw={"height_ratios": [3, 2]})
    title = f"{vehicle.maker} {vehicle.name}, {net.name}: levels at every place"
    figure.suptitle(title, fontsize=11, fontweight="bold")
    columns = ((vehicle.as_drawn(), "as it should be"), (faulted_vehicle, "with the fault"))
    for column, (car, title) in enumerate(columns):
        found = expected_levels(car, net, condition or Condition())
        lines, difference = grid[0][column], grid[1][column]
        _line_bands(lines)
        _difference_bands(difference)
        lines.set_title(title, fontsize=10)
        if not found:
            for axes in (lines, difference):
                axes.text(
                    0.5, 0.5, "no module can send", transform=axes.transAxes, ha="center", va="center", fontsize=10,
                    bbox={"facecolor": "white", "edgecolor": "black"},
                )  # fmt: skip
        for part, axes in (("high", lines), ("low", lines), ("difference", difference)):
            _draw(axes, places, found, part)
        difference.set_xticks(range(len(places)), places, rotation=60, ha="right", fontsize=8)
        for axes in (lines, difference):
            axes.set_xlim(-0.6, len(places) - 0.4)
    grid[0][0].set_ylabel("line to body, volt")
    grid[1][0].set_ylabel("high minus low, volt")
    for row, least, most in ((0, -0.3, 5.3), (1, -0.3, 2.8)):
        low, high = grid[row][0].dataLim.intervaly  # bars and marks of both columns share the scale
        low, high = min(low, grid[row][1].dataLim.y0, least), max(high, grid[row][1].dataLim.y1, most)
        grid[row][0].set_ylim(low - 0.2, high + 0.2)
    for axes, bands in ((grid[0][0], _LINE_NAMES), (grid[1][0], _DIFFERENCE_NAMES)):
        for volt, text in bands:
            axes.annotate(text, (1.01, volt), xycoords=("axes fraction", "data"), fontsize=7, ha="left", va="center")
    _legend(figure)
    return figure


def _in_order(network: Network) -> list[str]:
    """The places along the trunk, each followed by what hangs on it."""
    islands, _ = spanning_tree(network)
    order: list[str] = []
    for tree in islands:
        trunk = {place for run in longest_way(tree) for place in (run.start, run.end)}
        start = next((place for place in network.places if place in trunk), network.places[0])
        near: dict[str, list[str]] = {}
        for run in tree:
            near.setdefault(run.start, []).append(run.end)
            near.setdefault(run.end, []).append(run.start)
        ends = [place for place in network.places if place in trunk and sum(o in trunk for o in near[place]) == 1]
        todo = [ends[0] if ends else start]
        while todo:
            place = todo.pop()
            order.append(place)
            others = [other for other in near.get(place, []) if other not in order]
            todo += sorted(others, key=lambda other: other not in trunk, reverse=False)
    return order + [place for place in network.places if place not in order]


def _band(name: str) -> str:
    return "{:g} to {:g} V".format(*LIMITS[name])


#: What is written beside the bands, and at which voltage.
_LINE_NAMES = (
    (3.75, f"dominant high\n{_band('dominant high')}"),
    (2.5, f"recessive\n{_band('recessive high')}"),
    (1.25, f"dominant low\n{_band('dominant low')}"),
)
_DIFFERENCE_NAMES = (
    (DOMINANT_VOLT + 0.16, f"dominant from {DOMINANT_VOLT:g} V"),
    (RECESSIVE_VOLT - 0.16, f"recessive up to {RECESSIVE_VOLT:g} V"),
)


def _line_bands(axes: Axes) -> None:
    """Bands of one line to the body: dominant high, recessive both, dominant low (ISO 11898-2)."""
    for name, hatch in (("dominant high", "////"), ("recessive high", "...."), ("dominant low", "\\\\\\\\")):
        least, most = LIMITS[name]
        axes.axhspan(least, most, facecolor="0.97", edgecolor="0.75", hatch=hatch, linewidth=0.0, zorder=0)
        for volt in (least, most):
            axes.axhline(volt, color="0.55", linewidth=0.5, zorder=0.5)
    axes.tick_params(labelsize=8)


def _difference_bands(axes: Axes) -> None:
    """Between the receiver's thresholds on the difference nothing is promised (ISO 11898-2)."""
    axes.axhspan(RECESSIVE_VOLT, DOMINANT_VOLT, facecolor="0.9", edgecolor="0.6", hatch="xxxx", linewidth=0.0, zorder=0)
    for volt in (DOMINANT_VOLT, RECESSIVE_VOLT):
        axes.axhline(volt, color="0.3", linewidth=0.7, zorder=0.5)
    axes.tick_params(labelsize=8)


def _draw(axes: Axes, places: Sequence[str], found: Sequence[Level], part: str) -> None:
    for number, place in enumerate(places):
        here = [level for level in found if level.place == place]
        if not here:
            continue
        weakest = min(here, key=lambda level: level.dominant.difference_volt)
        for state, offset, face in (("dominant", -0.16, "black"), ("recessive", 0.16, "white")):
            values = [getattr(getattr(level, state), f"{part}_volt") for level in here]
            mark = getattr(getattr(weakest, state), f"{part}_volt")
            x = number + offset
            axes.plot([x, x], [min(values), max(values)], color="black", linewidth=1.2, zorder=3)
            axes.plot(
                [x], [mark], color="black", marker=_MARKS[part], markersize=5, markerfacecolor=face,
                markeredgecolor="black", linestyle="none", zorder=4,
            )  # fmt: skip


def _legend(figure: Figure) -> None:
    from matplotlib.lines import Line2D

    handles = [
        Line2D(
            [],
            [],
            marker=shape,
            linestyle="none",
            markerfacecolor=face,
            markeredgecolor="black",
            label=f"{state} {part}",
        )
        for part, shape in _MARKS.items()
        for state, face in (("dominant", "black"), ("recessive", "white"))
    ]
    handles.append(Line2D([], [], color="black", linewidth=1.2, label="span over all senders"))
    figure.legend(handles=handles, loc="outside lower center", ncols=4, fontsize=8, frameon=False)
