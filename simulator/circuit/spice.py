"""Any state of the circuit as a netlist that ngspice runs as it is."""

from __future__ import annotations

import math
from collections.abc import Iterable

from simulator.circuit.circuit import Circuit, Driver
from simulator.condition import Condition, ModuleState
from simulator.probes import BODY, Point, probe_name, probe_points
from simulator.vehicle import Vehicle

#: Ties an island of nodes that nothing joins to the body; it carries no current.
TIE_OHM = 1e12
#: ngspice's own 0.1 % lets it stop 50 mV off where both legs of a driver are in their limit.
OPTIONS = ".options reltol=1e-6 vntol=1e-9"


def spice_netlist(vehicle: Vehicle, condition: Condition | None = None, dominant: Iterable[Driver] = ()) -> str:
    """The circuit of a vehicle in a condition, supply states settled, as a netlist for ngspice.

    Probe points are nodes in lower case with ``_`` for ``.`` and ``-``; ``dominant`` are (module, network) that drive.
    """
    return Netlist(Circuit(vehicle, condition), dominant).text()


def node_names(vehicle: Vehicle) -> dict[str, str]:
    """The node name of every probe point; twins that differ in case or in ``-`` only get a number."""
    names: dict[str, str] = {}
    for probe in probe_points(vehicle):
        name = plain(probe)
        number = 2
        while name in names.values():
            name = f"{plain(probe)}_{number}"
            number += 1
        names[probe] = name
    return names


def plain(name: str) -> str:
    """A name as a part of a node's name: lower case, ``_`` for what is neither letter nor digit."""
    return "".join(letter if letter.isalnum() else "_" for letter in name.lower())


class Netlist:
    """The netlist of one circuit as it stands, drivers and all; built once, asked for its ``text()``."""

    def __init__(self, circuit: Circuit, dominant: Iterable[Driver]) -> None:
        self.circuit = circuit
        self.lines: list[str] = []
        self.counts: dict[str, int] = {}
        vehicle = circuit.vehicle
        self.drivers = sorted({*dominant, *circuit.always_driving()})
        probes = node_names(vehicle)
        self.nodes: dict[int, str] = {}
        taken = set(probes.values())
        for point, number in circuit.draft.node.items():
            if point == BODY:
                name = "0"
            elif point[0] in ("place", "off", "supply", "wake", "ground", "positive"):
                name = probes[probe_name(vehicle, point)]
            else:
                name = "_".join(plain(part) for part in point)
                while name in taken:
                    name += "_x"
                taken.add(name)
            self.nodes[number] = name
        self.body = probes["battery.negative"]

    def _card(self, letter: str, *words: str, about: str = "") -> None:
        self.counts[letter] = self.counts.get(letter, 0) + 1
        note = f" ; {about}" if about else ""
        self.lines.append(f"{letter}{self.counts[letter]} {' '.join(words)}{note}")

    def _name(self, point: Point) -> str:
        return self.nodes[self.circuit.draft.node[point]]

    def text(self) -> str:
        """The netlist, ready for ngspice."""
        circuit, draft = self.circuit, self.circuit.draft
        what = circuit.condition
        title = f"* {circuit.vehicle.name}: battery {'on' if what.battery_on else 'off'}, "
        title += f"ignition {'on' if what.ignition_on else 'off'}"
        self._card("Vbody", self.body, "0", "0", about="the body is 0 V")
        for number, element in enumerate(draft.names()):
            self._resistor(number, " ".join(element))
        for module, network, *tap in self.drivers:
            self._driver(module, network, *tap)
        self._ties()
        states = [f"* {name}: {state}" for name, state in circuit.states.items()]
        return "\n".join([title, *states, *self.lines, *self._start(), OPTIONS, ".op", ".end", ""])

    def _resistor(self, number: int, about: str) -> None:
        draft = self.circuit.draft
        start, end = self.nodes[draft.start[number]], self.nodes[draft.end[number]]
        ohm, volt = draft.ohm[number], draft.volt.get(number, 0.0)
        if math.isinf(ohm):
            self.lines.append(f"* open: {about}")
            return
        if volt != 0.0:
            inner = f"source_{number}"
            self._card("V", start, inner, repr(volt), about=about)
            start = inner
        self._card("R", start, end, repr(ohm), about=about)

    def _driver(self, module: str, network: str, tap: str | None = None) -> None:
        """Two legs, each a current that falls with the voltage at its port and is never below 0 nor above its limit.

        What the high leg gives is drawn from the supply pin (F source), as a linear regulator would.
        """
        circuit = self.circuit
        if circuit.states[module] is not ModuleState.AWAKE:
            self.lines.append(f"* {module} is {circuit.states[module]} and drives nothing")
            return
        t = circuit.transceiver(module)
        high, low, supply, ground = (self._name(point) for point in circuit.pins(module, network, tap))
        tag = "_".join(plain(part) for part in (module, network, *([tap] if tap else [])))
        self.lines.append(f"* driver of {module} on {network}")
        for leg, start, end, drive in (("h", ground, high, t.vcc_volt - t.drop_volt), ("l", low, ground, -t.drop_volt)):
            sense = f"drive_{tag}_{leg}"
            self._card("B", start, sense, f"i={leg_current(drive, end, start, t.on_ohm, t.limit_amp)}")
            self._card("V", sense, end, "0")
            if leg == "h":
                self._card("F", supply, ground, f"V{self.counts['V']}", "1", about="drawn from the supply pin")

    def _start(self) -> list[str]:
        """Where ngspice begins its search: with dozens of drivers it may find no operating point from nothing.

        It still has to satisfy every node itself, and moves away from a start that is off.
        """
        if not self.drivers:
            return []
        volts = self.circuit.volts(self.drivers)
        known = [(name, volts.at(point)) for point, name in self._named() if name != "0"]
        return [f".nodeset v({name})={volt:.6f}" for name, volt in known]

    def _named(self) -> list[tuple[Point, str]]:
        return [(point, self.nodes[number]) for point, number in self.circuit.draft.node.items()]

    def _ties(self) -> None:
        """Give every island without the body one tie to it, so that ngspice can solve it."""
        circuit = self.circuit
        for number, name in self.nodes.items():
            position = int(circuit.pattern.position[number])
            if position >= 0 and int(circuit.roots[position]) == position:
                self._card("Rtie", name, "0", repr(TIE_OHM))


def leg_current(drive_volt: float, end: str, start: str, on_ohm: float, limit_amp: float) -> str:
    """The current of a leg from node ``start`` to ``end``, as ngspice's behaviour source takes it."""
    span = on_ohm * limit_amp
    port = f"{drive_volt!r}-(v({end})-v({start}))"
    return f"pwl({port},-1000,0,0,0,{span!r},{limit_amp!r},{span + 1000!r},{limit_amp!r})"
