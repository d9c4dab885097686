"""Probe points: where a lead can touch, as text ("DLC.high") and as a point of the circuit."""

from __future__ import annotations

from typing import TypeAlias

from simulator.deviations import LINES
from simulator.errors import BadRequest, UnknownName, nearest
from simulator.vehicle import Vehicle

#: A point of the circuit: what kind of point it is, then the names that say which one.
Point: TypeAlias = tuple[str, ...]

POSITIVE: Point = ("positive",)
BODY: Point = ("body",)
PINS = ("supply", "wake", "ground")


def parse_probe(vehicle: Vehicle, text: str) -> Point:
    """The point that a probe-point text names.

    Raises UnknownName or BadRequest, naming what to write instead.
    """
    parts = text.strip().split(".")
    if parts == ["battery", "positive"]:
        return POSITIVE
    if parts == ["battery", "negative"]:
        return BODY
    if len(parts) == 2 and parts[0] in vehicle.modules and parts[1] in PINS:
        if parts[1] == "wake" and vehicle.modules[parts[0]].wake is None:
            raise BadRequest(f"{parts[0]} has no wake pin; probe {parts[0]}.supply or {parts[0]}.ground")
        return (parts[1], parts[0])
    if len(parts) < 2 or parts[-1] not in LINES:
        raise BadRequest(f"no probe point called '{text}'; {nearest(text, probe_points(vehicle))}")
    place, line, middle = parts[0], parts[-1], parts[1:-1]
    off = "off" in middle and "off" not in vehicle.networks
    named = [part for part in middle if not (off and part == "off")]
    if len(named) > 1 or len(middle) - len(named) > 1:
        raise BadRequest(f"no probe point called '{text}'; {nearest(text, probe_points(vehicle))}")
    if not vehicle.networks_at(place):
        raise UnknownName("probe point", text, probe_points(vehicle))
    if not named and len(vehicle.networks_at(place)) > 1:
        choices = " or ".join(f"{place}.{name}.{line}" for name in vehicle.networks_at(place))
        raise BadRequest(f"{place} is on several networks: write {choices}")
    network = vehicle.network_of_place(place, named[0] if named else None)
    if off and network.parting_at(place) is None:
        raise BadRequest(f"there is no connector to part at {place}: write {place}.{line}")
    return ("off" if off else "place", network.name, place, line)


def probe_name(vehicle: Vehicle, point: Point) -> str:
    """The text of a probe point, the network named only where the place is on several."""
    match point:
        case ("positive",):
            return "battery.positive"
        case ("body",):
            return "battery.negative"
        case (("supply" | "wake" | "ground") as pin, module):
            return f"{module}.{pin}"
        case (("place" | "off") as kind, network, place, line):
            long = f".{network}" if len(vehicle.networks_at(place)) > 1 else ""
            return f"{place}{long}{'.off' if kind == 'off' else ''}.{line}"
    raise BadRequest(f"{point} is no probe point")


def probe_points(vehicle: Vehicle) -> tuple[str, ...]:
    """The names of every probe point of a vehicle: places, module pins, battery clamps, in the order of the file."""
    points: list[Point] = []
    for network in vehicle.networks.values():
        for place in network.places:
            points += [("place", network.name, place, line) for line in LINES]
            if network.parting_at(place):
                points += [("off", network.name, place, line) for line in LINES]
    for module in vehicle.modules.values():
        points += [(pin, module.name) for pin in PINS if pin != "wake" or module.wake]
    points += [POSITIVE, BODY]
    return tuple(probe_name(vehicle, point) for point in points)
