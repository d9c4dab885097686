"""The workshop's tester: it asks each module through the sockets, and hears only what wiring and gateways let through.

Requests and answers are built and read by udsoncan; time is simulated.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TypeVar

from udsoncan import DidCodec
from udsoncan.client import Client
from udsoncan.exceptions import NegativeResponseException, TimeoutException

from lab.tester.connection import SteppedConnection
from simulator.diagnostics import Refusal, key_of
from simulator.diagnostics.services.read_codes import CLOCK, DETAIL, SUPPLY
from simulator.errors import SixtyohmError
from simulator.interface import SimulatedBus
from simulator.loaded import identity_of
from simulator.simulation import Simulation
from simulator.vehicle import Module

T = TypeVar("T")
#: How long an answer is waited for: 50 ms (ISO 14229-2), a gateway and a busy network; and after "response pending".
ANSWER_S, PENDING_S = 0.2, 6.0
#: A module that does not answer is asked once more.
_ATTEMPTS = 2
_CLIENT = "sixtyohm"
logging.getLogger(f"UdsClient[{_CLIENT}]").addHandler(logging.NullHandler())


class NoAnswer(SixtyohmError):
    """A module does not answer."""


class NoService(SixtyohmError):
    """A module refuses; ``code`` is the refusal code of ISO 14229-1, annex A."""

    def __init__(self, module: str, code: int) -> None:
        self.code = code
        super().__init__(f"{module} refuses: {refusal_words(code)}")


def refusal_words(code: int) -> str:
    """A refusal code by name and number."""
    try:
        return f"{Refusal(code).words} (0x{code:02X})"
    except ValueError:
        return f"refusal code 0x{code:02X}"


class Raw(DidCodec):
    """A value as bytes, however many come; only good for the last or only one of an answer."""

    def encode(self, *values: bytes) -> bytes:
        """The bytes themselves."""
        return values[0]

    def decode(self, payload: bytes) -> bytes:
        """The bytes themselves."""
        return payload

    def __len__(self) -> int:
        raise DidCodec.ReadAllRemainingData


class Counted(DidCodec):
    """A number of so many bytes."""

    def __init__(self, length: int) -> None:
        self._length = length

    def encode(self, *values: int) -> bytes:
        """Big endian."""
        return values[0].to_bytes(self._length, "big")

    def decode(self, payload: bytes) -> int:
        """Big endian."""
        return int.from_bytes(payload, "big")

    def __len__(self) -> int:
        return self._length


class Diagnosis:
    """A tester at the sockets of a vehicle that runs; use it as a context, so that it is unplugged again."""

    def __init__(self, simulation: Simulation) -> None:
        self.simulation = simulation
        self.vehicle = simulation.drawn
        self._buses: dict[str, SimulatedBus] = {}
        self._line: dict[str, str | None] = {}

    def __enter__(self) -> Diagnosis:
        for network, place in self.vehicle.sockets:
            self._buses[network] = self.simulation.connect(place, network, receive_own_messages=True)
        return self

    def __exit__(self, *_: object) -> None:
        for bus in self._buses.values():
            bus.shutdown()
        self._buses.clear()

    def answers(self, module: str) -> bool:
        """Whether a module answers tester-present through some socket; asked once, then known."""
        if module not in self._line:
            described = self.vehicle.module(module)
            self._line[module] = next((name for name in self._buses if self._present(name, described)), None)
        return self._line[module] is not None

    def forget(self, module: str) -> None:
        """Ask anew whether it answers."""
        self._line.pop(module, None)

    def ask(self, module: str, question: Callable[[Client], T]) -> T:
        """Put a question to a module that answers. Raises NoAnswer, NoService."""
        if not self.answers(module):
            raise NoAnswer(f"{module} does not answer")
        line = self._line[module]
        assert line is not None
        with self._client(line, self.vehicle.module(module)) as client:
            return _asked(module, lambda: question(client))

    def keep_alive(self, module: str) -> None:
        """Tester-present, so that a session does not end; who does not answer any more is not waited for."""
        with suppress(NoAnswer, NoService):
            self.ask(module, lambda client: client.tester_present())

    def listen(self, seconds: float) -> dict[tuple[str, int, bool], bytes]:
        """Let time pass and listen: the last data of every frame by (network, identifier, extended)."""
        for bus in self._buses.values():
            while bus.recv(0) is not None:
                pass
        self.simulation.advance(seconds)
        heard: dict[tuple[str, int, bool], bytes] = {}
        for network, bus in self._buses.items():
            while (message := bus.recv(0)) is not None:
                if message.is_rx and not message.is_remote_frame:
                    heard[network, message.arbitration_id, message.is_extended_id] = bytes(message.data)
        return heard

    def unlock(self, module: str, client: Client, level: int = 1) -> None:
        """Open a security level with the key of the (demonstration) algorithm. Raises udsoncan's exceptions."""
        constant = identity_of(self.vehicle, module).security_constant
        client.config["security_algo"] = lambda level, seed, params: key_of(seed, constant, level)
        client.unlock_security_access(level)

    def _present(self, network: str, module: Module) -> bool:
        if not self.simulation.in_reach(network, self._buses[network].name):
            return False
        with self._client(network, module) as client:
            for _ in range(_ATTEMPTS):
                try:
                    client.tester_present()
                except TimeoutException:
                    continue
                except NegativeResponseException:
                    pass
                return True
        return False

    @contextmanager
    def _client(self, network: str, module: Module) -> Iterator[Client]:
        connection = SteppedConnection(self.simulation, self._buses[network], module.request_id, module.response_id)
        config = {
            "exception_on_negative_response": True,
            "request_timeout": None,  # only it would look at the clock on the wall
            "p2_timeout": ANSWER_S,
            "p2_star_timeout": PENDING_S,
            "use_server_timing": False,
            "tolerate_zero_padding": False,
            "data_identifiers": {CLOCK: Counted(4), SUPPLY: Counted(2), DETAIL: Counted(4), "default": Raw},
        }
        client = Client(connection, config=config)
        client.logger = logging.getLogger(f"UdsClient[{_CLIENT}]")
        with client:
            yield client


def _asked(module: str, question: Callable[[], T]) -> T:
    for attempt in range(_ATTEMPTS):
        try:
            return question()
        except NegativeResponseException as refused:
            raise NoService(module, refused.response.code) from None
        except TimeoutException:
            if attempt == _ATTEMPTS - 1:
                raise NoAnswer(f"{module} does not answer any more") from None
    raise AssertionError("an attempt ends in an answer or an error")


__all__ = ["Diagnosis", "NoAnswer", "NoService", "Raw", "refusal_words"]
