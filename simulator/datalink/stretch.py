"""A healthy stretch of a network, computed ahead by whole frames; it can go back to the end of any frame in it.

Everybody hears everybody, all controllers are error active, and nothing waits but cyclic messages: then the order of
the frames follows from identifiers alone, their times from their exact lengths.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from typing import Protocol

import numpy as np

from simulator.batch import Batch, Sent
from simulator.datalink.controller import NEVER_NS, Outgoing
from simulator.datalink.frame import FD_LENGTHS
from simulator.datalink.island import Timing
from simulator.datalink.trouble import FIELDS
from simulator.kernels import payload, stretch
from simulator.kernels.layout import EXTENDED, EXTENSION, FD, ID, RTR, SWITCHED, Bytes, Ints
from simulator.kernels.sending import LONGEST_BITS
from simulator.vehicle import Message

#: Frames computed ahead: few at first, since somebody may interfere, then twice as many each time.
_FIRST, _MOST = 16, 4096
#: Fields in which a cyclic message can lose arbitration, as the kernel counts them.
_PLACES = (ID, RTR, EXTENSION)


class Cyclic(Protocol):
    """A cyclic message of a node: when it is due next, how often it was sent, how its payload is packed."""

    message: Message
    node: str
    cycle_ns: int
    brs: bool
    due_ns: int
    count: int
    latest: tuple[Outgoing | None, int, int]
    repacked: bool

    @property
    def layout(self) -> payload.Layout | None:
        """None: only the database's codec can pack it."""

    def frame(self, t_ns: int) -> Outgoing:
        """The next frame, with its payload of an instant."""

    def last_frame(self) -> Outgoing | None:
        """The frame sent last."""

    def stand(self, due_ns: int, count: int, since_ns: int) -> None:
        """Somebody has sent for it: when it is due next, how often it was sent, and when last."""


class Plan:
    """The cyclic messages of a network as arrays; ``usable``: whether whole frames can do them."""

    def __init__(self, senders: Sequence[Cyclic], timing: Timing) -> None:
        self.senders = tuple(senders)
        self.hertz = timing.bit_rate
        self.switched_ns = _switched_ns(timing)
        layouts = [sender.layout for sender in senders if sender.layout is not None]
        self.sizes = sizes = [_wire_size(sender.message) for sender in senders]
        self.ids = [sender.message.frame_id for sender in senders]
        self.keys = [sender_key(sender) for sender in senders]
        self.rows = {key: row for row, key in enumerate(self.keys)}
        nodes = list(dict.fromkeys(sender.node for sender in senders))
        self.nodes = tuple(nodes)
        self.usable = 0 < len(layouts) == len(senders) and len(self.rows) == len(senders)
        if not self.usable:
            return
        self.width = max(1, *sizes)
        self.layout = payload.join(layouts, self.width)
        self.messages = np.zeros((len(senders), stretch.MESSAGE), np.int64)
        self.messages[:, : payload.PAYLOAD] = self.layout.messages
        for row, sender, size, key in zip(self.messages, senders, sizes, self.keys, strict=True):
            one = sender.message
            form = EXTENDED * one.extended | FD * one.is_fd | SWITCHED * sender.brs
            row[payload.PAYLOAD :] = (
                key,
                one.frame_id,
                form,
                FD_LENGTHS.index(size),
                size,
                sender.cycle_ns,
                0,
                nodes.index(sender.node),
            )


class Stretch:
    """What a network carries from an instant on, if nobody interferes. ``take`` it, or ``leave`` after what was taken.

    ``waits``: rows of the plan that wait already. ``active``: which messages are sent;
    ``heeded``: which somebody has to be told of one by one.
    """

    def __init__(
        self,
        plan: Plan,
        sent: Sequence[Sent],
        active: Sequence[bool],
        free_ns: int,
        waits: Collection[int],
        heeded: Sequence[bool],
    ) -> None:
        self._plan, self._sent, self._heeded = plan, sent, np.array(heeded, bool)
        self.active = tuple(active)
        self._messages = plan.messages.copy()
        self._messages[:, stretch.ACTIVE] = active
        self._state = np.zeros((len(plan.senders), stretch.STATE), np.int64)
        for row, sender in enumerate(plan.senders):
            self._state[row] = sender.due_ns, sender.count, row in waits, sender.latest[1]
        self._wire = np.zeros(LONGEST_BITS, np.uint8)
        self._free_ns = free_ns
        self._size = _FIRST
        self._last_ns: int | None = None
        self._at = 0
        self._lost = np.zeros((len(plan.nodes), len(_PLACES)), np.int64)
        self.taken = 0
        self._ahead()

    @property
    def deadline_ns(self) -> int:
        """End of the next frame that was not taken; NEVER_NS if nobody sends."""
        return self._ends[self._at] if self._at < len(self._ends) else NEVER_NS

    @property
    def until_ns(self) -> int:
        """Frames that end before this instant are computed, and need not be told of one by one."""
        return self._until_ns[self._at] if self._at < len(self._ends) else 0

    def take(self, before_ns: int) -> Batch:
        """The next frames that end before an instant, as far as they are computed."""
        first = self._at
        self._at = int(np.searchsorted(self._frames[:, stretch.END_NS], before_ns))
        return self._taken(first)

    def take_one(self) -> Batch:
        """The next frame."""
        self._at += 1
        return self._taken(self._at - 1)

    def leave(self) -> tuple[Ints, int | None]:
        """The state of the messages after the last frame taken, and its end; None if there is none."""
        return self._again()[0], self._last_ns

    def lost(self) -> Counter[tuple[str, str, str]]:
        """How often a node has lost arbitration where, up to the last frame taken."""
        lost = self._again()[1]
        return Counter(
            {
                (node, "lost arbitration", FIELDS[place]): int(count)
                for node, counts in zip(self._plan.nodes, lost, strict=True)
                for place, count in zip(_PLACES, counts, strict=True)
                if count
            }
        )

    def _again(self) -> tuple[Ints, Ints]:
        """The state of the messages and the arbitrations lost after the last frame taken, by computing them again."""
        state, lost = self._begin[0].copy(), self._begin[2].copy()
        if self._at:
            frames, payloads = self._frames[: self._at].copy(), self._payloads[: self._at].copy()
            self._run(state, lost, self._begin[1], frames, payloads)
        return state, lost

    def _taken(self, first: int) -> Batch:
        batch = Batch(self._sent, self._frames[first : self._at], self._payloads[first : self._at])
        self.taken += len(batch)
        if len(batch):
            self._last_ns = self._ends[self._at - 1]
        if self._at == len(self._ends):
            self._ahead()
        return batch

    def _ahead(self) -> None:
        """Compute the next frames."""
        self._begin = self._state.copy(), self._free_ns, self._lost.copy()
        frames = np.zeros((self._size, stretch.FRAME), np.int64)
        payloads = np.zeros((self._size, self._plan.width), np.uint8)
        count = self._run(self._state, self._lost, self._free_ns, frames, payloads)
        self._frames, self._payloads, self._at = frames[:count], payloads[:count], 0
        self._ends: list[int] = self._frames[:, stretch.END_NS].tolist()
        told = self._heeded[self._frames[:, stretch.WHICH]]
        ends = np.where(told, self._frames[:, stretch.END_NS], self._frames[-1:, stretch.END_NS] + 1)
        self._until_ns: list[int] = np.minimum.accumulate(ends[::-1])[::-1].tolist()
        if count:
            self._free_ns = self._ends[-1] + stretch.INTERMISSION * 1_000_000_000 // self._plan.hertz
        self._size = min(2 * self._size, _MOST)

    def _run(self, state: Ints, lost: Ints, free_ns: int, frames: Ints, payloads: Bytes) -> int:
        plan = self._plan
        return stretch.run_frames(
            self._messages, state, lost, free_ns, plan.hertz, plan.switched_ns, plan.layout.arrays, self._wire,
            frames, payloads,
        )  # fmt: skip


def sender_key(sender: Cyclic) -> int:
    """The bits of a cyclic message up to RTR as a number: the lowest wins arbitration."""
    return Outgoing(sender.message.frame_id, b"", extended=sender.message.extended).key


def _wire_size(message: Message) -> int:
    """Data bytes on the wire: of CAN FD the next length that there is."""
    return next(length for length in FD_LENGTHS if length >= message.length) if message.is_fd else message.length


def _switched_ns(timing: Timing) -> Ints:
    """Duration of BRS to CRC delimiter by the number of bits between them, added up as the controllers do."""
    nominal_ns, data_ns, point, data_point, _ = timing.clock.tolist()
    more_ns = nominal_ns * point + data_ns * (1 - data_point)
    last_ns = data_ns * data_point + nominal_ns * (1 - point)
    found = []
    for _ in range(LONGEST_BITS):
        found.append(round(more_ns + last_ns))
        more_ns += data_ns * data_point + data_ns * (1 - data_point)
    return np.array(found, np.int64)
