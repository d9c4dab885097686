"""The three cyclic redundancy checks of CAN, bit by bit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Crc:
    """A checksum: width in bits, generator polynomial without its top bit, start value of the register."""

    width: int
    polynomial: int
    start: int

    def of(self, bits: Iterable[int]) -> int:
        """The checksum of a sequence of bits (0/1), first bit on the wire first."""
        register, top, mask = self.start, self.width - 1, (1 << self.width) - 1
        for bit in bits:
            feedback = bit ^ (register >> top)
            register = (register << 1) & mask
            if feedback:
                register ^= self.polynomial
        return register


#: Classic frames. Bosch CAN Specification 2.0, 10.3.1.5.
CRC_15 = Crc(15, 0x4599, 0)
#: CAN FD frames up to 16 data bytes; ISO 11898-1:2015 starts with the top bit set.
CRC_17 = Crc(17, 0x1685B, 0x10000)
#: CAN FD frames from 20 data bytes on; ISO 11898-1:2015 starts with the top bit set.
CRC_21 = Crc(21, 0x102899, 0x100000)
