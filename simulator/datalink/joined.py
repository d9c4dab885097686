"""Healthy stretches of all networks at once, between which gateways pass messages on: one computation ahead for all.

While it lasts, the networks' own stretches stand still; ``leave`` tells what each of them has to go on from. What a
gateway has heard reaches another network a fixed time after the end of the frame, so that the frame that begins first
anywhere depends on nothing that is not known yet.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from simulator.batch import Batch, Sent
from simulator.datalink.controller import NEVER_NS, Outgoing
from simulator.datalink.frame import FD_LENGTHS
from simulator.datalink.stretch import Guest, Last, Standing, Stretch
from simulator.kernels import payload, stretch
from simulator.kernels.layout import EXTENDED, FD, SWITCHED, Bytes, Ints
from simulator.kernels.sending import LONGEST_BITS
from simulator.vehicle import Message

#: Frames computed ahead: at first, and then twice as many each time.
_FIRST, _MOST = 64, 4096
#: Messages passed on to one network, and how many frames of each may be on their way at once.
_ROUTES, _SLOTS = 8, 2
_NO_LIMIT = 1 << 40


class Passed(NamedTuple):
    """A message that a gateway says again: what it hears, on which network and as what it says it again."""

    start: int
    heard: tuple[int, bool]
    gateway: str
    end: int
    message: Message


class OnItsWay(NamedTuple):
    """A frame that a gateway has heard, and is to be sent at an instant on a network."""

    due_ns: int
    gateway: str
    network: int
    frame: Outgoing


class Joined:
    """Several networks' stretches as one. ``take`` from it, then ``leave`` it; ``usable``: whether it can be done.

    ``passed``: what is said again where; ``delay_ns``: how long after its end; ``on_the_way``: what has been heard
    before.
    """

    def __init__(
        self, parts: Sequence[Stretch], passed: Sequence[Passed], delay_ns: int, on_the_way: Sequence[OnItsWay]
    ) -> None:
        self._parts = parts
        self._delay_ns = delay_ns
        self._standing = [part.standing() for part in parts]
        self._lay_out(passed)
        self.usable = self._routed(passed) and self._begin(on_the_way)
        self._size = _FIRST
        self._at = self.taken = 0
        self._last: list[Last | None] = [None] * len(parts)
        self._frames = np.zeros((0, stretch.FRAME), np.int64)
        self._ends: list[int] = []
        if self.usable:
            self._ahead()

    @property
    def next_ns(self) -> int:
        """End of the next frame on any network; NEVER_NS if nobody sends."""
        return self._ends[self._at] if self._at < len(self._ends) else NEVER_NS

    def take(self, before_ns: int) -> Batch | None:
        """The next frames that end before an instant, as far as they are computed; None if there are none."""
        first = self._at
        self._at = int(np.searchsorted(self._frames[:, stretch.END_NS], before_ns))
        if self._at == first:
            return None
        batch = Batch(self._sent, self._frames[first : self._at], self._payloads[first : self._at])
        self.taken += len(batch)
        if self._at == len(self._ends):
            self._catch_up()
            self._ahead()
        return batch

    def leave(self) -> tuple[list[tuple[Standing, Last | None]], list[OnItsWay]]:
        """Where each stretch stands after the last frame taken, and its last one; what is on its way."""
        self._catch_up()
        found, coming = [], []
        for n, net in enumerate(self._nets):
            first, last = self._spans[n]
            own = len(self._parts[n].own)
            guests = []
            for m in range(first + own, last):
                gateway = self._said[m][0]
                if self._state[m, stretch.WAITS]:
                    data = self._layout.steady[self._messages[m, payload.VARIANT]]
                    frame = self._frame(m, data)
                    guests.append((Guest(int(self._state[m, stretch.SINCE_NS]), gateway, frame), 1))
                for slot in range(int(self._coming[m])):
                    frame = self._frame(m, self._data[m, slot])
                    coming.append(OnItsWay(int(self._due_ns[m, slot]), gateway, n, frame))
            lost = self._lost[net[stretch.FIRST_NODE] : net[stretch.LAST_NODE]].copy()
            state = self._state[first : first + own].copy()
            standing = Standing(state, lost, self._nodes[n], int(net[stretch.FREE_NS]), guests)
            found.append((standing, self._last[n]))
        return found, sorted(coming, key=lambda each: each.due_ns)

    # -- as arrays

    def _lay_out(self, passed: Sequence[Passed]) -> None:
        """All messages of all networks in one table: of each its own, then what comes from elsewhere."""
        self._said: dict[int, tuple[str, Message]] = {}
        self._spans: list[tuple[int, int]] = []
        self._nodes: list[list[str]] = []
        self._sent: list[Sent] = []
        layouts, rows, nets, states, losts = [], [], [], [], []
        width = max(part.plan.width for part in self._parts)
        at, nodes_at = 0, 0
        for n, (part, standing) in enumerate(zip(self._parts, self._standing, strict=True)):
            said = list(dict.fromkeys((each.gateway, each.message.name) for each in passed if each.end == n))
            messages = {(each.gateway, each.message.name): each.message for each in passed if each.end == n}
            nodes = list(dict.fromkeys([*standing.nodes, *(gateway for gateway, _ in said)]))
            own = len(part.own)
            layouts.append(part.plan.only(own))
            rows.append(part.own_messages)
            self._sent += part.own
            for k, key in enumerate(said):
                message = messages[key]
                self._said[at + own + k] = key[0], message
                layouts.append(payload.fixed(bytes(message.length)))
                rows.append(_row(message, nodes.index(key[0])))
                size = _size(message)
                others = tuple(name for name in part.names if name != key[0])
                one = message.frame_id, message.extended, size, message.is_fd, False, others
                self._sent.append(Sent(part.network, key[0], message.name, *one))
            self._spans.append((at, at + own + len(said)))
            self._nodes.append(nodes)
            states.append(standing.state)
            states.append(np.array([[NEVER_NS, 1, 0, 0]] * len(said), np.int64).reshape(-1, stretch.STATE))
            losts.append(standing.lost)
            losts.append(np.zeros((len(nodes) - len(standing.lost), standing.lost.shape[1]), np.int64))
            hertz, free_ns = part.plan.hertz, standing.free_ns
            nets.append((*self._spans[n], free_ns, hertz, nodes_at, nodes_at + len(nodes), _NO_LIMIT))
            at, nodes_at = at + own + len(said), nodes_at + len(nodes)
        width = max([width, *(_size(message) for _, message in self._said.values())])
        self._layout = payload.join(layouts, width)
        self._messages = np.concatenate(rows)
        self._messages[:, : payload.PAYLOAD] = self._layout.messages
        self._state, self._lost = np.concatenate(states), np.concatenate(losts)
        self._nets = np.array(nets, np.int64)
        self._net_of = np.repeat(np.arange(len(nets)), [last - first for first, last in self._spans])
        self._switched_ns = np.array([part.plan.switched_ns for part in self._parts])
        self._wire = np.zeros((2, LONGEST_BITS), np.uint8)
        self._width = width

    def _routed(self, passed: Sequence[Passed]) -> bool:
        """Which row is said again as which; False if that is more than whole frames can do."""
        routes: list[tuple[int, int, int]] = []
        targets = {(gateway, self._net_of[m], message.name): m for m, (gateway, message) in self._said.items()}
        # a message that goes on twice needs its second row after its first
        for each in passed:
            first, last = self._spans[each.start]
            target = targets[each.gateway, each.end, each.message.name]
            for m in range(first, last):
                one = self._sent[m]
                if (one.frame_id, one.extended) != each.heard or one.transmitter == each.gateway:
                    continue
                if one.size >= each.message.length:
                    routes.append((m, target, each.end))
                    if one.brs and each.message.is_fd:
                        self._sent[target] = self._sent[target]._replace(brs=True)
                        self._messages[target, stretch.FORM] |= SWITCHED
        self._routes = np.array(routes, np.int64).reshape(-1, 3)
        sources = [[source for source, goal, _ in routes if goal == target] for target in self._said]
        if any(len(each) > 1 for each in sources) or any(source in self._said for each in sources for source in each):
            return False
        for first, last in self._spans:
            keys = self._messages[first:last, stretch.KEY].tolist()
            if len(set(keys)) < len(keys) or sum(m in self._said for m in range(first, last)) > _ROUTES:
                return False
        return True

    def _begin(self, on_the_way: Sequence[OnItsWay]) -> bool:
        """Put what waits and what is on its way into the table; False if something else is among it."""
        rows = len(self._messages)
        self._due_ns = np.zeros((rows, _SLOTS), np.int64)
        self._coming = np.zeros(rows, np.int64)
        self._data = np.zeros((rows, _SLOTS, self._width), np.uint8)
        for n, standing in enumerate(self._standing):
            for guest, waits in standing.guests:
                m = self._row_of(n, guest.node, guest.frame)
                if m is None or not self._expect(m, guest.due_ns, guest.frame, waits=bool(waits)):
                    return False
        for each in on_the_way:
            m = self._row_of(each.network, each.gateway, each.frame)
            if m is None or not self._expect(m, each.due_ns, each.frame, waits=False):
                return False
        return True

    def _row_of(self, network: int, node: str, frame: Outgoing) -> int | None:
        for m in range(*self._spans[network]):
            if m in self._said and self._said[m] == (node, self._said[m][1]):
                message = self._said[m][1]
                form = self._sent[m].brs, self._sent[m].size
                same = (frame.name, frame.frame_id) == (message.name, message.frame_id)
                if same and not frame.kept and form == (frame.brs, len(frame.data)):
                    return m
        return None

    def _expect(self, m: int, due_ns: int, frame: Outgoing, *, waits: bool) -> bool:
        length = int(self._messages[m, payload.LENGTH])
        data = np.frombuffer(frame.data[:length], np.uint8)
        if waits:
            self._state[m, stretch.WAITS], self._state[m, stretch.SINCE_NS] = 1, due_ns
            self._layout.steady[self._messages[m, payload.VARIANT], :length] = data
            return True
        slot = int(self._coming[m])
        if slot == _SLOTS:
            return False
        self._due_ns[m, slot], self._data[m, slot, :length] = due_ns, data
        self._coming[m] += 1
        return True

    def _frame(self, m: int, data: Bytes) -> Outgoing:
        """A frame that a gateway says again."""
        message, one = self._said[m][1], self._sent[m]
        whole = data[: message.length].tobytes()
        if message.is_fd:
            whole = whole.ljust(one.size, b"\xcc")
        return Outgoing(
            message.frame_id, whole, name=message.name, extended=message.extended, fd=message.is_fd, brs=one.brs
        )

    # -- ahead

    def _ahead(self) -> None:
        """Compute the next frames; those that end after the last one begins are computed again later."""
        kept = [part.copy() for part in self._parts_that_change()]
        frames, payloads, count = self._run(self._size)
        for now, before in zip(self._parts_that_change(), kept, strict=True):
            now[...] = before
        self.usable = count >= 0
        frames, payloads = frames[: max(count, 0)], payloads[: max(count, 0)]
        if count == self._size:
            whole = frames[:, stretch.END_NS] <= frames[-1, stretch.START_NS]
            frames, payloads = frames[whole], payloads[whole]
        order = np.lexsort((self._net_of[frames[:, stretch.WHICH]], frames[:, stretch.END_NS]))
        self._frames, self._payloads, self._at = frames[order], payloads[order], 0
        self._ends = self._frames[:, stretch.END_NS].tolist()
        self._size = min(2 * self._size, _MOST)

    def _catch_up(self) -> None:
        """The table as it is after the last frame taken, from where the frames ahead began."""
        taken = self._frames[: self._at]
        if not len(taken):
            return
        of = self._net_of[taken[:, stretch.WHICH]]
        quotas = np.bincount(of, minlength=len(self._nets))
        self._nets[:, stretch.QUOTA] = quotas
        self._run(len(taken))
        self._nets[:, stretch.QUOTA] = _NO_LIMIT
        for n in np.flatnonzero(quotas).tolist():
            end_ns, which = taken[of == n][-1, [stretch.END_NS, stretch.WHICH]].tolist()
            self._last[n] = Last(end_ns, self._sent[which].transmitter)
        self._frames, self._payloads, self._at = self._frames[self._at :], self._payloads[self._at :], 0
        self._ends = self._frames[:, stretch.END_NS].tolist()

    def _parts_that_change(self) -> list[Ints | Bytes]:
        steady = self._layout.steady
        return [self._nets, self._state, self._lost, steady, self._due_ns, self._coming, self._data]

    def _run(self, most: int) -> tuple[Ints, Bytes, int]:
        frames = np.zeros((most, stretch.FRAME), np.int64)
        payloads = np.zeros((most, self._width), np.uint8)
        count = stretch.run_joined(
            self._nets, self._messages, self._state, self._lost, self._switched_ns, self._layout.arrays, self._wire,
            self._routes, self._delay_ns, self._due_ns, self._coming, self._data, frames, payloads,
        )  # fmt: skip
        return frames, payloads, count


def _size(message: Message) -> int:
    """Data bytes of a message on the wire."""
    return next(length for length in FD_LENGTHS if length >= message.length) if message.is_fd else message.length


def _row(message: Message, node: int) -> Ints:
    """A message that is sent when it has come, and never by itself."""
    form = EXTENDED * message.extended | FD * message.is_fd
    key = Outgoing(message.frame_id, b"", extended=message.extended).key
    size = _size(message)
    row = np.zeros((1, stretch.MESSAGE), np.int64)
    row[0, payload.PAYLOAD :] = key, message.frame_id, form, FD_LENGTHS.index(size), size, 1, 1, node
    return row
