"""Who hears whom, from the waveform at the sample points: two edges of each transmitter instead of whole frames."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.circuit import TESTER, Circuit
from simulator.circuit.lines import LineNetwork, Pair, Ramp
from simulator.circuit.link import keep_last
from simulator.circuit.waveform import EDGE_NS, LOOP_DELAY_NS, line_delays, ramp_corners
from simulator.circuit.waves import Waves
from simulator.condition import Condition, ModuleState
from simulator.kernels.lines import Drivers, State
from simulator.vehicle import Vehicle

Floats: TypeAlias = NDArray[np.float64]
Bools: TypeAlias = NDArray[np.bool_]

#: Bits of one value in a row that stuffing allows (Bosch CAN 2.0, 5), and recessive ones that make a bus idle.
MOST_EQUAL_BITS = 5
IDLE_BITS = 11
#: An edge has settled when, for a whole window, every difference stays this near to its value at rest, in volt, and
#: no mean moves by more than the second figure: the common mode is slow, and receivers hardly mind it.
SETTLED_VOLT = 0.05
MEAN_VOLT = 0.3
#: What follows where an edge has not settled within a bit: a bit before the next, in every mix.
WORST_BITS = bytes([0, 0, 0, 0, 0, 1, 0, 1, 1, 1, 1, 1, 0, 1])


@dataclass(frozen=True)
class Hearing:
    """Who hears whom on a network: ``hears[receiver][transmitter]``, a transmitter's own reading included.

    ``sees``: its dominant bits are read as such; ``late_bits``: of five dominant bits, those up to the last one that is
    read recessive; ``lingering_bits``: recessive bits after a release that are still read dominant, at most 11 (an idle
    bus is recessive for so long); ``hears``: both right. ``idle`` are the receivers that read the bus as recessive
    while nobody drives. Bits that go wrong only in a worst pattern count as one bit late or lingering.
    """

    network: str
    hears: Mapping[str, Mapping[str, bool]]
    sees: Mapping[str, Mapping[str, bool]]
    late_bits: Mapping[str, Mapping[str, int]]
    lingering_bits: Mapping[str, Mapping[str, int]]
    idle: frozenset[str]


_kept: OrderedDict[object, tuple[Vehicle, Hearing]] = OrderedDict()


def who_hears_whom(
    vehicle: Vehicle,
    condition: Condition | None = None,
    network: str | None = None,
    *,
    bit_rate: float | None = None,
    sample_point: float | None = None,
    circuit: Circuit | None = None,
    taps: Mapping[str, str] | None = None,
    data_phase: bool = False,
) -> Hearing:
    """Who hears whom; kept for the same question.

    ``circuit`` is the vehicle's circuit where there is one already, with the states its modules are in; ``taps`` are
    testers by name, each with its place (default: the tester at the socket). ``data_phase``: in the bits of CAN FD that
    are sent at the data bit rate, where a transmitter knows its own delay (ISO 11898-1:2015, 11.3.3).
    """
    net = vehicle.network(network)
    circuit = circuit or Circuit(vehicle, condition)
    rate, at = (net.data_bit_rate, net.data_sample_point) if data_phase else (net.bit_rate, net.sample_point)
    bit_ns, point = 1e9 / (bit_rate or rate or net.bit_rate), sample_point or at or net.sample_point
    if taps is None:
        taps = {TESTER: net.socket} if net.socket is not None else {}
    state = (vehicle.deviations, circuit.condition, tuple(circuit.states.items()), circuit.switched_off)
    asked = (*state, net.name, bit_ns, point, tuple(taps.items()), data_phase)
    key = (vehicle.drawing_key, *asked)
    if key not in _kept:
        loop_ns = 0.0 if data_phase else LOOP_DELAY_NS
        _kept[key] = (vehicle, _Listening(circuit, net.name, (bit_ns, point), taps, loop_ns).hearing())
        if len(_kept) > 256:
            _kept.popitem(last=False)
    _kept.move_to_end(key)
    return _kept[key][1]


class _Listening:
    """One network's receivers, and the edges they are shown."""

    def __init__(
        self, circuit: Circuit, network: str, bit: tuple[float, float], taps: Mapping[str, str], loop_ns: float
    ) -> None:
        self.lines = LineNetwork(circuit, network)
        self.taps = taps
        self.loop_ns = loop_ns
        self.bit_ns, self.sample_ns = bit[0], bit[1] * bit[0]
        self.waves = Waves(self.lines, min(max(self.bit_ns / 1000.0, 1.0), 10.0))
        self.senders = [*circuit.senders(network), *taps]
        awake = [m for m in self.lines.pins if circuit.states[m] is ModuleState.AWAKE]
        self.receivers = [*awake, *taps]
        self.pairs: list[Pair] = [self.lines.driver_pins(*self._ear(name)) for name in self.receivers]
        self.ground = np.array([self.lines.ground_volt(self._ear(name)[0]) for name in self.receivers])
        ranges = np.array([circuit.transceiver(self._ear(name)[0]).common_mode_volt for name in self.receivers])
        self.range = tuple(ranges.reshape(-1, 2).T)
        rest = self.lines.rest_volts[np.array(self.pairs, np.int64).reshape(-1, 2)]
        self.rest = np.stack([rest[:, 0] - rest[:, 1], 0.5 * (rest[:, 0] + rest[:, 1])], axis=1)
        self.at_rest = self._levels(self.rest[None], np.zeros(len(self.receivers), np.bool_))[0]

    def _ear(self, name: str) -> tuple[str, str | None]:
        """Whose transceiver a node is, and for a tester the place of its tap."""
        return (TESTER, self.taps[name]) if name in self.taps else (name, None)

    def _ramp(self, sender: str, corners: tuple[tuple[float, float], ...]) -> Ramp:
        who, tap = self._ear(sender)
        return Ramp(who, corners, tap)

    def hearing(self) -> Hearing:
        """Every transmitter in turn."""
        sees: dict[str, dict[str, bool]] = {receiver: {} for receiver in self.receivers}
        late: dict[str, dict[str, int]] = {receiver: {} for receiver in self.receivers}
        lingering: dict[str, dict[str, int]] = {receiver: {} for receiver in self.receivers}
        hears: dict[str, dict[str, bool]] = {receiver: {} for receiver in self.receivers}
        idle = frozenset(r for r, dominant in zip(self.receivers, self.at_rest, strict=True) if not dominant)
        for sender in self.senders:
            for receiver, (before, after) in zip(self.receivers, self._show(sender), strict=True):
                sees[receiver][sender] = before == 0
                late[receiver][sender], lingering[receiver][sender] = before, after
                hears[receiver][sender] = before == after == 0 and receiver in idle
        return Hearing(self.lines.network.name, hears, sees, late, lingering, idle)

    def _levels(self, volts: Floats, before: Bools) -> Bools:
        """(times, receivers) what each reads from (times, receivers, 2) difference and mean."""
        return keep_last(volts[:, :, 0], volts[:, :, 1] - self.ground, self.range, before)

    def _show(self, sender: str) -> list[tuple[int, int]]:
        """(late, lingering) bits of every receiver."""
        waves = self.waves
        drivers = waves.drivers([self._ramp(sender, ((0.0, 0.0), (EDGE_NS, 1.0)))])
        state = waves.begin(drivers)
        longest = 2.0 * max(line_delays(self.lines, *self._ear(sender)).values(), default=0.0) + 200.0
        all_ears = np.ones(len(self.receivers), np.bool_)
        up = self._run(drivers, state, longest, MOST_EQUAL_BITS * self.bit_ns, self._dominant(sender), all_ears)
        level = self._levels(up, self.at_rest)
        drivers = waves.drivers([self._ramp(sender, ((0.0, 1.0), (EDGE_NS, 0.0)))])
        state = state._replace(at_corner=drivers.corner[:-1].copy())
        # Who reads recessive at its end has nothing that could linger.
        down = self._run(drivers, state, longest, (IDLE_BITS + 1) * self.bit_ns, self.rest[:, 0], level[-1])
        sync = self._sync(level, sender)
        missed = ~self._sampled(level, sync, MOST_EQUAL_BITS)
        still = self._sampled(self._levels(down, level[-1]), sync, IDLE_BITS)
        late = np.max(np.where(missed, np.arange(1, MOST_EQUAL_BITS + 1), 0), axis=1, initial=0)
        lingering = np.where(still.all(axis=1), IDLE_BITS, np.argmin(still, axis=1))
        right = (late == 0) & (lingering == 0)
        if max(len(up), len(down)) * waves.step_ns > self.bit_ns and right.any():
            wrong_late, wrong_lingering = self._wrong(self._pattern(sender), sender)
            late, lingering = np.where(right, wrong_late, late), np.where(right, wrong_lingering, lingering)
        return list(zip(late.tolist(), lingering.tolist(), strict=True))

    def _dominant(self, sender: str) -> Floats:
        """(receivers,) differences while a sender is dominant for ever, in volt."""
        circuit, network = self.lines.circuit, self.lines.network.name
        who, tap = self._ear(sender)
        volts = circuit.volts([(who, network)], tap)
        pins = [circuit.pins(ear, network, place) for ear, place in map(self._ear, self.receivers)]
        return np.array([volts.at(high) - volts.at(low) for high, low, _, _ in pins])

    def _run(
        self, drivers: Drivers, state: State, window_ns: float, most_ns: float, final: Floats, ears: Bools
    ) -> Floats:
        """(times, receivers, 2) until the differences of ``ears`` stay near ``final``, or for as long as may be."""
        steps = math.ceil(window_ns / self.waves.step_ns)
        parts: list[Floats] = []
        done = 0
        while done * self.waves.step_ns < most_ns:
            part = self.waves.advance_modes(drivers, state, done * self.waves.step_ns, steps, self.pairs)
            parts.append(part)
            done += steps
            off = np.abs(part[:, :, 0] - final).max(axis=0)
            moved = part[:, :, 1].max(axis=0) - part[:, :, 1].min(axis=0)
            if not np.any(ears & ((off >= SETTLED_VOLT) | (moved >= MEAN_VOLT))):
                break
        return np.concatenate(parts)

    def _sync(self, level: Bools, sender: str) -> Floats:
        """When each receiver sees the first edge, in ns; a transmitter reads itself through its loop."""
        first = np.where(level.any(axis=0), (np.argmax(level, axis=0) + 1) * self.waves.step_ns, 0.0)
        return np.where([name == sender for name in self.receivers], -self.loop_ns, first)

    def _sampled(self, level: Bools, sync_ns: Floats, bits: int) -> Bools:
        """(receivers, bits) what each reads at the sample points of so many bits after the edge it has seen."""
        times = sync_ns[:, None] + self.sample_ns + np.arange(bits) * self.bit_ns
        steps = np.clip(np.ceil(times / self.waves.step_ns - 1e-9) - 1, 0, len(level) - 1).astype(np.int64)
        found: Bools = level[steps, np.arange(len(sync_ns))[:, None]]
        return found

    def _pattern(self, sender: str) -> Floats:
        """(times, receivers, 2) of the worst pattern."""
        starts = [n * self.bit_ns for n in range(len(WORST_BITS) + 1)]
        drivers = self.waves.drivers([self._ramp(sender, ramp_corners(WORST_BITS, starts))])
        steps = math.ceil((starts[-1] + self.bit_ns) / self.waves.step_ns)
        return self.waves.advance_modes(drivers, self.waves.begin(drivers), 0.0, steps, self.pairs)

    def _wrong(self, volts: Floats, sender: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Whether each receiver reads a dominant and whether it reads a recessive bit of the worst pattern wrong."""
        level = self._levels(volts, self.at_rest)
        read = self._sampled(level, self._sync(level, sender), len(WORST_BITS))
        sent = np.frombuffer(WORST_BITS, np.uint8) == 0
        return (sent & ~read).any(axis=1).astype(np.int64), (read & ~sent).any(axis=1).astype(np.int64)
