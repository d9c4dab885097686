"""The timing budget of a network: delays there and back against the sample point, and how long the bus may be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from can import BitTiming, BitTimingFd

from simulator.circuit.hearing import who_hears_whom
from simulator.distance import added_lengths, lengths_from
from simulator.vehicle import Network, Vehicle

#: From the transmit input of a transceiver to its receive output: of the model, and the most ISO 11898-2 allows.
LOOP_DELAY_NS = 150.0
LOOP_DELAY_MOST_NS = 255.0
#: Vdiff edge of a common transceiver, from which the critical length of a stub follows.
EDGE_NS = 50.0
#: Controller clock for which segments are chosen: what CAN FD controllers commonly run on (CiA 601-3).
CLOCK_HZ = 80_000_000


@dataclass(frozen=True)
class Reach:
    """The timing budget of one network.

    ``farthest`` are the two modules, or a module and a tester at the socket, farthest apart along the wire,
    ``distance_m``; ``budget_ns`` is the time up to the sample point, ``propagation_ns`` what one bit needs there and
    back (with the model's loop delay), ``margin_ns`` what is left; ``longest_m`` and ``longest_worst_m`` the longest
    bus at this bit rate, with the model's loop delay and with the most that is allowed; ``stubs`` are (name, length in
    metre) of the runs that end at one module only; ``stub_most_m`` is a third of the critical length;
    ``oscillator_percent`` is what each clock may be off. ``data_phase_wrong`` are the (transmitter, receiver) that do
    not read every bit of the data phase of CAN FD right, by the waveform; None where there is none.
    """

    network: str
    bit_rate: int
    sample_point: float
    farthest: tuple[str, str]
    distance_m: float
    budget_ns: float
    propagation_ns: float
    margin_ns: float
    longest_m: float
    longest_worst_m: float
    stubs: tuple[tuple[str, float], ...]
    stub_most_m: float
    oscillator_percent: float
    data_phase_wrong: tuple[tuple[str, str], ...] | None = None


def propagation_ns(length_m: float, loop_delay_ns: float, delay_ns_per_m: float) -> float:
    """What a bit needs to the far end and back, through a transceiver at each end, in ns.

    2 x (loop delay + length x delay): B20 13.4 (propagation segment), Microchip DS70005340A eq. 5-9.
    """
    return 2.0 * (loop_delay_ns + length_m * delay_ns_per_m)


def longest_bus_m(bit_rate: float, sample_point: float, loop_delay_ns: float, delay_ns_per_m: float) -> float:
    """The longest bus, in metre, whose bits are there and back by the sample point; 0 where none is.

    (sample point / (2 x bit rate) - loop delay) / delay: Philips AN96116 eq. 5.
    """
    return max(0.0, (sample_point / (2.0 * bit_rate) * 1e9 - loop_delay_ns) / delay_ns_per_m)


def critical_length_m(edge_ns: float, delay_ns_per_m: float) -> float:
    """The length whose round trip takes as long as an edge, in metre (CiA 301, quoted by the ECSS glossary)."""
    return edge_ns / (2.0 * delay_ns_per_m)


def oscillator_percent(network: Network, distance_m: float, loop_delay_ns: float = LOOP_DELAY_NS) -> float:
    """What each node's clock may be off, in percent: the least of the conditions of ISO 11898-1 (I to V).

    Segments are python-can's for this sample point on an 80 MHz clock; a delay other than 5 ns/m counts as length.
    """
    length_m = distance_m * network.pair.delay_ns_per_m / 5.0
    percent = network.sample_point * 100
    if network.data_bit_rate is None or network.data_sample_point is None:
        timing: BitTiming | BitTimingFd = BitTiming.from_sample_point(CLOCK_HZ, network.bit_rate, percent)
    else:
        timing = BitTimingFd.from_sample_point(
            CLOCK_HZ, network.bit_rate, percent, network.data_bit_rate, network.data_sample_point * 100
        )
    return timing.oscillator_tolerance(loop_delay_ns, length_m)


def reach(vehicle: Vehicle, network: Network) -> Reach:
    """The timing budget of a network of a vehicle, added stubs included."""
    added = added_lengths(vehicle, network)
    nodes = [name for name in vehicle.modules if name in network.places]
    if network.socket is not None and network.socket not in nodes:
        nodes.append(network.socket)  # a tester takes part, acknowledges, and has to be heard in time
    distance_m, farthest = 0.0, (nodes[0], nodes[0])
    for node in nodes:
        lengths = lengths_from(network, node)
        for other in nodes:
            length_m = lengths.get(other, 0.0) + added.get(node, 0.0) + added.get(other, 0.0)
            if other != node and length_m > distance_m:
                distance_m, farthest = length_m, (node, other)
    delay = network.pair.delay_ns_per_m
    budget = network.sample_point / network.bit_rate * 1e9
    needed = propagation_ns(distance_m, LOOP_DELAY_NS, delay)
    return Reach(
        network.name,
        network.bit_rate,
        network.sample_point,
        farthest,
        distance_m,
        budget,
        needed,
        budget - needed,
        longest_bus_m(network.bit_rate, network.sample_point, LOOP_DELAY_NS, delay),
        longest_bus_m(network.bit_rate, network.sample_point, LOOP_DELAY_MOST_NS, delay),
        _stubs(network, added),
        critical_length_m(EDGE_NS, delay) / 3.0,
        oscillator_percent(network, distance_m),
        None if network.data_bit_rate is None else _wrong_in_data_phase(vehicle, network),
    )


def _wrong_in_data_phase(vehicle: Vehicle, network: Network) -> tuple[tuple[str, str], ...]:
    found = who_hears_whom(vehicle, network=network.name, data_phase=True)
    return tuple(
        (sender, receiver)
        for receiver, late in found.late_bits.items()
        for sender, bits in late.items()
        if bits or found.lingering_bits[receiver][sender]
    )


def _stubs(network: Network, added: Mapping[str, float]) -> tuple[tuple[str, float], ...]:
    """Runs to a place where nothing else ends and no terminator is, and stubs that a fault has added."""
    ends = [place for run in network.runs for place in (run.start, run.end)]
    terminated = {terminator.at for terminator in network.terminators}
    stubs = []
    for run in network.runs:
        for place in (run.start, run.end):
            if ends.count(place) == 1 and place not in terminated:
                stubs.append((run.name, run.length_m + added.get(place, 0.0)))
    stubs += [(f"added at {module}", length) for module, length in added.items() if ends.count(module) > 1]
    return tuple(stubs)
