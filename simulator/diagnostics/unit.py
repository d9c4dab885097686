"""The diagnostic side of one control module: transport on each network, server, fault memory, self-check.

``ControlModule`` holds one and gives it its turns. All of it is private to the run of a simulation.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable

from simulator.datalink.controller import NEVER_NS, Outgoing
from simulator.diagnostics.codes import NO_TYPE, base_number, with_type
from simulator.diagnostics.data import SelfTest
from simulator.diagnostics.identity import introduce, remember
from simulator.diagnostics.memory import FaultMemory
from simulator.diagnostics.security import Lock
from simulator.diagnostics.selfcheck import SelfCheck, World
from simulator.diagnostics.server import Server
from simulator.diagnostics.service import Request
from simulator.diagnostics.services.emissions import ADDRESSES
from simulator.diagnostics.transport import Failed, Received, Send, Sent, Started, TakeBack, Transport, TransportEvent
from simulator.diagnostics.transport_frames import Single, read_frame
from simulator.loaded import Loaded, identity_of
from simulator.modules.gateway import FUNCTIONAL_ID
from simulator.vehicle import Vehicle

_CLASSIC_SIZE, _FD_SIZE = 8, 64


class _Link:
    """The transport on one network, what still waits to be sent there, and the format of the tester's frames."""

    def __init__(self) -> None:
        self.transport = Transport()
        self.waiting: deque[bytes] = deque()
        self.fd = self.brs = False


class DiagnosticUnit:
    """Diagnosis of one module. ``feed`` it requests, ``confirmed`` its frames; at ``deadline_ns`` it has to be ``due``.

    What it wants on the bus is taken with ``take``: (network, frame); ``taken_back`` are frames no longer wanted.
    ``restart`` is called when a tester asks for a reset.
    """

    def __init__(self, vehicle: Vehicle, name: str, seed: int = 0) -> None:
        module = vehicle.module(name)
        self.description = module
        self.on = False
        self.memory = FaultMemory()
        self.restart: Callable[[int], None] = lambda t_ns: None
        self.check = SelfCheck(vehicle, module, self.memory)
        self.identity = identity_of(vehicle, name)
        self.server = Server(
            self.memory, Lock(self.identity.security_constant, name, seed), emissions=module.request_id in ADDRESSES
        )
        self.server.cleared = self.check.cleared
        self.server.restart = lambda t_ns: self.restart(t_ns)
        self.check.listen_to(self.server.receives)
        introduce(self.server, module, self.identity, lambda: self.check.world.supply_volt, self._loaded)
        if name in vehicle.road.service:
            service = vehicle.road.service[name]
            remember(self.server, service.configuration, self._loaded)
            for code in service.codes:
                # it has been on the road for years, and its monitors have run
                self.memory.support(with_type(base_number(code), NO_TYPE), warns=module.diagnostics.lamp).passed()
        self.server.add_routine(SelfTest())
        self._links: dict[str, _Link] = {}
        self._origin = ""
        self._out: list[tuple[str, Outgoing]] = []
        self._back: list[tuple[str, Outgoing]] = []
        self._flying: dict[int, tuple[Outgoing, Send]] = {}
        self._frame_of: dict[int, Outgoing] = {}
        self.deadline_ns = NEVER_NS

    def _loaded(self) -> Loaded:
        return self.check.world.loaded

    # -- its surroundings

    def settle(self, t_ns: int, world: World) -> None:
        """The module's supply, ignition or configuration may have changed."""
        self.check.settle(t_ns, world)
        self._plan(t_ns)

    def switch(self, t_ns: int, on: bool) -> None:
        """The module has started, or stopped: nothing of a conversation is left."""
        self.on = on
        self._links, self._out, self._flying, self._frame_of = {}, [], {}, {}
        self.server.reset(t_ns)
        self._plan(t_ns)

    def bus_off(self, t_ns: int, network: str) -> None:
        """The module's controller on a network has gone bus off."""
        self.check.bus_off(network, [t_ns])
        self._plan(t_ns)

    def unanswered(self, t_ns: int, network: str) -> None:
        """A frame of the module was not acknowledged on a network."""
        self.check.unanswered(t_ns, network)

    def odd_frame(self, t_ns: int, network: str, frame: Outgoing, last: bytes | None) -> None:
        """A message of the database from somebody who is not its sender; ``last`` is what its sender sent last."""
        self.check.odd_frame(t_ns, network, frame.frame_id, frame.extended, frame.data, last)
        self._plan(t_ns)

    # -- frames

    def feed(self, t_ns: int, network: str, frame: Outgoing) -> None:
        """A frame has been received; requests to this module or to all are taken, others ignored."""
        if not self.on or frame.extended or frame.remote:
            return
        if frame.frame_id == FUNCTIONAL_ID:
            whole = read_frame(frame.data)
            if isinstance(whole, Single):  # never several frames (ISO 15765-2)
                self._requested(t_ns, network, whole.payload, frame, functional=True)
        elif frame.frame_id == self.description.request_id:
            link = self._link(network)
            if not link.transport.sending:
                self._speak_like(link, frame)
            self._handle(t_ns, network, link.transport.feed(t_ns, frame.data), frame)
        self._plan(t_ns)

    def confirmed(self, t_ns: int, network: str, frame: Outgoing) -> None:
        """A frame of this unit has reached the bus."""
        _, sent = self._flying.pop(id(frame), (None, None))
        if sent is not None:
            self._frame_of.pop(id(sent), None)
            self._handle(t_ns, network, self._link(network).transport.confirmed(t_ns, sent))
            self._plan(t_ns)

    def due(self, t_ns: int) -> None:
        """What happens at this instant."""
        if self.check.deadline_ns <= t_ns:
            self.check.look(t_ns)
        for network, link in self._links.items():
            if link.transport.next_deadline_ns() <= t_ns:
                self._handle(t_ns, network, link.transport.due(t_ns))
        if self.server.next_deadline_ns() <= t_ns:
            for network, payload in self.server.due(t_ns):
                self._send(t_ns, network, payload)
        self._plan(t_ns)

    def take(self) -> list[tuple[str, Outgoing]]:
        """What is to be put on the bus, each once."""
        out, self._out = self._out, []
        self._plan(NEVER_NS)
        return out

    def taken_back(self) -> list[tuple[str, Outgoing]]:
        """Frames that wait on the bus and are no longer wanted, each once."""
        back, self._back = self._back, []
        self._plan(NEVER_NS)
        return back

    # -- inside

    def _link(self, network: str) -> _Link:
        return self._links.setdefault(network, _Link())

    @staticmethod
    def _speak_like(link: _Link, frame: Outgoing) -> None:
        """Answers have the format of the request."""
        link.fd, link.brs = frame.fd, frame.brs
        link.transport.frame_size = _FD_SIZE if frame.fd else _CLASSIC_SIZE

    def _requested(self, t_ns: int, network: str, payload: bytes, frame: Outgoing, *, functional: bool) -> None:
        if not self.server.busy:
            self._origin = network
            link = self._link(network)
            if not link.transport.sending:
                self._speak_like(link, frame)
        self.server.request(Request(t_ns, payload, functional, network))

    def _send(self, t_ns: int, network: str, payload: bytes) -> None:
        link = self._link(network)
        if link.transport.sending:
            link.waiting.append(payload)
        else:
            self._handle(t_ns, network, link.transport.send(t_ns, payload))

    def _handle(
        self, t_ns: int, network: str, events: Iterable[TransportEvent], request: Outgoing | None = None
    ) -> None:
        for event in events:
            if isinstance(event, Send):
                self._put(network, event)
            elif isinstance(event, TakeBack):
                frame = self._frame_of.pop(id(event.frame), None)
                if frame is not None:
                    self._flying.pop(id(frame), None)
                    self._back.append((network, frame))
            elif isinstance(event, Received):
                assert request is not None
                self._requested(t_ns, network, event.payload, request, functional=False)
            elif isinstance(event, Started):
                if not self.server.busy:
                    self.server.started(t_ns)
            elif isinstance(event, Sent) or (isinstance(event, Failed) and event.sending):
                self._gone(t_ns, network)
            elif not self.server.busy:
                self.server.finished(t_ns)  # a request that never came whole

    def _gone(self, t_ns: int, network: str) -> None:
        """A payload is out or has failed: the next one, or the server is told."""
        link = self._link(network)
        if link.waiting:
            self._handle(t_ns, network, link.transport.send(t_ns, link.waiting.popleft()))
        elif network == self._origin:
            self.server.finished(t_ns)

    def _put(self, network: str, sent: Send) -> None:
        link = self._link(network)
        frame = Outgoing(self.description.response_id, sent.data, fd=link.fd, brs=link.brs and link.fd, kept=True)
        self._flying[id(frame)] = frame, sent
        self._frame_of[id(sent)] = frame
        self._out.append((network, frame))

    def _plan(self, t_ns: int) -> None:
        if self.check.is_stale and t_ns < NEVER_NS:
            self.check.look(t_ns)
        if self._out or self._back:
            self.deadline_ns = t_ns
            return
        deadline = min(self.check.deadline_ns, self.server.next_deadline_ns() if self.on else NEVER_NS)
        for link in self._links.values():
            deadline = min(deadline, link.transport.next_deadline_ns())
        self.deadline_ns = deadline
