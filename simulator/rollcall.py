"""The roll call: the tester asks every module whether it is there, through every socket."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Protocol

from simulator.condition import Condition, ModuleState
from simulator.datalink.controller import Outgoing
from simulator.datalink.trouble import Trouble
from simulator.record import FrameRecord
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle

#: The vehicle runs for this long before the first question (own choice).
RUN_IN_S = 0.1
#: How long answers are waited for: 50 ms (ISO 14229-2) and the frames' own time on a busy network.
WAIT_NS = 100_000_000
ROUNDS = 2
_TESTER_PRESENT = bytes.fromhex("02 3E 00 CC CC CC CC CC")
_ANSWER = bytes.fromhex("02 7E 00")


class _Fault(Protocol):
    def apply(self, vehicle: Vehicle) -> Vehicle:
        """The vehicle with the fault in it."""


@dataclass(frozen=True)
class RollCall:
    """Who answered and who did not, in the order of the vehicle file, and every module's supply state at the end."""

    answering: tuple[str, ...]
    silent: tuple[str, ...]
    states: dict[str, ModuleState]


def roll_call(
    vehicle: Vehicle,
    condition: Condition | None = None,
    network: str | None = None,
    faults: Iterable[_Fault] = (),
    seed: int = 0,
    given_up: Collection[str] = (),
) -> RollCall:
    """Ask every module through every socket (or that of ``network``), twice, with tester-present (ISO 14229-1, 0x3E).

    Faults are there all the time, whatever their timeline. A module that no socket reaches is silent. Questions are
    traffic: they wake modules that have no wake pin. Nobody waits for ``given_up``, who surely cannot answer. Behind a
    gateway they are asked a third time, since it may have
    been asleep at the first.
    """
    for fault in faults:
        vehicle = fault.apply(vehicle)
    if network is not None:
        vehicle.network(network)
    simulation = Simulation(vehicle, condition=condition, seed=seed)
    testers = [_Tester(simulation, name, place) for name, place in vehicle.sockets if network in (None, name)]
    # on a network where the tester's bits reach nobody there is nothing to wait for
    testers = [tester for tester in testers if simulation.in_reach(tester.network, tester.name)]
    if testers:
        simulation.advance(RUN_IN_S)
    answering: set[str] = set()
    for _ in range(ROUNDS + any(module.routes for module in vehicle.modules.values())):
        for tester in testers:
            names = [name for name in vehicle.modules if name not in answering and name not in given_up]
            answering |= tester.ask(names) if names else set()
    return RollCall(
        tuple(name for name in vehicle.modules if name in answering),
        tuple(name for name in vehicle.modules if name not in answering),
        dict(simulation.states),
    )


class _Tester:
    """A tester at a socket that only calls the roll (and is there faster than a python-can bus can be loaded)."""

    listening = by_request = told_of_losses = False

    def __init__(self, simulation: Simulation, network: str, place: str) -> None:
        self.name = simulation.tester_name()
        self.network = network
        self.place = place
        self._simulation = simulation
        self._asked: dict[int, str] = {}
        self._answering: set[str] = set()
        simulation.attach(self)

    def ask(self, names: list[str]) -> set[str]:
        """Ask modules at once; who answers in time."""
        simulation, modules = self._simulation, self._simulation.drawn.modules
        self._asked = {modules[name].response_id: name for name in names}
        self._answering = set()
        questions = [Outgoing(modules[name].request_id, _TESTER_PRESENT, kept=True) for name in names]
        for question in questions:
            simulation.submit(self.network, self.name, question)
        limit_ns = simulation.t_ns + WAIT_NS
        while len(self._answering) < len(names) and simulation.step(limit_ns):
            pass
        for question in questions:
            simulation.withdraw(self.network, self.name, question)
        return self._answering

    def received(self, record: FrameRecord, frame: Outgoing) -> None:
        """A frame has arrived; is it an answer?"""
        name = None if record.extended else self._asked.get(record.frame_id)
        if name is not None and record.data[:3] == _ANSWER:
            self._answering.add(name)

    def attempted(self, record: FrameRecord, frame: Outgoing) -> None:
        """An own question has been sent, or not; either way the answer decides."""

    def troubled(self, trouble: Trouble) -> None:
        """The own controller has noticed something; likewise."""

    def changed(self, t_ns: int, status: str) -> None:
        """The own controller has changed its state; likewise."""
