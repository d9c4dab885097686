"""From the layout of a message to its payload at an instant: signals that move, a counter, a checksum.

A signal that moves has the raw value clip(round(a + b * q(t))), where q is a slow triangle between 0 and 1 or a track
of samples. Sources: byte orders as cantools packs them; CRC-8 of SAE J1850.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.jit import compiled, compiled_when_busy
from simulator.kernels.layout import Bytes, Ints

Floats = NDArray[np.float64]

#: Columns of a signal: where it lies (bit from the end of the payload for big endian), what it holds, limits of the raw
#: value, the row of what it follows.
SHIFT, WIDTH, LITTLE, HOLDS, LOW, HIGH, FOLLOWS = range(7)
SIGNAL = 7
#: What a signal holds.
WHOLE, COUNTER, SINGLE, DOUBLE = range(4)
#: Columns of what a signal follows: period of a triangle in ns (0: a track), its phase or the instant of the first
#: sample, ns between two, where its samples begin and how many there are.
PERIOD_NS, BEGIN_NS, STEP_NS, SAMPLE, SAMPLES = range(5)
FOLLOWED = 5
#: Columns of a message's payload: its first variant, how many there are (one sending shows one), byte of the checksum
#: or -1, length in byte.
VARIANT, VARIANTS, CHECKSUM, LENGTH = range(4)
PAYLOAD = 4
#: Raw values are limited to this, so that they and their differences fit into an integer of the kernel.
MOST_RAW = 1 << 62


class Layout(NamedTuple):
    """How payloads are packed, as the arrays of the kernel."""

    messages: Ints
    variants: Ints
    steady: Bytes
    signals: Ints
    factors: Floats
    followed: Ints
    samples: Floats

    @property
    def arrays(self) -> tuple[Ints, Bytes, Ints, Floats, Ints, Floats]:
        """What ``pack`` takes after the message, its instant and its count."""
        return self.variants, self.steady, self.signals, self.factors, self.followed, self.samples


@compiled
def course(followed: Ints, samples: Floats, row: int, t_ns: int) -> float:
    """Where a triangle (0 to 1) or a track is at an instant; a track keeps its first and its last value outside."""
    period_ns, since_ns = followed[row, PERIOD_NS], t_ns - followed[row, BEGIN_NS]
    if period_ns > 0:
        position = (t_ns + followed[row, BEGIN_NS]) % period_ns * 2
        value: float = min(position, 2 * period_ns - position) / period_ns
        return value
    first, count = followed[row, SAMPLE], followed[row, SAMPLES]
    k = min(max(since_ns // followed[row, STEP_NS], 0), count - 1)
    value = samples[first + k]
    if since_ns > 0 and k < count - 1:
        part = since_ns % followed[row, STEP_NS] / followed[row, STEP_NS]
        value += part * (samples[first + k + 1] - value)
    return value


@compiled
def put_raw(data: Bytes, length: int, shift: int, width: int, little: int, raw: int) -> None:
    """Put the low bits of a raw value into a payload whose bits there are 0."""
    byte, at, left = shift >> 3, shift & 7, width
    while left > 0:
        some = min(8 - at, left)
        data[byte if little else length - 1 - byte] |= (raw & ((1 << some) - 1)) << at
        raw >>= some
        left -= some
        byte += 1
        at = 0


@compiled
def crc_8(data: Bytes, length: int, leave: int) -> int:
    """CRC-8 of SAE J1850 over all bytes but one: polynomial 0x1D, start 0xFF, final exclusive-or 0xFF."""
    register = 0xFF
    for k in range(length):
        if k != leave:
            register ^= data[k]
            for _ in range(8):
                register = (register << 1 ^ 0x1D if register & 0x80 else register << 1) & 0xFF
    return register ^ 0xFF


@compiled
def value_of(signals: Ints, factors: Floats, followed: Ints, samples: Floats, row: int, t_ns: int) -> float:
    """The raw value of a signal that moves, before it is rounded, within its limits."""
    free = factors[row, 0] + factors[row, 1] * course(followed, samples, signals[row, FOLLOWS], t_ns)
    value: float = min(max(free, float(signals[row, LOW])), float(signals[row, HIGH]))
    return value


@compiled
def rounded(signals: Ints, row: int, value: float) -> int:
    """The whole number next to a raw value, within the signal's limits."""
    whole: int = min(max(int(np.floor(value + 0.5)), signals[row, LOW]), signals[row, HIGH])
    return whole


@compiled
def bits_of(signals: Ints, row: int, value: float) -> int:
    """The bits of a raw value as an integer."""
    holds = signals[row, HOLDS]
    if holds == SINGLE:
        return int(np.float32(value).view(np.int32))
    if holds == DOUBLE:
        return int(np.float64(value).view(np.int64))
    return rounded(signals, row, value)


@compiled_when_busy
def pack(
    data: Bytes,
    messages: Ints,
    message: int,
    t_ns: int,
    count: int,
    variants: Ints,
    steady: Bytes,
    signals: Ints,
    factors: Floats,
    followed: Ints,
    samples: Floats,
) -> None:
    """Write the payload of a message's ``count``-th sending into ``data``.

    ``messages`` (number, PAYLOAD) and more columns; ``variants`` (number, 2): first signal and the one after the last;
    ``steady``: by variant the bits that stay; ``signals`` (number, SIGNAL); ``factors`` (number, 2): a and b;
    ``followed`` (number, FOLLOWED); ``samples`` of the tracks.
    """
    variant = messages[message, VARIANT] + count % messages[message, VARIANTS]
    length = messages[message, LENGTH]
    for k in range(length):
        data[k] = steady[variant, k]
    for row in range(variants[variant, 0], variants[variant, 1]):
        if signals[row, HOLDS] == COUNTER:
            raw = count
        else:
            raw = bits_of(signals, row, value_of(signals, factors, followed, samples, row, t_ns))
        put_raw(data, length, signals[row, SHIFT], signals[row, WIDTH], signals[row, LITTLE], raw)
    checksum = messages[message, CHECKSUM]
    if checksum >= 0:
        data[checksum] = crc_8(data, length, checksum)


def fixed(data: bytes) -> Layout:
    """The layout of a payload that stays as it is."""
    row = np.array([[0, 1, -1, len(data)]], np.int64)
    steady = np.frombuffer(data, np.uint8).reshape(1, len(data))
    nothing = np.zeros(0)
    return Layout(
        row,
        np.zeros((1, 2), np.int64),
        steady,
        np.zeros((0, SIGNAL), np.int64),
        nothing.reshape(0, 2),
        np.zeros((0, FOLLOWED), np.int64),
        nothing,
    )


def join(layouts: Sequence[Layout], length: int) -> Layout:
    """The layouts of several messages as one, ``length`` byte wide, the messages in that order."""
    rows, variants, steady, signals = [], [], [], []
    for k, one in enumerate(layouts):
        before = layouts[:k]
        row, spans, shown, own = one.messages.copy(), one.variants.copy(), one.steady, one.signals.copy()
        row[:, VARIANT] += sum(len(other.variants) for other in before)
        spans += sum(len(other.signals) for other in before)
        own[:, FOLLOWS] += sum(len(other.followed) for other in before)
        rows.append(row)
        variants.append(spans)
        signals.append(own)
        steady.append(np.pad(shown, ((0, 0), (0, length - shown.shape[1]))))
    followed = [one.followed.copy() for one in layouts]
    for k, own in enumerate(followed):
        own[:, SAMPLE] += sum(len(other.samples) for other in layouts[:k])
    return Layout(
        np.concatenate(rows),
        np.concatenate(variants),
        np.concatenate(steady),
        np.concatenate(signals),
        np.concatenate([one.factors for one in layouts]),
        np.concatenate(followed),
        np.concatenate([one.samples for one in layouts]),
    )
