"""Security access, ISO 14229-1:2020, 10.4: seeds, keys, attempts, the delay after too many.

The key algorithm is an invention for this project, and weak on purpose: it shows the procedure and protects nothing.
Each module's constant is in the vehicle file.
"""

from __future__ import annotations

from zlib import crc32

from simulator.diagnostics.refusal import Refusal, Refused

#: Wrong keys until the delay begins, and how long that is, in ns (both are left to the manufacturer; own choice).
ATTEMPTS = 3
DELAY_NS = 10_000_000_000
SEED_BYTES = KEY_BYTES = 4
_WORD = 0xFFFFFFFF


def key_of(seed: bytes, constant: int, level: int) -> bytes:
    """The key to a seed of four bytes: demonstration only. ``level`` is the odd number the seed was asked for with."""
    word = (int.from_bytes(seed, "big") ^ constant ^ level * 0x01010101) & _WORD
    word = (word << 7 | word >> 25) & _WORD
    return (word + constant & _WORD).to_bytes(KEY_BYTES, "big")


class Lock:
    """The lock of one module: at most one level is open. The count of wrong keys survives a restart."""

    def __init__(self, constant: int, name: str, seed: int) -> None:
        self.constant = constant
        self.level: int | None = None
        self._name = f"{seed} {name}"
        self._drawn = 0
        self._asked: tuple[int, bytes] | None = None
        self._wrong = 0
        self._closed_until_ns = 0

    def close(self) -> None:
        """Lock again, as with every change of session."""
        self.level = None
        self._asked = None

    def restart(self, t_ns: int) -> None:
        """The module has restarted: locked, and with too many wrong keys the delay begins anew."""
        self.close()
        if self._wrong >= ATTEMPTS:
            self._closed_until_ns = t_ns + DELAY_NS

    def give_seed(self, t_ns: int, level: int) -> bytes:
        """The seed for a level; zeros where it is open. Raises Refused during the delay."""
        if t_ns < self._closed_until_ns:
            raise Refused(Refusal.REQUIRED_TIME_DELAY_NOT_EXPIRED)
        if self._wrong >= ATTEMPTS:
            self._wrong = 0
        if self.level == level:
            return bytes(SEED_BYTES)
        self._drawn += 1
        drawn = crc32(f"{self._name} {t_ns} {self._drawn} {level}".encode()) or 1
        self._asked = level, drawn.to_bytes(SEED_BYTES, "big")
        return self._asked[1]

    def try_key(self, t_ns: int, level: int, key: bytes) -> None:
        """Open a level. Raises Refused: no seed was asked for, wrong length, wrong key, too many of them."""
        if self._asked is None or self._asked[0] != level:
            raise Refused(Refusal.REQUEST_SEQUENCE_ERROR)
        if len(key) != KEY_BYTES:
            raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
        seed = self._asked[1]
        self._asked = None
        if key == key_of(seed, self.constant, level):
            self.level, self._wrong = level, 0
            return
        self._wrong += 1
        if self._wrong >= ATTEMPTS:
            self._closed_until_ns = t_ns + DELAY_NS
            raise Refused(Refusal.EXCEEDED_NUMBER_OF_ATTEMPTS)
        raise Refused(Refusal.INVALID_KEY)
