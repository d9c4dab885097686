"""A cyclic message of a control module: when it is due, how often it was sent, and the frame of each sending."""

from __future__ import annotations

from collections.abc import Mapping
from zlib import crc32

from simulator.datalink.controller import Outgoing
from simulator.datalink.frame import padded
from simulator.kernels.payload import Layout
from simulator.modules.codec import Packer, Track
from simulator.vehicle import Message, Network

_MS_NS = 1_000_000
#: Cycles of different modules start at different times, in these steps (own choice).
_OFFSET_STEP_NS = 100_000


class Sender:
    """A cyclic message with its packer; the first is sent ``offset_ns`` after waking.

    ``latest``: the frame sent last (None: not made yet), the instant it was made for, and its number (-1: none yet).
    """

    def __init__(self, network: Network, message: Message, node: str, seed: int) -> None:
        assert message.cycle_ms is not None
        self.network = network.name
        self.message = message
        self.node = node
        self.cycle_ns = message.cycle_ms * _MS_NS
        steps = max(1, self.cycle_ns // _OFFSET_STEP_NS)
        self.offset_ns = crc32(f"{seed} {network.name} {message.name}".encode()) % steps * _OFFSET_STEP_NS
        self._seed = seed
        self.packer = Packer(message, seed)
        self.brs = message.is_fd and network.data_bit_rate is not None
        self.due_ns = 0
        self.count = 0
        self.latest: tuple[Outgoing | None, int, int] = (None, 0, -1)
        #: Whether ``latest`` was packed in another way than the next one will be.
        self.repacked = False

    @property
    def layout(self) -> Layout | None:
        """How its payload is packed; None: only by the database's codec."""
        return self.packer.layout

    def follow(self, tracks: Mapping[str, Track]) -> None:
        """From now on its signals follow these tracks, by name; the others move as ever."""
        self.last_frame()  # what was sent keeps the values it had
        self.packer = Packer(self.message, self._seed, tracks)
        self.repacked = True

    def frame(self, t_ns: int) -> Outgoing:
        """The next frame, with its payload of an instant."""
        frame = self._made(t_ns, self.count)
        self.latest = frame, t_ns, self.count
        self.repacked = False
        self.count += 1
        return frame

    def last_frame(self) -> Outgoing | None:
        """The frame sent last; None if none was."""
        frame, since_ns, number = self.latest
        if frame is None and number >= 0:
            frame = self._made(since_ns, number)
            self.latest = frame, since_ns, number
        return frame

    def stand(self, due_ns: int, count: int, since_ns: int, frame: Outgoing | None = None) -> None:
        """Somebody has sent for it: when it is due next, how often it was sent, when last, and what if at hand."""
        if count != self.count:
            self.latest = frame, since_ns, count - 1
            self.repacked = False
        self.due_ns, self.count = due_ns, count

    def _made(self, t_ns: int, number: int) -> Outgoing:
        message = self.message
        data = self.packer.payload(t_ns, number)
        if message.is_fd:
            data = padded(data)
        return Outgoing(
            message.frame_id, data, name=message.name, extended=message.extended, fd=message.is_fd, brs=self.brs
        )
