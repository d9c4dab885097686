"""The wire map and the level chart: nothing on top of anything else, everything there, no colour needed."""

from __future__ import annotations

import itertools
import math
import re

import pytest
from drawn_vehicles import drawn_vehicle
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.image import imread

import faults
from lab.levelchart import level_figure
from lab.pictures import TakenReading, levels, map_figure, wire_map
from simulator.errors import BadRequest, UnknownName
from simulator.reader import find_vehicle, load_vehicle

#: Writing may come this close to other writing, in dot at 100 dots per inch; more is an overlap.
TOUCH = 1.0


def overlapping_texts(figure):
    """Pairs of writing in a figure whose boxes overlap."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    texts = [text for axes in figure.axes for text in axes.texts if text.get_text().strip()]
    boxes = [(text.get_text(), text.get_window_extent(canvas.get_renderer())) for text in texts]
    return [
        (one, other)
        for (one, a), (other, b) in itertools.combinations(boxes, 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > TOUCH and min(a.y1, b.y1) - max(a.y0, b.y0) > TOUCH
    ]


def written(figure):
    return [text.get_text() for axes in figure.axes for text in axes.texts]


@pytest.fixture(scope="module")
def pipkin():
    return load_vehicle(find_vehicle("pipkin"))


CROWDED = [
    pytest.param(
        {"modules": modules, "seed": seed, "loops": loops, "shape": shape},
        marks=[pytest.mark.slow] if seed in (4, 5, 6, 7) else [],
    )
    for modules, seed, loops, shape in [
        (2, 0, 0, "tree"), (5, 1, 0, "tree"), (12, 2, 1, "tree"), (24, 3, 0, "tree"), (24, 4, 3, "tree"),
        (40, 5, 0, "tree"), (40, 6, 2, "tree"), (40, 7, 0, "star"), (40, 8, 0, "ring"), (10, 9, 0, "ring"),
    ]
]  # fmt: skip


@pytest.mark.parametrize("shape", CROWDED, ids=lambda s: "-".join(map(str, s.values())))
def test_no_writing_lies_on_other_writing(shape):
    vehicle = drawn_vehicle(**shape)
    figure = map_figure(vehicle)
    assert overlapping_texts(figure) == []
    shown = written(figure)
    for name in vehicle.modules:
        assert name in shown
    width, height = (size * 25.4 for size in figure.get_size_inches())
    for axes in figure.axes:
        for text in axes.texts:
            x, y = text.get_position()
            assert 0 <= x <= width, text
            assert 0 <= y <= height, text


@pytest.mark.parametrize("shape", CROWDED, ids=lambda s: "-".join(map(str, s.values())))
def test_boxes_of_modules_lie_apart(shape):
    from lab.wiremap import Marks, NetworkMap

    vehicle = drawn_vehicle(**shape)
    spots = NetworkMap(vehicle, vehicle.network(), Marks(), None).layout.spots
    boxes = []
    for spot in spots:
        half, far = spot.item.width / 2, spot.y + spot.side * spot.item.height
        boxes.append((spot.x - half, spot.x + half, *sorted((spot.y, far))))
    for (a, b, c, d), (e, f, g, h) in itertools.combinations(boxes, 2):
        assert min(b, f) <= max(a, e) + 1e-6 or min(d, h) <= max(c, g) + 1e-6


@pytest.mark.parametrize("shape", CROWDED, ids=lambda s: "-".join(map(str, s.values())))
def test_every_run_is_a_line_between_its_places(shape):
    from lab.wiremap import Marks, NetworkMap

    network = drawn_vehicle(**shape).network()
    layout = NetworkMap(drawn_vehicle(**shape), network, Marks(), None).layout
    for run in network.runs:
        line = layout.lines[run.name]
        assert {line[0], line[-1]} == {layout.points[run.start], layout.points[run.end]}
        if run.name in layout.trunk_runs and run.name not in layout.stretched:
            drawn = abs(line[0][0] - line[-1][0])
            assert drawn == pytest.approx(run.length_m * layout.scale_mm_per_m, rel=0.03)


def test_pipkin_shows_what_the_file_says(pipkin):
    shown = " ".join(written(map_figure(pipkin)))
    for word in ("F7 10 A", "G2", "S2", "DLC", "socket", "gearbox stub 0.3 m", "120 ohm", "500 kbit/s", "Gearbox"):
        assert word in shown


def test_marks_of_faults_and_readings(pipkin):
    texts = ("open line=high at=GBX", "power_dropout fuse=F7", "open line=low run=ENG-S1")
    found = [faults.parse(text) for text in texts]
    taken = [TakenReading(7, (("place", "LINE-1", "DLC", "high"), ("place", "LINE-1", "DLC", "low")), "ohms at DLC")]
    figure = map_figure(pipkin, faults=found, readings=taken, torn_open=["GBX"])
    shown = written(figure)
    assert {"A", "B", "C", "7"} <= set(shown)
    assert any(text.startswith("B  power_dropout") for text in shown)
    assert sum(text.startswith("behind trim") for text in shown) == len(pipkin.modules) - 1
    assert overlapping_texts(figure) == []


@pytest.mark.parametrize(
    "fault",
    [
        "dead_module module=GBX", "short between=high-low at=S1", "weak_battery open_circuit_volt=9 internal_ohm=0.1",
        "missing_terminator at=ENG", "ground_dropout ground=G2", "crossed run=S1-BRK", "long_stub at=GBX length_m=3",
    ],
)  # fmt: skip
def test_every_family_of_fault_can_be_marked(pipkin, fault):
    shown = written(map_figure(pipkin, faults=[faults.parse(fault)]))
    assert any(text.startswith(f"A  {fault[:20]}") for text in shown)
    assert "A" in shown or fault.startswith("weak_battery")  # a battery is on no network


def test_it_reads_in_black_and_white(pipkin, tmp_path):
    path = tmp_path / "map.png"
    wire_map(pipkin, path, faults=[faults.parse("open line=high at=GBX")])
    image = imread(path)[..., :3]
    assert float(abs(image.max(axis=2) - image.min(axis=2)).max()) < 0.01  # every dot is grey
    for axes in level_figure(pipkin, pipkin).axes:
        for line in axes.lines:
            assert len(set(to_rgb(line.get_color()))) == 1


@pytest.mark.parametrize("ending", [".png", ".svg", ".pdf"])
def test_the_ending_chooses_the_format_and_the_bytes_repeat(pipkin, tmp_path, ending):
    one, two = tmp_path / f"one{ending}", tmp_path / f"two{ending}"
    wire_map(pipkin, one)
    wire_map(pipkin, two)
    assert one.read_bytes() == two.read_bytes()
    assert one.read_bytes()[:4] in (b"\x89PNG", b"<?xm", b"%PDF")


def test_bad_requests_are_told(pipkin, tmp_path):
    with pytest.raises(BadRequest, match=r"no ending that says the format: write one of \.png, \.svg, \.pdf"):
        wire_map(pipkin, tmp_path / "map.bmp")
    with pytest.raises(UnknownName, match="no network called 'LINE-2'"):
        wire_map(pipkin, tmp_path / "map.png", network="LINE-2")


def test_levels_healthy_beside_faulted(pipkin, tmp_path):
    """ISO 11898-2: recessive 2.0 to 3.0 V; a line shorted to battery leaves it, the chart follows."""
    faulted = faults.parse("short between=high-supply at=DLC").apply(pipkin)
    figure = level_figure(pipkin, faulted)
    (healthy, sick, _, _) = figure.axes
    heights = [float(y) for line in healthy.lines if line.get_marker() == "^" for y in line.get_ydata()]
    assert all(2.0 <= y <= 4.5 for y in heights)
    assert len(heights) == 2 * len(pipkin.network().places)
    sick_heights = [float(y) for line in sick.lines if line.get_marker() == "^" for y in line.get_ydata()]
    assert max(sick_heights) > 12.0
    assert sick.get_ylim()[1] > 12.0
    levels(pipkin, faulted, tmp_path / "levels.png")
    assert (tmp_path / "levels.png").stat().st_size > 10_000


def test_levels_of_a_network_that_is_silent(pipkin):
    dead = pipkin
    for name in pipkin.modules:
        dead = faults.DeadModule(module=name).apply(dead)
    assert "no module can send" in written(level_figure(pipkin, dead))


def test_resistor_lengths_of_labels_are_measured():
    """The layout measures writing without a screen; a longer word is longer."""
    from lab.wiremap import text_mm

    assert 0 < text_mm("S1") < text_mm("S1 and more")
    assert math.isclose(text_mm("ab", 12.0) - 0.4, 2 * (text_mm("ab", 6.0) - 0.4), rel_tol=0.02)
    assert re.fullmatch(r"\d+\.\d+", f"{text_mm('x'):.2f}")


def test_the_legend_says_what_a_dashed_box_is():
    vehicle = load_vehicle(find_vehicle("pipkin"))

    def legend(torn_open):
        return " ".join(text.get_text() for text in map_figure(vehicle, torn_open=torn_open).axes[0].texts)

    assert "dashed: behind trim, with minutes to get there" in legend({"GBX"})
    assert "dashed: behind" not in legend(set(vehicle.modules))
    assert "dashed" not in legend(None)
