"""From the circuit to the medium: who hears whom on a network, and whom a transmitter's bits call."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeAlias

from simulator.circuit import Circuit
from simulator.datalink.controller import Wiring
from simulator.deviations import Behaviour

#: Whose transceiver a node is, and for a tester the place of its tap.
Ear: TypeAlias = tuple[str, str | None]


def wiring_of(circuit: Circuit, network: str, nodes: Mapping[str, Ear]) -> tuple[Wiring, dict[str, tuple[str, ...]]]:
    """The wiring among nodes that are up, and for each of them the modules without a wake pin that it calls.

    A node hears another if it takes that one's dominant bits for dominant and the quiet lines for recessive.
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
    hearers: dict[str, tuple[str, ...]] = {}
    wakers: dict[str, tuple[str, ...]] = {}
    for node, (who, tap) in nodes.items():
        if node in mute:
            hearers[node] = ()
            continue
        volts = circuit.volts([(who, network)], tap)
        hearers[node] = tuple(
            other
            for other, (ear, place) in nodes.items()
            if rest[other] == "recessive" and circuit.sees(network, ear, volts, place) == "dominant"
        )
        wakers[node] = tuple(
            name for name in sleepers if name != node and circuit.sees(network, name, volts) == "dominant"
        )
    wiring = Wiring(
        hearers,
        mute=mute,
        held=frozenset(node for node, seen in rest.items() if seen == "dominant"),
        rates={item.module: item.value for item in behaviours if item.kind == "wrong_bit_rate"},
    )
    return wiring, wakers
