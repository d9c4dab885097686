"""What a running vehicle tells those who listen: attempts to send, events, what controllers notice, single bits."""

from __future__ import annotations

from collections.abc import Callable

from simulator.batch import Batch
from simulator.datalink.island import TracedBit
from simulator.datalink.lot import Lot
from simulator.datalink.trouble import Trouble
from simulator.listeners import Listeners
from simulator.media import Media
from simulator.record import Event, FrameRecord


class Audible:
    """The part of a simulation for those who listen. ``t_ns``: the present instant."""

    t_ns: int
    _listeners: Listeners
    _media: Media

    def subscribe(
        self,
        callback: Callable[[FrameRecord], None],
        batches: Callable[[Batch], None] | None = None,
        *,
        in_lots: bool = False,
    ) -> None:
        """Call back with every attempt to send a frame, when it has ended.

        With ``batches`` the frames of healthy stretches may come there instead: many at once, in the order of all. With
        ``in_lots`` attempts that fail may not come at all, but in lots (``take_lots``).
        """
        self._media.hand_over(self.t_ns)
        self._listeners.subscribe(callback, batches, in_lots)
        self._media.reconsider()

    def take_lots(self, callback: Callable[[str, Lot], None]) -> None:
        """Call back with a network and much that has happened there, from now on, which nobody is told one by one.

        It comes up to 17,000 bits late, or when ``run_until_ns`` ends, and in no order among different wires.
        """
        self._media.hand_over(self.t_ns)
        self._listeners.lots.append((self.t_ns, callback))

    def notice(self, callback: Callable[[Event], None], *, in_lots: bool = False) -> None:
        """Call back with every event from now on: faults, supply, and controllers, these as in ``overhear``.

        With ``in_lots`` those of controllers may not come, but in lots (``take_lots``).
        """
        self._media.hand_over(self.t_ns)
        self._listeners.notice(self.t_ns, callback, in_lots)
        self._media.reconsider()

    def overhear(self, callback: Callable[[str, Trouble], None], *, in_lots: bool = False) -> None:
        """Call back with a network and every error noticed there from now on, up to 400 bits late, in no order.

        With ``in_lots`` they may not come, but in lots (``take_lots``).
        """
        self._media.hand_over(self.t_ns)
        self._listeners.overhear(self.t_ns, callback, in_lots)
        self._media.reconsider()

    def tell_noticed(self) -> None:
        """Tell now what controllers have noticed up to now, which is told a few hundred bits later else."""
        self._media.tell_noticed(self.t_ns)

    def watch(self, network: str, from_ns: int, until_ns: int) -> None:
        """Keep every bit of a network that begins in a window of time, for ``watched``; a later window replaces it."""
        self._media[network].watch(self.t_ns, from_ns, until_ns)

    def watched(self, network: str) -> tuple[TracedBit, ...]:
        """The bits kept, in the order of time."""
        return tuple(self._media[network].bits)
