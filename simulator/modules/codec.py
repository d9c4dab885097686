"""From a message of the database to its payload at an instant: signals that move, counter, checksum, and fast packing.

The values are made up: each is a slow triangle within the range that the database gives, quantities of one unit and
range move together (all wheels turn alike), and everything follows from time and seed alone. Where a track is given,
the value follows that instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Any
from zlib import crc32

import numpy as np

from simulator.kernels import payload
from simulator.kernels.layout import Bytes
from simulator.kernels.payload import Layout
from simulator.vehicle import Message

#: Where a healthy vehicle on the road has its quantities, by unit: lowest and highest physical value (own choice).
_HABITS: dict[str, tuple[float, float]] = {
    "V": (13.2, 14.3),
    "degC": (20.0, 88.0),
    "km/h": (12.0, 96.0),
    "1/min": (780.0, 3200.0),
    "1/min/s": (-300.0, 300.0),
    "deg": (-40.0, 40.0),
    "deg/s": (-12.0, 12.0),
    "m/s2": (-2.0, 2.0),
    "A": (-4.0, 25.0),
}
#: Ways in which the multiplexers of a message can stand that are sent in turn.
_VARIANTS = 256
#: What a division may be off by, as a part of its result.
_SLACK = 1e-12
#: Signals of up to this many states stay where they are for long; longer ones move.
_STATES = 8
_SECOND_NS = 1_000_000_000


@dataclass(frozen=True)
class Track:
    """Physical values of a signal at instants from ``begin_ns`` on, ``step_ns`` apart, straight lines between them."""

    begin_ns: int
    step_ns: int
    values: Sequence[float]


class Packer:
    """Payloads of one message. ``layout`` is None where only the database's codec can pack it (half-precision
    floats, signals of more than 64 bits), which is slow.

    ``tracks``: by name of the signal, what it follows instead of its triangle.
    """

    def __init__(self, message: Message, seed: int = 0, tracks: Mapping[str, Track] | None = None) -> None:
        self.message = message
        self._seed = seed
        self._tracks = tracks or {}
        self._signals: list[Any] = list(message.codec.signals) if message.codec is not None else []
        self._rows: list[list[int]] = []
        self._factors: list[tuple[float, float]] = []
        self._followed: list[list[int]] = []
        self._samples: list[float] = []
        self._names: list[str] = []
        self._checksum = -1
        self._data = np.zeros(max(1, message.length), np.uint8)
        self._slow = not all(map(_packs, self._signals))
        self._variants = _variants(self._signals)
        self._layout = self._compile()
        self.layout = None if self._slow else self._layout

    def payload(self, t_ns: int, count: int) -> bytes:
        """The payload of the ``count``-th sending at an instant."""
        if self._slow:
            return self._slowly(t_ns, count)
        payload.pack(self._data, self._layout.messages, 0, t_ns, count, *self._layout.arrays)
        return self._data[: self.message.length].tobytes()

    def _compile(self) -> Layout:
        """The arrays of the message: one variant for each way its multiplexers can stand."""
        length = self.message.length
        steady = np.zeros((len(self._variants), max(1, length)), np.uint8)
        spans = []
        for number, variant in enumerate(self._variants):
            first = len(self._rows)
            for signal in self._signals:
                if _is_shown(signal, variant):
                    self._place(signal, steady[number], variant.get(signal.name))
            spans.append((first, len(self._rows)))
        row = np.zeros((1, payload.PAYLOAD), np.int64)
        row[0, payload.VARIANTS], row[0, payload.CHECKSUM] = len(self._variants), self._checksum
        row[0, payload.LENGTH] = length
        return Layout(
            row,
            np.array(spans, np.int64),
            steady,
            np.array(self._rows, np.int64).reshape(-1, payload.SIGNAL),
            np.array(self._factors, np.float64).reshape(-1, 2),
            np.array(self._followed, np.int64).reshape(-1, payload.FOLLOWED),
            np.array(self._samples, np.float64),
        )

    def _place(self, signal: Any, steady: Bytes, fixed: int | None) -> None:
        """Work out where a signal lies and what it holds; one that stays goes into the bits of ``steady``."""
        length = self.message.length
        little = int(signal.byte_order == "little_endian")
        first = 8 * (signal.start // 8) + 7 - signal.start % 8
        shift = signal.start if little else 8 * length - first - signal.length
        place = [shift, signal.length, little]
        if signal.name.endswith("_Counter"):
            self._row(signal, [*place, payload.COUNTER, 0, 0, 0], 0.0, 0.0)
        elif signal.name.endswith("_Checksum"):
            byte = shift // 8 if little else length - 1 - shift // 8
            # one that is no whole byte stays 0
            self._checksum = byte if signal.length == 8 and shift % 8 == 0 else -1
        elif fixed is not None:
            payload.put_raw.plain(steady, length, shift, signal.length, little, fixed)
        else:
            self._move(signal, place, steady)

    def _move(self, signal: Any, place: list[int], steady: Bytes) -> None:
        low, high = _raw_range(signal)
        holds = {32: payload.SINGLE, 64: payload.DOUBLE}.get(signal.length, payload.WHOLE) if signal.is_float else 0
        track = self._tracks.get(signal.name)
        drawn = crc32(f"{self._seed} {signal.unit} {signal.minimum} {signal.maximum}".encode())
        period_ns = (5 + drawn % 40) * _SECOND_NS
        follows = [period_ns, drawn % 997 * period_ns // 997, 0, 0, 0]
        if track is not None:
            low, high = _in_reach(low, high)
            a, b = -signal.offset / signal.scale, 1 / signal.scale
            follows = [0, track.begin_ns, track.step_ns, len(self._samples), len(track.values)]
            self._samples += map(float, track.values)
        elif high - low < _STATES:
            # the states of a vehicle on its way: the lower half of the list, one for good
            low += crc32(f"{self._seed} {signal.name}".encode()) % ((high - low) // 2 + 1)
            high = low
            a, b = float(low), 0.0
        else:
            low, high = _in_reach(*_habit(signal, low, high))
            a, b = float(low), float(high - low)
        if low == high and not signal.is_float and not self._slow:
            payload.put_raw.plain(steady, self.message.length, place[0], place[1], place[2], low)
            return
        self._row(signal, [*place, holds, *_in_reach(low, high), len(self._followed)], a, b)
        self._followed.append(follows)

    def _row(self, signal: Any, row: list[int], a: float, b: float) -> None:
        self._names.append(signal.name)
        self._rows.append(row)
        self._factors.append((a, b))

    def _slowly(self, t_ns: int, count: int) -> bytes:
        layout, codec = self._layout, self.message.codec
        assert codec is not None
        number = count % len(self._variants)
        raws: dict[str, int | float] = {one.name: 0 for one in self._signals if one.name.endswith("_Checksum")}
        raws |= self._variants[number]
        for row in range(*layout.variants[number].tolist()):
            name = self._names[row]
            if layout.signals[row, payload.HOLDS] == payload.COUNTER:
                raws[name] = count % (1 << int(layout.signals[row, payload.WIDTH]))
                continue
            value = payload.value_of.plain(*layout[3:], row, t_ns)
            is_float = codec.get_signal_by_name(name).is_float
            raws[name] = value if is_float else payload.rounded.plain(layout.signals, row, value)
        data = np.frombuffer(codec.encode(raws, scaling=False, strict=False), np.uint8).copy()
        if self._checksum >= 0:
            data[self._checksum] = payload.crc_8.plain(data, len(data), self._checksum)
        return data.tobytes()


def _packs(signal: Any) -> bool:
    """Whether the kernel can pack a signal."""
    return signal.length in (32, 64) if signal.is_float else signal.length <= 64


def _is_shown(signal: Any, variant: Mapping[str, int]) -> bool:
    """Whether a signal is there while the multiplexers stand so."""
    return signal.multiplexer_ids is None or variant.get(signal.multiplexer_signal) in signal.multiplexer_ids


def _variants(signals: Sequence[Any]) -> list[dict[str, int]]:
    """The ways in which the multiplexers can stand, in the order of sending, the first _VARIANTS; {} where none is."""
    found: list[dict[str, int]] = [{}]
    left = [one for one in signals if one.is_multiplexer]
    while left:
        # an outer one before those that it shows
        names = {one.name for one in left}
        outer = next((one for one in left if one.multiplexer_signal not in names), left[0])
        left.remove(outer)
        shown = {
            value for one in signals if one.multiplexer_signal == outer.name for value in one.multiplexer_ids or ()
        }
        standing: list[dict[str, int]] = []
        for variant in found:
            values = sorted(shown) or [0]
            standing += [{**variant, outer.name: value} for value in values] if _is_shown(outer, variant) else [variant]
        found = standing[:_VARIANTS]
    return found


def _in_reach(low: int, high: int) -> tuple[int, int]:
    """A raw range, cut to what the kernel can count."""
    most = payload.MOST_RAW
    return max(-most, min(low, most)), max(-most, min(high, most))


def _raw_range(signal: Any) -> tuple[int, int]:
    """The raw values that the database allows: its range where it gives one, else all bits."""
    low, high = (
        (-(1 << signal.length - 1), (1 << signal.length - 1) - 1)
        if signal.is_signed
        else (
            0,
            (1 << signal.length) - 1,
        )
    )
    if signal.is_float:
        low, high = 0, 100
    if signal.minimum is not None and signal.maximum is not None and signal.maximum > signal.minimum:
        low, high = _within(signal, float(signal.minimum), float(signal.maximum), low, high)
    return low, high


def _habit(signal: Any, low: int, high: int) -> tuple[int, int]:
    """The part of the range in which a signal moves."""
    habit = _HABITS.get(signal.unit or "")
    if habit is not None and not signal.is_float:
        first, last = _within(signal, *habit, low, high)
        if last > first:
            return first, last
    span = high - low
    return low + span // 4, low + span * 3 // 5


def _within(signal: Any, minimum: float, maximum: float, low: int, high: int) -> tuple[int, int]:
    """Raw values of a physical range, inside the raw limits."""
    ends = sorted(((minimum - signal.offset) / signal.scale, (maximum - signal.offset) / signal.scale))
    # a limit that is a whole number but for the last bits of the division is that number
    low_end, high_end = (end - _SLACK * max(1.0, abs(end)) * sign for end, sign in zip(ends, (1, -1), strict=True))
    first = min(max(low, ceil(low_end)), high)
    return first, max(min(high, floor(high_end)), first)
