"""Reading a waveform as receivers do: what each bit is taken for, how late, and with what margin.

Thresholds: ISO 11898-2, dominant from 0.9 V, recessive up to 0.5 V; in between a receiver keeps its last value;
outside its common-mode range it reads recessive.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.circuit import DOMINANT_VOLT, RECESSIVE_VOLT, TESTER, THRESHOLD_SLACK_VOLT, Circuit
from simulator.circuit.waveform import LOOP_DELAY_NS, Timing, Trace, Waveform, waveform
from simulator.condition import Condition
from simulator.datalink.frame import Frame
from simulator.kernels import lines as kernel
from simulator.vehicle import Vehicle

Floats: TypeAlias = NDArray[np.float64]
Bools: TypeAlias = NDArray[np.bool_]
Verdict: TypeAlias = Literal["sound", "marginal", "broken"]

#: What the standard's own windows leave for noise on a dominant level: 1.2 V at the driver's end of its drop, 0.9 V at
#: the receiver (ISO 11898-2:2003, note to the input ranges). Below that a link is called marginal.
NOISE_VOLT = 0.3
#: An edge has settled where it stays within this part of its swing.
SETTLED_PART = 0.1
#: More than this part of a bit gained or lost is marginal; common practice, no source.
WIDTH_PART = 0.25


@dataclass(frozen=True)
class Reception:
    """What one receiver makes of one transmission.

    ``difference_volt`` and ``read`` are taken at the sample point of every bit (0 dominant); ``margin_volt`` is the
    least distance from the threshold on the right side, negative on the wrong one; ``settling_ns`` the slowest edge
    after its bit began at the receiver, ``ringing_volt`` the largest swing about the final value after that value was
    first reached, ``width_change_ns`` the largest gain of a dominant stretch (negative: loss).
    """

    transmitter: str
    receiver: str
    difference_volt: tuple[float, ...]
    read: bytes
    wrong_bits: tuple[int, ...]
    lingering_bits: int
    settling_ns: float
    ringing_volt: float
    width_change_ns: float
    margin_volt: float
    verdict: Verdict
    reason: str


@dataclass(frozen=True)
class Link:
    """A network's verdict: the worst of its receptions, and the bits that break."""

    receptions: tuple[Reception, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst verdict."""
        found = {reception.verdict for reception in self.receptions}
        return "broken" if "broken" in found else "marginal" if "marginal" in found else "sound"

    @property
    def wrong_bits(self) -> tuple[int, ...]:
        """Bits that some receiver reads wrong."""
        return tuple(sorted({bit for reception in self.receptions for bit in reception.wrong_bits}))

    def between(self, transmitter: str, receiver: str) -> Reception:
        """The reception of one transmitter by one receiver."""
        return next(r for r in self.receptions if (r.transmitter, r.receiver) == (transmitter, receiver))


def levels(trace: Trace, ground_volt: float, common_mode_volt: tuple[float, float], before: bool = False) -> Bools:
    """(times,) whether a receiver takes the lines for dominant; ``before`` is the value it comes with."""
    mean = trace.mean_volt[:, None] - ground_volt
    limits = tuple(np.array([end]) for end in common_mode_volt)
    return keep_last(trace.difference_volt[:, None], mean, limits, np.array([before]))[:, 0]


def keep_last(difference: Floats, mean: Floats, common_mode_volt: Sequence[Floats], before: Bools) -> Bools:
    """(times, receivers) dominant or not by thresholds, keeping the last value in between; the ranges are arrays."""
    low, high = common_mode_volt
    found = np.empty(difference.shape, np.bool_)
    slack = THRESHOLD_SLACK_VOLT
    limits = (DOMINANT_VOLT - slack, RECESSIVE_VOLT + slack)
    kernel.keep_last(difference, mean, low - slack, high + slack, limits, before, found)
    return found


def sample_offsets_ns(frame: Frame | None, starts: Sequence[float], timing: Timing) -> Floats:
    """Sample point of every bit in ns from SOF, with the data phase at its own (Bosch CAN FD 1.0, 3.2.1)."""
    offsets = np.array(starts[:-1]) + timing.sample_point * 1e9 / timing.bit_rate
    if frame is not None and frame.brs and timing.data_bit_rate:
        fast = 1e9 / timing.data_bit_rate
        point = timing.sample_point if timing.data_sample_point is None else timing.data_sample_point
        first, last = frame.field("BRS").start + 1, frame.field("CRC delimiter").start
        offsets[first : last + 1] = np.array(starts[first : last + 1]) + point * fast
    return offsets


def receptions(wave: Waveform, circuit: Circuit, timing: Timing) -> tuple[Reception, ...]:
    """What every module whose pins were recorded makes of a waveform, the transmitter itself included."""
    found = []
    for module, trace in wave.pins.items():
        if str(circuit.states.get(module, "awake")) == "awake":
            found.append(_receive(wave, circuit, timing, module, trace))
    return tuple(found)


def link(
    vehicle: Vehicle,
    condition: Condition | None = None,
    network: str | None = None,
    *,
    frame: Frame,
    transmitters: Iterable[str] | None = None,
    step_ns: float = 1.0,
    bit_rate: float | None = None,
    data_bit_rate: float | None = None,
) -> Link:
    """The frame sent by each transmitter in turn (default: all that can), read by every awake module."""
    circuit = Circuit(vehicle, condition)
    net = vehicle.network(network)
    able = circuit.senders(net.name)
    timing = Timing.of(net, bit_rate, data_bit_rate)
    found: list[Reception] = []
    for transmitter in able if transmitters is None else transmitters:
        wave = waveform(
            vehicle, condition, net.name, transmitter=transmitter, frame=frame, places=(), pins=able,
            step_ns=step_ns, bit_rate=bit_rate, data_bit_rate=data_bit_rate, circuit=circuit,
        )  # fmt: skip
        found += receptions(wave, circuit, timing)
    return Link(tuple(found))


def _receive(wave: Waveform, circuit: Circuit, timing: Timing, module: str, trace: Trace) -> Reception:
    ground = wave.ground_volt[module]
    window = (-12.0, 12.0) if module == TESTER else circuit.transceiver(module).common_mode_volt
    level = levels(trace, ground, window)
    sent = np.frombuffer(wave.frame.bits if wave.frame and wave.acknowledgers else wave.bits, np.uint8)
    offsets = sample_offsets_ns(wave.frame, wave.bit_starts_ns, timing)
    own_end = wave.bit_starts_ns[_last_own_bit(wave)]
    begun = np.flatnonzero(level & (wave.t_ns >= 0.0) & (wave.t_ns < own_end))
    seen_ns = float(wave.t_ns[begun[0]]) if len(begun) else 0.0
    own = module == wave.transmitter
    times = offsets - _own_delay(wave.frame, len(offsets)) if own else offsets + seen_ns
    high, low = wave.sample(trace, times)
    read = (~level[_steps_at(wave.t_ns, times)]).astype(np.uint8)
    wrong = np.flatnonzero(read != sent)
    difference = high - low
    margin = np.where(sent == 0, difference - DOMINANT_VOLT, RECESSIVE_VOLT - difference)
    settling, ringing = _edges(wave, trace, wave.delay_ns.get(module, 0.0))
    width = _width_change(wave, level)
    verdict, reason = _judge(wrong, sent, len(begun) > 0, float(margin.min()), width, 1e9 / timing.bit_rate)
    return Reception(
        wave.transmitter, module, tuple(float(v) for v in difference), read.tobytes(),
        tuple(int(n) for n in wrong), _lingering(sent, read), settling, ringing, width, float(margin.min()),
        verdict, reason,
    )  # fmt: skip


def _own_delay(frame: Frame | None, count: int) -> Floats:
    """A transmitter reads itself through its loop; in the data phase it samples that much later by itself.

    ISO 11898-1:2015, transmitter delay compensation.
    """
    delay = np.full(count, LOOP_DELAY_NS)
    if frame is not None and frame.brs:
        delay[frame.field("BRS").start + 1 : frame.field("CRC delimiter").start + 1] = 0.0
    return delay


def _steps_at(t_ns: Floats, times: Floats) -> NDArray[np.int64]:
    """The last step at or before each time."""
    found: NDArray[np.int64] = np.clip(np.searchsorted(t_ns, times, "right") - 1, 0, len(t_ns) - 1)
    return found


def _last_own_bit(wave: Waveform) -> int:
    """Bits in which the transmitter alone drives: up to the acknowledge slot."""
    return wave.frame.field("ACK slot").start if wave.frame else len(wave.bits)


def _edges(wave: Waveform, trace: Trace, delay_ns: float) -> tuple[float, float]:
    """Slowest settling (ns after the bit began there) and largest ringing (volt) of the transmitter's own edges."""
    slowest = ringing = 0.0
    difference = trace.difference_volt
    bits = (1, *wave.bits[: _last_own_bit(wave)])
    edges = [n - 1 for n in range(1, len(bits)) if bits[n] != bits[n - 1]]
    for n, after in zip(edges, [*edges[1:], len(bits) - 1], strict=True):
        begin, end = (float(wave.bit_starts_ns[k]) + delay_ns for k in (n, after))
        first, last = _steps_at(wave.t_ns, np.array([begin, end]))
        part = difference[first : last + 1]
        final, swing = part[-1], abs(part[-1] - part[0])
        if len(part) < 2 or swing == 0.0:
            continue
        off = np.abs(part - final)
        outside = np.flatnonzero(off > SETTLED_PART * swing)
        slowest = max(slowest, (outside[-1] + 1) * wave.step_ns if len(outside) else 0.0)
        crossed = np.flatnonzero((part - final) * (part[0] - final) <= 0.0)
        ringing = max(ringing, float(off[crossed[0] :].max()))
    return float(slowest), ringing


def _width_change(wave: Waveform, level: Bools) -> float:
    """The largest gain or loss of a dominant stretch of the transmitter's own bits, in ns."""
    own = wave.bits[: _last_own_bit(wave)]
    changes = np.flatnonzero(np.diff(np.concatenate([[False], level, [False]]).astype(np.int8)))
    begins, ends = changes[0::2], changes[1::2]
    worst = 0.0
    n = 0
    while n < len(own):
        m = n
        while m < len(own) and own[m] == 0:
            m += 1
        if m > n:
            nominal = wave.bit_starts_ns[m] - wave.bit_starts_ns[n]
            inside = wave.bit_starts_ns[n] + 0.5 * nominal
            around = np.flatnonzero(
                (wave.t_ns[begins] <= inside + nominal) & (wave.t_ns[np.minimum(ends, len(wave.t_ns) - 1)] > inside)
            )
            width = float((ends[around[0]] - begins[around[0]]) * wave.step_ns) if len(around) else 0.0
            worst = max(worst, width - nominal, key=abs)
        n = max(m, n + 1)
    return worst


def _lingering(sent: NDArray[np.uint8], read: NDArray[np.uint8]) -> int:
    """Recessive bits in a row, right after a dominant one, that are still read dominant; the most of any release."""
    most = 0
    for n in np.flatnonzero((sent[:-1] == 0) & (sent[1:] == 1)):
        count, k = 0, int(n) + 1
        while k < len(sent) and sent[k] == 1 and read[k] == 0:
            count, k = count + 1, k + 1
        most = max(most, count)
    return most


def _judge(
    wrong: NDArray[np.int64], sent: NDArray[np.uint8], seen: bool, margin: float, width: float, bit_ns: float
) -> tuple[Verdict, str]:
    if not seen:
        return "broken", "never reads dominant"
    if len(wrong):
        lost, late = int(np.sum(sent[wrong] == 0)), int(np.sum(sent[wrong] == 1))
        return "broken", f"{lost} dominant and {late} recessive bits read wrong, the first is bit {wrong[0]}"
    if margin < 0.0:
        return "marginal", f"read right only by the receiver's memory: {-margin:.2f} V short of a threshold"
    if margin < NOISE_VOLT:
        return "marginal", f"{margin:.2f} V from a threshold at a sample point, less than {NOISE_VOLT} V"
    if abs(width) > WIDTH_PART * bit_ns:
        return (
            "marginal",
            f"a dominant stretch {'gains' if width > 0 else 'loses'} {abs(width):.0f} ns of a bit of {bit_ns:.0f} ns",
        )
    return "sound", f"{margin:.2f} V from every threshold at every sample point"
