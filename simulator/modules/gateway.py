"""The gateway in a module: what it hears on one network and says again on another; knows no clock and no wire."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection

from simulator.datalink.controller import NEVER_NS, Outgoing
from simulator.datalink.frame import padded
from simulator.vehicle import Message, Module, Vehicle

#: From the end of a frame on one network to its turn to be sent on another, in ns (own choice).
PASS_ON_NS = 500_000
#: The identifier of requests to all modules at once: ISO 15765-4, 11 bit, functional addressing.
FUNCTIONAL_ID = 0x7DF
_CLASSIC_BYTES = 8


def modules_behind(vehicle: Vehicle, network: str, up: Collection[str] | None = None) -> tuple[str, ...]:
    """The modules that a tester on a network can reach: those on it, and those to which gateways carry requests.

    ``up``: only these modules count, gateways too (None: all). In the order of the vehicle file.
    """
    seen, found = {network}, [network]
    for here in found:
        for name, module in vehicle.modules.items():
            if here in vehicle.networks_at(name) and (up is None or name in up):
                beyond = [each.end for each in module.routes if each.diagnostics and each.start == here]
                found += [end for end in beyond if end not in seen]
                seen.update(beyond)
    return tuple(
        name
        for name in vehicle.modules
        if (up is None or name in up) and any(name in vehicle.networks[each].places for each in found)
    )


class Gateway:
    """Passes on what the routes of its module say: messages as they came, requests one way and their answers back.

    ``feed`` it what its module receives, and at ``next_deadline_ns`` take from ``due`` what it sends. ``listens``: the
    (network, identifier) it has to be fed.
    """

    def __init__(self, vehicle: Vehicle, module: Module) -> None:
        self._messages: dict[tuple[str, int, bool], list[tuple[str, Message]]] = {}
        self._diagnostics: dict[tuple[str, int], list[str]] = {}
        self._waiting: deque[tuple[int, str, Outgoing]] = deque()
        self._with_fd = {name for name, network in vehicle.networks.items() if network.data_bit_rate is not None}
        for route in module.routes:
            sent = {message.name: message for message in vehicle.networks[route.end].messages}
            for message in vehicle.networks[route.start].messages:
                if message.name in route.messages:
                    key = route.start, message.frame_id, message.extended
                    self._messages.setdefault(key, []).append((route.end, sent[message.name]))
            if route.diagnostics:
                self._carry_diagnostics(vehicle, route.start, route.end)

    def _carry_diagnostics(self, vehicle: Vehicle, start: str, end: str) -> None:
        """Requests to the modules behind ``end`` go there, what they answer comes back."""
        self._diagnostics.setdefault((start, FUNCTIONAL_ID), []).append(end)
        for name in modules_behind(vehicle, end):
            module = vehicle.modules[name]
            if name not in vehicle.networks[start].places:
                self._diagnostics.setdefault((start, module.request_id), []).append(end)
                self._diagnostics.setdefault((end, module.response_id), []).append(start)

    @property
    def listens(self) -> frozenset[tuple[str, int]]:
        """The (network, identifier) of what it passes on."""
        return frozenset(self._diagnostics) | {(network, frame_id) for network, frame_id, _ in self._messages}

    @property
    def asked_for(self) -> frozenset[tuple[str, int]]:
        """The (network, identifier) of the diagnosis that it carries."""
        return frozenset(self._diagnostics)

    @property
    def sends(self) -> frozenset[tuple[str, str]]:
        """The (network, message) that it sends only when they have come from elsewhere."""
        return frozenset((end, message.name) for ends in self._messages.values() for end, message in ends)

    def forget(self) -> None:
        """Pass on nothing of what it has heard so far."""
        self._waiting.clear()

    def feed(
        self,
        t_ns: int,
        network: str,
        frame: Outgoing,
        silent: Collection[tuple[str, str]] = (),
        *,
        messages: bool = True,
    ) -> None:
        """A frame has been received. ``silent``: (network, message) not passed on; ``messages``: whether any are."""
        due_ns = t_ns + PASS_ON_NS
        if frame.remote:
            return
        if not frame.extended:
            for end in self._diagnostics.get((network, frame.frame_id), ()):
                # what is too long for a classic frame has no way into a network of classic frames
                fd = frame.fd and end in self._with_fd
                if fd or len(frame.data) <= _CLASSIC_BYTES:
                    carried = Outgoing(frame.frame_id, frame.data, fd=fd, brs=fd and frame.brs, kept=True)
                    self._waiting.append((due_ns, end, carried))
        if not messages:
            return
        for end, message in self._messages.get((network, frame.frame_id, frame.extended), ()):
            if (end, message.name) not in silent and len(frame.data) >= message.length:
                self._waiting.append((due_ns, end, _again(frame, message)))

    def passes_on(self, silent: Collection[tuple[str, str]]) -> list[tuple[str, int, bool, str, Message]]:
        """The messages that it says again: network, identifier and whether extended; on which network, and as what."""
        return [
            (*heard, end, message)
            for heard, ends in self._messages.items()
            for end, message in ends
            if (end, message.name) not in silent
        ]

    @property
    def waiting(self) -> tuple[tuple[int, str, Outgoing], ...]:
        """What it has heard and not sent yet: due when, network, frame."""
        return tuple(self._waiting)

    def hand_back(self, due_ns: int, network: str, frame: Outgoing) -> None:
        """Something that is to be sent after all that waits already."""
        self._waiting.append((due_ns, network, frame))

    def next_deadline_ns(self) -> int:
        """When ``due`` has to be called next, in ns; NEVER_NS if nothing waits."""
        return self._waiting[0][0] if self._waiting else NEVER_NS

    def due(self, t_ns: int) -> list[tuple[str, Outgoing]]:
        """What it sends at this instant: (network, frame)."""
        sent: list[tuple[str, Outgoing]] = []
        while self._waiting and self._waiting[0][0] <= t_ns:
            _, network, frame = self._waiting.popleft()
            sent.append((network, frame))
        return sent


def _again(frame: Outgoing, message: Message) -> Outgoing:
    """The frame as the other network's database has the message: its identifier and format, the same payload."""
    data = frame.data[: message.length]
    return Outgoing(
        message.frame_id,
        padded(data) if message.is_fd else data,
        name=message.name,
        extended=message.extended,
        fd=message.is_fd,
        brs=frame.brs and message.is_fd,
    )
