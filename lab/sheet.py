"""A case on paper: a worksheet for the student and, on pages of its own, the answer key. A4, black and white."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import faults as fault_room
from lab.bench import Bench, Traffic
from lab.case import Case, load_case
from lab.cautions import caution
from lab.debrief import config_words, ohm_words, volt_words
from lab.pictures import map_figure
from lab.possible import LIVE
from lab.proofsheet import TITLES
from lab.tester import told_by
from lab.wiremap import text_mm
from simulator.condition import DEAD
from simulator.deviations import LINES
from simulator.errors import BadRequest
from simulator.probes import BODY, Point, probe_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PORTRAIT, LANDSCAPE = (210.0, 297.0), (297.0, 210.0)
_MARGIN = 15.0
_ROW = 5.0
#: Cautions of an ordinary measuring job: print, ohms, battery, plugs, unplugging.
_CAUTIONS = (1, 4, 5, 6, 9, 10)
_COLUMNS = (
    ("no.", 9.0),
    ("what I think now (three causes)", 58.0),
    ("test, where, state of the car", 56.0),
    ("expected if good", 32.0),
    ("reading, unit", 30.0),
    ("what it means", 44.0),
    ("crossed out", 24.0),
    ("time", 14.0),
)
_KEY = "Answer key. Not for the student."


def write_sheet(case: Case | str | Path, path: str | Path) -> int:
    """Write worksheet and answer key of a case into a PDF file; the number of pages.

    Raises BadFile for a case with mistakes, BadRequest for an ending other than .pdf or a file that cannot be written.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import PdfPages

    made = case if isinstance(case, Case) else load_case(case)
    if Path(path).suffix.lower() != ".pdf":
        raise BadRequest(f"'{path}' is no PDF file; write a name that ends in .pdf")
    pages = [*_student_pages(made), *_key_pages(made)]
    quiet = {"CreationDate": None, "Creator": None, "Producer": None}
    try:
        with rc_context({"pdf.fonttype": 42}), PdfPages(path, metadata=quiet) as pdf:
            for number, page in enumerate(pages, 1):
                _foot(page, number, len(pages))
                pdf.savefig(page)
    except OSError as error:
        raise BadRequest(f"{path} cannot be written ({error.strerror}); name another file") from None
    return len(pages)


# ---------------------------------------------------------------------- for the student


def _student_pages(case: Case) -> list[Figure]:
    mapped = map_figure(case.vehicle, title=f"{case.title}: wire map")
    return [
        _card_page(case),
        _on_page(mapped, _lying(mapped)),
        _table_page(case, first=1),
        _table_page(case, first=9),
        _proof_page(case),
    ]


def _card_page(case: Case) -> Figure:
    figure, axes = _page(PORTRAIT)
    y = _heading(axes, PORTRAIT, f"Job card: {case.title}")
    vehicle = f"{case.vehicle.maker} {case.vehicle.name}. {case.vehicle.about}"
    y = _paragraph(axes, y, f"Vehicle: {vehicle}")
    y = _paragraph(axes, y - 2, case.story)
    tools = f"{', '.join(case.instruments)}; {', '.join(case.actions) or 'nothing else'}"
    y = _paragraph(axes, y - 2, f"You may use: {tools}.")
    y = _paragraph(axes, y, f"You have {case.minutes:g} minutes.")
    y = _paragraph(axes, y - 4, "Cautions", bold=True)
    for number in dict.fromkeys([*_CAUTIONS, *case.cautions]):
        y = _paragraph(axes, y, caution(number))
    y = _paragraph(axes, y - 4, "Minutes of the actions", bold=True)
    known = ("call", "read", "zero", "unplug", "part", "battery", "ignition", "covers", "shake")
    y = _paragraph(axes, y, ", ".join(f"{verb} {case.vehicle.action_minutes(verb):g}" for verb in known))
    ways = ", ".join(f"{name} {module.reach_minutes:g}" for name, module in case.vehicle.modules.items())
    y = _paragraph(axes, y, f"To reach a plug for the first time: {ways}")
    y = _paragraph(axes, y - 4, "Finding", bold=True)
    asked = ("What is wrong, and exactly where:", "Which readings prove it:")
    for line in (*asked, "What else was possible, and what rules it out:", "Name and date:"):
        y = _paragraph(axes, y - 1, line)
        axes.plot([_MARGIN, PORTRAIT[0] - _MARGIN], [y - 5, y - 5], color="black", linewidth=0.5)
        y -= 9
    return figure


def _table_page(case: Case, first: int, rows: int = 8) -> Figure:
    figure, axes = _page(LANDSCAPE)
    top = _heading(axes, LANDSCAPE, f"Worksheet: {case.title}") - 2
    scale = (LANDSCAPE[0] - 2 * _MARGIN) / sum(width for _, width in _COLUMNS)
    tall = (top - _MARGIN - 12) / rows
    lines = [top, *(top - 8 - tall * number for number in range(rows + 1))]
    for y in lines:
        axes.plot([_MARGIN, LANDSCAPE[0] - _MARGIN], [y, y], color="black", linewidth=0.6)
    x = _MARGIN
    for title, width in _COLUMNS:
        axes.plot([x, x], [lines[0], lines[-1]], color="black", linewidth=0.6)
        axes.text(x + 1, top - 4, title, fontsize=7.5, va="center", fontweight="bold")
        x += width * scale
    axes.plot([x, x], [lines[0], lines[-1]], color="black", linewidth=0.6)
    for number in range(rows):
        axes.text(_MARGIN + 1.5, lines[number + 1] - 3, str(first + number), fontsize=8, va="top")
    return figure


def _proof_page(case: Case) -> Figure:
    """The proof sheet, to be filled in by hand before a unit is condemned."""
    figure, axes = _page(PORTRAIT)
    y = _heading(axes, PORTRAIT, f"Proof sheet: {case.title}")
    y = _paragraph(axes, y, "Ten lines that must be proved good before a unit is condemned. Unit:") - 4
    columns = ((_MARGIN, "line"), (118.0, "good / bad / open"), (150.0, "by reading no."))
    for x, title in columns:
        axes.text(x, y, title, fontsize=9, va="top", fontweight="bold")
    y -= 8
    for number, title in enumerate(TITLES, 1):
        axes.plot([_MARGIN, PORTRAIT[0] - _MARGIN], [y + 2, y + 2], color="black", linewidth=0.5)
        axes.text(_MARGIN, y, f"P{number}  {title}", fontsize=9, va="top")
        y -= 14
    axes.plot([_MARGIN, PORTRAIT[0] - _MARGIN], [y + 2, y + 2], color="black", linewidth=0.5)
    _paragraph(axes, y - 4, "Ordered in minute:")
    return figure


# ---------------------------------------------------------------------- for the trainer


def _key_pages(case: Case) -> list[Figure]:
    traffic = Traffic()
    healthy = Bench(case.vehicle, traffic)
    sick = Bench(fault_room.apply(case.vehicle, case.faults), traffic)
    pages = [_answer_page(case, healthy, sick)]
    drawn = map_figure(case.vehicle, faults=case.faults, title=f"{case.title}: wire map with the fault")
    pages.append(_on_page(drawn, _lying(drawn), note=_KEY))
    pages += _list_pages("Resistance, battery and ignition off", _resistance_rows(case, healthy, sick))
    pages += _list_pages("Volts, battery and ignition on, mean over the traffic", _volt_rows(case, healthy, sick))
    return pages


def _answer_page(case: Case, healthy: Bench, sick: Bench) -> Figure:
    figure, axes = _page(PORTRAIT)
    y = _heading(axes, PORTRAIT, f"{case.title}: answer")
    y = _paragraph(axes, y, _KEY, bold=True)
    y = _paragraph(axes, y - 3, "Fault put in:", bold=True)
    for fault in case.faults:
        y = _paragraph(axes, y, str(fault))
    y = _paragraph(axes, y - 3, "To be found:", bold=True)
    for fault in case.find:
        y = _paragraph(axes, y, str(fault))
    y = _paragraph(axes, y - 3, "Roll call, ignition on:", bold=True)
    for name, bench in (("healthy", healthy), ("with the fault", sick)):
        silent = bench.silent(LIVE)
        answering = [module for module in case.vehicle.modules if module not in silent]
        text = f"{name}: answering {', '.join(answering) or 'nobody'}; silent {', '.join(silent) or 'nobody'}"
        y = _paragraph(axes, y, text)
    answering = {name: told_by(case.vehicle, name) for name in case.vehicle.modules if name not in sick.silent(LIVE)}
    y = _paragraph(axes, y - 3, "What those who answer say of themselves (config), with the fault:", bold=True)
    y = _paragraph(axes, y, config_words(sick, answering))
    if case.tags:
        y = _paragraph(axes, y - 3, f"Kind of complex fault: {', '.join(case.tags)}")
    ranges = "Ranges on the next pages are worst case: terminators 2 %, wires 5 %, meter 1 % + 0.2 ohm or 20 mV."
    _paragraph(axes, y - 3, f"{ranges} Faults are taken as always in, whatever their timeline.")
    return figure


@dataclass(frozen=True)
class _Row:
    """What two leads read on the healthy vehicle and with the fault; ``apart``: a meter tells one from the other."""

    probes: str
    healthy: str
    faulted: str
    apart: bool


def _resistance_rows(case: Case, healthy: Bench, sick: Bench) -> list[_Row]:
    rows = []
    for name, network in case.vehicle.networks.items():
        for place in network.places:
            high, low = (("place", name, place, line) for line in LINES)
            for red, black in ((high, low), (high, BODY), (low, BODY)):
                rows.append(_ohm_row(case, healthy, sick, red, black, None))
            if place in case.vehicle.modules:
                rows.append(_ohm_row(case, healthy, sick, high, low, place))
    return rows


def _ohm_row(case: Case, healthy: Bench, sick: Bench, red: Point, black: Point, unplugged: str | None) -> _Row:
    condition = replace(DEAD, unplugged=frozenset([unplugged] if unplugged else []))
    one, other = (bench.ohms(condition, red, black) for bench in (healthy, sick))
    words = [ohm_words(found.value, found.least, found.greatest) for found in (one, other)]
    note = f", {unplugged} unplugged" if unplugged else ""
    return _Row(_pair(case, red, black) + note, words[0], words[1], one.apart(other))


def _volt_rows(case: Case, healthy: Bench, sick: Bench) -> list[_Row]:
    pairs: list[tuple[Point, Point]] = []
    for module in case.vehicle.modules.values():
        pairs += [(("supply", module.name), BODY), (("ground", module.name), BODY)]
        pairs += [(("wake", module.name), BODY)] if module.wake else []
    for name, network in case.vehicle.networks.items():
        pairs += [(("place", name, place, line), BODY) for place in network.places for line in LINES]
    rows = []
    for red, black in pairs:
        one, other = (bench.volts(LIVE, red, black) for bench in (healthy, sick))
        words = [volt_words(found.value, found.least, found.greatest) for found in (one, other)]
        rows.append(_Row(_pair(case, red, black), words[0], words[1], one.apart(other)))
    return rows


def _pair(case: Case, red: Point, black: Point) -> str:
    return f"{probe_name(case.vehicle, red)}  {probe_name(case.vehicle, black)}"


def _list_pages(title: str, rows: Sequence[_Row]) -> list[Figure]:
    """Rows over as many pages as they need; those that a meter tells apart are in bold, with a sign."""
    per_page = int((PORTRAIT[1] - 2 * _MARGIN - 32) / _ROW)
    heads = _Row("probes", "healthy", "with the fault", True)
    pages = []
    for start in range(0, len(rows), per_page):
        figure, axes = _page(PORTRAIT)
        y = _heading(axes, PORTRAIT, title)
        y = _paragraph(axes, y, f"{_KEY} Bold, with *: a meter shows the difference.", bold=True) - 2
        for row in [heads, *rows[start : start + per_page]]:
            weight = "bold" if row.apart else "normal"
            sign = "* " if row.apart and row is not heads else "  "
            for x, cell in ((_MARGIN, row.probes), (88.0, row.healthy), (140.0, sign + row.faulted)):
                axes.text(x, y, cell, fontsize=7.5, va="top", fontweight=weight)
            y -= _ROW
        pages.append(figure)
    return pages


# ---------------------------------------------------------------------- paper


def _page(size: tuple[float, float]) -> tuple[Figure, Axes]:
    """An empty page whose axes count millimetres."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(size[0] / 25.4, size[1] / 25.4))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, size[0])
    axes.set_ylim(0, size[1])
    axes.set_axis_off()
    return figure, axes


def _heading(axes: Axes, size: tuple[float, float], text: str) -> float:
    y = size[1] - _MARGIN
    for line in textwrap.wrap(text, 60 if size == PORTRAIT else 90):
        axes.text(_MARGIN, y, line, fontsize=15, fontweight="bold", va="top")
        y -= 8
    return y - 3


def _paragraph(axes: Axes, y: float, text: str, *, bold: bool = False) -> float:
    """A paragraph at y, folded to the width of a portrait page; the y below it."""
    weight = "bold" if bold else "normal"
    room = PORTRAIT[0] - 2 * _MARGIN
    width = max(20, int(len(text) * room / max(text_mm(text, 9.5, weight), 1.0)) - 4)
    for line in textwrap.wrap(text, min(width, 110)):
        axes.text(_MARGIN, y, line, fontsize=9.5, va="top", fontweight=weight)
        y -= _ROW
    return y


def _foot(figure: Figure, number: int, count: int) -> None:
    text = f"{caution(1)}   Page {number} of {count}"
    figure.text(0.5, 8.0 / (figure.get_size_inches()[1] * 25.4), text, fontsize=7, ha="center")


def _lying(figure: Figure) -> tuple[float, float]:
    """The way the paper has to lie for a drawing."""
    width, height = figure.get_size_inches()
    return LANDSCAPE if width > height else PORTRAIT


def _on_page(figure: Figure, size: tuple[float, float], note: str = "") -> Figure:
    """A drawing in millimetres made to fit a page: everything, writing too, by the same factor."""
    width, height = (inches * 25.4 for inches in figure.get_size_inches())
    room = (size[0] - 16.0, size[1] - 28.0)
    scale = min(room[0] / width, room[1] / height, 1.25)
    for axes in figure.axes:
        for text in axes.texts:
            text.set_fontsize(text.get_fontsize() * scale)
        for line in axes.lines:
            line.set_linewidth(line.get_linewidth() * scale)
            line.set_markersize(line.get_markersize() * scale)
        for patch in axes.patches:
            patch.set_linewidth(patch.get_linewidth() * scale)
        left, low = (size[0] - width * scale) / 2, 14.0 + (room[1] - height * scale)
        axes.set_position((left / size[0], low / size[1], width * scale / size[0], height * scale / size[1]))
    figure.set_size_inches(size[0] / 25.4, size[1] / 25.4)
    if note:
        figure.text(_MARGIN / size[0], 1 - 9.0 / size[1], note, fontsize=9.5, fontweight="bold", va="top")
    return figure
