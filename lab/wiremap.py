"""Drawing one network of a wire map into axes whose unit is the millimetre on paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from textwrap import wrap
from typing import TYPE_CHECKING

from lab.layout import COMB, FOLD, Item, Layout, Spot, arrange, run_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from simulator.vehicle import Module, Network, Vehicle

SIZE = 6.0  #: point size of the writing
ROW = 2.9  #: height of a row of writing, mm
MM_PER_POINT = 25.4 / 72
PAD = 1.6  #: inside a box
WIDER = 1.06  #: a screen font is hinted wider than its outline

#: Where a mark may sit: ("place", network, place), ("run", network, run, along), ("module", name), ("feed", module)...
Anchor = tuple[object, ...]


@dataclass
class Marks:
    """What is marked where: signs of faults (letters) and numbers of reading slips, by anchor."""

    signs: dict[Anchor, list[str]] = field(default_factory=dict)
    slips: dict[Anchor, list[int]] = field(default_factory=dict)

    def sign(self, *anchors: Anchor) -> str:
        """The letters at any of these anchors, in order."""
        return "".join(sorted({letter for anchor in anchors for letter in self.signs.get(anchor, [])}))

    def numbers(self, *anchors: Anchor) -> list[int]:
        """The numbers of the reading slips at some anchors, each once, rising."""
        return sorted({number for anchor in anchors for number in self.slips.get(anchor, [])})


@lru_cache(maxsize=4096)
def text_mm(text: str, size: float = SIZE, weight: str = "normal") -> float:
    """The width of a line of writing on paper, in mm."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    if not text.strip():
        return 0.0
    path = TextPath((0, 0), text, size=size, prop=FontProperties(weight=weight))
    return float(path.get_extents().width) * MM_PER_POINT * WIDER + 0.4


def box_rows(vehicle: Vehicle, module: Module) -> list[tuple[str, tuple[Anchor, ...]]]:
    """The rows of a module's box below its title: the text, and the anchors a mark there belongs to."""
    rows: list[tuple[str, tuple[Anchor, ...]]] = []
    for pin, feed in (("feed", module.feed), ("wake", module.wake)):
        if feed is not None:
            fuse = vehicle.fuses[feed.fuse]
            key = ", ignition" if fuse.switched else f", {fuse.behind}" if fuse.behind else ""
            rows.append((f"{pin} {fuse.name} {fuse.amp:g} A{key}", ((pin, module.name), ("fuse", fuse.name))))
    point = module.ground.point
    rows.append((f"ground {point}", (("ground", module.name), ("point", point))))
    return rows


class NetworkMap:
    """One network, laid out and ready to be drawn at any offset; ``layout`` tells how much room it takes."""

    def __init__(self, vehicle: Vehicle, network: Network, marks: Marks, torn_open: frozenset[str] | None) -> None:
        self.vehicle, self.network, self.marks = vehicle, network, marks
        self.torn_open = torn_open
        self.layout: Layout = arrange(network, self._items_at, text_mm)
        widest = max((text_mm(name) for name in self.layout.trunk), default=0.0)
        self.layout.right += widest + 2.0
        self.layout.top = max(self.layout.top, 10.0)
        self.layout.bottom = min(self.layout.bottom, -10.0)

    # ------------------------------------------------------------------ what hangs where

    def _items_at(self, place: str) -> list[Item]:
        items: list[Item] = []
        outside = [t for t in self.network.terminators if t.at == place and not t.inside]
        if place in self.vehicle.modules:
            width, height = self._box_size(self.vehicle.modules[place])
            items.append(Item("module", place, width, height))
        elif place == self.network.socket:
            width = max(16.0, text_mm(place, weight="bold") + 6.0)
            items.append(Item("socket", place, width, 10.0 + self._slip_rows(place)))
        items += [Item("terminator", f"{number}", 13.0, 10.0) for number, _ in enumerate(outside)]
        return items

    def _slip_rows(self, place: str) -> float:
        return ROW + 0.6 if self.marks.numbers(*self._place_anchors(place)) else 0.0

    def _place_anchors(self, place: str) -> tuple[Anchor, ...]:
        return (("place", self.network.name, place),)

    def _module_anchors(self, name: str) -> tuple[Anchor, ...]:
        return (*self._place_anchors(name), ("module", name), ("feed", name), ("wake", name), ("ground", name))

    def _head(self, module: Module) -> list[str]:
        return wrap(f"{module.title}", 20) or [""]

    def _inside(self, name: str) -> list[float]:
        return [t.ohm for t in self.network.terminators if t.at == name and t.inside]

    def _rows(self, module: Module) -> list[tuple[str, tuple[Anchor, ...]]]:
        rows = box_rows(self.vehicle, module)
        if self.torn_open is not None and module.name not in self.torn_open:
            rows.append((f"behind trim, {module.reach_minutes:g} min", ()))
        return rows

    def _box_size(self, module: Module) -> tuple[float, float]:
        texts = self._head(module) + [text for text, _ in self._rows(module)]
        width = max([text_mm(text) for text in texts] + [text_mm(module.name, SIZE + 1, "bold"), 14.0])
        numbers = slip_text(self.marks.numbers(*self._module_anchors(module.name)))
        rows = 1 + len(self._head(module)) + len(self._rows(module)) + len(self._inside(module.name)) + bool(numbers)
        if self._inside(module.name):
            width = max([width] + [7.4 + text_mm(f"{ohm:g} ohm") for ohm in self._inside(module.name)])
        signs = 4.0 if any(self.marks.sign(*anchors) for _, anchors in self._rows(module)) else 0.0
        return max(width + signs, text_mm(numbers)) + 2 * PAD, rows * ROW + 2 * PAD

    # ------------------------------------------------------------------ drawing

    def draw(self, axes: Axes, dx: float, dy: float) -> None:
        """Draw it with the start of its trunk at (dx, dy)."""
        self._shift = (dx, dy)
        for name, line in self.layout.lines.items():
            self._draw_line(axes, name, line)
        for run in self.network.runs:
            self._label_run(axes, run.name)
        for place in self.network.places:
            self._draw_place(axes, place)
        for spot in self.layout.spots:
            self._draw_spot(axes, spot)
        self._draw_partings(axes)
        for anchor, letters in self.marks.signs.items():
            if anchor[0] == "run" and anchor[1] == self.network.name:
                x, y = along_line(self.layout.lines[str(anchor[2])], self._share(str(anchor[2]), float(str(anchor[3]))))
                level = str(anchor[2]) in self.layout.trunk_runs
                sign(axes, x + dx - (0.0 if level else 2.6), y + dy + (2.6 if level else 0.0), "".join(letters))

    def _share(self, run: str, along: float) -> float:
        """``along`` counts from the run's ``from``; the drawn line may begin at the other end."""
        start = self.layout.points[self.network.run(run).start]
        line = self.layout.lines[run]
        far = abs(line[0][0] - start[0]) + abs(line[0][1] - start[1])
        near = abs(line[-1][0] - start[0]) + abs(line[-1][1] - start[1])
        return along if far <= near else 1.0 - along

    def _draw_line(self, axes: Axes, name: str, line: Sequence[tuple[float, float]]) -> None:
        dx, dy = self._shift
        xs, ys = [x + dx for x, _ in line], [y + dy for _, y in line]
        if name.startswith("leader "):
            axes.plot(xs, ys, color="black", linewidth=0.7, linestyle=(0, (1.5, 1.2)), zorder=1)
            return
        axes.plot(xs, ys, color="black", linewidth=2.6, solid_joinstyle="miter", solid_capstyle="butt", zorder=2)
        axes.plot(xs, ys, color="white", linewidth=1.1, solid_joinstyle="miter", solid_capstyle="butt", zorder=3)
        if name in self.layout.stretched:
            middle = sum(xs) / 2
            for offset in (-0.7, 0.7):
                axes.plot(
                    [middle + offset - 0.6, middle + offset + 0.6], [ys[0] - 1.3, ys[0] + 1.3],
                    color="black", linewidth=0.8, zorder=4,
                )  # fmt: skip

    def _label_run(self, axes: Axes, name: str) -> None:
        dx, dy = self._shift
        line = self.layout.lines[name]
        label = run_label(self.network.run(name))
        if name in self.layout.trunk_runs:
            write(axes, (line[0][0] + line[-1][0]) / 2 + dx, dy - 1.5, label, ha="center", va="top")
        elif name in self.layout.closing:
            (x0, y0), (x1, _) = max(pairwise(line), key=lambda pair: abs(pair[0][0] - pair[1][0]))
            label = label if name in label else f"{name} {label}"
            write(axes, (x0 + x1) / 2 + dx, y0 + dy + 1.2, label, ha="center", va="bottom")
        else:
            (_, y0), (x, y1) = line[-2], line[-1]
            side = 1 if y1 > y0 else -1
            start = y0 + side * (2.5 if len(line) > 2 else COMB_CLEAR)
            pieces = wrap(label, FOLD)
            va = "bottom" if side > 0 else "top"
            for number, piece in enumerate(pieces):
                write(axes, x + dx + 1.6 + 2.3 * number, start + dy, piece, ha="left", va=va, rotation=90)

    def _draw_place(self, axes: Axes, place: str) -> None:
        dx, dy = self._shift
        x, y = self.layout.points[place]
        on_trunk = place in self.layout.trunk
        axes.plot([x + dx], [y + dy], marker="o", markersize=3.6, color="black", zorder=5)
        bare = place not in self.vehicle.modules and place != self.network.socket
        ended = any(spot.place == place and spot.item.kind == "end" for spot in self.layout.spots)
        side = self.layout.sides.get(place, 1)
        if bare and on_trunk:
            write(axes, x + dx + 1.4, y + dy + 1.7, place, ha="left", va="bottom")
        elif bare and not ended:
            va = "top" if side > 0 else "bottom"
            write(axes, x + dx - 1.1, y + dy - side * 1.5, place, ha="right", va=va, rotation=90)
        letters = self.marks.sign(*self._place_anchors(place))
        if letters:
            sign(axes, x + dx - 2.6, y + dy + (2.6 if on_trunk else -side * 3.4), letters)
        numbers = self.marks.numbers(*self._place_anchors(place))
        if numbers and bare:
            write(
                axes, x + dx - 1.6, y + dy - (4.2 if on_trunk else side * 8.0), slip_text(numbers, most=3),
                ha="right", va="top", boxed=True,
            )  # fmt: skip

    def _draw_spot(self, axes: Axes, spot: Spot) -> None:
        dx, dy = self._shift
        left = spot.x - spot.item.width / 2 + dx
        low = (spot.y if spot.side > 0 else spot.y - spot.item.height) + dy
        if spot.item.kind == "module":
            self._draw_box(axes, spot, left, low)
        elif spot.item.kind == "socket":
            self._draw_socket(axes, spot, left, low)
        elif spot.item.kind == "terminator":
            outside = [t for t in self.network.terminators if t.at == spot.place and not t.inside]
            middle = low + spot.item.height / 2
            resistor(axes, left + spot.item.width / 2, middle + spot.side * -2.0)
            label = f"{outside[int(spot.item.name)].ohm:g} ohm"
            write(axes, left + spot.item.width / 2, middle + spot.side * 2.4, label, ha="center", va="center")
        elif spot.item.kind == "end":
            write(axes, spot.x + dx, low + spot.item.height / 2, f"{spot.item.name} (end)", ha="center", va="center")

    def _draw_box(self, axes: Axes, spot: Spot, left: float, low: float) -> None:
        from matplotlib.patches import Rectangle

        module = self.vehicle.modules[spot.item.name]
        shut = self.torn_open is not None and module.name not in self.torn_open
        axes.add_patch(
            Rectangle(
                (left, low), spot.item.width, spot.item.height, facecolor="white", edgecolor="black",
                linewidth=1.0, linestyle=(0, (4, 2)) if shut else "solid", zorder=4,
            )
        )  # fmt: skip
        y = low + spot.item.height - PAD
        write(axes, left + PAD, y, module.name, va="top", weight="bold", size=SIZE + 1)
        whole = self.marks.sign(("module", module.name))
        if whole:
            sign(axes, left + spot.item.width - 2.6, y - 1.2, whole)
        y -= ROW + 0.4
        for text in self._head(module):
            write(axes, left + PAD, y, text, va="top")
            y -= ROW
        for text, anchors in self._rows(module):
            write(axes, left + PAD, y, text, va="top")
            letters = self.marks.sign(*anchors)
            if letters:
                sign(axes, left + spot.item.width - 2.6, y - 1.0, letters)
            y -= ROW
        for ohm in self._inside(module.name):
            resistor(axes, left + PAD + 3.0, y - 1.1)
            write(axes, left + PAD + 7.4, y, f"{ohm:g} ohm", va="top")
            y -= ROW
        numbers = self.marks.numbers(*self._module_anchors(module.name))
        if numbers:
            write(axes, left + PAD + 0.4, y - 0.2, slip_text(numbers), va="top", boxed=True)

    def _draw_socket(self, axes: Axes, spot: Spot, left: float, low: float) -> None:
        from matplotlib.patches import Polygon

        width, height = spot.item.width, spot.item.height
        near, far = (low, low + height) if spot.side > 0 else (low + height, low)
        shape = [(left, far), (left + width, far), (left + width - 2, near), (left + 2, near)]
        axes.add_patch(Polygon(shape, closed=True, facecolor="0.9", edgecolor="black", linewidth=1.0, zorder=4))
        middle = left + width / 2
        top = low + height - 1.2
        write(axes, middle, top, spot.item.name, ha="center", va="top", weight="bold")
        write(axes, middle, top - ROW, "socket", ha="center", va="top")
        numbers = self.marks.numbers(*self._place_anchors(spot.place))
        if numbers:
            write(axes, middle, top - 2 * ROW - 0.4, slip_text(numbers, most=3), ha="center", va="top", boxed=True)

    def _draw_partings(self, axes: Axes) -> None:
        dx, dy = self._shift
        for parting in self.network.parting:
            here = self.layout.points[parting.at]
            for run in parting.off:
                line = self.layout.lines[run]
                starts = abs(line[0][0] - here[0]) + abs(line[0][1] - here[1]) < 1e-6
                way = line if starts else line[::-1]
                skip = 3.0 if run in self.layout.trunk_runs else 5.0
                if abs(way[1][1] - way[0][1]) <= COMB + 0.1 and run not in self.layout.trunk_runs:  # past the comb
                    skip = sum(abs(a[0] - b[0]) + abs(a[1] - b[1]) for a, b in pairwise(way[:3])) + 2.0
                x, y, upright = at_distance(way, skip)
                chevrons(axes, x + dx, y + dy, upright)


COMB_CLEAR = 4.8  #: how far from the trunk the writing along a straight stub begins


def slip_text(numbers: Sequence[int], most: int = 8) -> str:
    """Slip numbers in one line, the last of many left out."""
    if not numbers:
        return ""
    shown = " ".join(str(number) for number in numbers[:most])
    return shown + (f" +{len(numbers) - most}" if len(numbers) > most else "")


def write(
    axes: Axes, x: float, y: float, text: str, *, ha: str = "left", va: str = "baseline", size: float = SIZE,
    weight: str = "normal", rotation: float = 0.0, boxed: bool = False,
) -> None:  # fmt: skip
    """A line of writing; boxed ones are the numbers of reading slips."""
    frame: Mapping[str, object] | None = None
    if boxed:
        frame = {"boxstyle": "round,pad=0.18", "facecolor": "white", "edgecolor": "black", "linewidth": 0.6}
    axes.text(
        x, y, text, ha=ha, va=va, fontsize=size, fontweight=weight, rotation=rotation, rotation_mode="default",
        zorder=7, bbox=frame, color="black",
    )  # fmt: skip


def sign(axes: Axes, x: float, y: float, letters: str) -> None:
    """The sign of a fault: white letters on a black octagon."""
    axes.plot([x], [y], marker=(8, 0, 22.5), markersize=10 + 4 * (len(letters) - 1), color="black", zorder=8)
    axes.text(
        x, y, letters, ha="center", va="center_baseline", fontsize=SIZE - 0.5, color="white", fontweight="bold",
        zorder=9,
    )  # fmt: skip


def resistor(axes: Axes, x: float, y: float) -> None:
    """The symbol of a resistor, an oblong with two wires (IEC 60617)."""
    from matplotlib.patches import Rectangle

    axes.plot([x - 3.0, x + 3.0], [y, y], color="black", linewidth=0.8, zorder=5)
    body = Rectangle((x - 2.0, y - 0.8), 4.0, 1.6, facecolor="white", edgecolor="black", linewidth=0.8, zorder=6)
    axes.add_patch(body)


def chevrons(axes: Axes, x: float, y: float, upright: bool) -> None:
    """An in-line connector that parts: two arrow heads, one in the other."""
    for offset in (-0.6, 0.6):
        if upright:
            xs, ys = [x - 1.3, x, x + 1.3], [y + offset - 0.8, y + offset + 0.4, y + offset - 0.8]
        else:
            xs, ys = [x + offset - 0.8, x + offset + 0.4, x + offset - 0.8], [y - 1.3, y, y + 1.3]
        axes.plot(xs, ys, color="black", linewidth=1.1, zorder=6)


def along_line(line: Sequence[tuple[float, float]], share: float) -> tuple[float, float]:
    """The point a share of the way along a bent line."""
    total = sum(abs(a[0] - b[0]) + abs(a[1] - b[1]) for a, b in pairwise(line))
    x, y, _ = at_distance(line, total * share)
    return x, y


def at_distance(line: Sequence[tuple[float, float]], distance: float) -> tuple[float, float, bool]:
    """The point that far along a bent line, and whether the line is upright there."""
    for (x0, y0), (x1, y1) in pairwise(line):
        length = abs(x1 - x0) + abs(y1 - y0)
        if distance <= length or (x1, y1) == line[-1]:
            part = min(1.0, distance / length) if length else 0.0
            return x0 + part * (x1 - x0), y0 + part * (y1 - y0), abs(y1 - y0) > abs(x1 - x0)
        distance -= length
    return (*line[-1], False)
