"""What happens on a wire and need not be told one by one: who has to be told what, and the rest, many at once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.datalink.trouble import STATUS, Trouble, last_of_each, trouble_of
from simulator.kernels import layout, wire

Ints = NDArray[np.int64]


#: The status of a controller that is bus off.
_OFF = STATUS.index("bus off")


class Wants(NamedTuple):
    """What has to be told one by one of the controllers on a network: all that they notice, attempts that fail, changes
    of status; of ``nodes`` everything, and of ``watched`` ones that they go bus off. Frames that go through always are.
    """

    noticed: bool = True
    attempts: bool = True
    changes: bool = True
    nodes: frozenset[str] = frozenset()
    watched: frozenset[str] = frozenset()

    def among(self, names: tuple[str, ...], events: Ints) -> NDArray[np.bool_]:
        """Which of these events of the kernel, by controllers of these names, have to be told one by one."""
        what, who = events[:, wire.WHAT], events[:, wire.WHO]
        own = np.array([name in self.nodes for name in names], bool)[who]
        off = np.array([name in self.watched for name in names], bool)[who] & (events[:, wire.A] == _OFF)
        found: NDArray[np.bool_] = own | (what == layout.SENT) | (what == layout.UNDETECTED)
        found |= (what == layout.CHANGED) & (off | self.changes)
        if self.attempts:
            found |= what == layout.ENDED
        if self.noticed:
            found |= what < layout.UNDETECTED
        return found


class Lot(NamedTuple):
    """Many events on one wire; of each controller in the order of time.

    ``nodes``: the controllers by number. ``notes`` (number, 5): what they noticed, of the kernel (time in ns, what,
    who, a, b). ``rows`` (number, EVENT): attempts that failed and changes of status, as the kernel keeps them.
    ``stopped_ns`` (stops,), ``standing`` (stops, controllers): TEC << 16 | REC << 2 | STATUS of all at these instants.
    """

    nodes: tuple[str, ...]
    notes: Ints
    rows: Ints
    stopped_ns: Ints
    standing: Ints

    def since(self, t_ns: int) -> Lot:
        """What was noticed after an instant, and all the rest."""
        return self._replace(notes=self.notes[self.notes[:, 0] > t_ns])

    @property
    def ended(self) -> Ints:
        """The attempts that failed."""
        found: Ints = self.rows[self.rows[:, wire.WHAT] == layout.ENDED]
        return found

    @property
    def changed(self) -> Ints:
        """The changes of status."""
        found: Ints = self.rows[self.rows[:, wire.WHAT] == layout.CHANGED]
        return found

    def noticed(self) -> Iterator[tuple[Trouble, int]]:
        """The last of each kind, place and part in the frame at each controller, and how many there were.

        That arbitration was lost is no error, and left out.
        """
        for (t_ns, what, n, a, b), count in last_of_each(self.notes[self.notes[:, 1] != layout.LOST], 0x1FFF):
            yield trouble_of(t_ns, what, self.nodes[n], a, b), count

    def spans(self) -> list[tuple[int, int]]:
        """When the attempts that failed began and ended, in ns."""
        ended = self.ended
        return list(zip(ended[:, wire.START_NS].tolist(), ended[:, wire.T_NS].tolist(), strict=True))

    def statuses(self) -> Iterator[tuple[int, str, str]]:
        """The changes of status: when, in ns, whose, and to what."""
        for row in self.changed.tolist():
            yield row[wire.T_NS], self.nodes[row[wire.WHO]], STATUS[row[wire.A]]

    def bus_offs(self) -> Iterator[tuple[str, list[int]]]:
        """By controller when it went bus off, in ns."""
        changed = self.changed
        return self._times_by_node(changed[changed[:, wire.A] == _OFF])

    def unanswered(self) -> Iterator[tuple[str, list[int]]]:
        """By transmitter when attempts ended for want of an acknowledgement, in ns."""
        ended = self.ended
        return self._times_by_node(ended[ended[:, wire.A] == layout.ACK_ERROR])

    def attempts(self) -> Iterator[tuple[str, list[int]]]:
        """By transmitter when its attempts ended, in ns."""
        return self._times_by_node(self.ended)

    def _times_by_node(self, rows: Ints) -> Iterator[tuple[str, list[int]]]:
        for n in np.unique(rows[:, wire.WHO]).tolist():
            yield self.nodes[n], rows[rows[:, wire.WHO] == n, wire.T_NS].tolist()

    def counters(self) -> Iterator[tuple[str, list[tuple[int, int, int]]]]:
        """By controller its (time in ns, transmit, receive) error counters, where they changed."""
        for n, name in enumerate(self.nodes):
            own = self.notes[self.notes[:, 2] == n]
            standing = self.standing[:, n]
            times = np.concatenate([own[:, 0], self.stopped_ns])
            packed = np.concatenate([own[:, 4], standing >> 16 << 16 | standing >> 2 & 0xFF])
            order = np.argsort(times, kind="stable")
            times, packed = times[order], packed[order]
            changed = np.ones(len(times), bool)
            changed[1:] = packed[1:] != packed[:-1]
            times, packed = times[changed], packed[changed]
            if len(times):
                columns = times, packed >> 16, packed & 0xFFFF
                yield name, list(zip(*(column.tolist() for column in columns), strict=True))
