"""A network of lines: from the circuit at rest to what waves run on.

Each run is a two-conductor line with a differential and a common mode, half of its resistance at each end; runs
shorter than a step are lumped (resistance and inductance in series, capacitance half at each end). Everything beyond
the network - ground pins, rails, batteries - stays at its voltage at rest, but for the driver's own ground, which
moves with the current it takes. Times are in ns, so that inductance is in ohm ns and capacitance in ns per ohm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.circuit import TESTER, Circuit
from simulator.deviations import LINES, RunSeries
from simulator.errors import BadRequest, UnknownName
from simulator.kernels.drive import leg_currents
from simulator.probes import BODY, Point

Floats: TypeAlias = NDArray[np.float64]
Pair: TypeAlias = tuple[int, int]

#: Pin capacitance of a module in ns per ohm: 50 pF of each line to ground, 10 pF between the lines.
PIN_TO_GROUND = 0.050
PIN_BETWEEN = 0.010
#: Ties every node to the body where the network is solved at rest, in siemens: far below anything that matters.
TIE_SIEMENS = 1e-12
#: The same where that is lost beside the joints of an island that floats.
FLOATING_SIEMENS = 1e-9
#: What joins the two sides of a cut where a fault leaves a conductor whole, in ohm.
WHOLE_OHM = 1e-6


@dataclass(frozen=True)
class Piece:
    """A run or a part of one: node pairs at its ends, length in metre, resistance of one conductor in ohm."""

    start: Pair
    end: Pair
    length_m: float
    ohm: float


@dataclass(frozen=True)
class Ramp:
    """How far on a driver is: corners (t in ns, share from 0 to 1), straight lines between them."""

    module: str
    corners: tuple[tuple[float, float], ...]
    tap: str | None = None


class LineNetwork:
    """The lines, junctions and pins of one network of a circuit, whatever the step.

    ``joints`` are resistors (node, node, ohm) and ``rails`` resistors (node, volt, ohm) to something that stays put.
    ``capacitance`` overrides the pins' (to ground, between), in ns per ohm.
    """

    def __init__(
        self, circuit: Circuit, network: str, capacitance: tuple[float, float] = (PIN_TO_GROUND, PIN_BETWEEN)
    ) -> None:
        self.circuit = circuit
        self.network = circuit.vehicle.network(network)
        self.capacitance = capacitance
        self.volts = circuit.volts()
        self.nodes: dict[Point, int] = {}
        self.pieces: list[Piece] = []
        self.joints: list[tuple[int, int, float]] = []
        self.rails: list[tuple[int, float, float]] = []
        self._points = {number: point for point, number in circuit.draft.node.items()}
        self._numbers = {key: number for number, key in enumerate(circuit.draft.names())}
        self._series = self._series_by_run()
        self._build()

    # -- from the circuit's elements ----------------------------------------------------------------------------

    def _inside(self, point: Point) -> bool:
        return point[0] in ("place", "off", "pin", "joint", "cut") and point[1] == self.network.name

    def node(self, point: Point) -> int:
        """The node of a point of this network. Raises UnknownName."""
        found = self.nodes.get(point)
        if found is None and point[0] == "off":
            found = self.nodes.get(("place", *point[1:]))
        if found is None:
            raise UnknownName("place", point[2], self.network.places)
        return found

    def _new(self, point: Point) -> int:
        """The node of a point; high and low come together, 2 n and 2 n + 1."""
        if point not in self.nodes:
            for line in LINES:
                self.nodes[(*point[:-1], line)] = len(self.nodes)
        return self.nodes[point]

    def _series_by_run(self) -> dict[str, list[RunSeries]]:
        found: dict[str, list[RunSeries]] = {}
        for item in self.circuit.vehicle.deviations:
            if isinstance(item, RunSeries) and item.network == self.network.name:
                found.setdefault(item.run, []).append(item)
        return found

    def _build(self) -> None:
        draft, net = self.circuit.draft, self.network
        for run in net.runs:
            self._add_run(("run", net.name, run.name), run.length_m, self._series.get(run.name, []))
        stubs = {key[2] for key in self._numbers if key[0] == "stub" and key[1] == net.name}
        for module in sorted(stubs):
            ohm = draft.ohm[self._numbers["stub", net.name, module, "high"]]
            self._add_run(("stub", net.name, module), ohm / net.pair.ohm_per_m, [])
        for key, number in self._numbers.items():
            if key[0] in ("run", "stub") or math.isinf(draft.ohm[number]):
                continue
            ends = [self._points[draft.start[number]], self._points[draft.end[number]]]
            self._add_resistor(ends, draft.ohm[number], draft.volt.get(number, 0.0))
        self.pins: dict[str, Pair] = {}
        for at, module in self.circuit.drawing.pins:
            if at == net.name:
                high, low = (self._new(("pin", net.name, module, line)) for line in LINES)
                self.pins[module] = (high, low)

    def _add_run(self, element: Point, length_m: float, series: list[RunSeries]) -> None:
        """A run as pieces of line, cut where a fault put resistance into it."""
        draft, net = self.circuit.draft, self.network
        numbers = [self._numbers[(*element, line)] for line in LINES]
        here = tuple(self._new(self._points[draft.start[number]]) for number in numbers)
        last = tuple(self._new(self._points[draft.end[number]]) for number in numbers)
        before = 0.0
        for along in sorted({item.along for item in series}):
            if along > before:
                cut = tuple(self._new(("cut", net.name, element[2], f"{along}-", line)) for line in LINES)
                self._add_piece(here, cut, (along - before) * length_m)
                here = cut
            at_end = along >= 1.0
            beyond = (
                last if at_end else tuple(self._new(("cut", net.name, element[2], f"{along}+", line)) for line in LINES)
            )
            for line, a, b in zip(LINES, here, beyond, strict=True):
                ohm = math.fsum(item.ohm for item in series if item.along == along and item.line == line)
                self._join(a, b, ohm)
            here, before = beyond, along
        if before < 1.0:
            self._add_piece(here, last, (1.0 - before) * length_m)

    def _add_piece(self, start: tuple[int, ...], end: tuple[int, ...], length_m: float) -> None:
        """A stretch of line between two pairs; one that ends crossed goes through a pair of its own."""
        if end[0] > end[1]:
            crossed = tuple(self._new(("cut", self.network.name, f"{len(self.pieces)}", "x+", line)) for line in LINES)
            for a, b in zip(crossed, end, strict=True):
                self._join(a, b, 0.0)
            end = crossed
        ohm = length_m * self.network.pair.ohm_per_m
        self.pieces.append(Piece((start[0], start[1]), (end[0], end[1]), length_m, ohm))

    def _join(self, a: int, b: int, ohm: float) -> None:
        """A resistor between two nodes; an open is none, and a wire without a fault in it a very small one."""
        if a != b and not math.isinf(ohm):
            self.joints.append((a, b, max(ohm, WHOLE_OHM)))

    def _add_resistor(self, ends: list[Point], ohm: float, volt: float) -> None:
        """A resistor with ``volt`` in series, positive at its start, one end of it in this network."""
        inside = [self._inside(point) for point in ends]
        if all(inside):
            a, b = (self._new(point) for point in ends)
            if a != b:
                self.joints.append((a, b, ohm))
        elif inside[0]:
            self.rails.append((self._new(ends[0]), self.volts.at(ends[1]) + volt, ohm))
        elif inside[1]:
            self.rails.append((self._new(ends[1]), self.volts.at(ends[0]) - volt, ohm))

    # -- drivers ------------------------------------------------------------------------------------------------

    def driver_pins(self, module: str, tap: str | None = None) -> Pair:
        """The nodes a module's transceiver hangs on. Raises BadRequest for one that is not on this network."""
        if module != TESTER and module not in self.pins:
            raise BadRequest(f"{module} is not on network {self.network.name}")
        high, low, _, _ = self.circuit.pins(module, self.network.name, tap)
        return self.node(high), self.node(low)

    def ground_volt(self, module: str) -> float:
        """Voltage of a module's ground pin at rest; the tester stands on the body."""
        return 0.0 if module == TESTER else self.volts.at(("ground_pin", module))

    def ground_ohms(self, module: str) -> tuple[float, float]:
        """Ohm of the ground pin to the body, and how much of it the supply pin shares."""
        if module == TESTER:
            return 0.0, 0.0
        ground, supply = ("ground_pin", module), ("supply_pin", module)
        circuit = self.circuit
        own = circuit.resistance_ohm(ground, BODY)
        other, between = circuit.resistance_ohm(supply, BODY), circuit.resistance_ohm(supply, ground)
        if math.isinf(own) or math.isinf(other) or math.isinf(between):
            return 0.0, 0.0
        return own, 0.5 * (own + other - between)

    @cached_property
    def stuck(self) -> tuple[str, ...]:
        """Modules that a fault makes drive all the time."""
        return tuple(m for m, net in self.circuit.always_driving() if net == self.network.name)

    # -- at rest ------------------------------------------------------------------------------------------------

    def conductance(self) -> tuple[Floats, Floats]:
        """Joints and rails: (nodes, nodes) in siemens, and the current the rails bring, in ampere."""
        count = len(self.nodes)
        matrix, amp = np.zeros((count, count)), np.zeros(count)
        for a, b, ohm in self.joints:
            stamp(matrix, a, b, 1.0 / ohm)
        for a, volt, ohm in self.rails:
            matrix[a, a] += 1.0 / ohm
            amp[a] += volt / ohm
        return matrix, amp

    @cached_property
    def rest_volts(self) -> Floats:
        """(nodes,) before anything moves: nobody drives but who is stuck."""
        matrix, amp = self.conductance()
        matrix[np.diag_indices_from(matrix)] += TIE_SIEMENS
        for piece in self.pieces:
            for a, b in zip(piece.start, piece.end, strict=True):
                stamp(matrix, a, b, 1.0 / piece.ohm)
        inverse = _inverse(matrix)
        if not self.stuck:
            return np.asarray(inverse @ amp, np.float64)
        found = np.asarray(inverse @ amp, np.float64)
        drive, opened, ohm, limit = (np.zeros(2 * len(self.stuck)) for _ in range(4))
        ports = np.zeros((len(found), 2 * len(self.stuck)))
        for n, module in enumerate(self.stuck):
            transceiver = self.circuit.transceiver(module)
            # Their own grounds already carry what they drive: the circuit at rest has them on.
            ground, (high, low) = self.ground_volt(module), self.driver_pins(module)
            ports[high, 2 * n], ports[low, 2 * n + 1] = 1.0, -1.0
            drive[2 * n : 2 * n + 2] = transceiver.vcc_volt - transceiver.drop_volt, -transceiver.drop_volt
            opened[2 * n : 2 * n + 2] = found[high] - ground, ground - found[low]
            ohm[2 * n : 2 * n + 2], limit[2 * n : 2 * n + 2] = transceiver.on_ohm, transceiver.limit_amp
        current, _ = leg_currents(ports.T @ inverse @ ports, opened, drive, ohm, limit)
        return np.asarray(found + inverse @ ports @ current, np.float64)


def stamp(matrix: Floats, a: int, b: int, siemens: float) -> None:
    """Add a conductance between two nodes."""
    matrix[a, a] += siemens
    matrix[b, b] += siemens
    matrix[a, b] -= siemens
    matrix[b, a] -= siemens


def _inverse(matrix: Floats) -> Floats:
    """The inverse; nodes that nothing but the smallest tie joins to the body are tied harder, for they float anyhow."""
    try:
        return np.asarray(np.linalg.inv(matrix), np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.inv(matrix + FLOATING_SIEMENS * np.eye(len(matrix))), np.float64)
