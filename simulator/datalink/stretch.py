"""A healthy stretch of a network, computed ahead by whole frames; it can go back to the end of any frame in it.

Everybody hears everybody, all controllers are error active, and nothing waits but cyclic messages: then the order of
the frames follows from identifiers alone, their times from their exact lengths.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from typing import NamedTuple, Protocol

import numpy as np

from simulator.batch import Batch, Sent
from simulator.datalink.controller import NEVER_NS, Outgoing
from simulator.datalink.frame import FD_LENGTHS, PADDING
from simulator.datalink.island import Timing
from simulator.datalink.trouble import FIELDS
from simulator.kernels import payload, stretch
from simulator.kernels.layout import EXTENDED, EXTENSION, FD, ID, RTR, SWITCHED, Bytes, Ints
from simulator.kernels.sending import LONGEST_BITS
from simulator.vehicle import Message

#: Frames computed ahead: few at first, since somebody may interfere, then twice as many each time.
_FIRST, _MOST = 16, 4096
#: Other frames that may wait at once.
MOST_GUESTS = 32
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

    def stand(self, due_ns: int, count: int, since_ns: int, frame: Outgoing | None = None) -> None:
        """Somebody has sent for it: when it is due next, how often it was sent, when last, and what if at hand."""


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
        self.rows_of = {node: [row for row, one in enumerate(senders) if one.node == node] for node in nodes}
        self.usable = 0 < len(layouts) == len(senders) and len(self.rows) == len(senders)
        if not self.usable:
            return
        self.width = max(8, *sizes)
        # after the messages there is room for guests, whose payloads stay as they are
        self.layout = payload.join([*layouts, *[payload.fixed(b"")] * MOST_GUESTS], self.width)
        self.messages = np.zeros((len(senders) + MOST_GUESTS, stretch.MESSAGE), np.int64)
        self.messages[:, : payload.PAYLOAD] = self.layout.messages
        for row, sender, size, key in zip(self.messages, senders, sizes, self.keys, strict=False):
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

    def admits(self, frame: Outgoing) -> bool:
        """Whether a frame is as a cyclic message could be, and none of them."""
        if frame.remote or frame.dlc is not None or frame.key in self.rows:
            return False
        return wire_size(frame) <= self.width

    def only(self, own: int) -> payload.Layout:
        """How the payloads of the messages are packed, without room for guests."""
        return payload.join([one for sender in self.senders if (one := sender.layout) is not None][:own], self.width)


class Guest(NamedTuple):
    """A frame that a node has queued besides its cyclic messages, and when."""

    due_ns: int
    node: str
    frame: Outgoing


class Queued(NamedTuple):
    """A guest with its place in line among all that were ever queued."""

    guest: Guest
    number: int


class Last(NamedTuple):
    """The last frame that went through: its end, and who sent it."""

    end_ns: int
    transmitter: str


class Standing(NamedTuple):
    """Where a stretch stands after the last frame taken: its messages, who lost arbitration how often, by node, when
    the bus is free, and the guests left, each with whether it waits already.
    """

    state: Ints
    lost: Ints
    nodes: Sequence[str]
    free_ns: int
    guests: Sequence[tuple[Guest, int]]


class Stretch:
    """What a network carries from an instant on, if nobody interferes. ``take`` it, or ``leave`` after what was taken.

    ``waits``: rows of the plan that wait already. ``active``: which messages are sent; ``heeded``: which somebody has
    to be told of one by one; ``names``: all nodes. Other frames may be let in on the way (``admit``).
    """

    def __init__(
        self,
        plan: Plan,
        sent: Sequence[Sent],
        active: Sequence[bool],
        free_ns: int,
        waits: Collection[int],
        heeded: Sequence[bool],
        names: Sequence[str],
    ) -> None:
        self.plan = plan
        self.own, self._own_heeded = tuple(sent), list(heeded)
        self.active, self.names = tuple(active), tuple(names)
        self._nodes = list(plan.nodes)
        self._guests: list[Guest] = []
        state = np.zeros((len(plan.senders), stretch.STATE), np.int64)
        for row, sender in enumerate(plan.senders):
            state[row] = sender.due_ns, sender.count, row in waits, sender.latest[1]
        self._wire = np.zeros((2, LONGEST_BITS), np.uint8)
        self._last: Last | None = None
        self._at = 0
        self.taken = 0
        self._begin_at(state, np.zeros((len(self._nodes), len(_PLACES)), np.int64), free_ns)

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

    def take_one(self) -> tuple[Batch, Outgoing | None]:
        """The next frame; with the very one that was let in, if it is none of the cyclic messages."""
        row = int(self._frames[self._at, stretch.WHICH]) - len(self.own)
        guest = self._guests[row].frame if row >= 0 else None
        self._at += 1
        return self._taken(self._at - 1), guest

    def leave(self) -> tuple[Ints, Last | None, list[Guest]]:
        """The state of the messages after the last frame taken, that frame (None if there is none), and guests left.

        A guest that waits already is due at that end.
        """
        state = self._again()[0]
        return state[: len(self.own)], self._last, [guest for guest, _ in self._left(state)]

    def lost(self) -> Counter[tuple[str, str, str]]:
        """How often a node has lost arbitration where, up to the last frame taken."""
        lost = self._again()[1]
        return Counter(
            {
                (node, "lost arbitration", FIELDS[place]): int(count)
                for node, counts in zip(self._nodes, lost, strict=True)
                for place, count in zip(_PLACES, counts, strict=True)
                if count
            }
        )

    @property
    def network(self) -> str:
        """Of which network it is."""
        return self.own[0].network

    @property
    def own_messages(self) -> Ints:
        """The rows of its own messages, as the kernel takes them."""
        return self._messages[: len(self.own)].copy()

    def standing(self) -> Standing:
        """Where it stands after the last frame taken."""
        state, lost = self._again()
        own = len(self.own)
        return Standing(state[:own], lost, tuple(self._nodes), self._free_now(), self._left(state))

    def go_on(self, standing: Standing, last: Last | None, taken: int) -> None:
        """Go on from where somebody else has taken frames, up to the last one (None: no frame)."""
        self.taken += taken
        self._nodes = list(standing.nodes)
        self._last = self._last if last is None else last
        self._restart_at(standing.free_ns, standing.state, standing.lost, standing.guests)

    # -- frames besides the cyclic ones

    def admit(self, t_ns: int, node: str, frame: Outgoing, begun: bool) -> bool:
        """Queue another frame at a node now; False if it could meet one of its own identifier, or for odd ones.

        ``begun``: what begins at this instant has begun.
        """
        if not self.plan.admits(frame) or len(self._guests) == MOST_GUESTS:
            return False
        same = [guest for guest in self._guests if guest.frame.key == frame.key]
        if any(guest.node != node or not guest.frame.kept or not frame.kept for guest in same):
            return False
        if begun and self._at < len(self._ends) and self._frames[self._at, stretch.START_NS] == t_ns:
            t_ns += 1
        state, lost = self._again()
        self._restart(state, lost, [*self._left(state), (Guest(t_ns, node, frame), 0)])
        return True

    def dismiss(self, t_ns: int, frame: Outgoing, begun: bool) -> None:
        """Take back a guest, unless it is on the wire by now."""
        row = next((row for row, guest in enumerate(self._guests) if guest.frame is frame), None)
        if row is None:
            return
        if self._at < len(self._ends) and self._frames[self._at, stretch.WHICH] == len(self.own) + row:
            start_ns = self._frames[self._at, stretch.START_NS]
            if start_ns < t_ns or (begun and start_ns == t_ns):
                return
        state, lost = self._again()
        self._restart(state, lost, [left for left in self._left(state) if left[0].frame is not frame])

    def _left(self, state: Ints) -> list[tuple[Guest, int]]:
        """The guests that have not been sent, and whether each waits already."""
        rows = state[len(self.own) :].tolist()
        return [
            (guest, row[stretch.WAITS])
            for guest, row in zip(self._guests, rows, strict=True)
            if row[stretch.WAITS] or row[stretch.DUE_NS] < NEVER_NS
        ]

    def _restart(self, state: Ints, lost: Ints, guests: Sequence[tuple[Guest, int]]) -> None:
        """Go on after the last frame taken with these guests."""
        self._restart_at(self._free_now(), state, lost, guests)

    def _free_now(self) -> int:
        return self._free_after(self._ends[self._at - 1]) if self._at else self._begin[1]

    def _restart_at(self, free_ns: int, state: Ints, lost: Ints, guests: Sequence[tuple[Guest, int]]) -> None:
        self._guests = [guest for guest, _ in guests]
        for guest in self._guests:
            if guest.node not in self._nodes:
                self._nodes.append(guest.node)
        rows = [(NEVER_NS if waits else guest.due_ns, 0, waits, guest.due_ns) for guest, waits in guests]
        state = np.concatenate([state[: len(self.own)], np.array(rows, np.int64).reshape(-1, stretch.STATE)])
        lost = np.concatenate([lost, np.zeros((len(self._nodes) - len(lost), len(_PLACES)), np.int64)])
        self._begin_at(state, lost, free_ns)

    # -- ahead

    def _begin_at(self, state: Ints, lost: Ints, free_ns: int) -> None:
        """Compute from a state on; the arrays are those of the plan and, after them, of the guests."""
        plan, guests = self.plan, self._guests
        own = len(self.own)
        self._messages = plan.messages[: own + len(guests)].copy()
        self._messages[:own, stretch.ACTIVE] = self.active
        steady = plan.layout.steady.copy() if guests else plan.layout.steady
        for guest, row in zip(guests, self._messages[own:], strict=True):
            put_visitor(row, steady, guest, self._nodes.index(guest.node))
        self._layout = plan.layout._replace(steady=steady)
        self._heeded = np.array([*self._own_heeded, *(True for _ in guests)], bool)
        self._sent = [*self.own, *(self._guest_sent(guest) for guest in guests)]
        self._state, self._lost, self._free_ns = state, lost, free_ns
        self._size = _FIRST
        self._ahead()

    def _guest_sent(self, guest: Guest) -> Sent:
        frame, one = guest.frame, self.own[0]
        others = tuple(name for name in self.names if name != guest.node)
        return Sent(
            one.network, guest.node, frame.name, frame.frame_id, frame.extended, len(frame.data), frame.fd, frame.brs,
            others,
        )  # fmt: skip

    def _taken(self, first: int) -> Batch:
        batch = Batch(self._sent, self._frames[first : self._at], self._payloads[first : self._at])
        self.taken += len(batch)
        if len(batch):
            which = int(self._frames[self._at - 1, stretch.WHICH])
            self._last = Last(self._ends[self._at - 1], self._sent[which].transmitter)
        if self._at == len(self._ends):
            self._ahead()
        return batch

    def _again(self) -> tuple[Ints, Ints]:
        """The state of the messages and the arbitrations lost after the last frame taken, by computing them again."""
        state, lost = self._begin[0].copy(), self._begin[2].copy()
        if self._at:
            frames, payloads = self._frames[: self._at].copy(), self._payloads[: self._at].copy()
            self._run(state, lost, self._begin[1], frames, payloads)
        return state, lost

    def _ahead(self) -> None:
        """Compute the next frames."""
        self._begin = self._state.copy(), self._free_ns, self._lost.copy()
        frames = np.zeros((self._size, stretch.FRAME), np.int64)
        payloads = np.zeros((self._size, self.plan.width), np.uint8)
        count = self._run(self._state, self._lost, self._free_ns, frames, payloads)
        self._frames, self._payloads, self._at = frames[:count], payloads[:count], 0
        self._ends: list[int] = self._frames[:, stretch.END_NS].tolist()
        told = self._heeded[self._frames[:, stretch.WHICH]]
        ends = np.where(told, self._frames[:, stretch.END_NS], self._frames[-1:, stretch.END_NS] + 1)
        self._until_ns: list[int] = np.minimum.accumulate(ends[::-1])[::-1].tolist()
        if count:
            self._free_ns = self._free_after(self._ends[-1])
        self._size = min(2 * self._size, _MOST)

    def _free_after(self, end_ns: int) -> int:
        return end_ns + stretch.INTERMISSION * 1_000_000_000 // self.plan.hertz

    def _run(self, state: Ints, lost: Ints, free_ns: int, frames: Ints, payloads: Bytes) -> int:
        plan = self.plan
        return stretch.run_frames(
            self._messages, state, lost, free_ns, plan.hertz, plan.switched_ns, self._layout.arrays, self._wire,
            frames, payloads,
        )  # fmt: skip


def put_visitor(row: Ints, steady: Bytes, guest: Guest, node: int) -> None:
    """Put a frame of a node, by its number, into the row of a message that is due once; its bytes are steady ones."""
    frame, size = guest.frame, wire_size(guest.frame)
    steady[row[payload.VARIANT], :size] = list(frame.data.ljust(size, bytes([PADDING])))
    row[payload.LENGTH] = size
    form = EXTENDED * frame.extended | FD * frame.fd | SWITCHED * frame.brs
    # it is due once
    cycle_ns = NEVER_NS - guest.due_ns
    active = stretch.ENDLESS if frame.endless else 1
    row[payload.PAYLOAD :] = frame.key, frame.frame_id, form, FD_LENGTHS.index(size), size, cycle_ns, active, node


def sender_key(sender: Cyclic) -> int:
    """The bits of a cyclic message up to RTR as a number: the lowest wins arbitration."""
    return Outgoing(sender.message.frame_id, b"", extended=sender.message.extended).key


def _wire_size(message: Message) -> int:
    """Data bytes of a message on the wire: of CAN FD the next length that there is."""
    return next(length for length in FD_LENGTHS if length >= message.length) if message.is_fd else message.length


def wire_size(frame: Outgoing) -> int:
    """Data bytes of a frame on the wire: of CAN FD the next length that there is."""
    length = len(frame.data)
    return next(one for one in FD_LENGTHS if one >= length) if frame.fd else length


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
