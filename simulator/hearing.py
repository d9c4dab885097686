"""From the circuit to the medium: who hears whom on a network, and whom a transmitter's bits call."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TypeAlias

from simulator.circuit import DOMINANT_VOLT, RECESSIVE_VOLT, Circuit, Volts
from simulator.circuit.circuit import SEEN, Driver, Reading
from simulator.circuit.hearing import IDLE_BITS, MOST_EQUAL_BITS, Hearing, who_hears_whom
from simulator.circuit.waveform import EDGE_NS, LOOP_DELAY_NS
from simulator.datalink.controller import Levels, Wiring
from simulator.deviations import Behaviour, PinSeries, RunSeries, StubLength
from simulator.distance import delays_ns

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
#: Sets of drivers for which it is kept what everybody reads: controllers in trouble drive ever new ones.
_MOST_SETS = 4096
#: Whose transceiver a node is, and for a tester the place of its tap.
Ear: TypeAlias = tuple[str, str | None]


def settles_in_time(
    circuit: Circuit, network: str, senders: Iterable[str], nodes: Mapping[str, Ear], *, data_phase: bool = False
) -> bool:
    """Whether every edge of these senders has surely settled by the sample point, so that levels at rest decide.

    Bound by the slowest sender: charging all capacitance of the network through the resistance between its pins, and
    echoes over its whole wire. A test holds it against waveforms of many vehicles. ``data_phase``: by the sample point
    of its bits; a transmitter's own loop does not count there.
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
    settled_ns = EDGE_NS + CHARGES * ohm * farad * 1e9 + echoes_ns
    if data_phase and described.data_bit_rate is not None:
        return settled_ns <= (described.data_sample_point or 0.0) / described.data_bit_rate * 1e9
    return settled_ns + LOOP_DELAY_NS <= described.sample_point / described.bit_rate * 1e9


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


class Readers:
    """What every node of a network reads while a set of them drives, solved at the first question and kept.

    Levels are those of the circuit at rest. Where these do not decide, the waveform of each sender alone (``wave``)
    says whether a level between the thresholds is one to its receivers, and how late levels come and go; of several
    senders the quickest rise and the slowest fall count. ``listening``: nodes that never drive.
    """

    def __init__(
        self, circuit: Circuit, network: str, nodes: Mapping[str, Ear], listening: frozenset[str] = frozenset()
    ) -> None:
        self._circuit, self._network, self._nodes = circuit, network, nodes
        self._senders = frozenset(nodes) - listening
        self.wave: Hearing | None = None
        self.data_wave: Hearing | None = None
        self._panel = circuit.panel(network, tuple(nodes.values()))
        self._number = {node: n for n, node in enumerate(nodes)}
        self._seen: dict[frozenset[str], dict[str, Reading]] = {}
        self._kept: dict[frozenset[str], Levels] = {}

    def volts(self, driving: frozenset[str] = frozenset()) -> Volts:
        """The voltages while a set of nodes drives."""
        drivers: list[Driver] = []
        for node in driving:
            who, tap = self._nodes[node]
            drivers.append((who, self._network) if tap is None else (who, self._network, tap))
        return self._circuit.volts(drivers)

    def sees(self, node: str, driving: frozenset[str] = frozenset()) -> Reading:
        """What a node takes the lines for at rest while a set of nodes drives."""
        return self._all_see(driving)[node]

    def _all_see(self, driving: frozenset[str]) -> dict[str, Reading]:
        if driving not in self._seen:
            codes = self._panel.read([self._number[node] for node in driving])
            self._seen[driving] = {node: SEEN[code] for node, code in zip(self._nodes, codes, strict=True)}
        return self._seen[driving]

    def __call__(self, driving: frozenset[str]) -> Levels:
        """What everybody reads while a set of nodes drives."""
        if driving not in self._kept:
            if len(self._kept) >= _MOST_SETS:
                self._kept.clear()
                self._seen.clear()
            levels = self._at_rest(driving) if self.wave is None else self._by_wave(driving, self.wave)
            self._kept[driving] = self._in_data_phase(driving, levels)
        return self._kept[driving]

    def _at_rest(self, driving: frozenset[str]) -> Levels:
        seen = self._all_see(driving)
        dominant = tuple(node for node, one in seen.items() if one == "dominant")
        return Levels(dominant, tuple(node for node, one in seen.items() if one == "undefined"))

    def _by_wave(self, driving: frozenset[str], wave: Hearing) -> Levels:
        at_rest = self._at_rest(driving)
        dominant, neither = list(at_rest.dominant), list(at_rest.neither)
        late, lingering = {}, {}
        for node in self._nodes:
            comes, goes = _lags(wave, node, driving)
            if node in neither and driving and comes < MOST_EQUAL_BITS:
                neither.remove(node)
                dominant.append(node)
            elif node in neither and not driving and _lags(wave, node, self._senders)[1] < IDLE_BITS:
                neither.remove(node)
            if node in dominant and comes and (comes < MOST_EQUAL_BITS or len(driving) == 1):
                late[node] = comes
            if node in dominant and goes:
                lingering[node] = goes
        return Levels(tuple(node for node in self._nodes if node in dominant), tuple(neither), late, lingering)

    def _in_data_phase(self, driving: frozenset[str], levels: Levels) -> Levels:
        """The same levels, with how late they come and go in bits of the data phase."""
        if self.data_wave is None or not driving:
            return levels
        late, lingering = {}, {}
        for node in levels.dominant:
            comes, goes = _lags(self.data_wave, node, driving)
            if comes and (comes < MOST_EQUAL_BITS or len(driving) == 1):
                late[node] = comes
            if goes:
                lingering[node] = goes
        return levels._replace(late_data=late, lingering_data=lingering)


def _lags(wave: Hearing, node: str, driving: frozenset[str]) -> tuple[int, int]:
    """(late, lingering) bits of a node while a set drives; MOST_EQUAL_BITS late: it reads none of them alone."""
    late, lingering = wave.late_bits.get(node, {}), wave.lingering_bits.get(node, {})
    audible = [one for one in driving if late.get(one, MOST_EQUAL_BITS) < MOST_EQUAL_BITS]
    if not audible:
        return MOST_EQUAL_BITS, 0
    return min(late[one] for one in audible), max(lingering[one] for one in audible)


def _listen_to_waves(
    readers: Readers, circuit: Circuit, network: str, nodes: Mapping[str, Ear], states: Mapping[str, Volts]
) -> None:
    """Compute waveforms where levels at rest do not decide, in the nominal bits or in those of the data phase."""
    vehicle, taps = circuit.vehicle, taps_of(nodes)
    at_rest = decided_at_rest(circuit, network, nodes, states)
    if not at_rest:
        readers.wave = who_hears_whom(vehicle, network=network, circuit=circuit, taps=taps)
    if vehicle.networks[network].data_bit_rate is not None:
        prompt = at_rest and settles_in_time(circuit, network, states, nodes, data_phase=True)
        if not prompt:
            readers.data_wave = who_hears_whom(vehicle, network=network, circuit=circuit, taps=taps, data_phase=True)


def _parts(readers: Readers, nodes: Iterable[str], mute: frozenset[str]) -> tuple[tuple[str, ...], ...]:
    """The parts of a network that share no wire: whoever drives in one changes nothing that is read in another."""
    part = {node: {node} for node in nodes}
    rest = {node: readers.sees(node) for node in part}

    def join(one: str, other: str) -> None:
        if part[one] is not part[other]:
            part[one] |= part[other]
            for node in part[other]:
                part[node] = part[one]

    driving = [node for node in part if node not in mute]
    for node in driving:
        for other in part:
            if readers.sees(other, frozenset((node,))) != rest[other]:
                join(node, other)
    together = frozenset(driving)
    for node in part:
        if readers.sees(node, together) != readers.sees(node, together & part[node]):
            # only several of another part together reach it
            for other in part:
                join(node, other)
    return tuple({id(names): tuple(node for node in part if node in names) for names in part.values()}.values())


def wiring_of(
    circuit: Circuit,
    network: str,
    nodes: Mapping[str, Ear],
    *,
    listening: frozenset[str] = frozenset(),
    by_request: frozenset[str] = frozenset(),
) -> tuple[Wiring, dict[str, tuple[str, ...]]]:
    """The wiring among nodes that are up, and for each of them the modules without a wake pin that it calls.

    A node hears another if it takes that one's dominant bits for dominant and its recessive bits for recessive, at the
    sample points of the waveform. Where every edge has settled long before (:func:`settles_in_time`) and no level lies
    in the undefined band, the levels at rest say the same, and the waveform is not computed. ``listening`` and
    ``by_request`` as of a wiring; who only listens is heard by nobody else.
    """
    vehicle = circuit.vehicle
    sleepers = [
        name
        for name, module in vehicle.modules.items()
        if module.wake is None and name in vehicle.networks[network].places
    ]
    behaviours = [item for item in vehicle.deviations if isinstance(item, Behaviour) and item.module in nodes]
    mute = circuit.switched_off.union(item.module for item in behaviours if item.kind == "stuck_recessive")
    readers = Readers(circuit, network, nodes, listening)
    unheard = mute | listening
    speaking = [node for node in nodes if node not in unheard]
    states = {node: readers.volts(frozenset((node,))) for node in speaking}
    wakers = {
        node: tuple(name for name in sleepers if name != node and circuit.sees(network, name, volts) == "dominant")
        for node, volts in states.items()
    }
    _listen_to_waves(readers, circuit, network, nodes, states)
    rest = {node: readers.sees(node) for node in nodes}
    hearers: dict[str, tuple[str, ...]] = dict.fromkeys(nodes, ())
    for node in speaking:
        if readers.wave is not None:
            hearers[node] = tuple(other for other in nodes if readers.wave.hears[other].get(node))
        else:
            alone = frozenset((node,))
            heard = (other for other in nodes if rest[other] == "recessive")
            hearers[node] = tuple(other for other in heard if readers.sees(other, alone) == "dominant")
    hearers |= {node: (node,) for node in listening}
    wiring = Wiring(
        hearers,
        mute=mute,
        stuck=frozenset(module for module, at in circuit.always_driving() if at == network and module in nodes),
        held=frozenset(node for node, seen in rest.items() if seen == "dominant"),
        rates={item.module: item.value for item in behaviours if item.kind == "wrong_bit_rate"},
        levels=readers,
        parts=_parts(readers, nodes, unheard),
        delays_ns=delays_ns(
            vehicle, vehicle.networks[network], {node: tap or who for node, (who, tap) in nodes.items()}
        ),
        listening=listening,
        by_request=by_request,
    )
    return wiring, wakers
