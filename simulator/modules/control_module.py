"""A control module: sends the messages of its database when due and answers the tester; knows no clock and no wire."""

from __future__ import annotations

from heapq import heapify, heapreplace

from simulator.datalink.controller import NEVER_NS, Outgoing
from simulator.modules.gateway import Gateway
from simulator.modules.sender import Sender
from simulator.vehicle import Vehicle

#: From a request to its answer in ns. ISO 14229-2 allows 50 ms; 5 ms is an own choice.
ANSWER_NS = 5_000_000
#: What fills a diagnostic frame up to 8 bytes: common practice, it needs few stuff bits (Linux can/isotp.h).
PADDING = 0xCC

# Diagnostic services and negative response codes, ISO 14229-1.
TESTER_PRESENT = 0x3E
_NEGATIVE = 0x7F
_SERVICE_NOT_SUPPORTED, _SUB_FUNCTION_NOT_SUPPORTED, _WRONG_LENGTH = 0x11, 0x12, 0x13
_SUPPRESS_POSITIVE = 0x80


class ControlModule:
    """The state machine of one module on all its networks.

    ``switch`` it on and off, ``feed`` it what it receives, and at ``next_deadline_ns`` take from ``due`` what it
    sends. ``configured``: sends the messages of its database. ``silent``: (network, message) it leaves out.
    """

    def __init__(self, vehicle: Vehicle, name: str, seed: int = 0) -> None:
        self.name = name
        self.description = vehicle.module(name)
        self.networks = tuple(one.name for one in vehicle.networks.values() if name in one.places)
        self.on = False
        self.configured = True
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
        self._lent: set[str] = set()
        self._answers: list[tuple[int, str, Outgoing]] = []

    def switch(self, t_ns: int, on: bool) -> None:
        """Wake up, and begin all cycles at their offsets; or fall silent and forget what was to be sent."""
        if on == self.on:
            return
        self.on = on
        self._answers = []
        if self.gateway:
            self.gateway.forget()
        for sender in self._senders:
            sender.due_ns = t_ns + sender.offset_ns
        self._plan()

    def lend(self, network: str) -> list[tuple[Sender, bool]]:
        """Leave the cyclic messages of a network to somebody else; each, and whether it is sent at all."""
        self._lent.add(network)
        self._plan()
        own = [one for one in self._senders if one.network == network]
        return [(one, self.on and self._sends(one)) for one in own]

    def take_back(self, network: str) -> None:
        """Send the cyclic messages of a network again, from where their senders are."""
        self._lent.discard(network)
        self._plan()

    def _plan(self) -> None:
        cycle = enumerate(self._senders) if self.on else ()
        self._cycle = [(one.due_ns, number) for number, one in cycle if one.network not in self._lent]
        heapify(self._cycle)

    def _sends(self, sender: Sender) -> bool:
        return self.configured and (sender.network, sender.message.name) not in self.silent

    def next_deadline_ns(self) -> int:
        """When ``due`` has to be called next, in ns; NEVER_NS if nothing is planned."""
        cycle = self._cycle[0][0] if self._cycle else NEVER_NS
        passing = self.gateway.next_deadline_ns() if self.gateway else NEVER_NS
        return min(cycle, passing, self._answers[0][0] if self._answers else NEVER_NS)

    def due(self, t_ns: int) -> list[tuple[str, Outgoing]]:
        """What it sends at this instant: (network, frame)."""
        sent: list[tuple[str, Outgoing]] = []
        while self._answers and self._answers[0][0] <= t_ns:
            _, network, frame = self._answers.pop(0)
            sent.append((network, frame))
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
            self.gateway.feed(t_ns, network, frame, self.silent, messages=self.configured)
        if frame.extended or frame.remote or frame.frame_id != self.description.request_id:
            return
        answer = _answer(frame.data)
        if answer:
            data = bytes([len(answer), *answer]).ljust(8, bytes([PADDING]))
            response = Outgoing(self.description.response_id, data, kept=True)
            self._answers.append((t_ns + ANSWER_NS, network, response))


def _answer(data: bytes) -> bytes | None:
    """The answer to a single-frame request (ISO 15765-2), or None where silence is the answer."""
    if not data or not 1 <= data[0] <= 7 or len(data) <= data[0]:
        return None
    request = data[1 : 1 + data[0]]
    service = request[0]
    if service != TESTER_PRESENT:
        return bytes((_NEGATIVE, service, _SERVICE_NOT_SUPPORTED))
    if len(request) != 2:
        return bytes((_NEGATIVE, service, _WRONG_LENGTH))
    if request[1] & ~_SUPPRESS_POSITIVE:
        return bytes((_NEGATIVE, service, _SUB_FUNCTION_NOT_SUPPORTED))
    return None if request[1] & _SUPPRESS_POSITIVE else bytes((service + 0x40, 0x00))
