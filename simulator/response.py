"""How long a cyclic message may take from being queued to the end of its frame, at worst, on a bus without errors.

Source: Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis: refuted, revisited and
revised", Real-Time Systems 35 (2007), 239-272; the older analysis of one instance is not enough.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from simulator.datalink.controller import Outgoing
from simulator.datalink.frame import FD_LENGTHS
from simulator.vehicle import Message, Network

#: Bits between two frames: intermission. Bosch CAN Specification 2.0 (1991), 10.3.5.1.
INTERMISSION_BITS = 3
#: CAN FD at the nominal rate besides what is stuffed: CRC delimiter, ACK slot, ACK delimiter, EOF, intermission.
_FD_TAIL_BITS = 10 + INTERMISSION_BITS


@dataclass(frozen=True)
class Stream:
    """A message that is queued again and again: the lowest ``key`` wins arbitration.

    ``period_ns`` is the least time between two, ``longest_ns`` its longest frame with the intermission after it.
    """

    name: str
    key: int
    period_ns: int
    longest_ns: int


def longest_bits(extended: bool, size: int) -> int:
    """The bound for a classic frame of ``size`` bytes with its intermission, in bits: 55 + 10n or 80 + 10n.

    No real frame is that long: an identifier and a length of their own kind are between the stuff bits.
    """
    stuffed = (54 if extended else 34) + 8 * size
    return stuffed + 13 + (stuffed - 1) // 4


def longest_ns(network: Network, message: Message) -> int:
    """The bound for a message of a network with its intermission, in ns; CAN FD counts each part at its own rate.

    Of the stuff bits of CAN FD as many as can be are taken to be long ones, before the rate switches.
    """
    bit_ns = 1e9 / network.bit_rate
    if not message.is_fd:
        return math.ceil(longest_bits(message.extended, message.length) * bit_ns)
    size = next(length for length in FD_LENGTHS if length >= message.length)
    head = 36 if message.extended else 17
    stuffed = (41 if message.extended else 22) + 8 * size
    head_stuff = (head - 1) // 4
    fast = stuffed - head + (stuffed - 1) // 4 - head_stuff + (27 if size <= 16 else 32)
    fast_ns = bit_ns if network.data_bit_rate is None else 1e9 / network.data_bit_rate
    return math.ceil((head + head_stuff + _FD_TAIL_BITS) * bit_ns + fast * fast_ns)


def streams_of(network: Network) -> tuple[Stream, ...]:
    """The cyclic messages of a network's database, first in arbitration first."""
    found = [
        Stream(
            message.name,
            Outgoing(message.frame_id, b"", extended=message.extended).key,
            message.cycle_ms * 1_000_000,
            longest_ns(network, message),
        )
        for message in network.messages
        if message.cycle_ms and message.sender is not None
    ]
    return tuple(sorted(found, key=lambda stream: stream.key))


def worst_responses_ns(streams: Sequence[Stream], bit_ns: float) -> dict[str, int | None]:
    """By name, the longest time from being queued to the end of the intermission, in ns; None where there is no bound.

    There is none where a message and those before it want more than the whole bus. ``bit_ns``: a nominal bit.
    """
    ordered = sorted(streams, key=lambda stream: stream.key)
    found: dict[str, int | None] = {}
    for number, own in enumerate(ordered):
        blocking_ns = max((stream.longest_ns for stream in ordered[number + 1 :]), default=0)
        found[own.name] = _worst_ns(ordered[:number], own, blocking_ns, math.ceil(bit_ns))
    return found


def _worst_ns(higher: Sequence[Stream], own: Stream, blocking_ns: int, bit_ns: int) -> int | None:
    """The worst instance of the busy period that begins when everything is queued just after a frame of lower rank."""
    if sum(stream.longest_ns / stream.period_ns for stream in (*higher, own)) >= 1.0:
        return None
    busy_ns, before_ns = blocking_ns + own.longest_ns, -1
    while busy_ns != before_ns:
        before_ns = busy_ns
        busy_ns = blocking_ns + _demand_ns((*higher, own), before_ns)
    worst_ns, waited_ns = 0, blocking_ns
    for instance in range(-(-busy_ns // own.period_ns)):
        before_ns = -1
        while waited_ns != before_ns:
            before_ns = waited_ns
            waited_ns = blocking_ns + instance * own.longest_ns + _demand_ns(higher, before_ns + bit_ns)
        worst_ns = max(worst_ns, waited_ns - instance * own.period_ns + own.longest_ns)
    return worst_ns


def _demand_ns(streams: Sequence[Stream], t_ns: int) -> int:
    """What these ask of the bus in a time that begins with all of them."""
    return sum(-(-t_ns // stream.period_ns) * stream.longest_ns for stream in streams)
