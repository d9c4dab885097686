"""A control module: sends the messages of its database when due and answers the tester; knows no clock and no wire."""

from __future__ import annotations

from collections.abc import Mapping
from heapq import heapify, heapreplace

from simulator.datalink.controller import NEVER_NS, Outgoing
from simulator.diagnostics.unit import DiagnosticUnit
from simulator.modules.codec import Track
from simulator.modules.gateway import FUNCTIONAL_ID, Gateway
from simulator.modules.sender import Sender
from simulator.vehicle import Message, Vehicle

_SECOND_NS = 1_000_000_000


class ControlModule:
    """The state machine of one module on all its networks.

    ``switch`` it with its supply, ``feed`` it what it receives, and at ``next_deadline_ns`` take from ``due`` what it
    sends, and then from ``unit.taken_back`` what it no longer wants sent. ``on``: it has started, so that it sends and
    receives; that is so ``startup_s`` after it woke, but for a module that is awake when the simulation begins.
    ``configured``: sends the messages of its database. ``silent``: (network, message) it leaves out. ``unit``: its
    diagnosis.
    """

    def __init__(self, vehicle: Vehicle, name: str, seed: int = 0) -> None:
        self.name = name
        self.description = vehicle.module(name)
        self.networks = tuple(one.name for one in vehicle.networks.values() if name in one.places)
        self.on = False
        self.configured = True
        #: It has been given no configuration, or lost it: it answers, and sends none of its messages.
        self.withheld = False
        self.silent: frozenset[tuple[str, str]] = frozenset()
        self.gateway = Gateway(vehicle, self.description) if self.description.routes else None
        passed_on = self.gateway.sends if self.gateway else frozenset()
        self._senders = [
            Sender(network, message, name, seed)
            for network in vehicle.networks.values()
            for message in network.messages
            if message.sender == name and message.cycle_ms and (network.name, message.name) not in passed_on
        ]
        self._cycle: list[tuple[int, int]] = []
        self._lent: dict[str, list[bool]] = {}
        self.unit = DiagnosticUnit(vehicle, name, seed)
        self.unit.restart = self._restart
        self._awake: bool | None = None
        #: When it will have started, while it is awake and has not.
        self.ready_ns = NEVER_NS
        self._stopped_ns = NEVER_NS

    def switch(self, t_ns: int, awake: bool) -> None:
        """It is awake, and starts; or is not, falls silent and forgets what was to be sent."""
        if awake is not self._awake:
            first, self._awake = self._awake is None, awake
            self._stop(t_ns)
            if awake:
                self.ready_ns = t_ns if first else t_ns + self._startup_ns
        if awake and not self.on and self.ready_ns <= t_ns:
            self.ready_ns = NEVER_NS
            self._turn(t_ns, True)

    @property
    def _startup_ns(self) -> int:
        return round(self.description.startup_s * _SECOND_NS)

    def _restart(self, t_ns: int) -> None:
        """A tester has asked for a reset."""
        self._stop(t_ns)
        self.ready_ns = t_ns + self._startup_ns
        self._stopped_ns = t_ns

    def _stop(self, t_ns: int) -> None:
        self.ready_ns = NEVER_NS
        if self.on:
            self._turn(t_ns, False)

    def _turn(self, t_ns: int, on: bool) -> None:
        """All cycles begin at their offsets, or end."""
        self.on = on
        self.unit.switch(t_ns, on)
        if self.gateway:
            self.gateway.forget()
        for sender in self._senders:
            sender.due_ns = t_ns + sender.offset_ns
        self._plan()

    def follow(self, tracks: Mapping[tuple[str, str], Mapping[str, Track]]) -> None:
        """From now on signals of its cyclic messages follow tracks: by (network, message), then by signal."""
        for sender in self._senders:
            found = tracks.get((sender.network, sender.message.name))
            if found is not None:
                sender.follow(found)

    def cyclic(self, network: str) -> list[Sender]:
        """Its cyclic messages on a network."""
        return [one for one in self._senders if one.network == network]

    def lend(self, network: str) -> list[bool]:
        """Leave the cyclic messages of a network to somebody else; whether each is sent at all."""
        self._lent[network] = self._sent(network)
        self._plan()
        return self._lent[network]

    @property
    def as_lent(self) -> bool:
        """Whether it would still send what it sent when it lent its cyclic messages."""
        return all(sent == self._sent(network) for network, sent in self._lent.items())

    def _sent(self, network: str) -> list[bool]:
        return [self.on and self._sends(one) for one in self.cyclic(network)]

    def take_back(self, network: str) -> None:
        """Send the cyclic messages of a network again, from where their senders are."""
        self._lent.pop(network, None)
        self._plan()

    def _plan(self) -> None:
        cycle = enumerate(self._senders) if self.on else ()
        self._cycle = [(one.due_ns, number) for number, one in cycle if one.network not in self._lent]
        heapify(self._cycle)

    @property
    def _says_its_own(self) -> bool:
        """Whether it works and sends messages at all, and does not only answer."""
        return self.configured and not self.withheld and self.unit.check.world.loaded.works

    def _sends(self, sender: Sender) -> bool:
        if not self._says_its_own or (sender.network, sender.message.name) in self.silent:
            return False
        return self.unit.server.sends(sender.network)

    def listens(self) -> frozenset[tuple[str, int]]:
        """The (network, identifier) of the frames it has to be fed."""
        return self.asked_for() | (self.gateway.listens if self.gateway else frozenset())

    def asked_for(self) -> frozenset[tuple[str, int]]:
        """The (network, identifier) of the diagnosis that it answers or carries."""
        own = {(name, key) for name in self.networks for key in (self.description.request_id, FUNCTIONAL_ID)}
        return frozenset(own) | (self.gateway.asked_for if self.gateway else frozenset())

    def passes_on(self) -> list[tuple[str, int, bool, str, Message]]:
        """The messages that it says again as it is now, of ``Gateway.passes_on``."""
        if not (self.gateway and self.on and self._says_its_own):
            return []
        return self.gateway.passes_on(self.silent)

    def last_payload(self, network: str, message: str) -> bytes | None:
        """What it last sent of a cyclic message; None if it never has."""
        sender = next((one for one in self._senders if (one.network, one.message.name) == (network, message)), None)
        frame = sender.last_frame() if sender is not None else None
        return None if frame is None else frame.data

    def next_deadline_ns(self) -> int:
        """When ``due`` has to be called next, in ns; NEVER_NS if nothing is planned."""
        cycle = self._cycle[0][0] if self._cycle else NEVER_NS
        passing = self.gateway.next_deadline_ns() if self.gateway else NEVER_NS
        return min(cycle, passing, self.unit.deadline_ns, self._stopped_ns)

    def due(self, t_ns: int) -> list[tuple[str, Outgoing]]:
        """What it sends at this instant: (network, frame). One that has stopped by itself is not ``on`` afterwards."""
        self._stopped_ns = NEVER_NS
        sent: list[tuple[str, Outgoing]] = []
        if self.unit.deadline_ns <= t_ns:
            self.unit.due(t_ns)
            sent += self.unit.take()
        if self.gateway:
            sent += self.gateway.due(t_ns)
        cycle = self._cycle
        while cycle and cycle[0][0] <= t_ns:
            due_ns, number = cycle[0]
            sender = self._senders[number]
            sender.due_ns = due_ns + sender.cycle_ns
            heapreplace(cycle, (sender.due_ns, number))
            if self._sends(sender):
                sent.append((sender.network, sender.frame(t_ns)))
        return sent

    def feed(self, t_ns: int, network: str, frame: Outgoing) -> None:
        """A frame has been received; the tester's requests get an answer, a gateway passes on what its routes say."""
        if not self.on:
            return
        if self.gateway:
            # without a configuration it knows no messages, but diagnosis still finds its way (own choice)
            self.gateway.feed(t_ns, network, frame, self.silent, messages=self._says_its_own)
        self.unit.feed(t_ns, network, frame)
