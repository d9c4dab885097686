"""Where the writing of a figure is: inside the paper, and no two pieces over each other."""

from __future__ import annotations

import itertools

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

Box = tuple[float, float, float, float]


def writing_of(figure: Figure) -> list[tuple[str, Box]]:
    """Every piece of writing of a figure with its box (left, bottom, right, top) in pixels."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    found = []
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        if text.get_visible() and text.get_text().strip():
            box = text.get_window_extent(canvas.get_renderer())
            found.append((text.get_text(), (box.x0, box.y0, box.x1, box.y1)))
    return found


def misplaced(figure: Figure) -> list[str]:
    """What is outside the paper or over something else; axes may show a label twice."""
    width, height = figure.get_size_inches() * figure.dpi
    found = writing_of(figure)
    wrong = [text for text, (left, low, right, high) in found if left < 0 or low < 0 or right > width or high > height]
    for (one, a), (other, b) in itertools.combinations(found, 2):
        apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        if not apart and one != other:
            wrong.append(f"{one} over {other}")
    return wrong
