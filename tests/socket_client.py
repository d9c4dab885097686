"""A tester's requests over the simulated bus, frame by frame: ISO 15765-2 written once more, for tests only."""

from __future__ import annotations

import can

from simulator.diagnostics import key_of
from simulator.simulation import Simulation

PENDING = 0x78


class SocketClient:
    """Asks one module through the first socket; ``pending``: how often the last answer was put off.

    It is plugged in only while it asks: without a tester the simulation runs much faster.
    """

    def __init__(self, simulation: Simulation, module: str) -> None:
        self.simulation = simulation
        self.description = simulation.drawn.modules[module]
        self.constant = simulation.modules[module].unit.identity.security_constant
        self.pending = 0

    def ask(self, request: str | bytes, timeout: float = 1.0) -> bytes:
        """The final answer to a request of up to seven byte; b"" for silence."""
        payload = bytes.fromhex(request) if isinstance(request, str) else request
        bus = self.simulation.connect()
        bus.set_filters([{"can_id": self.description.response_id, "can_mask": 0x7FF}])
        self._send(bus, bytes((len(payload),)) + payload)
        self.pending = 0
        while True:
            answer = self._answer(bus, timeout)
            if answer[:1] != b"\x7f" or answer[2] != PENDING:
                break
            self.pending += 1
            timeout = 6.0
        bus.shutdown()
        return answer

    def refusal(self, request: str | bytes) -> int:
        """The code of a negative answer; 0 for a positive one."""
        answer = self.ask(request)
        assert answer, "silence"
        return answer[2] if answer[0] == 0x7F else 0

    def unlock(self, level: int = 0x01) -> None:
        """Security access."""
        seed = self.ask(bytes((0x27, level)))[2:]
        assert self.ask(bytes((0x27, level + 1)) + key_of(seed, self.constant, level))[0] == 0x67

    def keep_alive(self, seconds: float) -> None:
        """Let time pass, with tester-present every two seconds (S3client, ISO 14229-2)."""
        while seconds > 0.0:
            self.ask("3E00")
            part = min(2.0, seconds)
            self.simulation.advance(part)
            seconds -= part

    def _send(self, bus: can.BusABC, data: bytes) -> None:
        data = data.ljust(8, b"\xcc")
        bus.send(can.Message(arbitration_id=self.description.request_id, data=data, is_extended_id=False))

    def _answer(self, bus: can.BusABC, timeout: float) -> bytes:
        message = bus.recv(timeout)
        if message is None:
            return b""
        data = bytes(message.data)
        if data[0] >> 4 == 0:
            return data[1 : 1 + data[0]]
        length = (data[0] & 0xF) << 8 | data[1]
        found = data[2:]
        self._send(bus, b"\x30\x00\x00")
        while len(found) < length:
            message = bus.recv(1.0)
            assert message is not None, "a consecutive frame is missing"
            found += bytes(message.data)[1:]
        return found[:length]
