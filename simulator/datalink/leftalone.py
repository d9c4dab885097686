"""The islands of a network that are left to themselves: which of them has something to tell next, and telling it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from heapq import heapify, heappop, heappush

from simulator.datalink.bitwise import Bitwise, outcome_of
from simulator.datalink.controller import Attempt, Outcome
from simulator.datalink.lot import Lot, Wants
from simulator.datalink.stretch import Guest
from simulator.datalink.trouble import last_of_each
from simulator.datalink.unattended import Unattended
from simulator.kernels import layout, wire


class LeftAlone:
    """``begin`` with all islands of a network, ``tell_due`` at every ``deadline_ns``, ``end`` when somebody interferes.

    What ``wants`` says is told one by one, by ``attempted`` and by the controllers' door, the rest by ``lot``: before
    anything is told or asked that it could bear on, and by ``hand_over``.
    """

    def __init__(
        self,
        controllers: Bitwise,
        attempted: Callable[[Attempt], None],
        lot: Callable[[Lot], None],
        wants: Callable[[], Wants],
    ) -> None:
        self._bits = controllers
        self._attempted, self._lot, self._wants = attempted, lot, wants
        self._wanted, self._stale = wants(), False
        self._islands: list[Unattended] = []
        #: When each of the islands has something to tell, the first first.
        self._order: list[tuple[int, int]] = []
        #: Whose events are being told.
        self._told: Unattended | None = None

    def __bool__(self) -> bool:
        return bool(self._islands)

    @property
    def deadline_ns(self) -> int:
        """When something has to be told, or computed, next."""
        if self._stale:
            self._look_again()
        return self._order[0][0]

    @property
    def telling(self) -> bool:
        """Whether something is being told: not all that was computed is."""
        return self._told is not None

    def wants(self) -> Wants:
        """What has to be told one by one from now on."""
        self._wanted, self._stale = self._wants(), False
        return self._wanted

    def begin(self, islands: list[Unattended]) -> None:
        """From now on these are left alone."""
        self._islands = islands
        self._put_in_order()

    def end(self, before_ns: int) -> list[Unattended]:
        """Nobody is left alone any more; what has happened before an instant is told. Those that were."""
        self.hand_over(before_ns)
        found, self._islands, self._order, self._told = self._islands, [], [], None
        return found

    def standing(self, node: str) -> Mapping[str, int]:
        """How the controllers of a node's wire stand, if what has happened there is being told now; else empty."""
        return self._told.standing() if self._told is not None and node in self._told.island.number else {}

    def tell_due(self, t_ns: int) -> Unattended | None:
        """Tell what is due at an instant; an island that has told all it has computed, which ends this."""
        islands, order = self._islands, self._order
        due = []
        while order and order[0][0] <= t_ns:
            due.append(heappop(order)[1])
        try:
            for number in sorted(due):
                one = islands[number]
                one.pass_over()
                if one.at_the_end:
                    self._put_in_order()
                    return one
                found = one.take()
                heappush(order, (one.deadline_ns, number))
                self._tell(one, found)
                if self._islands is not islands:
                    break  # who was told has interfered: the controllers tell what is left of this instant
        except BaseException:
            self._put_in_order()
            raise
        return None

    def go_on(self, one: Unattended) -> None:
        """Compute further what an island does that has told all."""
        self._tell_lot(one)
        one.go_on()
        self._put_in_order()

    def admit(self, guest: Guest) -> bool:
        """Queue another frame at its instant; False: somebody has to attend to it."""
        for one in self._islands:
            if guest.node in one.island.number:
                one.pass_over(guest.due_ns)
                self._tell_lot(one)
                admitted = one.admit(guest, self._bits.next_number())
                if admitted:
                    self.tell_untold(one)
                else:
                    one.untold()  # whoever attends to it finds the same again
                self._put_in_order()
                return admitted
        return True

    def tell_untold(self, one: Unattended) -> None:
        """Tell what was noticed up to an instant to which an island has been put back."""
        untold = one.untold()
        for event in untold:
            self._count(one, event, 1)
        for event in untold:
            node = one.island.stations[event[wire.WHO]].name
            self._bits.tell(event[wire.T_NS], event[wire.WHAT], node, event[wire.A], event[wire.B])

    def hand_over(self, before_ns: int) -> None:
        """Tell in lots what has happened before an instant and nobody has to be told one by one."""
        for one in self._islands:
            one.pass_over(before_ns)
            self._tell_lot(one)

    def reconsider(self) -> None:
        """Somebody may want to be told other things than before."""
        self._stale = bool(self._islands)

    # -- inside

    def _look_again(self) -> None:
        wanted = self._wanted
        if self.wants() != wanted:
            for one in self._islands:
                self._tell_lot(one)
                one.attend_to(self._wanted)
            self._put_in_order()

    def _tell_lot(self, one: Unattended) -> None:
        """Tell of an island what it has passed over, and noticed; count that first."""
        lot = one.lot()
        if lot is not None:
            for note, count in last_of_each(lot.notes):
                self._count(one, note, count)
            self._lot(lot)

    def _put_in_order(self) -> None:
        self._order = [(one.deadline_ns, number) for number, one in enumerate(self._islands)]
        heapify(self._order)

    def _count(self, one: Unattended, event: Sequence[int], times: int) -> None:
        node = one.island.stations[event[wire.WHO]].name
        self._bits.count(event[wire.T_NS], event[wire.WHAT], node, event[wire.A], event[wire.B], times)

    def _tell(self, one: Unattended, found: Sequence[tuple[int, list[int]]]) -> None:
        """Count what is noticed before anybody is told any of it, then tell all."""
        for _, event in found:
            if event[wire.WHAT] < layout.UNDETECTED:
                self._count(one, event, 1)
        self._told = one
        try:
            for row, event in found:
                self._tell_event(one, row, event)
        finally:
            self._told = None

    def _tell_event(self, one: Unattended, row: int, event: Sequence[int]) -> None:
        what, node = event[wire.WHAT], one.island.stations[event[wire.WHO]].name
        if what == layout.SENT:
            self._bits.through += 1
            self._attempted(one.attempt(row, event, Outcome.OK))
        elif what == layout.ENDED:
            self._attempted(one.attempt(row, event, outcome_of(event[wire.A])))
        else:
            self._bits.tell(event[wire.T_NS], what, node, event[wire.A], event[wire.B])
