"""What the controllers of a run went through: errors by kind and place, counters over time, changes of state."""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any

from simulator.batch import Batch
from simulator.datalink.controller import NEVER_NS
from simulator.datalink.lot import Lot
from simulator.datalink.trouble import Trouble
from simulator.logs import told_after_ns
from simulator.record import Event, FrameRecord
from simulator.simulation import Simulation

#: Points of a controller's counters kept at most, two for each step of time.
_STEPS = 4000
#: Points of a controller that wait at least until they are put in the order of time.
_FEW_POINTS = 512
#: Changes of state kept for each network; a controller that goes off and comes back has hundreds in a second.
MOST_CHANGES = 1000
#: What is noticed and is no error.
_LOST, _OVERLOAD = "lost arbitration", "overload"


@dataclass
class Account:
    """What one controller noticed; ``points`` are (t_ns, transmit, receive) error counters, only where they changed.

    ``errors`` are counted by (kind, field of the frame or state of the controller, whether it was transmitting).
    ``most`` are the highest counters, ``counters`` those told last, and at the end those of the end, as is ``state``.
    ``held``: the latest points; what a controller noticed before them may be told after them.
    """

    network: str
    module: str
    errors: Counter[tuple[str, str, bool]] = field(default_factory=Counter)
    lost: int = 0
    overloads: int = 0
    counters: tuple[int, int] = (0, 0)
    most: tuple[int, int] = (0, 0)
    state: str = "down"
    points: list[tuple[int, int, int]] = field(default_factory=list)
    held: list[tuple[int, int, int]] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """As the command ``run`` prints it."""
        return {
            "module": self.module,
            "state": self.state,
            "transmit_errors": self.counters[0],
            "receive_errors": self.counters[1],
            "most_transmit_errors": self.most[0],
            "most_receive_errors": self.most[1],
            "errors": [
                {"kind": kind, "place": place, "transmitting": sending, "count": count}
                for (kind, place, sending), count in self.errors.most_common()
            ],
            "overloads": self.overloads,
            "arbitration_lost": self.lost,
        }


@dataclass(frozen=True)
class Change:
    """A controller has become error active, error passive or bus off, or a fault is in or out."""

    t_ns: int
    name: str
    what: str

    def as_json(self) -> dict[str, Any]:
        """As the command ``run`` prints it."""
        return {"t_ns": self.t_ns, "module": self.name, "state": self.what}


class Observer:
    """Keeps the accounts of every controller of a simulation from now on.

    ``accounts`` by (network, module); ``changes`` by network, the first MOST_CHANGES, ``changed`` how many there were;
    ``diary``: faults that came and went. ``step_ns``: counters are kept no finer than that, peaks always.
    """

    def __init__(self, simulation: Simulation, seconds: float) -> None:
        self.accounts: dict[tuple[str, str], Account] = {
            (network, name): Account(network, name)
            for network in simulation.vehicle.networks
            for name, module in simulation.modules.items()
            if network in module.networks
        }
        self.changes: dict[str, list[Change]] = {network: [] for network in simulation.vehicle.networks}
        self.changed: Counter[str] = Counter()
        self.diary: list[Change] = []
        self._simulation = simulation
        self._step_ns = max(1, round(seconds * 1e9 / _STEPS))
        self._told_ns = told_after_ns(simulation, many=True)
        self._uneasy: dict[str, set[str]] = {network: set() for network in simulation.vehicle.networks}
        self._lost_before = {network: self._lost(network) for network in self.changes}
        for event in simulation.events_now():
            self._noticed(event)
        simulation.subscribe(self._ended, self._ended_many, in_lots=True)
        simulation.notice(self._noticed, in_lots=True)
        simulation.overhear(self._troubled, in_lots=True)
        simulation.take_lots(self._lot)

    def close(self) -> None:
        """Note what is at the end."""
        self._simulation.tell_noticed()
        for (network, name), account in self.accounts.items():
            account.state = self._simulation.status(network, name)
            account.lost = self._lost(network)[name] - self._lost_before[network][name]
            self._count(account, self._simulation.t_ns, self._simulation.counters(network, name))
            self._release(account)

    def _account(self, network: str, name: str) -> Account:
        found = self.accounts.get((network, name))
        if found is None:
            found = self.accounts[network, name] = Account(network, name)
        return found

    def _troubled(self, network: str, trouble: Trouble) -> None:
        account = self._account(network, trouble.node)
        if trouble.kind == _OVERLOAD:
            account.overloads += 1
            return
        account.errors[trouble.kind, trouble.place, trouble.transmitting] += 1
        if trouble.kind != "undetected":
            self._count(account, trouble.t_ns, (trouble.transmit_errors, trouble.receive_errors))

    def _lot(self, network: str, lot: Lot) -> None:
        for trouble, count in lot.noticed():
            account = self._account(network, trouble.node)
            if trouble.kind == _OVERLOAD:
                account.overloads += count
            else:
                account.errors[trouble.kind, trouble.place, trouble.transmitting] += count
        for name, points in lot.counters():
            self._count_all(self._account(network, name), points)
        for t_ns, name, status in lot.statuses():
            self._changed(network, Change(t_ns, name, status))

    def _lost(self, network: str) -> Counter[str]:
        """How often each controller has lost arbitration up to now."""
        found: Counter[str] = Counter()
        for (name, kind, _), count in self._simulation.troubles(network).items():
            found[name] += count * (kind == _LOST)
        return found

    def _ended_many(self, batch: Batch) -> None:
        if any(self._uneasy.values()):
            for record in batch.records():
                self._ended(record)

    def _ended(self, record: FrameRecord) -> None:
        # what made counters rise may be told later
        network = record.network
        for name, counters in self._simulation.counters_beside(network, record.transmitter).items():
            account = self._account(network, name)
            if counters != account.counters:
                self._count(account, self._simulation.t_ns, counters)

    def _noticed(self, event: Event) -> None:
        if event.kind == "fault":
            self.diary.append(Change(event.t_ns, event.name, str(event.what)))
        elif event.kind == "controller" and event.network is not None:
            self._changed(event.network, Change(event.t_ns, event.name, str(event.what)))
            if event.counters is not None:
                self._count(self._account(event.network, event.name), event.t_ns, event.counters)

    def _changed(self, network: str, change: Change) -> None:
        self.changed[network] += 1
        changes = self.changes[network]
        if len(changes) < MOST_CHANGES or change.t_ns <= changes[-1].t_ns:
            # of one instant by name, as in the event log
            insort(changes, change, key=lambda one: (one.t_ns, one.name))
            del changes[MOST_CHANGES:]

    def _count(self, account: Account, t_ns: int, counters: tuple[int, int]) -> None:
        account.most = max(account.most[0], counters[0]), max(account.most[1], counters[1])
        account.held.append((t_ns, *counters))
        self._stand(account, counters)

    def _count_all(self, account: Account, points: Sequence[tuple[int, int, int]]) -> None:
        _, sent, received = (max(column) for column in zip(*points, strict=True))
        account.most = max(account.most[0], sent), max(account.most[1], received)
        account.held += points
        self._stand(account, points[-1][1:])

    def _stand(self, account: Account, counters: tuple[int, int]) -> None:
        """These are the counters told last."""
        account.counters = counters
        if counters == (0, 0):
            self._uneasy[account.network].discard(account.module)
        else:
            self._uneasy[account.network].add(account.module)
        if len(account.held) > _FEW_POINTS:
            self._release(account, self._simulation.t_ns - self._told_ns)

    def _release(self, account: Account, until_ns: int = NEVER_NS) -> None:
        """Keep what is held back of the time before an instant, in the order of time."""
        account.held.sort(key=itemgetter(0))
        count = bisect_left(account.held, until_ns, key=itemgetter(0))
        for point in account.held[:count]:
            self._keep(account.points, point)
        del account.held[:count]

    def _keep(self, points: list[tuple[int, int, int]], point: tuple[int, int, int]) -> None:
        if point[1:] == (points[-1][1:] if points else (0, 0)):
            return
        if len(points) < 2 or point[0] // self._step_ns != points[-2][0] // self._step_ns:
            points.append(point)
            return
        # the third in one step of time: the higher of the two before stays, as a peak, and the last
        peak = max(points[-2:], key=lambda one: max(one[1:]))
        points[-2:] = [peak, point] if max(peak[1:]) >= max(point[1:]) else [point, point]
