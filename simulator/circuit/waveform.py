"""The voltages of a network over time, while a frame or any bits are sent: what a scope would see."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.circuit import TESTER, Circuit
from simulator.circuit.lines import LineNetwork, Pair, Ramp
from simulator.circuit.waves import Waves
from simulator.condition import Condition
from simulator.datalink.frame import Frame
from simulator.errors import BadRequest
from simulator.vehicle import Network, Vehicle

Floats: TypeAlias = NDArray[np.float64]

#: The driver's current ramps linearly; 45 ns is the usual figure of a data sheet for 60 ohm and 100 pF.
EDGE_NS = 45.0
#: From a controller's output over the bus back to its input, without the line; half of it lies before the bus.
LOOP_DELAY_NS = 150.0
MIN_BIT_RATE, MAX_BIT_RATE = 5_000, 8_000_000
#: Steps that a machine can still keep in memory.
MOST_STEPS = 40_000_000


@dataclass(frozen=True)
class Trace:
    """Both lines of one place over time, in volt to the body (battery negative); (times,) each."""

    high_volt: Floats
    low_volt: Floats

    @property
    def difference_volt(self) -> Floats:
        """High minus low, in volt."""
        return self.high_volt - self.low_volt

    @property
    def mean_volt(self) -> Floats:
        """Mean of high and low, in volt."""
        return 0.5 * (self.high_volt + self.low_volt)


@dataclass(frozen=True)
class Waveform:
    """What one transmission does to the lines. t = 0 where the driver begins to move at SOF.

    ``bits`` are those the transmitter drives (its acknowledge slot recessive), ``bit_starts_ns`` their starts and the
    end of the last; ``places`` are traces on the harness side, ``pins`` on the module side, by module.
    """

    network: Network
    transmitter: str
    acknowledgers: tuple[str, ...]
    bits: bytes
    bit_starts_ns: tuple[float, ...]
    frame: Frame | None
    step_ns: float
    t_ns: Floats
    places: Mapping[str, Trace]
    pins: Mapping[str, Trace]
    ground_volt: Mapping[str, float]
    delay_ns: Mapping[str, float]

    def sample(self, trace: Trace, t_ns: Sequence[float] | Floats) -> tuple[Floats, Floats]:
        """High and low of a trace at any times, in volt, straight between the steps."""
        high, low = (np.interp(t_ns, self.t_ns, line) for line in (trace.high_volt, trace.low_volt))
        return high, low


@dataclass(frozen=True)
class Timing:
    """Bit timing of a transmission: rates in bit/s, sample points as a part of the bit."""

    bit_rate: float
    sample_point: float
    data_bit_rate: float | None = None
    data_sample_point: float | None = None

    @classmethod
    def of(cls, network: Network, bit_rate: float | None = None, data_bit_rate: float | None = None) -> Timing:
        """The network's timing, or with other rates. Raises BadRequest for a rate outside 5 kbit/s to 8 Mbit/s."""
        chosen = cls(
            network.bit_rate if bit_rate is None else bit_rate,
            network.sample_point,
            network.data_bit_rate if data_bit_rate is None else data_bit_rate,
            network.data_sample_point,
        )
        for rate in (chosen.bit_rate, chosen.data_bit_rate):
            if rate is not None and not MIN_BIT_RATE <= rate <= MAX_BIT_RATE:
                raise BadRequest(
                    f"a bit rate of {rate:g} bit/s is out of reach: write {MIN_BIT_RATE} to {MAX_BIT_RATE}"
                )
        return chosen

    def starts(self, frame: Frame | None, count: int) -> tuple[float, ...]:
        """Start of every bit in ns from SOF, and the end of the last."""
        if frame is None:
            return tuple(n * 1e9 / self.bit_rate for n in range(count + 1))
        if frame.brs and self.data_bit_rate is None:
            raise BadRequest("the frame switches its bit rate, and the network has no data_bit_rate: give one")
        rate, data_rate = self.bit_rate, self.data_bit_rate
        return frame.bit_starts_ns(rate, self.sample_point, data_rate, self.data_sample_point)  # type: ignore[arg-type]


def waveform(
    vehicle: Vehicle,
    condition: Condition | None = None,
    network: str | None = None,
    *,
    transmitter: str,
    frame: Frame | None = None,
    bits: Iterable[int] | None = None,
    acknowledgers: Iterable[str] | None = None,
    also: Mapping[str, Iterable[int]] | None = None,
    places: Iterable[str] | None = None,
    pins: Iterable[str] = (),
    step_ns: float = 1.0,
    bit_rate: float | None = None,
    data_bit_rate: float | None = None,
    lead_ns: float = 1000.0,
    tail_ns: float = 2000.0,
    tap: str | None = None,
    circuit: Circuit | None = None,
) -> Waveform:
    """The waveform of one frame, or of any ``bits`` (0 dominant), that ``transmitter`` sends; ``"tester"`` can.

    The acknowledge slot is driven by ``acknowledgers`` (default: every other awake module), each delayed by line and
    loop; ``also`` lets others send their own bits meanwhile, as in arbitration. ``places`` (default: the socket) and
    the module sides of ``pins`` are recorded. Raises BadRequest for a module that cannot send there.
    """
    if (frame is None) == (bits is None):
        raise BadRequest("give a frame or bits, one of the two")
    net = vehicle.network(network)
    timing = Timing.of(net, bit_rate, data_bit_rate)
    lines = LineNetwork(circuit or Circuit(vehicle, condition), net.name)
    check_sender(lines, transmitter)
    driven = bytearray(frame.bits if frame else bytes(1 if bit else 0 for bit in bits or ()))
    starts = timing.starts(frame, len(driven))
    others = dict(also or {})
    if transmitter in others:
        raise BadRequest(f"{transmitter} cannot send twice at once: give its bits once")
    acks = _acknowledgers(lines, frame, {transmitter, *others}, acknowledgers)
    delays = line_delays(lines, transmitter, tap)
    ramps = []
    if frame is not None:
        slot = frame.field("ACK slot").start
        driven[slot] = 1
        ramps = [_acknowledge(module, starts, slot, delays.get(module, 0.0)) for module in acks]
    ramps.append(Ramp(transmitter, ramp_corners(driven, starts), tap))
    ramps += [_other(lines, timing, module, its_bits) for module, its_bits in others.items()]
    recorded = [net.socket or lines.network.places[0]] if places is None else list(places)
    modules = list(pins)
    pairs = [_place(lines, place) for place in recorded] + [
        lines.driver_pins(module, tap if module == TESTER else None) for module in modules
    ]
    t_ns, volts = _run(Waves(lines, _checked_step(step_ns, starts[-1])), ramps, pairs, starts[-1] + tail_ns, lead_ns)
    traces = [Trace(volts[:, n, 0], volts[:, n, 1]) for n in range(len(pairs))]
    return Waveform(
        network=net, transmitter=transmitter, acknowledgers=acks, bits=bytes(driven), bit_starts_ns=starts,
        frame=frame, step_ns=step_ns, t_ns=t_ns,
        places=dict(zip(recorded, traces, strict=False)), pins=dict(zip(modules, traces[len(recorded) :], strict=True)),
        ground_volt={module: lines.ground_volt(module) for module in modules}, delay_ns=delays,
    )  # fmt: skip


def _checked_step(step_ns: float, length_ns: float) -> float:
    if not 0.01 <= step_ns <= 100.0:
        raise BadRequest(f"a step of {step_ns:g} ns is out of reach: write 0.01 to 100")
    if length_ns / step_ns > MOST_STEPS:
        raise BadRequest(f"{length_ns / step_ns:.3g} steps are more than {MOST_STEPS:.0e}: write a longer step")
    return step_ns


def _run(waves: Waves, ramps: list[Ramp], pairs: list[Pair], until_ns: float, lead_ns: float) -> tuple[Floats, Floats]:
    """Times from ``-lead_ns`` on, and (times, pairs, 2) in volt; before t = 0 everything is at rest."""
    step = waves.step_ns
    lead, steps = round(lead_ns / step), math.ceil(until_ns / step - 1e-9)
    t_ns: Floats = np.arange(-lead, steps + 1, dtype=np.float64) * step
    volts: Floats = np.empty((len(t_ns), len(pairs), 2))
    volts[: lead + 1] = waves.net.rest_volts[np.array(pairs, np.int64).reshape(-1, 2)]
    drivers = waves.drivers(ramps)
    volts[lead + 1 :] = waves.advance(drivers, waves.begin(drivers), 0.0, steps, pairs)
    return t_ns, volts


def check_sender(lines: LineNetwork, module: str) -> None:
    """Raises UnknownName or BadRequest for a module that cannot send on the network as it is."""
    if module == TESTER:
        return
    circuit = lines.circuit
    circuit.vehicle.module(module)
    lines.driver_pins(module)
    if module in (*circuit.senders(lines.network.name), *lines.stuck):
        return
    state = str(circuit.states[module])
    if module in circuit.condition.unplugged:
        state = "unplugged"
    elif circuit.behaves(module, "dead"):
        state = "dead"
    elif module in circuit.switched_off:
        state = "stuck dominant, switched off by its time-out"
    elif circuit.behaves(module, "stuck_recessive"):
        state = "stuck recessive"
    able = ", ".join(circuit.senders(lines.network.name)) or "nobody"
    raise BadRequest(f"{module} is {state} and sends nothing; able to send: {able}")


def _place(lines: LineNetwork, place: str) -> Pair:
    high = lines.node(("place", lines.network.name, place, "high"))
    return high, high + 1


def _acknowledgers(
    lines: LineNetwork, frame: Frame | None, busy: set[str], wanted: Iterable[str] | None
) -> tuple[str, ...]:
    if frame is None or frame.bits[frame.field("ACK slot").start]:
        return ()
    if wanted is None:
        return tuple(module for module in lines.circuit.senders(lines.network.name) if module not in busy)
    found = tuple(module for module in dict.fromkeys(wanted) if module not in busy)
    for module in found:
        check_sender(lines, module)
    return found


def _acknowledge(module: str, starts: Sequence[float], slot: int, line_ns: float) -> Ramp:
    """A dominant bit in the acknowledge slot as the module sees it: late by the line, then by its own loop."""
    late = line_ns + LOOP_DELAY_NS
    return Ramp(module, ramp_corners(b"\x00", (starts[slot] + late, starts[slot + 1] + late)))


def _other(lines: LineNetwork, timing: Timing, module: str, bits: Iterable[int]) -> Ramp:
    """What another module sends meanwhile."""
    check_sender(lines, module)
    pattern = bytes(1 if bit else 0 for bit in bits)
    return Ramp(module, ramp_corners(pattern, timing.starts(None, len(pattern))))


def ramp_corners(bits: bytes | bytearray, starts: Sequence[float]) -> tuple[tuple[float, float], ...]:
    """How a driver follows bits: corners (ns, share); an edge is straight, 45 ns for the whole swing."""
    corners = [(starts[0], 0.0)]
    for n, bit in enumerate((*bits, 1)):
        t, target = starts[n], 0.0 if bit else 1.0
        if target == corners[-1][1] and t >= corners[-1][0]:
            continue
        share = corners[-1][1]
        if t < corners[-1][0]:
            # The edge before has not ended: it turns round where it has come to.
            (t0, s0), (t1, s1) = corners[-2], corners[-1]
            share = s0 + (s1 - s0) * (t - t0) / (t1 - t0)
            corners.pop()
            if target == s1:
                corners.append((t1, s1))
                continue
        if t > corners[-1][0]:
            corners.append((t, share))
        corners.append((t + EDGE_NS * abs(target - share), target))
    return tuple(corners)


def line_delays(lines: LineNetwork, source: str, tap: str | None = None) -> dict[str, float]:
    """Shortest way along the pair from a transmitter to every module it is joined with, in ns."""
    delay = lines.network.pair.delay_ns_per_m
    around: dict[int, list[tuple[int, float]]] = {}
    edges = [(piece.start[0], piece.end[0], piece.length_m * delay) for piece in lines.pieces]
    edges += [(a, b, 0.0) for a, b, _ in lines.joints]
    for a, b, length in edges:
        around.setdefault(a // 2, []).append((b // 2, length))
        around.setdefault(b // 2, []).append((a // 2, length))
    best: dict[int, float] = {}
    queue = [(0.0, lines.driver_pins(source, tap)[0] // 2)]
    while queue:
        length, pair = heapq.heappop(queue)
        if pair not in best:
            best[pair] = length
            for other, more in around.get(pair, ()):
                heapq.heappush(queue, (length + more, other))
    return {module: best[pins[0] // 2] for module, pins in lines.pins.items() if pins[0] // 2 in best}
