"""The roll call: the tester asks every module whether it is there, through every socket."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from simulator.circuit import TESTER, Circuit
from simulator.circuit.live import SEEN, STATES, Hearing
from simulator.condition import Condition, ModuleState
from simulator.datalink.controller import Outgoing
from simulator.datalink.trouble import Trouble
from simulator.deviations import (
    Behaviour,
    Bridge,
    Crossing,
    Deviation,
    GroundShift,
    PinSeries,
    RunSeries,
    SilentMessage,
    StubLength,
    TerminatorValue,
)
from simulator.hearing import Ear, settles_in_time
from simulator.modules.gateway import modules_behind
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
) -> RollCall:
    """Ask every module through every socket (or that of ``network``), twice, with tester-present (ISO 14229-1, 0x3E).

    Faults are there all the time, whatever their timeline. A module that no socket reaches is silent. Questions are
    traffic: they wake modules that have no wake pin. Behind a gateway they are asked a third time, since it may have
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
            answering |= tester.ask([name for name in vehicle.modules if name not in answering])
    return RollCall(
        tuple(name for name in vehicle.modules if name in answering),
        tuple(name for name in vehicle.modules if name not in answering),
        dict(simulation.states),
    )


class SilenceBook:
    """Who is silent in many faulted copies of one vehicle, battery and ignition on: each kind of trouble is run once.

    Where everybody who is up and the testers hear one another, the others are silent. Else who is up, who hears whom
    and who misbehaves decide; copies in which that is the same share one roll call. A copy in which the waveform may
    say something else than the levels at rest shares one only with copies whose pair is the same.
    """

    def __init__(self, vehicles: Sequence[Vehicle], hearing: Hearing) -> None:
        self._vehicles = tuple(vehicles)
        self._hearing = hearing
        self._modules = list(vehicles[0].modules)
        self._sockets = frozenset(network for network, _ in vehicles[0].sockets)
        awake = hearing.states == STATES.index(ModuleState.AWAKE)
        self._up = np.ones((len(vehicles), len(hearing.ears)), bool)
        calling = np.zeros(len(hearing.ears), bool)
        for n, (_, ear) in enumerate(hearing.ears):
            if ear != TESTER:
                self._up[:, n] = awake[:, self._modules.index(ear)]
                calling[n] = vehicles[0].modules[ear].wake is None
        self._whole, self._deciding, self._by_wave = self._who_hears_whom(calling)
        self._known: dict[object, frozenset[str]] = {}

    def _who_hears_whom(
        self, calling: NDArray[np.bool_]
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
        """Whether all who are up hear each other, all that decides a roll call, (copies, bits), undefined levels."""
        hearing, up = self._hearing, self._up
        networks = np.array([network for network, _ in hearing.ears])
        dominant, quiet = hearing.seen[:, :-1] == SEEN.index("dominant"), hearing.seen[:, -1]
        at_rest = quiet == SEEN.index("recessive")
        others = (networks[:, None] == networks) & ~np.eye(len(networks), dtype=bool)
        needed = others & up[:, :, None] & up[:, None, :]
        heard = dominant & at_rest[:, None, :] & needed
        called = dominant & others & calling & up[:, :, None]
        held = up & (quiet == SEEN.index("dominant"))
        whole = (heard == needed).all(axis=(1, 2)) & (at_rest | ~up).all(axis=1)
        self._heard = heard.any(axis=2)
        unclear = ((hearing.seen[:, :-1] == SEEN.index("undefined")) & needed).any(axis=(1, 2))
        unclear |= ((quiet == SEEN.index("undefined")) & up).any(axis=1)
        return whole, np.concatenate([part.reshape(len(up), -1) for part in (heard, called, held)], axis=1), unclear

    def silent(self, number: int) -> frozenset[str]:
        """Who does not answer the roll call in the copy of that number."""
        vehicle, state = self._vehicles[number], self._hearing.states[number].tobytes()
        doing = tuple(item for item in vehicle.deviations if isinstance(item, Behaviour | SilentMessage))
        whole = bool(self._whole[number]) and not any(isinstance(item, Behaviour) for item in doing)
        key: object = state if whole else (state, doing, self._deciding[number].tobytes())
        if self._by_wave[number] or self._waves_count(number):
            pair = tuple(item for item in vehicle.deviations if _on_the_pair(item))
            key, whole = (state, doing, self._deciding[number].tobytes(), pair), False
        if key not in self._known:
            self._known[key] = self._all_but_those_up(number) if whole else frozenset(roll_call(vehicle).silent)
        return self._known[key]

    def _waves_count(self, number: int) -> bool:
        """Whether an edge that somebody hears may settle too late for the levels at rest to decide.

        Asked of copies whose pair has slower edges than as drawn, else of the vehicle as drawn. What a sender that
        nobody else hears reads of itself does not change a roll call.
        """
        vehicle = self._vehicles[number]
        if any(isinstance(item, _SLOWER) for item in vehicle.deviations):
            return not self._settles(vehicle, number)
        return self._drawn_by_wave

    @cached_property
    def _drawn_by_wave(self) -> bool:
        return not self._settles(self._vehicles[0].as_drawn(), None)

    def _settles(self, vehicle: Vehicle, number: int | None) -> bool:
        """Whether on every network all edges that others hear (None: all edges) settle in time."""
        circuit, ears = Circuit(vehicle), self._hearing.ears
        for name, network in vehicle.networks.items():
            nodes: dict[str, Ear] = {module: (module, None) for module in circuit.senders(name)}
            if network.socket is not None:
                nodes[TESTER] = (TESTER, network.socket)
            heard = {
                ear for n, (at, ear) in enumerate(ears) if at == name and (number is None or self._heard[number, n])
            }
            if not settles_in_time(circuit, name, [node for node in nodes if node in heard], nodes):
                return False
        return True

    def _all_but_those_up(self, number: int) -> frozenset[str]:
        up = {ear for (_, ear), is_up in zip(self._hearing.ears, self._up[number], strict=True) if is_up} - {TESTER}
        reached = {name for network in self._sockets for name in modules_behind(self._vehicles[0], network, up)}
        return frozenset(self._modules) - reached


#: Deviations that may make an edge on the line slower, or its echoes longer.
_SLOWER = (RunSeries, StubLength, TerminatorValue)


def _on_the_pair(item: Deviation) -> bool:
    """Whether a deviation changes the lines themselves, and not only what supplies the modules."""
    if isinstance(item, Bridge):
        return "place" in (item.start[0], item.end[0])
    return isinstance(item, PinSeries | RunSeries | Crossing | TerminatorValue | StubLength | GroundShift)


class _Tester:
    """A tester at a socket that only calls the roll (and is there faster than a python-can bus can be loaded)."""

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
