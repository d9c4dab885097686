"""Where everything of a wire map goes, in millimetre on the page: numbers only, no drawing.

The longest way through the network is the trunk, drawn straight. What hangs on it goes above or below, in two rows of
boxes that interleave, so that a stub to the far row passes between two boxes of the near row. Runs that close a loop
go round outside in a lane of their own. Lengths along the trunk are to scale where the boxes leave room.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from textwrap import wrap

from simulator.vehicle import Network, Run

GAP = 2.5  #: between two boxes of one row
PASS = 4.0  #: between a box and a stub that passes it
COMB = 7.5  #: from a place out to the line its branches hang on
FOLD = 22  #: characters to a line of writing along a stub
LANE = 6.0  #: between two lanes of loop-closing runs


@dataclass(frozen=True)
class Item:
    """What hangs at a place: a module's box, the socket, a terminator on the harness, a bare end, a lane's end."""

    kind: str
    name: str
    width: float
    height: float


@dataclass
class Spot:
    """An item set down: its middle, its side (1 above, -1 below), its row (0 near, 1 far)."""

    item: Item
    place: str
    side: int
    row: int
    x: float
    y: float = 0.0  # the edge towards the trunk


@dataclass
class Layout:
    """The finished map: points of places, spots of items, the line of every run, which trunk runs are to scale."""

    points: dict[str, tuple[float, float]] = field(default_factory=dict)
    sides: dict[str, int] = field(default_factory=dict)
    spots: list[Spot] = field(default_factory=list)
    lines: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    stretched: set[str] = field(default_factory=set)
    trunk: list[str] = field(default_factory=list)
    trunk_runs: list[str] = field(default_factory=list)
    closing: list[str] = field(default_factory=list)
    scale_mm_per_m: float = 1.0
    left: float = 0.0
    right: float = 0.0
    top: float = 0.0
    bottom: float = 0.0


@dataclass
class _Branch:
    """A place off the trunk with what hangs on it."""

    place: str
    run: Run | None
    items: list[Item]
    children: list[_Branch]

    def slots(self) -> list[tuple[_Branch, Item]]:
        own = [(self, item) for item in self.items]
        return own + [slot for child in self.children for slot in child.slots()]

    def bends(self) -> bool:
        """Whether the place needs a height of its own, between the trunk and the boxes."""
        return bool(self.children) or len(self.items) != 1 or self.items[0].kind == "lane"

    def depth(self) -> int:
        """How many levels it needs between the trunk and the boxes."""
        if self.run is None:
            return 0
        return self.bends() + max((child.depth() for child in self.children), default=0)

    def all(self) -> list[_Branch]:
        return [self] + [other for child in self.children for other in child.all()]

    def inner(self) -> list[_Branch]:
        return [branch for branch in self.all() if branch.run is not None and branch.bends()]


class _Side:
    """How far the rows of one side are filled."""

    def __init__(self) -> None:
        self.right = [-1e9, -1e9]
        self.line = -1e9
        self.count = 0

    def first_x(self, item: Item, row: int) -> float:
        """The least x at which the item fits into the row."""
        half = item.width / 2
        if item.kind == "lane":
            return max(self.right[0], self.right[1], self.line) + PASS
        if row == 0:
            return max(self.right[0] + GAP, self.line + PASS) + half
        return max(self.right[1] + GAP + half, self.right[0] + PASS)

    def take(self, item: Item, row: int, x: float) -> None:
        self.count += 1
        if item.kind == "lane":
            self.line = self.right[1] = x
            return
        self.right[row] = x + item.width / 2
        if row == 1:
            self.line = x


def spanning_tree(network: Network) -> tuple[list[list[Run]], list[Run]]:
    """The runs of a depth-first spanning forest, one list for each island, and the runs that close loops."""
    near: dict[str, list[Run]] = {place: [] for place in network.places}
    for run in network.runs:
        near[run.start].append(run)
        near[run.end].append(run)
    seen: set[str] = set()
    used: set[str] = set()
    islands: list[list[Run]] = []
    for root in sorted(network.places, key=lambda place: len(near[place])):
        if root in seen:
            continue
        seen.add(root)
        tree: list[Run] = []
        stack = [(root, iter(near[root]))]
        while stack:
            place, runs = stack[-1]
            run = next(runs, None)
            if run is None:
                stack.pop()
                continue
            other = run.end if run.start == place else run.start
            if other not in seen:
                seen.add(other)
                used.add(run.name)
                tree.append(run)
                stack.append((other, iter(near[other])))
        islands.append(tree)
    return islands, [run for run in network.runs if run.name not in used]


def longest_way(runs: list[Run]) -> list[Run]:
    """The longest way through a tree, in metre: the trunk."""
    if not runs:
        return []
    return _farthest(runs, _farthest(runs, runs[0].start)[-1][0])[-1][1]


def _farthest(runs: list[Run], start: str) -> list[tuple[str, list[Run]]]:
    near: dict[str, list[Run]] = {}
    for run in runs:
        near.setdefault(run.start, []).append(run)
        near.setdefault(run.end, []).append(run)
    best: tuple[float, str, list[Run]] = (-1.0, start, [])
    todo: list[tuple[str, float, list[Run]]] = [(start, 0.0, [])]
    seen = {start}
    while todo:
        place, length_m, way = todo.pop()
        if length_m > best[0]:
            best = (length_m, place, way)
        for run in near.get(place, []):
            other = run.end if run.start == place else run.start
            if other not in seen:
                seen.add(other)
                todo.append((other, length_m + run.length_m, [*way, run]))
    return [(best[1], best[2])]


def arrange(
    network: Network,
    items_at: Callable[[str], list[Item]],
    label_width: Callable[[str], float],
    *,
    nominal_mm: float = 250.0,
) -> Layout:
    """Lay a network out. ``items_at`` gives what hangs at a place, ``label_width`` the width of a label in mm."""
    islands, closing = spanning_tree(network)
    layout = Layout(closing=[run.name for run in closing])
    trunks = [longest_way(tree) for tree in islands]
    total_m = sum(run.length_m for trunk in trunks for run in trunk) or 1.0
    layout.scale_mm_per_m = nominal_mm / total_m
    lanes: dict[str, list[Item]] = {}
    for run in closing:
        for place in (run.start, run.end):
            lanes.setdefault(place, []).append(Item("lane", run.name, 0.0, 0.0))
    sides = {1: _Side(), -1: _Side()}
    hung: list[tuple[_Branch, int]] = []
    for tree, trunk in zip(islands, trunks, strict=True):
        _lay_trunk(network, tree, trunk, items_at, label_width, lanes, sides, layout, hung)
    _set_heights(layout, hung, label_width)
    _draw_closing(layout, closing)
    _bounds(layout)
    return layout


def _lay_trunk(
    network: Network,
    tree: list[Run],
    trunk: list[Run],
    items_at: Callable[[str], list[Item]],
    label_width: Callable[[str], float],
    lanes: dict[str, list[Item]],
    sides: dict[int, _Side],
    layout: Layout,
    hung: list[tuple[_Branch, int]],
) -> None:
    """Set down one trunk with all its branches, from left to right, beginning at the end the file names first."""
    places = _walk(trunk) if trunk else [network.places[0]]
    if network.places.index(places[0]) > network.places.index(places[-1]):
        places, trunk = places[::-1], trunk[::-1]
    layout.trunk += places
    on_trunk = {run.name for run in trunk}
    before: tuple[str, float] | None = None
    for number, place in enumerate(places):
        run = trunk[number - 1] if number else None
        least = -1e9
        if run is not None and before is not None:
            written = label_width(run_label(run)) + 5.0
            needed = max(written, label_width(before[0]) + 6.0, 12.0)
            least = before[1] + max(run.length_m * layout.scale_mm_per_m, needed)
        elif layout.points:
            least = max(x for x, _ in layout.points.values()) + 30.0
        else:
            least = 0.0
        rest = [r for r in tree if r.name not in on_trunk]
        branch = _grow(place, None, rest, items_at, lanes, {place})
        units = [_Branch(place, None, [item], []) for item in branch.items] + branch.children
        x = _hang(units, sides, least, hung, layout, place)
        if run is not None and before is not None:
            layout.trunk_runs.append(run.name)
            layout.lines[run.name] = [(before[1], 0.0), (x, 0.0)]
            if x - before[1] > run.length_m * layout.scale_mm_per_m * 1.02:
                layout.stretched.add(run.name)
        layout.points[place] = (x, 0.0)
        before = (place, x)


def _walk(trunk: list[Run]) -> list[str]:
    """The places along a chain of runs."""
    if len(trunk) == 1:
        return [trunk[0].start, trunk[0].end]
    first, second = trunk[0], trunk[1]
    place = first.start if first.end in (second.start, second.end) else first.end
    places = [place]
    for run in trunk:
        place = run.end if run.start == place else run.start
        places.append(place)
    return places


def _grow(
    place: str,
    run: Run | None,
    runs: list[Run],
    items_at: Callable[[str], list[Item]],
    lanes: dict[str, list[Item]],
    seen: set[str],
) -> _Branch:
    branch = _Branch(place, run, items_at(place) + lanes.get(place, []), [])
    for candidate in runs:
        if place not in (candidate.start, candidate.end):
            continue
        other = candidate.end if candidate.start == place else candidate.start
        if other not in seen:
            seen.add(other)
            branch.children.append(_grow(other, candidate, runs, items_at, lanes, seen))
    if run is not None and not branch.items and not branch.children:
        branch.items.append(Item("end", place, 14.0, 5.0))
    return branch


def _hang(
    units: list[_Branch],
    sides: dict[int, _Side],
    least: float,
    hung: list[tuple[_Branch, int]],
    layout: Layout,
    place: str,
) -> float:
    """Hang the units of one trunk place above and below; the x of the place."""
    lanes = [unit for unit in units if unit.items and unit.items[0].kind == "lane"]
    blocks: dict[int, list[_Branch]] = {1: list(lanes), -1: []}
    counts = {side: sides[side].count + sum(len(unit.slots()) for unit in blocks[side]) for side in blocks}
    for unit in units:
        if unit in lanes:
            continue
        reach = {side: _least_x(blocks[side] + [unit], sides[side], least)[0] for side in blocks}
        side = min((1, -1), key=lambda s: (round(max(reach[s], least), 3), counts[s], -s))
        blocks[side].append(unit)
        counts[side] += len(unit.slots())
    plans = {side: _least_x(blocks[side], sides[side], least) for side in blocks if blocks[side]}
    x = max([least] + [plan[0] for plan in plans.values()])
    for side, (_, slots) in plans.items():
        for (branch, item), row, offset in slots:
            spot = Spot(item, branch.place, side, row, x + offset)
            sides[side].take(item, row, spot.x)
            layout.spots.append(spot)
        for unit in blocks[side]:
            hung.append((unit, side))
            layout.sides.setdefault(place, side)
    return x


def _least_x(
    units: list[_Branch], side: _Side, floor: float
) -> tuple[float, list[tuple[tuple[_Branch, Item], int, float]]]:
    """The least x, from ``floor``, at which units fit centred on their place; their slots with row and offset."""
    slots = [slot for unit in units for slot in unit.slots()]
    if not slots:
        return -1e9, []
    best: tuple[float, list[tuple[tuple[_Branch, Item], int, float]]] | None = None
    for first_row in (0, 1):
        inner = _Side()
        placed: list[tuple[tuple[_Branch, Item], int, float]] = []
        x = 0.0
        row = first_row
        for number, slot in enumerate(slots):
            if number:
                x = max(inner.first_x(slot[1], row), x + 6.0)
            inner.take(slot[1], row, x)
            placed.append((slot, row, x))
            row = 1 - row
        middle = (placed[0][2] + placed[-1][2]) / 2
        placed = [(slot, row, offset - middle) for slot, row, offset in placed]
        least = max(floor, max(side.first_x(slot[1], row) - offset for slot, row, offset in placed))
        if best is None or least < best[0] - 1e-9:
            best = (least, placed)
    assert best is not None
    return best


def _set_heights(layout: Layout, hung: list[tuple[_Branch, int]], label_width: Callable[[str], float]) -> None:
    """Give rows and levels their heights, as the writing along the runs needs it, and draw the runs of the branches."""
    spots = {(spot.place, spot.item.kind, spot.item.name): spot for spot in layout.spots}
    for side in (1, -1):
        mine = [unit for unit, where in hung if where == side]
        inner = [branch for unit in mine for branch in unit.inner()]
        leaves = [branch for unit in mine for branch in unit.all() if branch.run is not None and not branch.bends()]
        level = COMB + 6.0 + max([_written(branch.run, label_width) for branch in inner] or [0.0])
        stub = 4.0 + max([5.0] + [_written(branch.run, label_width) for branch in leaves])
        near = COMB + level * max([unit.depth() for unit in mine] or [0]) + stub
        tall = max([spot.item.height for spot in layout.spots if spot.side == side and spot.row == 0] or [0.0])
        for spot in layout.spots:
            if spot.side == side:
                spot.y = side * (near + (tall + 5.0) * spot.row)
        for unit in mine:
            _place_branch(layout, unit, side, level, spots)
            _connect(layout, unit, layout.points[_parent(unit)], side, spots)


def _written(run: Run | None, label_width: Callable[[str], float]) -> float:
    """How long the writing along a run is, folded as it is drawn."""
    return max((label_width(piece) for piece in wrap(run_label(run), FOLD)), default=0.0) if run else 0.0


def _parent(unit: _Branch) -> str:
    if unit.run is None:
        return unit.place
    return unit.run.start if unit.run.end == unit.place else unit.run.end


def _place_branch(
    layout: Layout,
    branch: _Branch,
    side: int,
    level: float,
    spots: dict[tuple[str, str, str], Spot],
    parent_y: float = 0.0,
) -> None:
    """The point of every place off the trunk: at its one box, or in the middle of what hangs on it."""
    if branch.run is None:
        return
    mine = [spots[owner.place, item.kind, item.name] for owner, item in branch.slots()]
    if branch.bends():
        x = (min(spot.x for spot in mine) + max(spot.x for spot in mine)) / 2
        layout.points[branch.place] = (x, parent_y + side * level)
    else:
        layout.points[branch.place] = (mine[0].x, mine[0].y)
    layout.sides[branch.place] = side
    for child in branch.children:
        _place_branch(layout, child, side, level, spots, parent_y + side * level)


def _connect(
    layout: Layout,
    branch: _Branch,
    parent: tuple[float, float],
    side: int,
    spots: dict[tuple[str, str, str], Spot],
) -> None:
    """The line from a parent to a branch: out to the comb, along it, out to the place; then its own branches."""
    comb = parent[1] + side * COMB
    if branch.run is None:
        for item in branch.items:
            spot = spots[branch.place, item.kind, item.name]
            layout.lines[_leader(spot)] = _bend(parent, comb, (spot.x, spot.y))
        return
    point = layout.points[branch.place]
    layout.lines[branch.run.name] = _bend(parent, comb, point)
    for item in branch.items:
        spot = spots[branch.place, item.kind, item.name]
        if (spot.x, spot.y) != point:
            layout.lines[_leader(spot)] = _bend(point, point[1] + side * COMB, (spot.x, spot.y))
    for child in branch.children:
        _connect(layout, child, point, side, spots)


def _leader(spot: Spot) -> str:
    return f"leader {spot.item.kind} {spot.item.name} {spot.place}"


def _bend(start: tuple[float, float], comb: float, end: tuple[float, float]) -> list[tuple[float, float]]:
    if abs(start[0] - end[0]) < 1e-9:
        return [start, end]
    return [start, (start[0], comb), (end[0], comb), end]


def _draw_closing(layout: Layout, closing: Iterable[Run]) -> None:
    """Loop-closing runs: from each end out past the boxes, and along a lane of their own."""
    boxes = [spot for spot in layout.spots if spot.item.kind != "lane"]
    outer = {side: max([20.0, *(abs(s.y) + s.item.height for s in boxes if s.side == side)]) for side in (1, -1)}
    for number, run in enumerate(closing):
        ends = [s for s in layout.spots if s.item.kind == "lane" and s.item.name == run.name]
        lines = [layout.lines.pop(_leader(spot)) for spot in ends]
        heights = [spot.side * (outer[spot.side] + LANE * (number + 1)) for spot in ends]
        if ends[0].side == ends[1].side:
            way = [(ends[0].x, heights[0]), (ends[1].x, heights[0])]
        else:  # from one side to the other, round the left end
            left = min(s.x - s.item.width / 2 for s in layout.spots) - LANE * (number + 1)
            way = [(ends[0].x, heights[0]), (left, heights[0]), (left, heights[1]), (ends[1].x, heights[1])]
        layout.lines[run.name] = lines[0][:-1] + way + lines[1][:-1][::-1]


def _bounds(layout: Layout) -> None:
    boxes = [s for s in layout.spots if s.item.kind != "lane"]
    xs = [x for line in layout.lines.values() for x, _ in line] + [x for x, _ in layout.points.values()]
    ys = [y for line in layout.lines.values() for _, y in line] + [0.0]
    layout.left = min([*xs, *(s.x - s.item.width / 2 for s in boxes)]) - 3.0
    layout.right = max([*xs, *(s.x + s.item.width / 2 for s in boxes)]) + 3.0
    layout.top = max([*ys, *(s.y + s.item.height for s in boxes if s.side > 0)]) + 3.0
    layout.bottom = min([*ys, *(s.y - s.item.height for s in boxes if s.side < 0)]) - 3.0


def run_label(run: Run) -> str:
    """What is written along a run: its own name if it has one, and its length in metre."""
    length = f"{run.length_m:g} m"
    return length if run.name == f"{run.start}-{run.end}" else f"{run.name} {length}"
