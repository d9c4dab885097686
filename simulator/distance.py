"""How far apart along the wire the nodes of a network are, and whether their bits are so short that it matters."""

from __future__ import annotations

from collections.abc import Mapping
from heapq import heappop, heappush

from simulator.circuit.waveform import LOOP_DELAY_NS
from simulator.deviations import StubLength
from simulator.vehicle import Network, Vehicle

#: A round trip that ends this part of a bit before the sample point surely changes nothing: a node gives way to an edge
#: by at most as much (own choice, the synchronisation jump width).
SPARE_BITS = 0.1


def lengths_from(network: Network, place: str) -> dict[str, float]:
    """The shortest way along the wire to every place, in metre."""
    ways: dict[str, list[tuple[str, float]]] = {}
    for run in network.runs:
        ways.setdefault(run.start, []).append((run.end, run.length_m))
        ways.setdefault(run.end, []).append((run.start, run.length_m))
    found: dict[str, float] = {}
    heap = [(0.0, place)]
    while heap:
        length_m, here = heappop(heap)
        if here in found:
            continue
        found[here] = length_m
        for there, step_m in ways.get(here, ()):
            if there not in found:
                heappush(heap, (length_m + step_m, there))
    return found


def added_lengths(vehicle: Vehicle, network: Network) -> dict[str, float]:
    """Metres that faults have added to the stubs of modules."""
    return {
        item.module: item.length_m
        for item in vehicle.deviations
        if isinstance(item, StubLength) and item.network == network.name
    }


def delays_ns(vehicle: Vehicle, network: Network, places: Mapping[str, str]) -> dict[tuple[str, str], float]:
    """From an edge that a node sends to what another reads, by (from, to), in ns; ``places`` of the nodes.

    A node reads itself at once: its transceiver's loop delay is known to it. Empty where every round trip ends long
    before the sample point (:data:`SPARE_BITS`): then no bit is read otherwise, whoever is where.
    """
    added = added_lengths(vehicle, network)
    lengths = {place: lengths_from(network, place) for place in set(places.values())}
    found = {(node, node): 0.0 for node in places}
    for node, start in places.items():
        for other, end in places.items():
            if node != other and end in lengths[start]:
                length_m = lengths[start][end] + added.get(node, 0.0) + added.get(other, 0.0)
                found[node, other] = LOOP_DELAY_NS + length_m * network.pair.delay_ns_per_m
    spare_ns = (network.sample_point - SPARE_BITS) / network.bit_rate * 1e9
    return found if 2.0 * max(found.values(), default=0.0) > spare_ns else {}
