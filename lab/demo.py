"""A tour: one fault, the roll call and five readings, and which single faults fit all of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import faults
from faults import Fault
from lab.bench import Bench
from lab.cautions import caution
from lab.commands.common import console, ohm_text, show_table, table
from lab.instruments import Reading, read_ohms, read_volts
from lab.pictures import TakenReading, levels, wire_map
from lab.possible import Possible, still_possible
from lab.slip import Slip as TakenSlip
from simulator.calculator import OPEN_OHM
from simulator.circuit import Circuit
from simulator.condition import DEAD, Condition
from simulator.probes import BODY, Point, parse_probe, probe_name
from simulator.reader import find_vehicle, load_vehicle
from simulator.rollcall import RollCall, roll_call
from simulator.vehicle import Network, Vehicle


@dataclass(frozen=True)
class Slip:
    """One reading of the tour: what was measured where, what it should be, and what the meter shows.

    ``healthy`` and ``faulty`` are the calculator's values in ohm or volt (inf: open); ohms with the battery off and the
    leads zeroed, volts with battery and ignition on and nobody sending.
    """

    what: str
    red: Point
    black: Point
    unplugged: str | None
    healthy: float
    faulty: float
    reading: Reading

    def condition(self) -> Condition:
        """The condition it was taken in."""
        base = DEAD if self.what == "ohms" else Condition()
        return replace(base, unplugged=frozenset({self.unplugged} if self.unplugged else ()))

    def volts_fit(self, bench: Bench) -> bool:
        """Whether a vehicle would read this voltage, tolerances of parts and meter allowed."""
        return bench.volts(self.condition(), self.red, self.black, quiet=True).holds(self.reading.value)

    def as_taken(self, vehicle: Vehicle, number: int) -> TakenSlip:
        """The reading as a job keeps it."""
        red, black = (probe_name(vehicle, point) for point in (self.red, self.black))
        value = self.reading.value
        return TakenSlip(number, 0.0, self.what, red, black, value, condition=self.condition(), zeroed=True)


@dataclass(frozen=True)
class Tour:
    """A finished tour."""

    vehicle: Vehicle
    fault: Fault
    before: RollCall
    after: RollCall
    slips: tuple[Slip, ...]
    fits: tuple[Fault, ...]
    pictures: tuple[Path, ...]

    def as_json(self) -> dict[str, Any]:
        """The mapping of the command ``demo``."""
        return {
            "vehicle": self.vehicle.name,
            "fault": str(self.fault),
            "call": {"answering": list(self.after.answering), "silent": list(self.after.silent)},
            "readings": [
                {
                    "what": slip.what,
                    "red": probe_name(self.vehicle, slip.red),
                    "black": probe_name(self.vehicle, slip.black),
                    "unplugged": slip.unplugged,
                    "healthy": _number(slip.healthy),
                    "faulty": _number(slip.faulty),
                    **slip.reading.as_json(),
                }
                for slip in self.slips
            ],
            "fits": [str(fault) for fault in self.fits],
            "pictures": [str(path) for path in self.pictures],
            "warnings": [caution(1)],
        }


def take_tour(name: str, folder: str | Path) -> Tour:
    """Load a vehicle, put a fault into it, take the roll call and five readings, find what fits, draw two pictures.

    The pictures go into ``folder`` (made where it is not there) as NAME-wire-map.png and NAME-levels.png. The same
    vehicle gives the same tour. Raises the errors of the reader.
    """
    vehicle = load_vehicle(find_vehicle(name))
    network = next((found for found in vehicle.networks.values() if found.socket), vehicle.network())
    fault = choose_fault(vehicle, network)
    faulty = fault.apply(vehicle)
    before, after = roll_call(vehicle, Condition()), roll_call(faulty, Condition())
    lost = [module for module in after.silent if module in before.answering]
    slips = tuple(_take(vehicle, faulty, *one) for one in _five(vehicle, network, lost))
    fits = _fitting(vehicle, slips, after)
    pictures = _draw(vehicle, fault, network, slips, Path(folder))
    return Tour(vehicle, fault, before, after, slips, fits, pictures)


def _fitting(vehicle: Vehicle, slips: tuple[Slip, ...], after: RollCall) -> tuple[Fault, ...]:
    """The single faults that fit the roll call and all readings."""
    taken = [slip.as_taken(vehicle, number) for number, slip in enumerate(slips, 1) if slip.what == "ohms"]
    taken.append(TakenSlip(0, 0.0, "call", silent=after.silent))
    left = still_possible(Possible(vehicle).sift(taken))
    volts = [slip for slip in slips if slip.what == "volts"]
    fitting = [item for item in left if all(slip.volts_fit(item.bench) for slip in volts)]
    return tuple(item.fault for item in fitting if item.fault is not None)


def choose_fault(vehicle: Vehicle, network: Network) -> Fault:
    """The fault of the tour: the first that changes who answers or what the socket reads.

    Tried in turn: an open high wire in a stub, a lost terminator, an open pair at a plug, then the whole catalogue.
    """
    healthy = _signature(vehicle, network)
    for fault in _choices(vehicle, network):
        if _signature(fault.apply(vehicle), network) != healthy:
            return fault
    raise AssertionError("no fault of the catalogue changes anything")  # an open at every plug is in it


def _choices(vehicle: Vehicle, network: Network) -> Iterator[Fault]:
    ends = [place for run in network.runs for place in (run.start, run.end)]
    ends += [terminator.at for terminator in network.terminators]  # a terminator's place is no stub's end
    for run in network.runs:
        if any(place in vehicle.modules and ends.count(place) == 1 for place in (run.start, run.end)):
            yield faults.Open(line="high", run=run.name, network=network.name).canonical(vehicle)
    for terminator in network.terminators:
        yield faults.MissingTerminator(at=terminator.at, network=network.name).canonical(vehicle)
    for place in network.places:
        if place in vehicle.modules:
            yield faults.Open(line="both", at=place, network=network.name).canonical(vehicle)
    yield from faults.catalogue(vehicle)


def _signature(vehicle: Vehicle, network: Network) -> tuple[object, ...]:
    """Who answers, and what the socket reads: what the first two steps of a diagnosis show."""
    place = network.socket or network.places[0]
    high, low = (parse_probe(vehicle, f"{place}.{network.name}.{line}") for line in ("high", "low"))
    return roll_call(vehicle, Condition()).answering, round(Circuit(vehicle, DEAD).resistance_ohm(high, low), 3)


def _five(vehicle: Vehicle, network: Network, lost: list[str]) -> list[tuple[str, Point, Point, str | None]]:
    """(what, red, black, unplugged) of the readings: three at the socket, two at the plug of the suspect, unplugged."""
    place = network.socket or network.places[0]
    members = [found for found in network.places if found in vehicle.modules]
    suspect = next((name for name in lost if name in members), members[-1])

    def at(where: str, line: str) -> Point:
        return parse_probe(vehicle, f"{where}.{network.name}.{line}")

    return [
        ("ohms", at(place, "high"), at(place, "low"), None),
        ("ohms", at(place, "high"), BODY, None),
        ("volts", at(place, "high"), BODY, None),
        ("ohms", at(suspect, "high"), at(suspect, "low"), suspect),
        ("volts", at(suspect, "high"), BODY, suspect),
    ]


def _take(vehicle: Vehicle, faulty: Vehicle, what: str, red: Point, black: Point, unplugged: str | None) -> Slip:
    """Measure on the faulty vehicle, and ask the calculator about both."""
    blank = Slip(what, red, black, unplugged, 0.0, 0.0, Reading(None, "", ""))
    condition = blank.condition()

    def expected(car: Vehicle) -> float:
        circuit = Circuit(car, condition)
        return circuit.resistance_ohm(red, black) if what == "ohms" else circuit.volts().between(red, black)

    if what == "ohms":
        reading = read_ohms(faulty, condition, red, black, zeroed=True)
    else:
        reading = read_volts(faulty, condition, red, black, quiet=True)
    return replace(blank, healthy=expected(vehicle), faulty=expected(faulty), reading=reading)


def _draw(vehicle: Vehicle, fault: Fault, network: Network, slips: tuple[Slip, ...], folder: Path) -> tuple[Path, ...]:
    """The wire map with the fault and the readings marked, and the levels with the fault in."""
    folder.mkdir(parents=True, exist_ok=True)
    stem = "".join(letter if letter.isalnum() else "-" for letter in vehicle.name.lower())
    drawn, lines = folder / f"{stem}-wire-map.png", folder / f"{stem}-levels.png"
    taken = [
        TakenReading(number, (slip.red, slip.black), f"{_title(vehicle, slip)}: {slip.reading.display}")
        for number, slip in enumerate(slips, 1)
    ]
    wire_map(vehicle, drawn, network=network.name, readings=taken, faults=[fault])
    levels(vehicle, fault.apply(vehicle), lines, network=network.name)
    return drawn, lines


def _title(vehicle: Vehicle, slip: Slip) -> str:
    text = f"{slip.what} {probe_name(vehicle, slip.red)} to {probe_name(vehicle, slip.black)}"
    return text + (f", {slip.unplugged} unplugged" if slip.unplugged else "")


def _number(value: float) -> float | None:
    return value if value <= OPEN_OHM else None


def _value(slip: Slip, value: float) -> str:
    return ohm_text(value) if slip.what == "ohms" else f"{value:.3f} V"


def show_tour(tour: Tour) -> None:
    """Print a tour for people."""
    out = console()
    out.print(caution(1), soft_wrap=True)
    out.print(f"{tour.vehicle.maker} {tour.vehicle.name}, with this fault in it: {tour.fault}", soft_wrap=True)
    for word, roll in (("healthy", tour.before), ("with the fault", tour.after)):
        silent = ", ".join(roll.silent) or "nobody"
        out.print(
            f"Roll call, {word}: answering {', '.join(roll.answering) or 'nobody'}; silent {silent}", soft_wrap=True
        )
    columns = ("no.", "reading", "healthy should", "with fault should", "meter shows")
    rows = table(*columns, right=[name for name in columns if name != "reading"])
    for number, slip in enumerate(tour.slips, 1):
        values = _value(slip, slip.healthy), _value(slip, slip.faulty), slip.reading.display
        rows.add_row(str(number), _title(tour.vehicle, slip), *values)
    show_table(out, "Five readings (ohms: battery off, leads zeroed; volts: ignition on, nobody sends)", rows)
    out.print(f"What fits the roll call and all five: {len(tour.fits)} of the single faults of the catalogue")
    for fault in tour.fits[:12]:
        out.print(f"  {fault}", soft_wrap=True)
    if len(tour.fits) > 12:
        out.print(f"  and {len(tour.fits) - 12} more; another reading would tell some of them apart")
    for path in tour.pictures:
        out.print(f"picture: {path}", soft_wrap=True)
