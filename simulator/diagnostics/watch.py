"""What a simulation tells its modules' diagnosis: who received what, and how each module's world is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from simulator.condition import ModuleState
from simulator.datalink.controller import Attempt, Outcome, Outgoing
from simulator.datalink.lot import Lot
from simulator.diagnostics.codes import code_text
from simulator.diagnostics.selfcheck import ANY_OTHER, World
from simulator.diagnostics.unit import DiagnosticUnit
from simulator.loaded import AS_DRAWN, loaded_in
from simulator.record import Event
from simulator.vehicle import Module, Vehicle


class Receptions:
    """When each module last received each message, at the price of a comparison per frame."""

    def __init__(self) -> None:
        self._latest: dict[tuple[str, str], tuple[int, tuple[str, ...]]] = {}
        self._before: dict[tuple[str, str], dict[str, int]] = {}

    def note(self, t_ns: int, network: str, message: str, received_by: tuple[str, ...]) -> None:
        """These nodes have received a message at an instant."""
        key = network, message
        latest = self._latest.get(key)
        if latest is not None and latest[1] != received_by:
            self._before.setdefault(key, {}).update(dict.fromkeys(latest[1], latest[0]))
        self._latest[key] = t_ns, received_by

    def last_ns(self, module: str, network: str, message: str) -> int:
        """When a module last received a message; -1 for never."""
        key = network, message
        t_ns, received_by = self._latest.get(key, (-1, ()))
        return t_ns if module in received_by else self._before.get(key, {}).get(module, -1)

    def latest_ns(self, network: str, message: str) -> int:
        """When a message last reached anybody; -1 for never."""
        return self._latest.get((network, message), (-1, ()))[0]


class _Heard:
    """What one module has heard of."""

    def __init__(self, receptions: Receptions, module: str) -> None:
        self._receptions, self._module = receptions, module

    def heard_ns(self, network: str, message: str) -> int:
        return self._receptions.last_ns(self._module, network, message)

    def sent_ns(self, network: str, message: str) -> int:
        return self._receptions.latest_ns(network, message)


class Diagnosed(Protocol):
    """What is needed of a control module."""

    description: Module
    networks: tuple[str, ...]
    unit: DiagnosticUnit

    def feed(self, t_ns: int, network: str, frame: Outgoing) -> None:
        """A frame has been received."""

    def listens(self) -> frozenset[tuple[str, int]]:
        """The (network, identifier) of the frames it has to be fed."""

    def last_payload(self, network: str, message: str) -> bytes | None:
        """What it last sent of a cyclic message."""


class Watch:
    """Hands frames, controllers' changes and supply states to whom they concern; tells changes of status bytes."""

    def __init__(self, vehicle: Vehicle, modules: Mapping[str, Diagnosed], tell: Callable[[Event], None]) -> None:
        self.receptions = Receptions()
        self._modules = modules
        self._fed: dict[tuple[str, int], tuple[str, ...]] = {}
        self._messages = {
            (network.name, message.frame_id, message.extended): message
            for network in vehicle.networks.values()
            for message in network.messages
        }
        for name, module in modules.items():
            for key in sorted(module.listens()):
                self._fed[key] = (*self._fed.get(key, ()), name)
            self._connect(name, module, tell)

    def _connect(self, name: str, module: Diagnosed, tell: Callable[[Event], None]) -> None:
        module.unit.check.heard = _Heard(self.receptions, name)
        module.unit.check.told = lambda t_ns, code, status: tell(
            Event(t_ns, "code", name, f"{code_text(code)} {status:02X}")
        )

    def heeds(self, network: str, frame_id: int) -> bool:
        """Whether frames of an identifier are handed to a module one by one."""
        return (network, frame_id) in self._fed

    def settle(
        self,
        t_ns: int,
        vehicle: Vehicle,
        states: Mapping[str, ModuleState],
        volts: Mapping[str, float],
        ignition_on: bool,
    ) -> None:
        """Tell every module how its world is now."""
        loaded = loaded_in(vehicle)
        for name, module in self._modules.items():
            world = World(states[name] is ModuleState.AWAKE, ignition_on, volts[name], loaded.get(name, AS_DRAWN))
            module.unit.settle(t_ns, world)

    def changed(self, network: str, t_ns: int, node: str, status: str) -> tuple[str, ...]:
        """A controller has changed its status; whose diagnosis has heard of it: that it is bus off is what counts."""
        if node not in self._modules or status != "bus off":
            return ()
        self._modules[node].unit.bus_off(t_ns, network)
        return (node,)

    def watches(self, network: str) -> frozenset[str]:
        """The modules for whose diagnosis it matters at what instant they go bus off."""
        return frozenset(name for name, module in self._modules.items() if module.unit.check.counts_bus_off(network))

    def lot(self, network: str, lot: Lot) -> None:
        """Much has happened that was not told one by one."""
        for node, times in lot.unanswered():
            if node in self._modules:
                self._modules[node].unit.unanswered(times[-1], network)
        for node, times in lot.bus_offs():
            if node in self._modules:
                self._modules[node].unit.check.bus_off(network, times)

    def attempted(self, network: str, attempt: Attempt) -> tuple[str, ...]:
        """A frame has been sent, well or not; the modules whose next deadline may have changed."""
        frame = attempt.frame
        if attempt.outcome is Outcome.NOT_ACKNOWLEDGED and attempt.node in self._modules:
            self._modules[attempt.node].unit.unanswered(attempt.t_end_ns, network)
        if attempt.outcome is not Outcome.OK:
            return ()
        self.receptions.note(attempt.t_end_ns, network, frame.name or ANY_OTHER, attempt.received_by)
        touched = []
        if frame.kept and attempt.node in self._modules:
            self._modules[attempt.node].unit.confirmed(attempt.t_end_ns, network, frame)
            touched.append(attempt.node)
        for name in self._fed.get((network, frame.frame_id), ()):
            if name in attempt.received_by:
                self._modules[name].feed(attempt.t_end_ns, network, frame)
                touched.append(name)
        if frame.name is None:
            touched += self._odd(network, attempt)
        return tuple(dict.fromkeys(touched))

    def _odd(self, network: str, attempt: Attempt) -> list[str]:
        """A frame that nobody's database sent: is it one that somebody waits for?"""
        frame = attempt.frame
        message = self._messages.get((network, frame.frame_id, frame.extended))
        if message is None or message.sender == attempt.node or frame.remote:
            return []
        sender = self._modules.get(message.sender or "")
        last = None if sender is None else sender.last_payload(network, message.name)
        found = [name for name in attempt.received_by if name in self._modules]
        for name in found:
            self._modules[name].unit.odd_frame(attempt.t_end_ns, network, frame, last)
        self.receptions.note(attempt.t_end_ns, network, message.name, attempt.received_by)
        return found
