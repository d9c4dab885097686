"""From the circuit to the medium: who hears whom on a network, and whom a transmitter's bits call."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TypeAlias

from simulator.circuit import DOMINANT_VOLT, RECESSIVE_VOLT, Circuit, Volts
from simulator.circuit.hearing import who_hears_whom
from simulator.circuit.waveform import EDGE_NS, LOOP_DELAY_NS
from simulator.datalink.controller import Wiring
from simulator.deviations import Behaviour, PinSeries, RunSeries, StubLength

#: Capacitance between the bus pins of a module: 50 pF each to ground, in series, and 10 pF between them.
PAIR_FARAD = 35e-12
#: How many time constants an edge is given to decay, and how many passages of the whole wire its echoes.
CHARGES = 4.0
ECHOES = 12.0
#: Levels this near to a receiver threshold, and means this near to the end of a common-mode range, are not far from it.
NEAR_VOLT = 0.15
NEAR_LIMIT_VOLT = 1.0
#: Resistance in one line from which on its edges are slow.
SLOW_OHM = 100.0
#: Whose transceiver a node is, and for a tester the place of its tap.
Ear: TypeAlias = tuple[str, str | None]


def settles_in_time(circuit: Circuit, network: str, senders: Iterable[str], nodes: Mapping[str, Ear]) -> bool:
    """Whether every edge of these senders has surely settled by the sample point, so that levels at rest decide.

    Bound by the slowest sender: charging all capacitance of the network through the resistance between its pins, and
    echoes over its whole wire. A test holds it against waveforms of many vehicles.
    """
    described = circuit.vehicle.networks[network]
    pair = described.pair
    added_m = sum(
        item.length_m for item in circuit.vehicle.deviations if isinstance(item, StubLength) and item.network == network
    )
    length_m = sum(run.length_m for run in described.runs) + added_m
    modules = sum(1 for at, _ in circuit.drawing.pins if at == network)
    farad = modules * PAIR_FARAD + length_m * pair.delay_ns_per_m * 1e-9 / pair.impedance_ohm
    ohm = max(
        (circuit.resistance_ohm(*circuit.pins(nodes[n][0], network, nodes[n][1])[:2]) for n in senders), default=0
    )
    echoes_ns = ECHOES * length_m * max(pair.delay_ns_per_m, pair.common_delay_ns_per_m)
    settled_ns = EDGE_NS + LOOP_DELAY_NS + CHARGES * ohm * farad * 1e9 + echoes_ns
    return settled_ns <= described.sample_point / described.bit_rate * 1e9


def decided_at_rest(
    circuit: Circuit, network: str, nodes: Mapping[str, Ear], states: Mapping[str, Volts] | None = None
) -> bool:
    """Whether levels at rest say who hears whom: all far from every limit, and all edges settle in time.

    Large resistance in one line turns an edge into a slow move of both lines, which the bound does not cover.
    ``states`` are the voltages with each sender dominant, where they are known already.
    """
    if states is None:
        states = {node: circuit.volts([(who, network)], tap) for node, (who, tap) in nodes.items()}
    for item in circuit.vehicle.deviations:
        if isinstance(item, PinSeries | RunSeries) and item.network == network and SLOW_OHM <= item.ohm < math.inf:
            return False
    speaking = []
    for sender, volts in [("", circuit.volts()), *states.items()]:
        for who, tap in nodes.values():
            high, low, _, ground = circuit.pins(who, network, tap)
            difference = volts.at(high) - volts.at(low)
            mean = (volts.at(high) + volts.at(low)) / 2 - volts.at(ground)
            if RECESSIVE_VOLT - NEAR_VOLT < difference < DOMINANT_VOLT + NEAR_VOLT:
                return False
            if any(abs(mean - limit) < NEAR_LIMIT_VOLT for limit in circuit.transceiver(who).common_mode_volt):
                return False
            if sender and difference >= DOMINANT_VOLT:
                speaking.append(sender)
    return settles_in_time(circuit, network, dict.fromkeys(speaking), nodes)


def taps_of(nodes: Mapping[str, Ear]) -> dict[str, str]:
    """The testers among nodes, each with the place of its tap."""
    return {node: place for node, (_, place) in nodes.items() if place is not None}


def wiring_of(circuit: Circuit, network: str, nodes: Mapping[str, Ear]) -> tuple[Wiring, dict[str, tuple[str, ...]]]:
    """The wiring among nodes that are up, and for each of them the modules without a wake pin that it calls.

    A node hears another if it takes that one's dominant bits for dominant and its recessive bits for recessive, at the
    sample points of the waveform. Where every edge has settled long before (:func:`settles_in_time`) and no level lies
    in the undefined band, the levels at rest say the same, and the waveform is not computed.
    """
    vehicle = circuit.vehicle
    sleepers = [
        name
        for name, module in vehicle.modules.items()
        if module.wake is None and name in vehicle.networks[network].places
    ]
    behaviours = [item for item in vehicle.deviations if isinstance(item, Behaviour) and item.module in nodes]
    mute = frozenset(item.module for item in behaviours if item.kind == "stuck_recessive")
    quiet = circuit.volts()
    rest = {node: circuit.sees(network, who, quiet, tap) for node, (who, tap) in nodes.items()}
    states: dict[str, Volts] = {}
    wakers: dict[str, tuple[str, ...]] = {}
    for node, (who, tap) in nodes.items():
        if node in mute:
            continue
        volts = states[node] = circuit.volts([(who, network)], tap)
        wakers[node] = tuple(
            name for name in sleepers if name != node and circuit.sees(network, name, volts) == "dominant"
        )
    if decided_at_rest(circuit, network, nodes, states):
        heard = {
            node: tuple(
                other
                for other, (ear, place) in nodes.items()
                if rest[other] == "recessive" and circuit.sees(network, ear, volts, place) == "dominant"
            )
            for node, volts in states.items()
        }
    else:
        by_wave = who_hears_whom(circuit.vehicle, network=network, circuit=circuit, taps=taps_of(nodes)).hears
        heard = {node: tuple(other for other in nodes if by_wave[other].get(node)) for node in states}
    hearers = {node: heard.get(node, ()) for node in nodes}
    wiring = Wiring(
        hearers,
        mute=mute,
        held=frozenset(node for node, seen in rest.items() if seen == "dominant"),
        rates={item.module: item.value for item in behaviours if item.kind == "wrong_bit_rate"},
    )
    return wiring, wakers
