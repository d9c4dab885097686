"""A second opinion on the circuit: slow, plain, written from the description of the vehicle file alone.

It shares no line with the simulator. Resistance comes from star-mesh elimination (only additions, products and
quotients of positive numbers, so no accuracy is lost between a milliohm and a megohm); voltages come from plain nodal
equations in a full matrix. Every element is put in by one sentence of DEVELOPERS.md, "From the file to the circuit".
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

import networkx
import yaml
from reference_solver import BODY, POSITIVE, Leg, NeverSettlesError, NodalEquations, star_mesh

CONTACT_OHM = 0.005
SUPPLIED_VOLT, LOST_VOLT = 6.0, 5.5
DOMINANT_VOLT, RECESSIVE_VOLT = 0.9, 0.5
LINES = ("high", "low")
OTHER = {"high": "low", "low": "high"}
DRIVER = {
    "vcc_volt": 5.0,
    "drop_volt": 0.8,
    "on_ohm": 21.0,
    "limit_amp": 0.070,
    "bias_ohm": 25_000.0,
    "unpowered_ohm": 1_000_000.0,
}


@cache
def read(text: str) -> dict[str, Any]:
    """The vehicle file with every scalar as text; nobody changes what is returned."""
    found: dict[str, Any] = yaml.load(text, Loader=getattr(yaml, "CBaseLoader", yaml.BaseLoader))
    return found


class ReferenceCircuit:
    """One vehicle text under faults (mappings with ``kind``) in one condition of the bench.

    ``parted`` holds places, or (network, place) where a place is on several networks.
    """

    def __init__(
        self,
        text: str,
        faults: Iterable[Mapping[str, Any]] = (),
        *,
        battery: bool = True,
        ignition: bool = True,
        unplugged: Iterable[str] = (),
        parted: Iterable[str | tuple[str, str]] = (),
    ) -> None:
        self.file = read(text)
        self.battery, self.ignition = battery, ignition
        self.unplugged = frozenset(unplugged)
        self.modules: dict[str, dict[str, Any]] = self.file["modules"]
        self.networks: dict[str, dict[str, Any]] = self.file["networks"]
        self.parted = {(self._network_of_place(p), p) if isinstance(p, str) else p for p in parted}
        self.resistors: list[tuple[str, str, float]] = []
        self.sources: list[tuple[str, str, float]] = []
        self._read_faults(faults)
        self._build_supply()
        for network in self.networks:
            self._build_network(network)
        self.states = self._settle()

    # --- faults: sums, sets and extra elements -------------------------------------------------------------------

    def _read_faults(self, faults: Iterable[Mapping[str, Any]]) -> None:
        self.extra: dict[tuple[str, ...], float] = {}  # ohm in series with something; inf is an open
        self.crossings: dict[tuple[str, str, str], int] = {}
        self.terminator_ohm: dict[tuple[str, str], float] = {}
        self.stub_m: dict[tuple[str, str], float] = {}
        self.shift_volt: dict[str, float] = {}
        self.dead: set[str] = set()
        battery = self.file["supply"]["battery"]
        self.battery_volt, self.battery_ohm = float(battery["open_circuit_volt"]), float(battery["internal_ohm"])
        for fault in faults:
            getattr(self, f"_fault_{fault['kind']}")(dict(fault))

    def _in_series(self, key: tuple[str, ...], ohm: float) -> None:
        self.extra[key] = self.extra.get(key, 0.0) + ohm

    def _fault_open(self, fault: dict[str, Any]) -> None:
        self._fault_resistance({**fault, "ohm": math.inf})

    def _fault_resistance(self, fault: dict[str, Any]) -> None:
        lines = LINES if fault["line"] == "both" else (fault["line"],)
        for line in lines:
            if "run" in fault:
                network, run = self._find_run(fault["run"], fault.get("network"))
                self._in_series(("run", network, self._run_name(run), line), float(fault["ohm"]))
            else:
                network = self._network_of_place(fault["at"], fault.get("network"))
                self._in_series(("contact", network, fault["at"], line), float(fault["ohm"]))

    def _fault_short(self, fault: dict[str, Any]) -> None:
        place = fault["at"]
        network = self._network_of_place(place, fault.get("network"))
        first, second = fault["between"].split("-")
        fuse = fault.get("fuse")
        ends = {
            "high": f"{network}/{place}/high",
            "low": f"{network}/{place}/low",
            "ground": BODY,
            "supply": f"fuse/{fuse}" if fuse else POSITIVE,
        }
        self.resistors.append((ends[first], ends[second], float(fault.get("ohm", 0.1))))

    def _fault_crossed(self, fault: dict[str, Any]) -> None:
        if "run" in fault:
            network, run = self._find_run(fault["run"], fault.get("network"))
            key = ("run", network, self._run_name(run))
        else:
            key = ("contact", self._network_of_place(fault["at"], fault.get("network")), fault["at"])
        self.crossings[key] = self.crossings.get(key, 0) + 1

    def _fault_missing_terminator(self, fault: dict[str, Any]) -> None:
        self.terminator_ohm[(self._network_of_place(fault["at"], fault.get("network")), fault["at"])] = math.inf

    def _fault_wrong_terminator(self, fault: dict[str, Any]) -> None:
        key = (self._network_of_place(fault["at"], fault.get("network")), fault["at"])
        self.terminator_ohm[key] = max(float(fault["ohm"]), self.terminator_ohm.get(key, 0.0))

    def _fault_extra_terminator(self, fault: dict[str, Any]) -> None:
        network = self._network_of_place(fault["at"], fault.get("network"))
        high, low = (f"{network}/{fault['at']}/{line}" for line in LINES)
        self.resistors.append((high, low, float(fault.get("ohm", 120.0))))

    def _fault_long_stub(self, fault: dict[str, Any]) -> None:
        key = (self._network_of_place(fault["at"], fault.get("network")), fault["at"])
        self.stub_m[key] = self.stub_m.get(key, 0.0) + float(fault["length_m"])

    def _fault_power_dropout(self, fault: dict[str, Any]) -> None:
        key = ("feed", fault["module"]) if "module" in fault else ("fuse", fault["fuse"])
        self._in_series(key, float(fault.get("ohm", math.inf)))

    def _fault_ground_dropout(self, fault: dict[str, Any]) -> None:
        key = ("ground", fault["module"]) if "module" in fault else ("point", fault["ground"])
        self._in_series(key, float(fault.get("ohm", math.inf)))

    def _fault_wake_dropout(self, fault: dict[str, Any]) -> None:
        self._in_series(("wake", fault["module"]), float(fault.get("ohm", math.inf)))

    def _fault_weak_battery(self, fault: dict[str, Any]) -> None:
        self.battery_volt, self.battery_ohm = float(fault["open_circuit_volt"]), float(fault["internal_ohm"])

    def _fault_back_feed(self, fault: dict[str, Any]) -> None:
        self.resistors.append((f"fuse/{fault['fuse']}", f"{fault['module']}/supply", float(fault["ohm"])))

    def _fault_ground_shift(self, fault: dict[str, Any]) -> None:
        self.shift_volt[fault["module"]] = self.shift_volt.get(fault["module"], 0.0) + float(fault["volt"])

    def _fault_dead_module(self, fault: dict[str, Any]) -> None:
        self.dead.add(fault["module"])

    # --- names -----------------------------------------------------------------------------------------------------

    def _network_of_place(self, place: str, network: str | None = None) -> str:
        if network:
            return network
        (found,) = [name for name in self.networks if place in self._places(name)]
        return found

    def _places(self, network: str) -> list[str]:
        return list(dict.fromkeys(p for run in self.networks[network]["runs"] for p in (run["from"], run["to"])))

    def _find_run(self, name: str, network: str | None) -> tuple[str, dict[str, Any]]:
        (found,) = [
            (candidate, run)
            for candidate in ([network] if network else self.networks)
            for run in self.networks[candidate]["runs"]
            if name == self._run_name(run) or ("name" not in run and name == f"{run['to']}-{run['from']}")
        ]
        return found

    @staticmethod
    def _run_name(run: Mapping[str, Any]) -> str:
        return str(run.get("name") or f"{run['from']}-{run['to']}")

    def node(self, probe: str) -> str:
        """The node of a probe point's text form."""
        first, *middle, last = probe.split(".")
        if first == "battery":
            return {"positive": POSITIVE, "negative": BODY}[last]
        if last in ("supply", "wake", "ground"):
            return f"{first}/{last}"
        off = "/off" if "off" in middle else ""
        named = [word for word in middle if word != "off"]
        network = self._network_of_place(first, named[0] if named else None)
        return f"{network}/{first}{off}/{last}"

    def probes(self) -> list[str]:
        """Every probe point, in its short form where that is unambiguous."""
        found = ["battery.positive", "battery.negative"]
        for name, module in self.modules.items():
            found += [f"{name}.supply", f"{name}.ground"] + ([f"{name}.wake"] if "wake" in module else [])
        for network in self.networks:
            for place in self._places(network):
                alone = sum(place in self._places(other) for other in self.networks) == 1
                stem = place if alone else f"{place}.{network}"
                found += [f"{stem}.{line}" for line in LINES]
                if (network, place) in self.parted:
                    found += [f"{stem}.off.{line}" for line in LINES]
        return found

    # --- from the file to the circuit ------------------------------------------------------------------------------

    def _resistor(self, start: str, end: str, ohm: float) -> None:
        if not math.isinf(ohm):
            self.resistors.append((start, end, ohm))

    def _build_supply(self) -> None:
        supply = self.file["supply"]
        if self.battery:  # disconnected: the battery is removed from between its clamps
            self.sources.append(("emf", BODY, self.battery_volt))
            self._resistor("emf", POSITIVE, self.battery_ohm)
        for name, fuse in supply["fuses"].items():
            if fuse.get("switched") != "ignition" or self.ignition:
                self._resistor(POSITIVE, f"fuse/{name}", float(fuse["ohm"]) + self.extra.get(("fuse", name), 0.0))
        for name, point in supply["grounds"].items():
            self._resistor(f"point/{name}", BODY, float(point["ohm"]) + self.extra.get(("point", name), 0.0))
        for name, module in self.modules.items():
            self._build_pins(name, module)

    def _build_pins(self, name: str, module: Mapping[str, Any]) -> None:
        feed, ground, wake = module["feed"], module["ground"], module.get("wake")
        self._resistor(
            f"fuse/{feed['fuse']}", f"{name}/supply", float(feed["ohm"]) + self.extra.get(("feed", name), 0.0)
        )
        ground_end = f"point/{ground['point']}"
        if self.battery and self.shift_volt.get(name, 0.0):
            self.sources.append((f"{name}/shifted", ground_end, self.shift_volt[name]))
            ground_end = f"{name}/shifted"
        self._resistor(ground_end, f"{name}/ground", float(ground["ohm"]) + self.extra.get(("ground", name), 0.0))
        pins = ["supply", "ground"]
        if wake:
            pins.append("wake")
            self._resistor(
                f"fuse/{wake['fuse']}", f"{name}/wake", float(wake["ohm"]) + self.extra.get(("wake", name), 0.0)
            )
        if name not in self.unplugged:
            for pin in pins:
                self._resistor(f"{name}/{pin}", f"{name}/pin/{pin}", CONTACT_OHM)

    def _build_network(self, network: str) -> None:
        drawn = self.networks[network]
        per_m = float(drawn["pair"]["ohm_per_m"])
        for run in drawn["runs"]:
            name = self._run_name(run)
            start, end = (self._run_end(network, name, run[side]) for side in ("from", "to"))
            crossed = self.crossings.get(("run", network, name), 0) % 2
            for line in LINES:
                ohm = float(run["length_m"]) * per_m + self.extra.get(("run", network, name, line), 0.0)
                self._resistor(f"{start}/{line}", f"{end}/{OTHER[line] if crossed else line}", ohm)
        for (where, place), length_m in self.stub_m.items():
            if where == network:
                for line in LINES:
                    self._resistor(f"{network}/{place}/joint/{line}", f"{network}/{place}/{line}", length_m * per_m)
        for place in self._places(network):
            if place in self.modules and place not in self.unplugged:
                crossed = self.crossings.get(("contact", network, place), 0) % 2
                for line in LINES:
                    ohm = CONTACT_OHM + self.extra.get(("contact", network, place, line), 0.0)
                    pin = OTHER[line] if crossed else line
                    self._resistor(f"{network}/{place}/{line}", f"{network}/{place}/pin/{pin}", ohm)
        for terminator in drawn.get("terminators", []):
            place = terminator["at"]
            side = f"{network}/{place}/pin" if terminator.get("inside") == "true" else f"{network}/{place}"
            ohm = self.terminator_ohm.get((network, place), float(terminator["ohm"]))
            self._resistor(f"{side}/high", f"{side}/low", ohm)

    def _run_end(self, network: str, run: str, place: str) -> str:
        if (network, place) in self.parted:
            (parting,) = [p for p in self.networks[network]["parting"] if p["at"] == place]
            if any(run == self._run_name(self._find_run(off, network)[1]) for off in parting["off"]):
                return f"{network}/{place}/off"
        return f"{network}/{place}/joint" if (network, place) in self.stub_m else f"{network}/{place}"

    # --- what the states add ---------------------------------------------------------------------------------------

    def buses(self, module: str) -> list[str]:
        """The networks a module sits on."""
        return [network for network in self.networks if module in self._places(network)]

    def driver(self, module: str) -> dict[str, float]:
        """The transceiver's numbers, defaults filled in."""
        given = self.modules[module].get("transceiver", {})
        return {key: float(given.get(key, default)) for key, default in DRIVER.items()}

    def _in_state(self, states: Mapping[str, str]) -> tuple[list[tuple[str, str, float]], list[tuple[str, str, float]]]:
        """Resistors and sources with the modules' loads and transceivers in these states."""
        resistors, sources = list(self.resistors), list(self.sources)
        for name, module in self.modules.items():
            state, driver = states[name], self.driver(name)
            loaded = state in ("awake", "starved")
            ohm = float(module["draw_ohm"]) if loaded else float(module.get("sleep_ohm", 1_000_000.0))
            ground = f"{name}/pin/ground"
            resistors.append((f"{name}/pin/supply", ground, ohm))
            far = ground
            if state == "awake":
                far = f"{name}/pin/bias"
                sources.append((far, ground, driver["vcc_volt"] / 2))
            line_ohm = driver["bias_ohm"] if state in ("awake", "asleep") else driver["unpowered_ohm"]
            for network in self.buses(name):
                resistors += [(f"{network}/{name}/pin/{line}", far, line_ohm) for line in LINES]
        return resistors, sources

    def _settle(self) -> dict[str, str]:
        states = dict.fromkeys(self.modules, "unpowered")
        called = dict.fromkeys(self.modules, False)
        seen = set()
        while True:
            now = (tuple(states.values()), tuple(called.values()))
            if now in seen:
                raise NeverSettlesError(str(states))
            seen.add(now)
            new = self._next_round(states, called)
            if new == states:
                return states
            states = new

    def _next_round(self, states: dict[str, str], called: dict[str, bool]) -> dict[str, str]:
        solution = self._solve(states, ())
        new = {}
        for name, module in self.modules.items():
            supply, wake, ground = (f"{name}/pin/{pin}" for pin in ("supply", "wake", "ground"))
            volt = solution.between_nodes(supply, ground) or 0.0
            supplied = volt >= (LOST_VOLT if states[name] in ("awake", "asleep") else SUPPLIED_VOLT)
            if "wake" not in module:
                called[name] = self.ignition
            elif not solution.reaches_battery(wake):  # a wake pin that no path connects to the battery counts as low
                called[name] = False
            else:
                wake_volt = solution.between_nodes(wake, ground) or 0.0
                called[name] = wake_volt >= (LOST_VOLT if called[name] else SUPPLIED_VOLT)
            if name in self.dead:
                new[name] = "unpowered"
            elif supplied:
                new[name] = "awake" if called[name] else "asleep"
            else:
                new[name] = "starved" if states[name] in ("awake", "starved") else "unpowered"
        return new

    def senders(self, network: str) -> list[str]:
        """The modules that can send on a network: plugged and awake."""
        places = self._places(network)
        return [n for n in self.modules if n in places and n not in self.unplugged and self.states[n] == "awake"]

    # --- answers ---------------------------------------------------------------------------------------------------

    def graph(self) -> networkx.Graph:
        """What is joined to what by resistors, with every source removed (a voltage source becomes a wire)."""
        resistors, sources = self._in_state(self.states)
        graph = networkx.Graph()
        graph.add_nodes_from(self.node(probe) for probe in self.probes())
        graph.add_edges_from((a, b) for a, b, _ in resistors + sources)
        return graph

    def resistance_ohm(self, red: str, black: str) -> float:
        """Ohm between two probe points, sources removed; ``inf`` where no path of resistors joins them."""
        start, end = self.node(red), self.node(black)
        if start == end:
            return 0.0
        if not networkx.has_path(self.graph(), start, end):
            return math.inf
        resistors, sources = self._in_state(self.states)
        return star_mesh(resistors, [(a, b) for a, b, _ in sources], start, end)

    def volts(self, dominant: Iterable[tuple[str, str]] = ()) -> Solution:
        """All voltages while these (module, network) transmitters are dominant and all others recessive."""
        return self._solve(self.states, tuple(dominant))

    def reads(self, solution: Solution, network: str, module: str) -> str:
        """What the receiver of a module makes of its two pins."""
        high, low = (
            solution.between_nodes(f"{network}/{module}/pin/{line}", f"{module}/pin/ground") or 0.0 for line in LINES
        )
        bounds = self.modules[module].get("transceiver", {}).get("common_mode_volt", ["-12", "12"])
        if not float(bounds[0]) <= (high + low) / 2 <= float(bounds[1]) or high - low <= RECESSIVE_VOLT:
            return "recessive"
        return "dominant" if high - low >= DOMINANT_VOLT else "undefined"

    def _solve(self, states: Mapping[str, str], dominant: tuple[tuple[str, str], ...]) -> Solution:
        resistors, sources = self._in_state(states)
        legs = [Leg(self.driver(module), module, network, line) for module, network in dominant for line in LINES]
        probes = [self.node(probe) for probe in self.probes()]
        return Solution(self, NodalEquations(resistors, sources, legs, probes))


class Solution:
    """Voltages of one solved circuit, by node or by probe point."""

    def __init__(self, circuit: ReferenceCircuit, equations: NodalEquations) -> None:
        self.circuit, self.equations = circuit, equations

    def reaches_battery(self, node: str) -> bool:
        """Whether a path of elements joins the node to the battery's clamps."""
        component = self.equations.component
        return component.get(node) in (component[BODY], component[POSITIVE])

    def between_nodes(self, plus: str, minus: str) -> float | None:
        """Volt from minus to plus, None where nothing joins the two."""
        component, index, found = self.equations.component, self.equations.index, self.equations.solution
        if plus not in component or component.get(minus) != component[plus]:
            return None
        return float(found[index[plus]] - found[index[minus]])

    def between(self, plus: str, minus: str = "battery.negative") -> float | None:
        """Volt between two probe points, None where nothing joins the two."""
        return self.between_nodes(self.circuit.node(plus), self.circuit.node(minus))
