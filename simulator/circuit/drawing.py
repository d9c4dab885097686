"""From a vehicle to its circuit: every wire, contact, load and terminator as a resistor with an optional source.

One element is a resistor between two nodes, in series with an ideal source that is positive at its start. An open
is a resistor of infinite ohm. The vehicle as drawn is translated once; what people do to it (:class:`Condition`),
what faults do to it (deviations) and what its modules do (states) then change values, and rarely ends, of a copy.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from copy import copy
from typing import Generic, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from simulator.condition import Condition, ModuleState
from simulator.deviations import (
    LINES,
    BatteryValue,
    Behaviour,
    Bridge,
    Crossing,
    Deviation,
    GroundShift,
    PinSeries,
    RunSeries,
    StubLength,
    SupplySeries,
    TerminatorValue,
)
from simulator.errors import BadRequest
from simulator.probes import BODY, POSITIVE, Point
from simulator.vehicle import Network, Vehicle

Floats: TypeAlias = NDArray[np.float64]
Element: TypeAlias = tuple[str, ...]
T = TypeVar("T")

#: A pin's contact between harness side and module side.
CONTACT_OHM = 0.005
#: Bus pins of one network of one module: where a transceiver hangs.
Pins: TypeAlias = tuple[str, str]


class Drawing:
    """The circuit of a vehicle as drawn: nodes by point, elements by name; everything awake-independent and at rest.

    ``ohm`` and ``volt`` are (elements,); ``start`` and ``end`` hold node numbers, -1 for the body.
    """

    def __init__(self, vehicle: Vehicle, parted: frozenset[tuple[str, str]] = frozenset()) -> None:
        self.vehicle = vehicle
        self.parted = parted
        self.node: dict[Point, int] = {BODY: -1}
        self.element: dict[Element, int] = {}
        self.start: list[int] = []
        self.end: list[int] = []
        self.ohm: list[float] = []
        self.pins: tuple[Pins, ...] = tuple(
            (network.name, module)
            for network in vehicle.networks.values()
            for module in vehicle.modules
            if module in network.places
        )
        self._draw_supply()
        for module in vehicle.modules:
            self._draw_module(module)
        for network in vehicle.networks.values():
            self._draw_network(network)
        self.contacts: dict[str, list[int]] = {}
        for element, number in self.element.items():
            if element[0] == "contact":
                self.contacts.setdefault(element[2], []).append(number)
        #: (elements,) in siemens.
        self.conductance: Floats = 1.0 / np.array(self.ohm)
        #: Elements that are wires, and that are terminators: they have a tolerance each.
        self.wires = [n for key, n in self.element.items() if key[0] in ("run", "feed", "wake", "ground")]
        self.terminators = [n for key, n in self.element.items() if key[0] == "terminator"]

    def _add(self, element: Element, start: Point, end: Point, ohm: float) -> None:
        self.element[element] = len(self.ohm)
        for point in (start, end):
            self.node.setdefault(point, len(self.node) - 1)
        self.start.append(self.node[start])
        self.end.append(self.node[end])
        self.ohm.append(ohm)

    def _draw_supply(self) -> None:
        vehicle = self.vehicle
        self._add(("battery",), POSITIVE, BODY, vehicle.battery.internal_ohm)
        for fuse in vehicle.fuses.values():
            source = POSITIVE if fuse.behind is None else ("fuse", fuse.behind)
            self._add(("fuse", fuse.name), source, ("fuse", fuse.name), fuse.ohm)
        for point in vehicle.grounds.values():
            self._add(("point", point.name), ("point", point.name), BODY, point.ohm)

    def _draw_module(self, name: str) -> None:
        module = self.vehicle.modules[name]
        self._add(("feed", name), ("fuse", module.feed.fuse), ("supply", name), module.feed.ohm)
        self._add(("ground", name), ("ground", name), ("point", module.ground.point), module.ground.ohm)
        if module.wake is not None:
            self._add(("wake", name), ("fuse", module.wake.fuse), ("wake", name), module.wake.ohm)
            self._add(("contact", "wake", name), ("wake", name), ("wake_pin", name), CONTACT_OHM)
        for pin in ("supply", "ground"):
            self._add(("contact", pin, name), (pin, name), (f"{pin}_pin", name), CONTACT_OHM)
        self._add(("load", name), ("supply_pin", name), ("ground_pin", name), module.sleep_ohm)

    def _draw_network(self, network: Network) -> None:
        net = network.name
        for place in network.places:
            for line in LINES:
                # All runs of a place may come off at its connector; its probe points are still there.
                self.node.setdefault(("place", net, place, line), len(self.node) - 1)
        for run in network.runs:
            for line in LINES:
                start, end = (self._run_end(network, run.name, place, line) for place in (run.start, run.end))
                self._add(("run", net, run.name, line), start, end, run.length_m * network.pair.ohm_per_m)
        for name in (module for at, module in self.pins if at == net):
            transceiver = self.vehicle.modules[name].transceiver
            for line in LINES:
                pin: Point = ("pin", net, name, line)
                self._add(("contact", net, name, line), ("place", net, name, line), pin, CONTACT_OHM)
                self._add(("bias", net, name, line), pin, ("ground_pin", name), transceiver.unpowered_ohm)
        for number, terminator in enumerate(network.terminators):
            side = "pin" if terminator.inside else "place"
            high, low = ((side, net, terminator.at, line) for line in LINES)
            self._add(("terminator", net, terminator.at, str(number)), high, low, terminator.ohm)

    def _run_end(self, network: Network, run: str, place: str, line: str) -> Point:
        """Where the end of a run is: at its place, or at the other side of the connector there that is parted."""
        if (network.name, place) in self.parted:
            parting = network.parting_at(place)
            if parting is None:
                raise BadRequest(f"there is no connector to part at {place}")
            if run in parting.off:
                return ("off", network.name, place, line)
        return ("place", network.name, place, line)

    def copy(self) -> Draft:
        """A changeable copy of the elements."""
        return Draft(self)


class Overlay(Generic[T]):
    """A list of which only the differences from a shared one are kept: entries changed, and entries added."""

    def __init__(self, base: Sequence[T]) -> None:
        self.base = base
        self.changed: dict[int, T] = {}
        self.added: list[T] = []

    def __len__(self) -> int:
        return len(self.base) + len(self.added)

    def __getitem__(self, number: int) -> T:
        if number >= len(self.base):
            return self.added[number - len(self.base)]
        return self.changed[number] if number in self.changed else self.base[number]

    def __setitem__(self, number: int, value: T) -> None:
        if number >= len(self.base):
            self.added[number - len(self.base)] = value
        else:
            self.changed[number] = value

    def __iter__(self) -> Iterator[T]:
        return (self[number] for number in range(len(self)))

    def append(self, value: T) -> None:
        """Add an entry."""
        self.added.append(value)

    def copy(self) -> Overlay[T]:
        """An overlay on the same list with the same differences."""
        twin = Overlay(self.base)
        twin.changed, twin.added = dict(self.changed), list(self.added)
        return twin


class Draft:
    """What conditions, deviations and states change of a drawing; private to the circuit."""

    def __init__(self, drawing: Drawing) -> None:
        self.drawing = drawing
        self.node = drawing.node
        self.start = Overlay(drawing.start)
        self.end = Overlay(drawing.end)
        self.ohm = Overlay(drawing.ohm)
        #: Sources, by element number, in volt.
        self.volt: dict[int, float] = {drawing.element["battery",]: drawing.vehicle.battery.open_circuit_volt}
        self.added: list[Element] = []
        self.extra_terminators: list[int] = []
        self.extra_wires: list[int] = []
        self.behaviours: list[Behaviour] = []

    def again(self) -> Draft:
        """A copy whose resistances can be changed without changing this one's."""
        twin = copy(self)
        twin.ohm = self.ohm.copy()
        return twin

    def add(self, element: Element, start: Point, end: Point, ohm: float) -> int:
        """Add an element between two points, new ones included."""
        if start not in self.node or end not in self.node:
            self.node = dict(self.node)
            for point in (start, end):
                self.node.setdefault(point, len(self.node) - 1)
        self.added.append(element)
        self.start.append(self.node[start])
        self.end.append(self.node[end])
        self.ohm.append(ohm)
        return len(self.ohm) - 1

    def names(self) -> tuple[Element, ...]:
        """The names of the elements, by number."""
        return (*self.drawing.element, *self.added)

    def number(self, *element: str) -> int:
        """The number of an element of the drawing."""
        return self.drawing.element[element]

    def _move(self, element: int, end: bool, point: Point) -> None:
        if point not in self.node:
            self.node = {**self.node, point: len(self.node) - 1}
        (self.end if end else self.start)[element] = self.node[point]

    # -- what faults and people do ------------------------------------------------------------------------------

    def assemble(self, deviations: Iterable[Deviation], condition: Condition) -> Draft:
        """Apply faults and condition: first what moves the ends of runs, then what crosses them, then values.

        The parted connectors are those of the drawing already.
        """
        ordered = list(deviations)
        for item in ordered:
            if isinstance(item, StubLength):
                self._lengthen_stub(item)
        for item in ordered:
            self._apply(item)
        self._put_into(condition)
        return self

    def _apply(self, item: Deviation) -> None:
        match item:
            case PinSeries(network, module, line, ohm):
                self.ohm[self.number("contact", network, module, line)] += ohm
            case RunSeries(network, run, line, _, ohm):
                self.ohm[self.number("run", network, run, line)] += ohm
            case SupplySeries(part, name, ohm):
                self.ohm[self.number(part, name)] += ohm
            case Bridge(start, end, ohm, terminator):
                number = self.add(("bridge", str(len(self.ohm))), start, end, ohm)
                if terminator:
                    self.extra_terminators.append(number)
            case Crossing(network, "module", name):
                self._swap(*(self.number("contact", network, name, line) for line in LINES))
            case Crossing(network, _, name):
                self._swap(*(self.number("run", network, name, line) for line in LINES))
            case TerminatorValue(network, place, ohm):
                for key, number in self.drawing.element.items():
                    if key[:3] == ("terminator", network, place):
                        self.ohm[number] = ohm
            case GroundShift(module, volt):
                self.volt[self.number("ground", module)] = volt
            case BatteryValue(open_circuit_volt, internal_ohm):
                self.ohm[self.number("battery")] = internal_ohm
                self.volt[self.number("battery")] = open_circuit_volt
            case Behaviour():
                self.behaviours.append(item)

    def _swap(self, high: int, low: int) -> None:
        self.end[high], self.end[low] = self.end[low], self.end[high]

    def _lengthen_stub(self, item: StubLength) -> None:
        """The runs that ended at the plug now end at a joint; a new run goes from there to the plug."""
        network = self.drawing.vehicle.networks[item.network]
        for line in LINES:
            joint: Point = ("joint", item.network, item.module, line)
            plug: Point = ("place", item.network, item.module, line)
            for run in network.runs:
                element = self.number("run", item.network, run.name, line)
                for end, ends in ((False, self.start), (True, self.end)):
                    if ends[element] == self.node[plug]:
                        self._move(element, end, joint)
            name = ("stub", item.network, item.module, line)
            self.extra_wires.append(self.add(name, joint, plug, item.length_m * network.pair.ohm_per_m))

    def _put_into(self, condition: Condition) -> None:
        """Unplugged modules, battery lead, what is at the battery, and ignition."""
        self.unplug(condition.unplugged)
        if not condition.battery_on:
            self.ohm[self.number("battery")] = math.inf
            self.volt = {}
        else:
            self.volt[self.number("battery")] -= condition.sag_volt
            for item in condition.at_battery:
                number = self.add(("at battery", item.name), POSITIVE, BODY, item.ohm)
                self.volt[number] = item.volt
        if not condition.ignition_on:
            for fuse in self.drawing.vehicle.fuses.values():
                if fuse.switched:
                    self.ohm[self.number("fuse", fuse.name)] = math.inf

    def unplug(self, modules: Iterable[str]) -> None:
        """Open the contacts of all pins of these modules."""
        for module in modules:
            for number in self.drawing.contacts[module]:
                self.ohm[number] = math.inf

    # -- what modules do ----------------------------------------------------------------------------------------

    def set_states(self, states: Mapping[str, ModuleState]) -> None:
        """Loads and transceivers as the modules' supply states make them."""
        drawing = self.drawing
        for name, state in states.items():
            module = drawing.vehicle.modules[name]
            drawing_load = state in (ModuleState.AWAKE, ModuleState.STARVED)
            self.ohm[drawing.element["load", name]] = module.draw_ohm if drawing_load else module.sleep_ohm
        for network, name in drawing.pins:
            transceiver = drawing.vehicle.modules[name].transceiver
            powered = states[name] in (ModuleState.AWAKE, ModuleState.ASLEEP)
            awake = states[name] is ModuleState.AWAKE
            for line in LINES:
                number = drawing.element["bias", network, name, line]
                self.ohm[number] = transceiver.bias_ohm if powered else transceiver.unpowered_ohm
                if awake:
                    self.volt[number] = transceiver.vcc_volt / 2
                else:
                    self.volt.pop(number, None)

    def scale(self, wire_factor: float, terminator_factor: float) -> None:
        """Scale every wire and every terminator, for tolerances."""
        drawing = self.drawing
        if wire_factor != 1.0:
            for number in drawing.wires:
                # Only the wire has a tolerance; what a fault put in series has not.
                self.ohm[number] += drawing.ohm[number] * (wire_factor - 1.0)
            for number in self.extra_wires:
                self.ohm[number] *= wire_factor
        if terminator_factor != 1.0:
            for number in [*drawing.terminators, *self.extra_terminators]:
                self.ohm[number] *= terminator_factor

    def conductance(self) -> Floats:
        """(elements,) in siemens; 0.0 for an open."""
        result = np.empty(len(self.ohm))
        known = len(self.drawing.ohm)
        result[:known] = self.drawing.conductance
        for number, ohm in self.ohm.changed.items():
            result[number] = 1.0 / ohm
        result[known:] = [1.0 / ohm for ohm in self.ohm.added]
        return result
