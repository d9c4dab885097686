"""From a message of the database to its payload at an instant: signals that move, counter, checksum, and fast packing.

The values are made up: each is a slow triangle within the range that the database gives, quantities of one unit and
range move together (all wheels turn alike), and everything follows from time and seed alone.
"""

from __future__ import annotations

from typing import Any
from zlib import crc32

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
#: Signals of up to this many states stay where they are for long; longer ones move.
_STATES = 8
_SECOND_NS = 1_000_000_000


def _crc_8_table() -> tuple[int, ...]:
    table = []
    for register in range(256):
        for _ in range(8):
            register = (register << 1 ^ 0x1D if register & 0x80 else register << 1) & 0xFF
        table.append(register)
    return tuple(table)


_CRC_8 = _crc_8_table()


def crc_8_j1850(data: bytes) -> int:
    """CRC-8 of SAE J1850: polynomial 0x1D, start value 0xFF, final exclusive-or 0xFF, nothing reflected."""
    register = 0xFF
    for byte in data:
        register = _CRC_8[register ^ byte]
    return register ^ 0xFF


class Packer:
    """Payloads of one message; one with multiplexed or floating-point signals goes through the database's codec."""

    def __init__(self, message: Message, seed: int = 0) -> None:
        self.message = message
        self._length = message.length
        self._moving: list[tuple[int, int, int, int, int, int, bool]] = []
        self._steady_little = self._steady_big = 0
        self._counter: tuple[int, int, bool] | None = None
        self._checksum: int | None = None
        self._names: list[str] = []
        self._slow: Any = None
        codec = message.codec
        if codec is None:
            return
        signals: list[Any] = list(codec.signals)
        if codec.is_multiplexed() or any(signal.is_float for signal in signals):
            self._slow = codec
        for signal in signals:
            self._place(signal, seed)

    def payload(self, t_ns: int, count: int) -> bytes:
        """The payload of the ``count``-th sending at an instant."""
        if self._slow is not None:
            return self._slowly(t_ns, count)
        little, big, length = self._steady_little, self._steady_big, self._length
        for low, span, period_ns, phase_ns, shift, mask, is_little in self._moving:
            position = (t_ns + phase_ns) % period_ns * 2
            if position > period_ns:
                position = 2 * period_ns - position
            raw = (low + span * position // period_ns) & mask
            if is_little:
                little |= raw << shift
            else:
                big |= raw << shift
        if self._counter is not None:
            shift, mask, is_little = self._counter
            if is_little:
                little |= (count & mask) << shift
            else:
                big |= (count & mask) << shift
        data = little.to_bytes(length, "little")
        if big:
            data = (int.from_bytes(data, "big") | big).to_bytes(length, "big")
        return data if self._checksum is None else self._sealed(data, self._checksum)

    def _place(self, signal: Any, seed: int) -> None:
        """Work out where a signal lies and how it moves."""
        is_little = signal.byte_order == "little_endian"
        if is_little:
            shift = signal.start
        else:
            first = 8 * (signal.start // 8) + 7 - signal.start % 8
            shift = 8 * self._length - first - signal.length
        mask = (1 << signal.length) - 1
        if signal.name.endswith("_Counter"):
            self._counter = shift, mask, is_little
        elif signal.name.endswith("_Checksum"):
            byte = shift // 8 if is_little else self._length - 1 - shift // 8
            # one that is no whole byte stays 0
            self._checksum = byte if signal.length == 8 and shift % 8 == 0 else None
        else:
            self._move(signal, seed, shift, mask, is_little)

    def _move(self, signal: Any, seed: int, shift: int, mask: int, is_little: bool) -> None:
        low, high = _raw_range(signal)
        if self._slow is not None:
            self._names.append(signal.name)
        if high - low < _STATES:
            # the states of a vehicle on its way: the lower half of the list, one for good
            steady = low + crc32(f"{seed} {signal.name}".encode()) % ((high - low) // 2 + 1)
            period_ns, phase_ns, span, low = _SECOND_NS, 0, 0, steady
        else:
            drawn = crc32(f"{seed} {signal.unit} {signal.minimum} {signal.maximum}".encode())
            period_ns = (5 + drawn % 40) * _SECOND_NS
            phase_ns = drawn % 997 * period_ns // 997
            low, high = _habit(signal, low, high)
            span = high - low
        if span or self._slow is not None:
            self._moving.append((low, span, period_ns, phase_ns, shift, mask, is_little))
        elif is_little:
            self._steady_little |= (low & mask) << shift
        else:
            self._steady_big |= (low & mask) << shift

    def _slowly(self, t_ns: int, count: int) -> bytes:
        raws: dict[str, int | float] = {}
        for name, (low, span, period_ns, phase_ns, *_) in zip(self._names, self._moving, strict=True):
            position = (t_ns + phase_ns) % period_ns * 2
            raws[name] = low + span * min(position, 2 * period_ns - position) // period_ns
        for signal in self._slow.signals:
            if signal.name.endswith("_Counter"):
                raws[signal.name] = count % (1 << signal.length)
            elif signal.name.endswith("_Checksum"):
                raws[signal.name] = 0
            if signal.multiplexer_ids is None and signal.is_multiplexer:
                shown = sorted({one for other in self._slow.signals for one in other.multiplexer_ids or ()})
                raws[signal.name] = shown[count % len(shown)] if shown else 0
        data = bytes(self._slow.encode(raws, scaling=False, strict=False))
        return data if self._checksum is None else self._sealed(data, self._checksum)

    @staticmethod
    def _sealed(data: bytes, position: int) -> bytes:
        before, after = data[:position], data[position + 1 :]
        return before + bytes((crc_8_j1850(before + after),)) + after


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
    first = min(max(low, -int(-ends[0] // 1) if ends[0] == ends[0] // 1 else int(ends[0] // 1) + 1), high)
    return first, max(min(high, int(ends[1] // 1)), first)
