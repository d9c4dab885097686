"""A network of lines: from the circuit at rest to what waves run on.

Each run is a two-conductor line with a differential and a common mode, half of its resistance at each end; runs
shorter than a step are lumped (resistance and inductance in series, capacitance half at each end). Everything beyond
the network - ground pins, rails, batteries - stays at its voltage at rest, but for the driver's own ground, which
moves with the current it takes. Times are in ns, so that inductance is in ohm ns and capacitance in ns per ohm.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.circuit import TESTER, Circuit
from simulator.deviations import LINES, RunSeries
from simulator.errors import BadRequest, UnknownName
from simulator.kernels import lines as kernel
from simulator.kernels.drive import leg_currents
from simulator.probes import BODY, Point

Floats: TypeAlias = NDArray[np.float64]
Pair: TypeAlias = tuple[int, int]

#: Pin capacitance of a module in ns per ohm: 50 pF of each line to ground, 10 pF between the lines.
PIN_TO_GROUND = 0.050
PIN_BETWEEN = 0.010
#: Ties every node to the body where the network is solved at rest, in siemens: far below anything that matters.
TIE_SIEMENS = 1e-12
#: Steps between two turns of the wave buffer.
CHUNK = 256


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
        return self.nodes.setdefault(point, len(self.nodes))

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
        ohm = length_m * self.network.pair.ohm_per_m
        self.pieces.append(Piece((start[0], start[1]), (end[0], end[1]), length_m, ohm))

    def _join(self, a: int, b: int, ohm: float) -> None:
        """A resistor between two nodes; an open is none, and a wire without a fault in it a very small one."""
        if a != b and not math.isinf(ohm):
            self.joints.append((a, b, max(ohm, 1e-6)))

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
        return tuple(m for m, net in self.circuit._always_driving() if net == self.network.name)

    # -- at rest ------------------------------------------------------------------------------------------------

    def conductance(self) -> tuple[Floats, Floats]:
        """Joints and rails: (nodes, nodes) in siemens, and the current the rails bring, in ampere."""
        count = len(self.nodes)
        matrix, amp = np.zeros((count, count)), np.zeros(count)
        for a, b, ohm in self.joints:
            _stamp(matrix, a, b, 1.0 / ohm)
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
                _stamp(matrix, a, b, 1.0 / piece.ohm)
        found: Floats
        if not self.stuck:
            found = np.linalg.solve(matrix, amp)
            return found
        inverse = np.linalg.inv(matrix)
        found = inverse @ amp
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
        found = found + inverse @ ports @ current
        return found


def _stamp(matrix: Floats, a: int, b: int, siemens: float) -> None:
    matrix[a, a] += siemens
    matrix[b, b] += siemens
    matrix[a, b] -= siemens
    matrix[b, a] -= siemens


class Waves:
    """A network of lines cut into steps: the arrays of the kernel, and runs on them."""

    def __init__(self, net: LineNetwork, step_ns: float) -> None:
        self.net = net
        self.step_ns = step_ns
        pair = net.network.pair
        self._modes = (
            (pair.impedance_ohm, pair.delay_ns_per_m),
            (pair.common_impedance_ohm, pair.common_delay_ns_per_m),
        )
        shortest = min(delay for _, delay in self._modes)
        self.long = [piece for piece in net.pieces if piece.length_m * shortest >= step_ns]
        self.short = [piece for piece in net.pieces if piece.length_m * shortest < step_ns]
        self._ends()
        self._lumps()
        self._clusters()

    def _ends(self) -> None:
        """Line ends, two and two, then the capacitances."""
        step, store = self.step_ns, self._capacitances()
        count = 2 * len(self.long) + len(store)
        self.pairs = [pair for piece in self.long for pair in (piece.start, piece.end)] + list(store)
        self.g, self.k = np.zeros((count, 2)), np.ones((count, 2))
        self.z = np.zeros((count, 2))  # wave impedance and loss of each end, for the waves at rest
        self.loss = np.zeros((count, 2))
        self.lag, self.taps = np.ones((count, 2), np.int64), np.zeros((count, 2, 4))
        self.taps[:, :, 1] = 1.0
        self.source = np.arange(count)
        self.source[: 2 * len(self.long)] ^= 1
        for n, piece in enumerate(self.long):
            for mode, (impedance, delay) in enumerate(self._modes):
                loss = piece.ohm * (1.0, 0.25)[mode]
                lag, taps = _taps(piece.length_m * delay / step)
                for e in (2 * n, 2 * n + 1):
                    self.z[e, mode], self.loss[e, mode] = impedance, loss
                    self.g[e, mode] = 1.0 / (impedance + loss)
                    self.k[e, mode] = (impedance - loss) / (impedance + loss)
                    self.lag[e, mode], self.taps[e, mode] = lag, taps
        for n, both in enumerate(store.values()):
            self.g[2 * len(self.long) + n] = [2.0 * value / step for value in both]
        #: Steps of the past that a run looks back on.
        self.reach = int(self.lag.max(initial=1)) + 3

    def _capacitances(self) -> dict[Pair, list[float]]:
        """Differential and common capacitance by pair of nodes, in ns per ohm."""
        to_ground, between = self.net.capacitance
        store = {
            pins: [0.5 * to_ground + between, 2.0 * to_ground]
            for pins in self.net.pins.values()
            if any(self.net.capacitance)
        }
        for piece in self.short:
            for pair in (piece.start, piece.end):
                both = store.setdefault(pair, [0.0, 0.0])
                for mode, (impedance, delay) in enumerate(self._modes):
                    both[mode] += 0.5 * piece.length_m * delay / impedance
        return store

    def _lumps(self) -> None:
        count, step = len(self.short), self.step_ns
        self.lump_node = np.zeros((count, 4), np.int64)
        self.lump_y, self.lump_q = np.zeros((count, 2)), np.zeros((count, 2))
        for m, piece in enumerate(self.short):
            self.lump_node[m] = (*piece.start, *piece.end)
            for mode, (impedance, delay) in enumerate(self._modes):
                ohm = piece.ohm * (2.0, 0.5)[mode]
                slow = 2.0 * piece.length_m * delay * impedance / step
                self.lump_y[m, mode], self.lump_q[m, mode] = 1.0 / (ohm + slow), slow - ohm

    def _clusters(self) -> None:
        """Number the nodes cluster by cluster and invert each cluster's matrix."""
        matrix, amp = self.net.conductance()
        for (high, low), (d, c) in zip(self.pairs, self.g, strict=True):
            _stamp_pair(matrix, ((high, low, 1.0),), d, c)
        for (ah, al, bh, bl), (d, c) in zip(self.lump_node, self.lump_y, strict=True):
            _stamp_pair(matrix, ((ah, al, 1.0), (bh, bl, -1.0)), d, c)
        groups = _groups(matrix)
        self.place = np.empty(len(amp), np.int64)
        first, z_at, blocks, rest = [0], [], [], np.empty(len(amp))
        for group in groups:
            block = np.linalg.inv(matrix[np.ix_(group, group)])
            self.place[group] = np.arange(first[-1], first[-1] + len(group))
            rest[self.place[group]] = block @ amp[group]
            z_at.append(sum(part.size for part in blocks))
            blocks.append(block.ravel())
            first.append(first[-1] + len(group))
        self.cluster = np.repeat(np.arange(len(groups)), np.diff(first))
        pairs = self.place[np.array(self.pairs, np.int64).reshape(-1, 2)]
        self.lines = kernel.Lines(
            np.array(first), np.array(z_at), np.concatenate(blocks), rest,
            np.ascontiguousarray(pairs[:, 0]), np.ascontiguousarray(pairs[:, 1]),
            self.g, self.k, self.source, self.lag, self.taps,
            self.place[self.lump_node], self.lump_y, self.lump_q,
        )  # fmt: skip

    # -- runs ---------------------------------------------------------------------------------------------------

    def drivers(self, ramps: Iterable[Ramp]) -> kernel.Drivers:
        """The transmitters as the kernel takes them; modules stuck dominant are always among them."""
        net = self.net
        wanted = [ramp for ramp in ramps if ramp.module not in net.stuck]
        wanted += [Ramp(module, ((0.0, 1.0),)) for module in net.stuck]
        pins = [self.place[list(net.driver_pins(ramp.module, ramp.tap))] for ramp in wanted]
        order = sorted(range(len(wanted)), key=lambda n: (int(self.cluster[pins[n][0]]), n))
        wanted, pins = [wanted[n] for n in order], [pins[n] for n in order]
        cluster = np.array([self.cluster[pin[0]] for pin in pins], np.int64)
        starts = [n for n in range(len(wanted)) if n == 0 or cluster[n] != cluster[n - 1]]
        kinds = [net.circuit.transceiver(ramp.module) for ramp in wanted]
        ohms = [(0.0, 0.0) if ramp.module in net.stuck else net.ground_ohms(ramp.module) for ramp in wanted]
        corners = [corner for ramp in wanted for corner in ramp.corners]
        return kernel.Drivers(
            np.array([pin[0] for pin in pins], np.int64),
            np.array([pin[1] for pin in pins], np.int64),
            cluster,
            np.array([*starts, len(wanted)], np.int64),
            np.array([net.ground_volt(ramp.module) for ramp in wanted]),
            np.array([kind.vcc_volt - kind.drop_volt for kind in kinds]),
            np.array([kind.drop_volt for kind in kinds]),
            np.array([kind.on_ohm for kind in kinds]),
            np.array([kind.limit_amp for kind in kinds]),
            np.array([own for own, _ in ohms]),
            np.array([shared for _, shared in ohms]),
            np.cumsum([0, *(len(ramp.corners) for ramp in wanted)]),
            np.array([t for t, _ in corners]),
            np.array([share for _, share in corners]),
        )

    def state(self) -> kernel.State:
        """Everything at rest."""
        net, volts = self.net, self.net.rest_volts
        waves = np.empty((len(self.pairs), 2, self.reach + max(CHUNK, self.reach)))
        for e, (high, low) in enumerate(self.pairs):
            waves[e, 0], waves[e, 1] = volts[high] - volts[low], 0.5 * (volts[high] + volts[low])
        for e, piece in enumerate(p for p in self.long for _ in range(2)):
            sign = 1.0 - 2.0 * (e % 2)
            both = [sign * (volts[a] - volts[b]) / piece.ohm for a, b in zip(piece.start, piece.end, strict=True)]
            modes = (0.5 * (both[0] - both[1]), both[0] + both[1])
            for mode, amp in enumerate(modes):
                waves[e, mode] += (self.z[e, mode] - self.loss[e, mode]) * amp
        lump_amp = np.zeros((len(self.short), 2))
        for m, piece in enumerate(self.short):
            high, low = ((volts[a] - volts[b]) / piece.ohm for a, b in zip(piece.start, piece.end, strict=True))
            lump_amp[m] = 0.5 * (high - low), high + low
        ordered = np.empty(len(volts))
        ordered[self.place] = volts
        return kernel.State(waves, ordered, lump_amp, np.zeros(0, np.int64))

    def begin(self, drivers: kernel.Drivers) -> kernel.State:
        """The state at rest for a run with these drivers."""
        return self.state()._replace(at_corner=drivers.corner[:-1].copy())

    def advance(
        self, drivers: kernel.Drivers, state: kernel.State, t_ns: float, steps: int, nodes: Iterable[int]
    ) -> Floats:
        """Run on from ``t_ns``: (steps, nodes) in volt, the first row one step after it."""
        probes = self.place[np.array(list(nodes), np.int64)]
        out = np.empty((steps, len(probes)))
        kernel.advance(self.lines, drivers, state, self.reach, t_ns, self.step_ns, probes, out)
        return out


def _stamp_pair(matrix: Floats, pairs: tuple[tuple[int, int, float], ...], d: float, c: float) -> None:
    """A modal conductance (differential ``d``, common ``c``) on a pair of nodes, or between two pairs."""
    for high_a, low_a, sign_a in pairs:
        for high_b, low_b, sign_b in pairs:
            sign = sign_a * sign_b
            matrix[high_a, high_b] += sign * (d + 0.25 * c)
            matrix[low_a, low_b] += sign * (d + 0.25 * c)
            matrix[high_a, low_b] -= sign * (d - 0.25 * c)
            matrix[low_a, high_b] -= sign * (d - 0.25 * c)


def _groups(matrix: Floats) -> list[list[int]]:
    """Nodes that something without delay joins."""
    left, groups = set(range(len(matrix))), []
    while left:
        found, edge = set(), [min(left)]
        while edge:
            node = edge.pop()
            if node not in found:
                found.add(node)
                edge += [int(other) for other in np.flatnonzero(matrix[node])]
        left -= found
        groups.append(sorted(found))
    return groups


def _taps(steps: float) -> tuple[int, list[float]]:
    """Whole steps and weights that read a wave ``steps`` ago: the cubic through four samples, or a straight line.

    The cubic between its middle samples never amplifies (Laakso et al., Splitting the unit delay, 1996); a line of
    less than two steps has no sample new enough for it.
    """
    lag = math.floor(steps + 1e-9)
    f = max(steps - lag, 0.0)
    if lag < 2:
        return lag, [0.0, 1.0 - f, f, 0.0]
    return lag, [
        -f * (f - 1) * (f - 2) / 6, (f + 1) * (f - 1) * (f - 2) / 2, -(f + 1) * f * (f - 2) / 2, (f + 1) * f * (f - 1) / 6,
    ]  # fmt: skip
