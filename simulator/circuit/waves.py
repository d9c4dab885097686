"""A network of lines cut into steps: the arrays of the wave kernel, and runs on them.

Each pair of nodes (high 2 n, low 2 n + 1) becomes two modal ones: 2 n differential (high minus low, half the
difference of the currents) and 2 n + 1 common (mean, sum of the currents).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.lines import LineNetwork, Pair, Piece, Ramp, stamp
from simulator.kernels import lines as kernel

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]

#: Steps between two turns of the wave buffer, at least.
CHUNK = 256
#: High and low of a pair by its modal voltages.
OF_MODES = np.array([[0.5, 1.0], [-0.5, 1.0]])


class Waves:
    """The waves of one network at one step, in ns. Runs shorter than a step are lumped."""

    def __init__(self, net: LineNetwork, step_ns: float) -> None:
        self.net = net
        self.step_ns = step_ns
        pair = net.network.pair
        #: (wave impedance in ohm, delay in ns per metre) of the differential and the common mode.
        self.modes = (
            (pair.impedance_ohm, pair.delay_ns_per_m),
            (pair.common_impedance_ohm, pair.common_delay_ns_per_m),
        )
        quickest = min(delay for _, delay in self.modes)
        self.long = [piece for piece in net.pieces if piece.length_m * quickest >= step_ns]
        self.short = [piece for piece in net.pieces if piece.length_m * quickest < step_ns]
        self._lay_ends()
        self._lay_stores()
        self._lay_lumps()
        self._invert()

    # -- the arrays ---------------------------------------------------------------------------------------------

    def _lay_ends(self) -> None:
        """Ends of long pieces, per piece: start differential, start common, end differential, end common."""
        count = 4 * len(self.long)
        self.end_node = np.array(
            [pair[0] + mode for piece in self.long for pair in (piece.start, piece.end) for mode in (0, 1)], np.int64
        )
        self.impedance, self.loss = np.empty(count), np.empty(count)
        lag, taps = np.ones(count, np.int64), np.zeros((count, 4))
        for n, piece in enumerate(self.long):
            for mode, (impedance, delay) in enumerate(self.modes):
                both = [4 * n + mode, 4 * n + 2 + mode]
                self.impedance[both], self.loss[both] = impedance, piece.ohm * (1.0, 0.25)[mode]
                lag[both], taps[both] = _taps(piece.length_m * delay / self.step_ns)
        self.g = 1.0 / (self.impedance + self.loss)
        self.k = (self.impedance - self.loss) * self.g
        #: Steps of the past that a run looks back on, and room for them and a chunk of new ones.
        self.reach = int(lag.max(initial=1)) + 3
        self.room = self.reach + max(CHUNK, self.reach)
        self.base = (np.arange(count) ^ 2) * self.room - lag - 2
        self.taps = taps.ravel()

    def _lay_stores(self) -> None:
        """Capacitances: of the pins, and half of each short piece's at its ends."""
        to_ground, between = self.net.capacitance
        store: dict[int, float] = {}
        for high, _ in self.net.pins.values():
            store[high], store[high + 1] = 0.5 * to_ground + between, 2.0 * to_ground
        for piece in self.short:
            for pair in (piece.start, piece.end):
                for mode, (impedance, delay) in enumerate(self.modes):
                    node = pair[0] + mode
                    store[node] = store.get(node, 0.0) + 0.5 * piece.length_m * delay / impedance
        store = {node: value for node, value in store.items() if value > 0.0}
        self.store_node = np.array(list(store), np.int64)
        self.store_g = 2.0 * np.array(list(store.values())) / self.step_ns

    def _lay_lumps(self) -> None:
        """Resistance and inductance of short pieces."""
        ends: list[int] = []
        ohm, slow = [], []
        for piece in self.short:
            for mode, (impedance, delay) in enumerate(self.modes):
                ends += [piece.start[0] + mode, piece.end[0] + mode]
                ohm.append(piece.ohm * (2.0, 0.5)[mode])
                slow.append(2.0 * piece.length_m * delay * impedance / self.step_ns)
        self.lump_node = np.array(ends, np.int64)
        self.lump_y = 1.0 / (np.array(ohm) + np.array(slow))
        self.lump_q = np.array(slow) - np.array(ohm)

    def _invert(self) -> None:
        """Resistance between all modal nodes that something without delay joins."""
        matrix, amp = self.net.conductance()
        matrix, amp = to_modes(to_modes(matrix).T), to_modes(amp)
        np.add.at(matrix, (self.end_node, self.end_node), self.g)
        np.add.at(matrix, (self.store_node, self.store_node), self.store_g)
        for (a, b), y in zip(self.lump_node.reshape(-1, 2), self.lump_y, strict=True):
            stamp(matrix, int(a), int(b), float(y))
        self.z = np.zeros_like(matrix)
        self.cluster = np.zeros(len(matrix), np.int64)
        for number, group in enumerate(_groups(matrix)):
            block = np.ix_(group, group)
            self.z[block] = np.linalg.inv(matrix[block])
            self.cluster[group] = number
        z_to, z_from = _spaced(self.z)
        self.lines = kernel.Lines(
            self.z @ amp, z_to, z_from, self.z[z_to, z_from], self.end_node, self.g, self.k, self.base, self.taps,
            self.store_node, self.store_g, self.lump_node, self.lump_y, self.lump_q,
        )  # fmt: skip

    # -- runs ---------------------------------------------------------------------------------------------------

    def drivers(self, ramps: Iterable[Ramp]) -> kernel.Drivers:
        """The transmitters as the kernel takes them; modules stuck dominant are always among them."""
        net = self.net
        wanted = [ramp for ramp in ramps if ramp.module not in net.stuck]
        wanted += [Ramp(module, ((0.0, 1.0),)) for module in net.stuck]
        pins = {id(ramp): net.driver_pins(ramp.module, ramp.tap)[0] for ramp in wanted}
        wanted.sort(key=lambda ramp: self._group_of(pins[id(ramp)]))
        nodes = [pins[id(ramp)] for ramp in wanted]
        groups = [self._group_of(node) for node in nodes]
        starts = [n for n in range(len(wanted)) if n == 0 or groups[n] != groups[n - 1]]
        legs = [self._driver(ramp, node) for ramp, node in zip(wanted, nodes, strict=True)]
        columns = [self._column(node) for node in nodes]
        corners = [corner for ramp in wanted for corner in ramp.corners]
        return kernel.Drivers(
            np.array([node + mode for node in nodes for mode in (0, 1)], np.int64),
            np.array([*starts, len(wanted)], np.int64),
            np.array(legs, np.float64).ravel(),
            np.cumsum([0, *(len(moved) for moved, _ in columns)]),
            np.array([n for moved, _ in columns for n in moved], np.int64),
            np.array([ohm for _, column in columns for ohm in column], np.float64),
            np.cumsum([0, *(len(ramp.corners) for ramp in wanted)]),
            np.array([t for t, _ in corners], np.float64),
            np.array([share for _, share in corners], np.float64),
        )

    def _driver(self, ramp: Ramp, node: int) -> list[float]:
        """One driver's numbers: ``Drivers.legs``."""
        kind = self.net.circuit.transceiver(ramp.module)
        own, shared = (0.0, 0.0) if ramp.module in self.net.stuck else self.net.ground_ohms(ramp.module)
        (hh, lh), (hl, ll) = ([float(ohm) for ohm in OF_MODES @ leg[node : node + 2]] for leg in self._legs(node))
        ports = [hh + shared, own - hl, shared + lh, own - ll]
        ground, drive = self.net.ground_volt(ramp.module), kind.vcc_volt - kind.drop_volt
        return [ground, drive, -kind.drop_volt, kind.on_ohm, kind.limit_amp, *ports]

    def _group_of(self, node: int) -> int:
        """Drivers hang on one another where a mode of theirs is in one cluster."""
        return int(min(self.cluster[node], self.cluster[node + 1]))

    def _legs(self, node: int) -> tuple[Floats, Floats]:
        """(nodes,) ohm for an ampere of the high leg into its pin, and of the low leg out of its pin."""
        differential, common = 0.5 * self.z[:, node], self.z[:, node + 1]
        return differential + common, differential - common

    def _column(self, node: int) -> tuple[Ints, Floats]:
        """What a driver moves: first its own high and low pin, then the modal nodes; ohm for either leg."""
        high, low = self._legs(node)
        moved = np.flatnonzero((high != 0.0) | (low != 0.0))
        own = [OF_MODES @ leg[node : node + 2] for leg in (high, low)]
        ohm = [np.concatenate([at_pin, leg[moved]]) for at_pin, leg in zip(own, (high, low), strict=True)]
        return np.concatenate([[node, node], moved]), np.stack(ohm, axis=1).ravel()

    @cached_property
    def _at_rest(self) -> kernel.State:
        volts = to_modal_volts(self.net.rest_volts)
        waves = np.empty((len(self.end_node), self.room))
        for n, piece in enumerate(self.long):
            amp = _through(self.net.rest_volts, piece)
            both = np.concatenate([amp, -amp])
            ends = slice(4 * n, 4 * n + 4)
            level = volts[self.end_node[ends]] + (self.impedance[ends] - self.loss[ends]) * both
            waves[ends] = level[:, None]
        lump_amp = np.array([amp for piece in self.short for amp in _through(self.net.rest_volts, piece)], np.float64)
        return kernel.State(waves.ravel(), volts, volts[self.store_node], lump_amp, np.zeros(0, np.int64))

    def begin(self, drivers: kernel.Drivers) -> kernel.State:
        """A state at rest for a run with these drivers."""
        waves, volts, store_wave, lump_amp, _ = self._at_rest
        return kernel.State(waves.copy(), volts.copy(), store_wave.copy(), lump_amp.copy(), drivers.corner[:-1].copy())

    def advance(
        self, drivers: kernel.Drivers, state: kernel.State, t_ns: float, steps: int, pairs: Sequence[Pair]
    ) -> Floats:
        """Run on from ``t_ns``: (steps, pairs, 2) in volt, high and low; the first row is one step after it."""
        modes = self.advance_modes(drivers, state, t_ns, steps, pairs)
        half = 0.5 * modes[:, :, 0]
        return np.stack([modes[:, :, 1] + half, modes[:, :, 1] - half], axis=2)

    def advance_modes(
        self, drivers: kernel.Drivers, state: kernel.State, t_ns: float, steps: int, pairs: Sequence[Pair]
    ) -> Floats:
        """The same as difference and mean."""
        probes = np.array([pair[0] + mode for pair in pairs for mode in (0, 1)], np.int64)
        out = np.empty((steps, len(probes)))
        kernel.advance(self.lines, drivers, state, self.reach, t_ns, self.step_ns, probes, out)
        return out.reshape(steps, len(pairs), 2)


def to_modes(values: Floats) -> Floats:
    """Rows of currents or conductances by node as rows by mode."""
    high, low = values[0::2], values[1::2]
    result = np.empty_like(values)
    result[0::2], result[1::2] = 0.5 * (high - low), high + low
    return result


def to_modal_volts(volts: Floats) -> Floats:
    """Voltages by node as voltages by mode."""
    result = np.empty_like(volts)
    result[0::2], result[1::2] = volts[0::2] - volts[1::2], 0.5 * (volts[0::2] + volts[1::2])
    return result


def _through(volts: Floats, piece: Piece) -> Floats:
    """Modal currents through a piece at rest, from its start."""
    high, low = ((volts[a] - volts[b]) / piece.ohm for a, b in zip(piece.start, piece.end, strict=True))
    return np.array([0.5 * (high - low), high + low])


def _groups(matrix: Floats) -> list[list[int]]:
    """Nodes that something without delay joins."""
    around: list[set[int]] = [set() for _ in range(len(matrix))]
    for a, b in zip(*np.nonzero(matrix), strict=True):
        around[a].add(int(b))
    left, groups = set(range(len(matrix))), []
    while left:
        found: set[int] = set()
        edge = {min(left)}
        while edge:
            found |= edge
            edge = set().union(*(around[node] for node in edge)) - found
        left -= found
        groups.append(sorted(found))
    return groups


def _spaced(z: Floats) -> tuple[Ints, Ints]:
    """The entries of a matrix that are not zero, one of each row, then the next of each: none waits for another."""
    rows, columns = np.nonzero(z)
    turn = np.arange(len(rows)) - np.searchsorted(rows, rows)
    order = np.lexsort((rows, turn))
    return np.ascontiguousarray(rows[order]), np.ascontiguousarray(columns[order])


def _taps(steps: float) -> tuple[int, list[float]]:
    """Whole steps, and weights of four samples, oldest first, that read a wave ``steps`` ago.

    The cubic through the samples on either side never amplifies (T. I. Laakso and others, Splitting the unit delay,
    1996); a line of less than two steps has no sample new enough for it and takes the straight line.
    """
    lag = math.floor(steps + 1e-9)
    f = max(steps - lag, 0.0)
    if lag < 2:
        return lag, [0.0, f, 1.0 - f, 0.0]
    a, b, c = f + 1.0, f - 1.0, f - 2.0
    return lag, [a * f * b / 6.0, -a * f * c / 2.0, a * b * c / 2.0, -f * b * c / 6.0]
