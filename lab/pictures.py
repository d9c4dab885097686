"""Pictures: the wire map of a vehicle, and the levels on its lines. PNG, SVG or PDF by the file's ending.

Everything is told by shape, line style and writing, so that it reads the same in black and white.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from lab.wiremap import ROW, SIZE, Anchor, Marks, NetworkMap, chevrons, resistor, text_mm, write
from simulator import deviations as words
from simulator.errors import BadRequest

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from faults import Fault
    from simulator.condition import Condition
    from simulator.probes import Point
    from simulator.vehicle import Vehicle

ENDINGS = (".png", ".svg", ".pdf")
MARGIN = 8.0
DOTS_PER_INCH = 150


class TakenReading(NamedTuple):
    """A reading slip as the wire map needs it: its number, where the probes were, one line of text."""

    number: int
    points: tuple[Point, ...]
    text: str


def wire_map(
    vehicle: Vehicle,
    path: str | Path,
    *,
    network: str | None = None,
    readings: Sequence[TakenReading] = (),
    faults: Sequence[Fault] = (),
    torn_open: Iterable[str] | None = None,
) -> None:
    """Draw the wiring of a vehicle, of one network or of all of them, into a file.

    ``readings`` are marked by number where they were taken, ``faults`` by letter where they sit. ``torn_open``: the
    modules whose covers are off; the others are drawn behind trim. None: nothing is said about covers.
    Raises BadRequest for an ending other than .png, .svg or .pdf, UnknownName for a network that is not there.
    """
    save(map_figure(vehicle, network=network, readings=readings, faults=faults, torn_open=torn_open), path)


def map_figure(
    vehicle: Vehicle,
    *,
    network: str | None = None,
    readings: Sequence[TakenReading] = (),
    faults: Sequence[Fault] = (),
    torn_open: Iterable[str] | None = None,
    title: str | None = None,
) -> Figure:
    """The wire map as a figure whose axes count millimetres on paper."""
    from matplotlib.figure import Figure

    marks = Marks()
    for number, fault in enumerate(faults):
        for anchor in fault_anchors(vehicle, fault):
            marks.signs.setdefault(anchor, []).append(letter(number))
    for reading in readings:
        for point in reading.points:
            marks.slips.setdefault(point_anchor(point), []).append(reading.number)
    chosen = [vehicle.network(network)] if network is not None else list(vehicle.networks.values())
    opened = None if torn_open is None else frozenset(torn_open)
    maps = [NetworkMap(vehicle, item, marks, opened) for item in chosen]
    columns = _legend(vehicle, maps, readings, faults)
    legend_width = sum(width for width, _ in columns)
    width = max([m.layout.right - m.layout.left for m in maps] + [legend_width, 170.0]) + 2 * MARGIN
    heights = [m.layout.top - m.layout.bottom + 8.0 for m in maps]
    legend_height = max(len(rows) for _, rows in columns) * ROW + 6.0
    height = sum(heights) + legend_height + 2 * MARGIN + 8.0
    figure = Figure(figsize=(width / 25.4, height / 25.4))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, width)
    axes.set_ylim(0, height)
    axes.set_axis_off()
    y = height - MARGIN
    heading = title or f"Wire map: {vehicle.maker} {vehicle.name}"
    write(axes, MARGIN, y, heading, va="top", size=10, weight="bold")
    y -= 8.0
    for drawn, tall in zip(maps, heights, strict=True):
        net = drawn.network
        rate = f"{net.bit_rate / 1000:g} kbit/s"
        rate += f", data {net.data_bit_rate / 1000:g} kbit/s" if net.data_bit_rate else ""
        write(axes, MARGIN, y, f"{net.name}   {rate}", va="top", size=8, weight="bold")
        drawn.draw(axes, MARGIN - drawn.layout.left, y - 6.0 - drawn.layout.top)
        _scale_bar(axes, drawn, width - MARGIN, y - 2.0)
        y -= tall
    _draw_legend(axes, columns, y - 2.0)
    return figure


def save(figure: Figure, path: str | Path) -> None:
    """Write a figure to a file, its format by the ending; the same figure gives the same bytes."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    ending = check_ending(path)
    FigureCanvasAgg(figure)
    quiet: dict[str, dict[str, str | None]] = {
        ".png": {"Software": None},
        ".svg": {"Date": None, "Creator": None},
        ".pdf": {"CreationDate": None, "Creator": None, "Producer": None},
    }
    with rc_context({"svg.hashsalt": "sixtyohm"}):
        figure.savefig(path, format=ending[1:], dpi=DOTS_PER_INCH, metadata=quiet[ending])


def check_ending(path: str | Path) -> str:
    """The ending of a picture's file in lower case. Raises BadRequest for an ending that is no format."""
    ending = Path(path).suffix.lower()
    if ending not in ENDINGS:
        raise BadRequest(f"'{path}' has no ending that says the format: write one of {', '.join(ENDINGS)}")
    return ending


def letter(number: int) -> str:
    """A, B, ... Z, then AA: the sign of a fault."""
    return chr(ord("A") + number) if number < 26 else letter(number // 26 - 1) + letter(number % 26)


def levels(
    vehicle: Vehicle,
    faulted_vehicle: Vehicle,
    path: str | Path,
    *,
    network: str | None = None,
    condition: Condition | None = None,
) -> None:
    """Draw dominant and recessive levels at every place, healthy beside faulted; see :mod:`lab.levelchart`."""
    from lab.levelchart import level_figure

    save(level_figure(vehicle, faulted_vehicle, network=network, condition=condition), path)


# ---------------------------------------------------------------------- where marks belong


def point_anchor(point: Point) -> Anchor:
    """Where on the map a probe point is."""
    match point:
        case (("place" | "off" | "pin"), network, place, _):
            return ("place", network, place)
        case (("supply" | "supply_pin"), module):
            return ("feed", module)
        case (("wake" | "wake_pin"), module):
            return ("wake", module)
        case (("ground" | "ground_pin"), module):
            return ("ground", module)
        case ("fuse" | "point", name):
            return (point[0], name)
    return ("battery",)


def fault_anchors(vehicle: Vehicle, fault: Fault) -> list[Anchor]:
    """Where on the map a fault is, from the deviations it makes."""
    anchors: list[Anchor] = []
    for item in fault.deviations(vehicle):
        match item:
            case words.PinSeries(network=network, module=module) | words.StubLength(network=network, module=module):
                anchors.append(("place", network, module))
            case words.RunSeries(network=network, run=run, along=along):
                anchors.append(("run", network, run, along))
            case words.SupplySeries(part=part, name=name):
                anchors.append((part, name))
            case words.Bridge(start=start, end=end):
                anchors += [point_anchor(point) for point in (start, end)]
            case words.Crossing(network=network, where="run", name=name):
                anchors.append(("run", network, name, 0.9))
            case words.Crossing(network=network, name=name):
                anchors.append(("place", network, name))
            case words.TerminatorValue(network=network, place=place):
                anchors.append(("place", network, place))
            case words.GroundShift(module=module):
                anchors.append(("ground", module))
            case words.Behaviour(module=module) | words.Told(module=module) | words.Fitted(module=module):
                anchors.append(("module", module))
            case words.SilentMessage(network=network, message=message):
                sender = next((m.sender for m in vehicle.networks[network].messages if m.name == message), None)
                anchors.append(("module", sender or ""))
            case words.BatteryValue():
                anchors.append(("battery",))
    return list(dict.fromkeys(anchors))


# ---------------------------------------------------------------------- the legend


def _legend(
    vehicle: Vehicle, maps: Sequence[NetworkMap], readings: Sequence[TakenReading], faults: Sequence[Fault]
) -> list[tuple[float, list[str]]]:
    """Columns of the legend as (width in mm, rows)."""
    symbols = ["@pair  twisted pair, length in metre", "@dot  plug or splice", "@resistor  terminator"]
    symbols.append("@part  connector that parts")
    if any(m.torn_open is not None and not m.torn_open >= {*m.network.places} & {*vehicle.modules} for m in maps):
        symbols.append("@shut  dashed: behind trim, with minutes to get there")
    if any(m.layout.stretched for m in maps):
        symbols.append("@break  drawn longer than to scale")
    symbols.append("Stubs and branches are not to scale.")
    supply = ["Fuses"]
    for fuse in vehicle.fuses.values():
        feeds = [m.name for m in vehicle.modules.values() if m.feed.fuse == fuse.name]
        wakes = [f"{m.name} wake" for m in vehicle.modules.values() if m.wake and m.wake.fuse == fuse.name]
        behind = [each.name for each in vehicle.fuses.values() if each.behind == fuse.name]
        key = ", ignition" if fuse.switched else ""
        key += f", behind {fuse.behind}" if fuse.behind else ""
        supply += _folded(f"{fuse.name} {fuse.amp:g} A{key}: {', '.join(behind + feeds + wakes) or 'no module'}", 54)
    grounds = ["Ground points"]
    for point in vehicle.grounds.values():
        users = ", ".join(m.name for m in vehicle.modules.values() if m.ground.point == point.name)
        grounds += _folded(f"{point.name}{f' ({point.about})' if point.about else ''}: {users or 'no module'}", 54)
    columns = [symbols, supply, grounds]
    if faults:
        columns.append(["Faults", *(row for n, f in enumerate(faults) for row in _folded(f"{letter(n)}  {f}", 54))])
    if readings:
        columns.append(["Reading slips", *(row for r in readings for row in _folded(f"{r.number}  {r.text}", 60))])
    return [(max(text_mm(_plain(row)) for row in rows) + 8.0, rows) for rows in columns]


def _folded(text: str, width: int) -> list[str]:
    from textwrap import wrap

    return wrap(text, width, subsequent_indent="      ") or [text]


def _plain(row: str) -> str:
    return "00000" + row.split(" ", 1)[1] if row.startswith("@") else row


def _draw_legend(axes: Axes, columns: Sequence[tuple[float, list[str]]], top: float) -> None:
    x = MARGIN
    for width, rows in columns:
        y = top
        for number, row in enumerate(rows):
            if row.startswith("@"):
                symbol, text = row.split(" ", 1)
                _symbol(axes, symbol, x, y - 1.0)
                write(axes, x + 8.0, y, text.strip(), va="top")
            else:
                heading = number == 0 and row in ("Fuses", "Ground points", "Faults", "Reading slips")
                write(axes, x, y, row, va="top", weight="bold" if heading else "normal")
            y -= ROW
        x += width


def _symbol(axes: Axes, symbol: str, x: float, y: float) -> None:
    if symbol in ("@pair", "@break", "@part"):
        axes.plot([x, x + 6], [y, y], color="black", linewidth=2.6, solid_capstyle="butt")
        axes.plot([x, x + 6], [y, y], color="white", linewidth=1.1, solid_capstyle="butt")
    if symbol == "@dot":
        axes.plot([x + 3], [y], marker="o", markersize=3.6, color="black")
    if symbol == "@resistor":
        resistor(axes, x + 3, y)
    if symbol == "@shut":
        xs, ys = [x, x + 6, x + 6, x, x], [y - 1.1, y - 1.1, y + 1.1, y + 1.1, y - 1.1]
        axes.plot(xs, ys, color="black", linewidth=1.0, linestyle=(0, (4, 2)))
    if symbol == "@part":
        chevrons(axes, x + 3, y, False)
    if symbol == "@break":
        for offset in (-0.7, 0.7):
            axes.plot([x + 2.4 + offset, x + 3.6 + offset], [y - 1.2, y + 1.2], color="black", linewidth=0.8)


def _scale_bar(axes: Axes, drawn: NetworkMap, right: float, y: float) -> None:
    lengths_m = (1.0, 2.0, 0.5, 5.0, 10.0, 20.0, 50.0)
    length_m = next((m for m in lengths_m if 12.0 <= m * drawn.layout.scale_mm_per_m <= 45.0), 1.0)
    left = right - length_m * drawn.layout.scale_mm_per_m
    axes.plot([left, left, right, right], [y + 0.8, y - 0.8, y - 0.8, y + 0.8], color="black", linewidth=1.0)
    write(axes, left - 2.0, y - 1.0, f"trunk: {length_m:g} m", ha="right", va="center", size=SIZE)


__all__ = ["TakenReading", "levels", "map_figure", "save", "wire_map"]
