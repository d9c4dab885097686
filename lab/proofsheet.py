"""The proof sheet: ten lines that must be proved good before a unit is condemned, filled from the readings taken.

Limits: common practice, no source, but those of the lines at rest and of the network's levels (ISO 11898-2).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from lab.slip import Slip
from simulator.probes import BODY, POSITIVE, Point, parse_probe

if TYPE_CHECKING:
    from lab.bench import Bench
    from lab.job import Job
    from simulator.vehicle import Vehicle

GOOD, BAD, OPEN = "proved good", "proved bad", "open"
LINES_OF_PROOF = 10
#: At rest with the ignition on; lost under a lamp of 21 W on feed side and ground side; a wake line; in volt.
_BATTERY_VOLT, _FEED_LOST_VOLT, _GROUND_LOST_VOLT, _WAKE_VOLT = 12.2, 0.2, 0.1, 11.0
#: Between a line and ground or battery positive, at rest.
_SHORT_OHM = 1000.0
#: Of the value of the healthy vehicle: where trade practice still accepts a reading.
_EDGE = 0.9, 1.15
#: A meter on the live lines: least by which high is above low, and how far their sum may be from 5 V. An old
#: transceiver without supply draws both lines down together, so the sum is looser than the 0.2 V of a healthy network.
_APART_VOLT, _SUM_VOLT, _SUM_OFF_VOLT = 0.1, 5.0, 1.0
#: What each line says.
TITLES = (
    f"battery {_BATTERY_VOLT:g} V or more",
    f"feed loses {_FEED_LOST_VOLT:g} V at most under load",
    f"ground loses {_GROUND_LOST_VOLT:g} V at most under load",
    f"wake line {_WAKE_VOLT:g} V or more with the key on",
    "its plug reads what a good pair reads, unit unplugged",
    "neither line shorted to ground or battery positive",
    "live traffic at its plug, right way round",
    "pins of its plug tight",
    "all others answer with it unplugged",
    "still silent, plugged in, with P1 to P8 proved good",
)


@dataclass(frozen=True)
class Line:
    """One line: its number, what it says, a word for it, the slips that prove it, and what is missing."""

    number: int
    title: str
    word: str
    slips: tuple[int, ...] = ()
    missing: str = ""

    def text(self) -> str:
        """The line in one row."""
        by = f" by slip {', '.join(map(str, self.slips))}" if self.slips else ""
        more = f": {self.missing}" if self.missing else ""
        return f"P{self.number:<2d} {self.title}: {self.word}{by}{more}"

    def as_json(self) -> dict[str, Any]:
        """The line as the journal keeps it."""
        return {
            "line": self.number, "title": self.title, "word": self.word, "slips": list(self.slips),
            "missing": self.missing,
        }  # fmt: skip


class _Readings:
    """The slips that count, for one module, and what a healthy vehicle would read."""

    def __init__(self, vehicle: Vehicle, module: str, slips: Iterable[Slip], healthy: Bench) -> None:
        self.vehicle, self.module, self.healthy = vehicle, module, healthy
        self.slips = [slip for slip in slips if slip.counts or (slip.state == "valid")]
        network = next(net for net in vehicle.networks.values() if module in net.places)
        self.high, self.low = (("place", network.name, module, line) for line in ("high", "low"))
        self.described = vehicle.module(module)

    def points(self, slip: Slip) -> frozenset[Point]:
        """Where the leads were."""
        return frozenset(parse_probe(self.vehicle, text) for text in (slip.red, slip.black) if text)

    def taken(self, kind: str, *points: Point) -> list[Slip]:
        """The slips of a kind between two points, latest first."""
        return [slip for slip in reversed(self.slips) if slip.kind == kind and self.points(slip) == frozenset(points)]

    def unplugged(self, slip: Slip) -> bool:
        """Whether the module was unplugged."""
        return self.module in slip.condition.unplugged

    def runs(self, slip: Slip) -> bool:
        """Whether the ignition was on and the module plugged in."""
        return slip.condition.ignition_on and not self.unplugged(slip)


def proof_sheet(job: Job, module: str) -> tuple[Line, ...]:
    """The ten lines for a module, from the slips of a job."""
    name = job.vehicle.module(module).name
    out = next((record["minute"] for record in job.journal.records if record.get("replaced") == name), None)
    slips = [slip for slip in job.slips if out is None or slip.minute <= out]  # of the unit that was condemned
    readings = _Readings(job.vehicle, name, slips, job.healthy)
    lines = [check(readings) for check in _CHECKS]
    held = all(line.word == GOOD for line in lines[:8])
    return (*lines, _still_silent(readings, held))


def _judged(number: int, title: str, slips: Sequence[Slip], good: bool) -> Line:
    return Line(number, title, GOOD if good else BAD, tuple(sorted({slip.number for slip in slips})))


def _battery(of: _Readings) -> Line:
    title = TITLES[0]
    found = [slip for slip in of.taken("volts", POSITIVE, BODY) if slip.value is not None]
    if not found:
        return Line(1, title, OPEN, missing="read volts battery.positive battery.negative")
    return _judged(1, title, found[:1], abs(found[0].value or 0.0) >= _BATTERY_VOLT)


def _lamped(of: _Readings, pin: str, side: int, number: int, title: str, limit: float) -> Line:
    """A feed or a ground under a lamp: what is lost between the pin and the battery post."""
    point = (pin, of.module)
    for slip in reversed(of.slips):
        if slip.kind != "lamp" or slip.lost is None or point not in of.points(slip):
            continue
        if parse_probe(of.vehicle, (slip.red, slip.black)[side]) == point:
            return _judged(number, title, [slip], slip.lost[side] <= limit)
    example = f"lamp {of.module}.supply {'battery.negative' if pin == 'supply' else f'{of.module}.ground'}"
    return Line(number, title, OPEN, missing=f"{example}, ignition on")


def _feeds(of: _Readings) -> Line:
    return _lamped(of, "supply", 0, 2, TITLES[1], _FEED_LOST_VOLT)


def _grounds(of: _Readings) -> Line:
    return _lamped(of, "ground", 1, 3, TITLES[2], _GROUND_LOST_VOLT)


def _wake(of: _Readings) -> Line:
    if of.described.wake is None:
        traffic = _traffic(of)
        return Line(4, "woken by traffic (it has no wake line)", traffic.word, traffic.slips, traffic.missing)
    title = TITLES[3]
    for slip in [*of.taken("volts", ("wake", of.module), BODY), *of.taken("volts", ("wake", of.module), of_ground(of))]:
        if slip.condition.ignition_on and slip.value is not None:
            return _judged(4, title, [slip], abs(slip.value) >= _WAKE_VOLT)
    return Line(4, title, OPEN, missing=f"read volts {of.module}.wake battery.negative, ignition on")


def of_ground(of: _Readings) -> Point:
    """The ground pin of the module."""
    return ("ground", of.module)


def _pair(of: _Readings) -> Line:
    title = TITLES[4]
    for slip in of.taken("ohms", of.high, of.low):
        if of.unplugged(slip):
            value = of.healthy.ohms(slip.condition, of.high, of.low).value
            good = slip.value is not None and _EDGE[0] * value <= slip.value <= _EDGE[1] * value
            return _judged(5, title, [slip], good)
    return Line(5, title, OPEN, missing=f"battery off, unplug {of.module}, read ohms {of.module}.high {of.module}.low")


def _no_short(of: _Readings) -> Line:
    title = TITLES[5]
    used, missing = [], []
    for line, name in ((of.high, "high"), (of.low, "low")):
        for post, clamp in ((BODY, "battery.negative"), (POSITIVE, "battery.positive")):
            found = of.taken("ohms", line, post)
            used += found[:1]
            missing += [] if found else [f"read ohms {of.module}.{name} {clamp}"]
    bad = [slip for slip in used if slip.value is not None and slip.value < _SHORT_OHM]
    if bad:
        return Line(6, title, BAD, tuple(slip.number for slip in bad))
    if missing:
        words = f"battery off, {'; '.join(missing)}"
        return Line(6, title, OPEN, tuple(sorted(slip.number for slip in used)), words)
    return _judged(6, title, used, True)


def _traffic(of: _Readings) -> Line:
    title = TITLES[6]
    # with the plug off, a pair crossed behind it reads as it should
    found = [
        [slip for slip in of.taken("volts", line, BODY) if slip.value is not None and of.runs(slip)][:1]
        for line in (of.high, of.low)
    ]
    if not all(found):
        missing = [name for name, slips in (("high", found[0]), ("low", found[1])) if not slips]
        words = "; ".join(f"read volts {of.module}.{name} battery.negative" for name in missing)
        missed = f"{words}, {of.module} plugged in, ignition on"
        return Line(7, title, OPEN, tuple(slip.number for slips in found for slip in slips), missed)
    high, low = (slips[0].value or 0.0 for slips in found)
    good = high - low >= _APART_VOLT and abs(high + low - _SUM_VOLT) <= _SUM_OFF_VOLT
    return _judged(7, title, [slip for slips in found for slip in slips], good)


def _pins(of: _Readings) -> Line:
    title = TITLES[7]
    found = [slip for slip in of.slips if slip.kind == "pins" and slip.module == of.module]
    if not found:
        return Line(8, title, OPEN, missing=f"unplug {of.module}, pins {of.module}")
    return _judged(8, title, found[-1:], found[-1].value == 0.0)


def _rest(of: _Readings) -> Line:
    title = TITLES[8]
    for slip in reversed(of.slips):
        if slip.kind == "call" and of.unplugged(slip) and slip.condition.ignition_on:
            return _judged(9, title, [slip], set(slip.silent) <= set(slip.condition.unplugged))
    return Line(9, title, OPEN, missing=f"unplug {of.module}, call, ignition on")


def _still_silent(of: _Readings, held: bool) -> Line:
    title = TITLES[9]
    for slip in reversed(of.slips):
        if slip.kind == "call" and not slip.condition.unplugged and slip.condition.ignition_on:
            if of.module not in slip.silent:
                return Line(10, title, BAD, (slip.number,), f"{of.module} answers")
            if held:
                return _judged(10, title, [slip], True)
            return Line(10, title, OPEN, (slip.number,), "P1 to P8 first")
    return Line(10, title, OPEN, missing="call with everything plugged in, ignition on")


_CHECKS: tuple[Callable[[_Readings], Line], ...] = (
    _battery, _feeds, _grounds, _wake, _pair, _no_short, _traffic, _pins, _rest,
)  # fmt: skip


__all__ = ["BAD", "GOOD", "LINES_OF_PROOF", "OPEN", "TITLES", "Line", "proof_sheet"]
