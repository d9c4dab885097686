"""A module's diagnosis on a bench: a tester on simulated time with nothing but the transport between, no bus."""

from __future__ import annotations

from collections import deque

from simulator.datalink.controller import Outgoing
from simulator.diagnostics import DiagnosticUnit, Received, Send, Transport, World, code_number, key_of
from simulator.reader import find_vehicle, load_vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))
MS_NS, SECOND_NS = 1_000_000, 1_000_000_000
NETWORK = "LINE-1"
#: How long the tester waits for the first answer, and for the next after "response pending" (ISO 14229-2: P2, P2*).
P2_NS, P2_STAR_NS = 50 * MS_NS, 5 * SECOND_NS
FUNCTIONAL_ID = 0x7DF


class Ear:
    """Messages that go through on time, but for those of some senders."""

    def __init__(self) -> None:
        self.t_ns = 0
        self.missing: set[str] = set()
        self.silent = False
        self._last: dict[str, int] = {}

    def heard_ns(self, network: str, message: str) -> int:
        if self.silent or message[:3].upper() in self.missing:
            return self._last.get(message, -1)
        self._last[message] = self.t_ns
        return self.t_ns

    sent_ns = heard_ns


class Bench:
    """A module, supplied and awake with the ignition on, and a tester. ``ask`` gives every answer to a request."""

    def __init__(self, name: str = "GBX", *, volt: float = 12.6) -> None:
        self.t_ns = 0
        self.unit = DiagnosticUnit(PIPKIN, name)
        self.unit.check.heard = self._ear = Ear()
        self.server = self.unit.server
        self.world = World(True, True, volt)
        self.unit.settle(0, self.world)
        self.unit.switch(0, True)
        self.restarts: list[int] = []
        self.unit.restart = self.restarts.append
        self._tester = Transport()
        self._answers: list[tuple[int, bytes]] = []

    def advance(self, span_ns: int) -> None:
        """Let time pass."""
        end_ns = self.t_ns + span_ns
        while self.unit.deadline_ns <= end_ns:
            self.t_ns = self._ear.t_ns = max(self.t_ns, self.unit.deadline_ns)
            self.unit.due(self.t_ns)
            self._carry()
        self.t_ns = end_ns

    def ask(self, request: str | bytes, *, functional: bool = False) -> list[str]:
        """Every answer in hexadecimal digits, "response pending" among them, until the tester's patience ends."""
        self._answers = []
        payload = bytes.fromhex(request) if isinstance(request, str) else request
        frame_id = FUNCTIONAL_ID if functional else self.unit.description.request_id
        for event in self._tester.send(self.t_ns, payload):
            self._to_unit(event, frame_id)
        self._carry()
        limit_ns = self.t_ns + P2_NS
        while True:
            before = len(self._answers)
            pending = bool(self._answers) and self._answers[-1][1][2:3] == b"\x78"
            if len(self._answers) > 0 and not pending and not self.unit.server.busy:
                break
            if self.unit.deadline_ns > limit_ns:
                break
            self.t_ns = self._ear.t_ns = max(self.t_ns, self.unit.deadline_ns)
            self.unit.due(self.t_ns)
            self._carry()
            if len(self._answers) > before:
                limit_ns = self.t_ns + P2_STAR_NS
        return [data.hex(" ").upper() for _, data in self._answers]

    def unlock(self, level: int = 1) -> None:
        """Extended (or programming) session, and the key."""
        self.ask("10 03" if level == 1 else "10 02")
        seed = bytes.fromhex(self.ask(bytes((0x27, level)))[0])[2:]
        assert self.ask(bytes((0x27, level + 1)) + key_of(seed, self.unit.identity.security_constant, level)) == [
            f"67 {level + 1:02X}"
        ]

    def _carry(self) -> None:
        """Frames of the module reach the tester, its flow control comes back."""
        frames: deque[tuple[str, Outgoing]] = deque(self.unit.take())
        self.unit.taken_back()
        while frames:
            network, frame = frames.popleft()
            self.unit.confirmed(self.t_ns, network, frame)
            for event in self._tester.feed(self.t_ns, frame.data):
                if isinstance(event, Received):
                    self._answers.append((self.t_ns, event.payload))
                self._to_unit(event, self.unit.description.request_id)
            frames.extend(self.unit.take())

    def _to_unit(self, event: object, frame_id: int) -> None:
        """A frame of the tester; its confirmation may release the next one at once."""
        waiting = deque([event])
        while waiting:
            one = waiting.popleft()
            if isinstance(one, Send):
                self.unit.feed(self.t_ns, NETWORK, Outgoing(frame_id, one.data))
                waiting.extend(self._tester.confirmed(self.t_ns, one))


def store(bench: Bench, *texts: str) -> None:
    """Let tests of these codes fail now."""
    for text in texts:
        bench.unit.check.report(bench.t_ns, code_number(text), failed=True, detail=0x123)
