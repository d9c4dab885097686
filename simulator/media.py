"""The networks of a running vehicle: which one is due next, and the frames of all healthy ones at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Protocol

from simulator.batch import Batch, merged
from simulator.datalink.bitwise import Bitwise
from simulator.datalink.controller import Attempt
from simulator.datalink.stretch import Cyclic
from simulator.datalink.swift import Swift
from simulator.datalink.trouble import Trouble
from simulator.modules.codec import Track
from simulator.vehicle import Network, Vehicle


class Lender(Protocol):
    """A module that sends cyclic messages, and can leave those of a network to the network."""

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

    ``attempted``, ``changed``, ``troubled``, ``attended`` as of a medium, the first three with the network before.
    ``planned``: a module's next deadline has changed. ``heeded``: whether a module has to be told of frames of a
    network and identifier one by one. ``whole``: whether a network may run by whole frames now.
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
        attended: Callable[[], bool],
        planned: Callable[[str], None],
        heeded: Callable[[str, int], bool],
        whole: Callable[[str], bool],
    ) -> None:
        self._modules = modules
        self._automatic = automatic
        self._attempted, self._changed = attempted, changed
        self._troubled, self._attended = troubled, attended
        self._planned, self._heeded, self._whole = planned, heeded, whole
        # at the present instant: -1 while modules act, then the number of the network whose turn it is
        self._turn = -1
        networks = enumerate(vehicle.networks.values())
        self._media = {network.name: self._medium(number, network) for number, network in networks}

    def __getitem__(self, network: str) -> Swift:
        return self._media[network]

    def __iter__(self) -> Iterator[str]:
        return iter(self._media)

    @property
    def next_ns(self) -> int:
        """The instant at which something is due next on a network."""
        return min(medium.deadline_ns for medium in self._media.values())

    def turn(self, before_ns: int) -> Swift | None:
        """The network that is due first, before an instant: its turn comes now; None: it is the modules' turn."""
        first, self._turn = None, -1
        for number, medium in enumerate(self._media.values()):
            if medium.deadline_ns < before_ns:
                before_ns, first, self._turn = medium.deadline_ns, medium, number
        return first

    def rest(self) -> None:
        """All that was due up to the present instant has happened."""
        self._turn = len(self._media)

    def leave(self, t_ns: int) -> None:
        """The world is about to change: all networks run bit by bit from here on, until they are found healthy."""
        for medium in self._media.values():
            medium.leave(t_ns)

    def follow(self, t_ns: int, tracks: Mapping[tuple[str, str], Mapping[str, Track]]) -> None:
        """From now on signals of cyclic messages follow tracks: by (network, message), then by signal."""
        for medium in self._media.values():
            medium.forget(t_ns)
        for module in self._modules.values():
            module.follow(tracks)

    def take(self, before_ns: int) -> Batch | None:
        """All frames of healthy networks that end before an instant, and before anything else is due on any network."""
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
            cyclic=lambda: [one for module in self._modules.values() for one in module.cyclic(name)],
            lend=lambda: self._lend(name),
            take_back=lambda: self._take_back(name),
            passed=lambda: (self._turn >= 0, self._turn > number),
            heeded=lambda frame_id: self._heeded(name, frame_id),
            allowed=lambda: self._whole(name),
        )
