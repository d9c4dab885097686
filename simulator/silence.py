"""Who is silent at the roll call, for many faulted copies of one vehicle: each kind of trouble is run once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simulator.circuit import TESTER, Circuit
from simulator.circuit.live import SEEN, STATES, LiveTable
from simulator.condition import Condition, ModuleState
from simulator.deviations import Behaviour, PinSeries, RunSeries, SilentMessage, StubLength, TerminatorValue
from simulator.hearing import NEAR_LIMIT_VOLT, NEAR_VOLT, SLOW_OHM, Ear, settles_in_time, wiring_of
from simulator.kernels.jit import soon
from simulator.kernels.wire import run_wire
from simulator.rollcall import roll_call
from simulator.vehicle import Vehicle

Mask = NDArray[np.bool_]

#: A module whose bits are longer or shorter by this factor shares no frame with the others. Tolerances that
#: ISO 11898-1 lets a controller follow end at a few parts in a hundred.
OUT_OF_STEP = 1.5
#: What a module may do that changes no answer where everybody hears everybody: it still acknowledges and answers.
_HARMLESS = ("dead", "not_configured", "half_written")
#: Deviations that may make an edge on the line slower, or its echoes longer.
_SLOWER = (RunSeries, StubLength, TerminatorValue)


class SilenceBook:
    """Who is silent in every copy, battery on.

    What decides a roll call is who is up, who hears whom and who misbehaves: copies in which that is the same share
    one. Who hears whom comes from the levels at rest where these decide, else from the waveform, as in a running
    vehicle. Nothing is run before it is asked for.
    """

    def __init__(self, vehicles: Sequence[Vehicle], condition: Condition | None = None) -> None:
        self._vehicles = tuple(vehicles)
        self._condition = condition or Condition()
        self._modules = vehicles[0].modules
        self._routed = any(module.routes for module in self._modules.values())
        self._known: dict[object, frozenset[str]] = {}
        self._decisions: dict[int, tuple[Mask, object]] = {}

    @staticmethod
    def answers_for(condition: Condition) -> bool:
        """Whether the table can be asked in a condition: with the battery on and nothing else at its clamps."""
        return condition.battery_on and not condition.at_battery

    # -- from the levels at rest ---------------------------------------------------------------------------------

    @cached_property
    def _hearing(self) -> tuple[tuple[tuple[str, str], ...], Mask, Mask, Mask, Mask]:
        """Ears, who is up, who hears whom at rest, what decides besides, whose level is near a limit to whom."""
        found = LiveTable(self._vehicles, self._condition).hearing(NEAR_VOLT, NEAR_LIMIT_VOLT)
        ears, awake = found.ears, found.states == STATES.index(ModuleState.AWAKE)
        up, calling = np.ones((len(awake), len(ears)), bool), np.zeros(len(ears), bool)
        turn = {name: n for n, name in enumerate(self._modules)}
        for n, (_, ear) in enumerate(ears):
            if ear != TESTER:
                up[:, n], calling[n] = awake[:, turn[ear]], self._modules[ear].wake is None
        networks = np.array([network for network, _ in ears])
        others = (networks[:, None] == networks) & ~np.eye(len(ears), dtype=bool)
        dominant, quiet = found.seen[:, :-1] == SEEN.index("dominant"), found.seen[:, -1]
        both = others & up[:, :, None] & up[:, None, :]
        heard = dominant & (quiet == SEEN.index("recessive"))[:, None, :] & both
        called = dominant & others & calling & up[:, :, None]
        held = up & (quiet == SEEN.index("dominant"))
        besides = [found.states == n for n in range(len(STATES))] + [called.reshape(len(up), -1), held]
        return ears, up, heard, np.concatenate(besides, axis=1), found.near

    @cached_property
    def _surely(self) -> list[frozenset[str]]:
        ears, up, heard, _, near = self._hearing
        mute = np.ones((len(up), len(self._modules)), bool)
        for turn, name in enumerate(self._modules):
            for n, (network, ear) in enumerate(ears):
                if ear != name:
                    continue
                answers = up[:, n]
                if not self._routed:
                    tester = ears.index((network, TESTER)) if (network, TESTER) in ears else None
                    if tester is None:
                        continue
                    for one, other in ((n, tester), (tester, n)):
                        answers = answers & (heard[:, one, other] | near[:, one, other] | near[:, -1, other])
                mute[:, turn] &= ~answers
        names = tuple(self._modules)
        found = []
        for vehicle, row in zip(self._vehicles, mute.tolist(), strict=True):
            own = {item.module for item in vehicle.deviations if isinstance(item, Behaviour) and self._drops_out(item)}
            found.append(frozenset(own | {name for name, silent in zip(names, row, strict=True) if silent}))
        return found

    def _drops_out(self, item: Behaviour) -> bool:
        """Whether a module that behaves so cannot answer at all."""
        if item.kind == "wrong_bit_rate":
            rates = [
                network.bit_rate for network in self._vehicles[0].networks.values() if item.module in network.places
            ]
            return all(not 1 / OUT_OF_STEP < item.value / rate < OUT_OF_STEP for rate in rates)
        return item.kind in ("dead", "stuck_recessive")

    # -- answers -------------------------------------------------------------------------------------------------

    def surely_silent(self, number: int) -> frozenset[str]:
        """Those of the copy of that number who cannot answer, whatever happens on the network; nothing is run."""
        return self._surely[number]

    def least_silent(self, number: int) -> frozenset[str]:
        """The same where the waveform, too, has been asked who hears whom; still nothing is run."""
        pairs, ears = self._decided(number)[0], self._hearing[0]
        if self._routed:
            return self._surely[number]
        found = set(self._modules)
        for n, (network, ear) in enumerate(ears):
            if ear != TESTER and (network, TESTER) in ears:
                tester = ears.index((network, TESTER))
                if pairs[n, tester] and pairs[tester, n]:
                    found.discard(ear)
        return self._surely[number] | found

    def silent(self, number: int) -> frozenset[str]:
        """Who does not answer the roll call in the copy of that number."""
        least = self.least_silent(number)
        if len(least) == len(self._modules):
            return least
        key = self._decided(number)[1]
        if key not in self._known:
            soon(run_wire)  # where one network is in trouble, many are
            call = roll_call(self._vehicles[number], self._condition, given_up=self._surely[number])
            self._known[key] = frozenset(call.silent)
        return self._known[key]

    def _decided(self, number: int) -> tuple[Mask, object]:
        """Who hears whom in a copy, and all that decides its roll call."""
        if number not in self._decisions:
            self._decisions[number] = self._decide(number)
        return self._decisions[number]

    def _decide(self, number: int) -> tuple[Mask, object]:
        vehicle = self._vehicles[number]
        ears, up, heard, besides, _ = self._hearing
        doing = tuple(item for item in vehicle.deviations if isinstance(item, Behaviour | SilentMessage))
        pairs: Mask = heard[number]
        lags: tuple[object, ...] = ()
        if not self._decided_at_rest(number):
            pairs, lags = self._by_wave(number)
        networks = np.array([network for network, _ in ears])
        wanted = (networks[:, None] == networks) & ~np.eye(len(ears), dtype=bool)
        wanted &= up[number][:, None] & up[number]
        whole = bool((pairs == wanted).all()) and not lags
        if whole and all(isinstance(item, SilentMessage) or item.kind in _HARMLESS for item in doing):
            doing = ()
        return pairs, (besides[number].tobytes(), pairs.tobytes(), lags, doing)

    def _decided_at_rest(self, number: int) -> bool:
        """Whether the levels at rest say who hears whom (as ``decided_at_rest``, from the table).

        What a sender that nobody else hears reads of itself does not change a roll call.
        """
        vehicle = self._vehicles[number]
        if self._hearing[-1][number].any():
            return False
        for item in vehicle.deviations:
            if isinstance(item, PinSeries | RunSeries) and SLOW_OHM <= item.ohm < math.inf:
                return False
        if any(isinstance(item, _SLOWER) for item in vehicle.deviations):
            return self._settles(vehicle, self._hearing[2][number].any(axis=1))
        return self._drawn_settles

    @cached_property
    def _drawn_settles(self) -> bool:
        return self._settles(self._vehicles[0].as_drawn(), None)

    def _settles(self, vehicle: Vehicle, heard: Mask | None) -> bool:
        """Whether on every network all edges that others hear (None: all edges) settle in time."""
        circuit, ears = Circuit(vehicle, self._condition), self._hearing[0]
        for name in vehicle.networks:
            nodes = self._nodes(circuit, name)
            audible = {ear for n, (at, ear) in enumerate(ears) if at == name and (heard is None or heard[n])}
            if not settles_in_time(circuit, name, [node for node in nodes if node in audible], nodes):
                return False
        return True

    def _nodes(self, circuit: Circuit, network: str) -> Mapping[str, Ear]:
        nodes: dict[str, Ear] = {
            module: (module, None)
            for at, module in circuit.drawing.pins
            if at == network and circuit.states[module] is ModuleState.AWAKE
        }
        socket = circuit.vehicle.networks[network].socket
        return nodes if socket is None else {**nodes, TESTER: (TESTER, socket)}

    def _by_wave(self, number: int) -> tuple[Mask, tuple[object, ...]]:
        """Who hears whom as a running vehicle has it, and every bit that comes late or lingers at somebody."""
        circuit, ears = Circuit(self._vehicles[number], self._condition), self._hearing[0]
        turn = {ear: n for n, ear in enumerate(ears)}
        pairs = np.zeros((len(ears), len(ears)), bool)
        lags: list[object] = []
        for network in circuit.vehicle.networks:
            nodes = self._nodes(circuit, network)
            wiring, _ = wiring_of(circuit, network, nodes)
            alone = {node for node, hearers in wiring.hearers.items() if not set(hearers) - {node}}
            for node, hearers in wiring.hearers.items():
                for other in hearers:
                    pairs[turn[network, node], turn[network, other]] = node != other
                if node not in hearers and node not in alone:
                    lags.append((network, node))
            for driving in (frozenset[str](), *(frozenset({node}) for node in nodes), frozenset(nodes)):
                levels = wiring.read(driving)
                # nobody minds what a sender that nobody else hears reads of itself
                late, lingering = (
                    frozenset((one, bits) for one, bits in part.items() if not (driving == {one} and one in alone))
                    for part in (levels.late, levels.lingering)
                )
                if late or lingering or levels.neither:
                    lags.append((network, driving, late, lingering, levels.neither))
        return pairs, tuple(lags)
