"""Whether a message that came is what the database promises: counter, checksum, range of its signals."""

from __future__ import annotations

from typing import Any

import numpy as np

from simulator.diagnostics import codes
from simulator.kernels import payload
from simulator.vehicle import Message

#: A counter may skip one message (common practice: one lost message is no fault).
_SKIP = 2


class Checker:
    """Checks one message of the database in one module; remembers the last counter."""

    def __init__(self, message: Message) -> None:
        self.message = message
        self._signals: list[Any] = list(message.codec.signals) if message.codec is not None else []
        self._counter = next((one for one in self._signals if one.name.endswith("_Counter")), None)
        self._checksum = next((one for one in self._signals if one.name.endswith("_Checksum")), None)

    @property
    def kinds(self) -> tuple[int, ...]:
        """The failure types it can find."""
        found = [codes.COUNTER_WRONG] * (self._counter is not None)
        found += [codes.CHECKSUM_WRONG] * (self._checksum is not None)
        ranged = any(_limited(one) for one in self._signals)
        return (*found, *([codes.SIGNAL_INVALID] * ranged))

    def faults(self, data: bytes, counter: int | None) -> tuple[int, ...]:
        """The failure types of a payload; ``counter`` is that of the message before, None if there was none."""
        raws = self._raws(data)
        if raws is None:
            return (codes.SIGNAL_INVALID,) if codes.SIGNAL_INVALID in self.kinds else ()
        found = []
        if self._checksum is not None and raws.get(self._checksum.name, self._sum(data)) != self._sum(data):
            found.append(codes.CHECKSUM_WRONG)
        # a multiplexer may leave the counter out
        if self._counter is not None and counter is not None and self._counter.name in raws:
            step = (raws[self._counter.name] - counter) % (1 << self._counter.length)
            if not 1 <= step <= _SKIP:
                found.append(codes.COUNTER_WRONG)
        if any(_limited(one) and not _inside(one, raws[one.name]) for one in self._signals if one.name in raws):
            found.append(codes.SIGNAL_INVALID)
        return tuple(found)

    def counter(self, data: bytes) -> int | None:
        """The counter in a payload; None where there is none in it, or it is cut off."""
        raws = self._raws(data) if self._counter is not None else None
        found = None if raws is None or self._counter is None else raws.get(self._counter.name)
        return None if found is None else int(found)

    def _raws(self, data: bytes) -> dict[str, Any] | None:
        codec = self.message.codec
        if codec is None or len(data) < self.message.length:
            return None
        from cantools.errors import Error  # there is a codec, so it is loaded

        try:
            raws: Any = codec.decode(data[: self.message.length], decode_choices=False, scaling=False)
        except Error:  # a value of the multiplexer that the database does not have
            return None
        return dict(raws)

    def _sum(self, data: bytes) -> int | None:
        signal = self._checksum
        if signal is None or signal.length != 8 or signal.start % 8 not in (0, 7):
            return 0
        length = self.message.length
        return int(payload.crc_8.plain(np.frombuffer(data[:length], np.uint8), length, signal.start // 8))


def _limited(signal: Any) -> bool:
    """Whether the database narrows the signal's values."""
    if signal.minimum is None or signal.maximum is None or signal.name.endswith(("_Counter", "_Checksum")):
        return False
    return bool(signal.maximum > signal.minimum)


def _inside(signal: Any, raw: float) -> bool:
    value = raw * signal.scale + signal.offset
    slack = abs(signal.scale) / 2
    return bool(signal.minimum - slack <= value <= signal.maximum + slack)
