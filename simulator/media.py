"""The networks of a running vehicle: which one is due next, and the frames of all healthy ones at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Protocol

from simulator.batch import Batch, merged
from simulator.datalink.bitwise import Bitwise
from simulator.datalink.controller import NEVER_NS, Attempt
from simulator.datalink.joined import Joined, OnItsWay, Passed
from simulator.datalink.lot import Lot, Wants
from simulator.datalink.stretch import Cyclic, Guest
from simulator.datalink.swift import Swift
from simulator.datalink.trouble import Trouble
from simulator.modules.codec import Track
from simulator.modules.gateway import PASS_ON_NS, Gateway
from simulator.vehicle import Message, Network, Vehicle

#: Networks joined for fewer frames than this were not worth it: they are joined again so much later, in ns.
_SHORT, _PAUSE_NS = 64, 100_000_000


class Lender(Protocol):
    """A module that sends cyclic messages, and can leave those of a network to the network; one may be a gateway."""

    name: str
    gateway: Gateway | None

    def asked_for(self) -> frozenset[tuple[str, int]]:
        """The (network, identifier) of the diagnosis that it answers or carries."""

    def passes_on(self) -> list[tuple[str, int, bool, str, Message]]:
        """The messages that it says again as it is now, of ``Gateway.passes_on``."""

    def cyclic(self, network: str) -> Iterable[Cyclic]:
        """Its cyclic messages on a network."""

    def lend(self, network: str) -> Iterable[bool]:
        """Leave them to the network; whether each is sent at all."""

    def take_back(self, network: str) -> None:
        """Send them again, from where they are."""

    def follow(self, tracks: Mapping[tuple[str, str], Mapping[str, Track]]) -> None:
        """From now on signals follow tracks."""


class Media:
    """The medium of each network, by name.

    ``attempted``, ``changed``, ``troubled``, ``lot``, ``attended`` as of a medium, all but the last with the network
    before; ``wants``: by network what has to be told one by one. ``planned``: a module's next deadline has changed.
    ``heeded``: whether a module has to be told of frames of a network and identifier one by one. ``whole``: whether a
    network may send cyclic messages by itself, and run by whole frames, now. ``now``: the present instant.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        modules: Mapping[str, Lender],
        *,
        automatic: bool,
        attempted: Callable[[str, Attempt], None],
        changed: Callable[[str, int, str, str], None],
        troubled: Callable[[str, Trouble], None],
        lot: Callable[[str, Lot], None],
        attended: Callable[[], bool],
        wants: Callable[[str], Wants],
        planned: Callable[[str], None],
        heeded: Callable[[str, int], bool],
        whole: Callable[[str], tuple[bool, bool]],
        now: Callable[[], int],
    ) -> None:
        self._modules = modules
        self._automatic = automatic
        self._attempted, self._changed = attempted, changed
        self._troubled, self._lot, self._attended, self._wants = troubled, lot, attended, wants
        self._planned, self._heeded, self._whole, self._now = planned, heeded, whole, now
        # at the present instant: -1 while modules act, then the number of the network whose turn it is
        self._turn = -1
        networks = enumerate(vehicle.networks.values())
        self._media = {network.name: self._medium(number, network) for number, network in networks}
        self._joined: Joined | None = None
        self._whole_names: list[str] = []
        self._apart_until_ns = 0
        self._asked_for = frozenset(key for module in modules.values() for key in module.asked_for())

    def __getitem__(self, network: str) -> Swift:
        self._part()
        return self._media[network]

    def __iter__(self) -> Iterator[str]:
        return iter(self._media)

    @property
    def next_ns(self) -> int:
        """The instant at which something is due next on a network."""
        if self._joined is not None:
            return self._joined.next_ns
        return min(medium.deadline_ns for medium in self._media.values())

    def turn(self, before_ns: int) -> Swift | None:
        """The network that is due first, before an instant: its turn comes now; None: it is the modules' turn."""
        first, self._turn = None, -1
        if self._joined is not None:
            if self._joined.next_ns >= before_ns:
                return None
            self._part()
        for number, medium in enumerate(self._media.values()):
            if medium.deadline_ns < before_ns:
                before_ns, first, self._turn = medium.deadline_ns, medium, number
        return first

    def rest(self) -> None:
        """All that was due up to the present instant has happened."""
        self._turn = len(self._media)

    def leave(self, t_ns: int) -> None:
        """The world is about to change: all networks run bit by bit from here on, until they are found healthy."""
        self._part()
        for medium in self._media.values():
            medium.leave(t_ns)

    def hand_over(self, t_ns: int) -> None:
        """Tell in lots what has happened up to the present instant and nobody has to be told one by one."""
        for medium in self._media.values():
            medium.hand_over(t_ns)

    def reconsider(self) -> None:
        """Somebody may want to be told other things than before."""
        for medium in self._media.values():
            medium.reconsider()

    def tell_noticed(self, t_ns: int) -> None:
        """Tell what controllers have noticed up to the present instant."""
        for medium in self._media.values():
            medium.tell_noticed(t_ns)

    def follow(self, t_ns: int, tracks: Mapping[tuple[str, str], Mapping[str, Track]]) -> None:
        """From now on signals of cyclic messages follow tracks: by (network, message), then by signal."""
        self._part()
        for medium in self._media.values():
            medium.forget(t_ns)
        for module in self._modules.values():
            module.follow(tracks)

    def take(self, before_ns: int) -> Batch | None:
        """All frames of healthy networks that end before an instant, and before anything else is due on any network."""
        if self._joined is None and not self._any_whole():
            return None
        if self._joined is not None or self._join():
            return self._take_joined(before_ns)
        whole = []
        for medium in self._media.values():
            until_ns = medium.until_ns
            if until_ns:
                whole.append(medium)
            before_ns = min(before_ns, until_ns or medium.deadline_ns)
        if not any(medium.deadline_ns < before_ns for medium in whole):
            return None
        self.rest()
        return merged([medium.take(before_ns) for medium in whole])

    def _any_whole(self) -> bool:
        for medium in self._media.values():  # noqa: SIM110 (asked at every event)
            if medium.stretch is not None:
                return True
        return False

    # -- networks between which messages are passed on

    def _join(self) -> bool:
        """Let all networks run as one, if messages are passed on between healthy ones, and the others rest."""
        if self._now() < self._apart_until_ns:
            return False
        media = list(self._media.values())
        stretches = [medium.stretch for medium in media]
        if any(one is None and medium.deadline_ns < NEVER_NS for one, medium in zip(stretches, media, strict=True)):
            return False
        whole = [name for name, one in zip(self._media, stretches, strict=True) if one is not None]
        passed = [
            Passed(whole.index(start), (frame_id, extended), name, whole.index(end), message)
            for name, module in self._modules.items()
            for start, frame_id, extended, end, message in module.passes_on()
            if start in whole and end in whole
        ]
        if not passed or not all(self._whole_frames_do(name) for name in whole):
            return False
        return self._joined_as(whole, passed)

    def _whole_frames_do(self, network: str) -> bool:
        """Whether no cyclic message of a network has an identifier of the diagnosis."""
        stretch = self._media[network].stretch
        return stretch is not None and not any((network, one.frame_id) in self._asked_for for one in stretch.own)

    def _joined_as(self, whole: list[str], passed: list[Passed]) -> bool:
        coming = [
            (due_ns, name, network, frame)
            for name, module in self._modules.items()
            if module.gateway is not None
            for due_ns, network, frame in module.gateway.waiting
        ]
        if any(network not in whole for _, _, network, _ in coming):
            return False
        stretches = [one for name in whole if (one := self._media[name].stretch) is not None]
        on_the_way = [OnItsWay(due_ns, name, whole.index(network), frame) for due_ns, name, network, frame in coming]
        joined = Joined(stretches, passed, PASS_ON_NS, on_the_way)
        if not joined.usable:
            self._apart_until_ns = self._now() + _PAUSE_NS
            return False
        for name, module in self._modules.items():
            if module.gateway is not None:
                module.gateway.forget()
                self._planned(name)
        self._joined, self._whole_names = joined, whole
        return True

    def _take_joined(self, before_ns: int) -> Batch | None:
        assert self._joined is not None
        batch = self._joined.take(before_ns)
        if batch is not None:
            self.rest()
        if not self._joined.usable:
            self._part()
        return batch

    def _part(self) -> None:
        """Each network goes on by itself."""
        joined, self._joined = self._joined, None
        if joined is None:
            return
        now_ns, acted = self._now(), self._turn >= 0
        found, on_the_way = joined.leave()
        if joined.taken < _SHORT or not joined.usable:
            self._apart_until_ns = now_ns + _PAUSE_NS
        for n, (name, (standing, last)) in enumerate(zip(self._whole_names, found, strict=True)):
            late = [each for each in on_the_way if each.network == n and each.due_ns < now_ns + acted]
            guests = [*standing.guests, *((Guest(each.due_ns, each.gateway, each.frame), 0) for each in late)]
            stretch = self._media[name].stretch
            assert stretch is not None
            stretch.go_on(standing._replace(guests=guests), last, joined.taken)
            if len({guest.frame.key for guest, _ in guests}) < len(guests):
                self._media[name].leave(now_ns)  # two of one message, which a stretch cannot tell apart
        for each in on_the_way:
            gateway = self._modules[each.gateway].gateway
            if gateway is not None and each.due_ns >= now_ns + acted:
                gateway.hand_back(each.due_ns, self._whole_names[each.network], each.frame)
        for name in {each.gateway: None for each in on_the_way}:
            self._planned(name)

    def _lend(self, network: str) -> list[bool]:
        sent = [one for module in self._modules.values() for one in module.lend(network)]
        for name in self._modules:
            self._planned(name)
        return sent

    def _take_back(self, network: str) -> None:
        for name, module in self._modules.items():
            module.take_back(network)
            self._planned(name)

    def _medium(self, number: int, network: Network) -> Swift:
        name = network.name
        controllers = Bitwise(
            network.bit_rate,
            sample_point=network.sample_point,
            data_bit_rate=network.data_bit_rate,
            data_sample_point=network.data_sample_point,
            attempted=lambda attempt: self._attempted(name, attempt),
            changed=lambda t_ns, node, status: self._changed(name, t_ns, node, status),
            troubled=lambda trouble: self._troubled(name, trouble),
            attended=self._attended,
            automatic=self._automatic,
        )
        return Swift(
            controllers,
            name,
            attempted=lambda attempt: self._attempted(name, attempt),
            lot=lambda lot: self._lot(name, lot),
            wants=lambda: self._wants(name),
            cyclic=lambda: [one for module in self._modules.values() for one in module.cyclic(name)],
            lend=lambda: self._lend(name),
            take_back=lambda: self._take_back(name),
            passed=lambda: (self._turn >= 0, self._turn > number),
            heeded=lambda frame_id: self._heeded(name, frame_id),
            allowed=lambda: self._whole(name),
            now=self._now,
        )
