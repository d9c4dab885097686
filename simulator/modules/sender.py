"""A cyclic message of a control module: when it is due, how often it was sent, and the frame of each sending."""

from __future__ import annotations

from zlib import crc32

from simulator.datalink.controller import Outgoing
from simulator.datalink.frame import padded
from simulator.modules.codec import Packer
from simulator.vehicle import Message, Network

_MS_NS = 1_000_000
#: Cycles of different modules start at different times, in these steps (own choice).
_OFFSET_STEP_NS = 100_000


class Sender:
    """A cyclic message with its packer; the first is sent ``offset_ns`` after waking.

    ``latest``: the frame made last, the instant it was made for, and its number.
    """

    def __init__(self, network: Network, message: Message, node: str, seed: int) -> None:
        assert message.cycle_ms is not None
        self.network = network.name
        self.message = message
        self.node = node
        self.cycle_ns = message.cycle_ms * _MS_NS
        steps = max(1, self.cycle_ns // _OFFSET_STEP_NS)
        self.offset_ns = crc32(f"{seed} {network.name} {message.name}".encode()) % steps * _OFFSET_STEP_NS
        self.packer = Packer(message, seed)
        self.brs = message.is_fd and network.data_bit_rate is not None
        self.due_ns = 0
        self.count = 0
        self.latest: tuple[Outgoing | None, int, int] = (None, 0, 0)

    def frame(self, t_ns: int) -> Outgoing:
        """The next frame, with its payload of an instant."""
        self.count += 1
        return self.frame_of(t_ns, self.count - 1)

    def frame_of(self, t_ns: int, number: int) -> Outgoing:
        """The frame of a sending, with its payload of an instant."""
        message = self.message
        data = self.packer.payload(t_ns, number)
        if message.is_fd:
            data = padded(data)
        frame = Outgoing(
            message.frame_id, data, name=message.name, extended=message.extended, fd=message.is_fd, brs=self.brs
        )
        self.latest = frame, t_ns, number
        return frame
