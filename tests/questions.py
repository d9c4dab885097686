"""A tester at a socket of a simulation: whole requests and answers over the simulated bus, on simulated time."""

from __future__ import annotations

import can

from simulator.datalink.controller import NEVER_NS
from simulator.diagnostics import Received, Send, Transport, key_of
from simulator.simulation import Simulation

FUNCTIONAL_ID = 0x7DF
P2_S, P2_STAR_S = 0.15, 5.0


class Questions:
    """Asks modules by name; ``fd``: in frames of CAN FD."""

    def __init__(self, simulation: Simulation, network: str | None = None, *, fd: bool = False) -> None:
        self.simulation = simulation
        self.bus = simulation.connect(network=network)
        self._fd = fd

    def ask(self, name: str, request: str | bytes, *, address: int | None = None) -> list[str]:
        """Every answer of a module in hexadecimal digits, until it has given the last."""
        module = self.simulation.modules[name].description
        target = module.request_id if address is None else address
        transport = Transport(frame_size=64 if self._fd else 8)
        payload = bytes.fromhex(request) if isinstance(request, str) else request
        answers: list[bytes] = []
        self._handle(transport, transport.send(self.simulation.t_ns, payload), target, answers)
        patience = P2_S
        limit_ns = self.simulation.t_ns + round(patience * 1e9)
        while self.simulation.t_ns < limit_ns:
            due_ns = min(limit_ns, transport.next_deadline_ns())
            message = self.bus.recv(max(0.0, (due_ns - self.simulation.t_ns) / 1e9))
            known = len(answers)
            now_ns = self.simulation.t_ns
            if message is not None and message.arbitration_id == module.response_id:
                self._handle(transport, transport.feed(now_ns, bytes(message.data)), module.request_id, answers)
            if transport.next_deadline_ns() <= now_ns < NEVER_NS:
                self._handle(transport, transport.due(now_ns), module.request_id, answers)
            if transport.receiving or transport.sending:
                limit_ns = max(limit_ns, now_ns + round(P2_S * 1e9))
            if len(answers) > known:
                if answers[-1][0] != 0x7F or answers[-1][2] != 0x78:
                    break
                limit_ns = now_ns + round(P2_STAR_S * 1e9)
        return [answer.hex(" ").upper() for answer in answers]

    def unlock(self, name: str) -> None:
        """Extended session and the key of level 1."""
        self.ask(name, "10 03")
        seed = bytes.fromhex(self.ask(name, "27 01")[0])[2:]
        constant = self.simulation.modules[name].unit.identity.security_constant
        assert self.ask(name, b"\x27\x02" + key_of(seed, constant, 1)) == ["67 02"]

    def _handle(self, transport: Transport, events: list, target: int, answers: list[bytes]) -> None:
        for event in events:
            if isinstance(event, Send):
                self.bus.send(
                    can.Message(
                        arbitration_id=target,
                        data=event.data,
                        is_extended_id=False,
                        is_fd=self._fd,
                        bitrate_switch=self._fd,
                    )
                )
                confirmed = transport.confirmed(self.simulation.t_ns, event)
                self._handle(transport, confirmed, target, answers)
            elif isinstance(event, Received):
                answers.append(event.payload)
