"""What a vehicle would read: one value with its worst-case range, everything computed kept for the next question.

Ranges: for ohms every terminator off by 2 %, every wire by 5 %, then the meter's 1 % + 0.2 ohm. For volts the same two
ends of the parts, then the meter's 1 % + 20 mV (an own choice). Voltages
do not follow one part in one direction only, so theirs is the span of the two ends and the middle, no proven bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

from lab.instruments import INPUT_OHM, LAMP_OHM, Shares, lit, traffic_counts, traffic_shares
from simulator.calculator import (
    METER_TOLERANCE,
    OPEN_OHM,
    TERMINATOR_TOLERANCE,
    VOLT_SLACK,
    WIRE_TOLERANCE,
    meter_range,
)
from simulator.circuit import TESTER, Circuit
from simulator.circuit.circuit import Volts
from simulator.condition import Condition
from simulator.deviations import Behaviour, SilentMessage
from simulator.hearing import wiring_of
from simulator.probes import Point
from simulator.rollcall import roll_call
from simulator.vehicle import Vehicle

#: Rounding of the last bits must not decide at the edge of a range.
SLACK = 1e-6
#: A network in trouble repeats itself within milliseconds; this stretch of it is enough for a mean.
_TROUBLE_NS = (500_000_000, 700_000_000)
#: Factors on wires and terminators: as drawn, and both ends of the tolerance.
ENDS = ((1.0, 1.0), *((1 + s * WIRE_TOLERANCE, 1 + s * TERMINATOR_TOLERANCE) for s in (-1, 1)))

Key: TypeAlias = tuple[object, ...]


@dataclass(frozen=True)
class Range:
    """A reading as expected, its least and its greatest, in ohm or volt; inf is OL."""

    value: float
    least: float
    greatest: float

    def holds(self, value: float | None, leads_ohm: float = 0.0) -> bool:
        """Whether a reading lies inside; None is OL. ``leads_ohm`` is what the leads may have added to it."""
        if value is None:
            return self.greatest > OPEN_OHM
        return self.least - SLACK <= value and value - leads_ohm <= self.greatest + SLACK

    def apart(self, other: Range) -> bool:
        """Whether no reading lies in both."""
        if self.greatest > OPEN_OHM and other.greatest > OPEN_OHM:
            return False
        return self.least > other.greatest + SLACK or other.least > self.greatest + SLACK


@dataclass
class Traffic:
    """Roll calls and the shares of the traffic, kept by what decides them: the condition, who is up, who hears whom."""

    shares: dict[Key, Shares] = field(default_factory=dict)
    silent: dict[Key, tuple[str, ...]] = field(default_factory=dict)


class Bench:
    """One vehicle, faults and all, ready to be asked."""

    def __init__(self, vehicle: Vehicle, traffic: Traffic) -> None:
        self.vehicle = vehicle
        self._traffic = traffic
        self._routed = any(module.routes for module in vehicle.modules.values())
        self._circuits: dict[tuple[Condition, int], Circuit] = {}
        self._keys: dict[Condition, tuple[Key, bool]] = {}
        self._mute: dict[Condition, frozenset[str]] = {}
        self._senders: dict[Condition, list[tuple[Volts, bool]]] = {}

    def circuit(self, condition: Condition, end: int = 0) -> Circuit:
        """The circuit in a condition, as drawn (0) or at an end of the tolerances (1, 2)."""
        key = (condition, end)
        if key not in self._circuits:
            wire, terminator = ENDS[end]
            self._circuits[key] = Circuit(self.vehicle, condition, wire_factor=wire, terminator_factor=terminator)
        return self._circuits[key]

    def ohms(self, condition: Condition, red: Point, black: Point) -> Range:
        """Resistance between two points of a dead circuit, in ohm.

        A network of resistors never falls when one of them rises (Rayleigh's monotonicity law): the ends are bounds.
        """
        value, least, greatest = (self.circuit(condition, end).resistance_ohm(red, black) for end in range(3))
        return Range(value, *meter_range(least, greatest))

    def volts(self, condition: Condition, red: Point, black: Point, *, quiet: bool = False) -> Range:
        """Voltage from black to red through 10 Mohm, mean over the traffic (or ``quiet``), in volt."""
        if not condition.battery_on:
            return Range(0.0, -VOLT_SLACK, VOLT_SLACK)
        found = []
        for wire, terminator in ENDS:
            circuit = Circuit(
                self.vehicle, condition, meter=(red, black, INPUT_OHM), wire_factor=wire, terminator_factor=terminator
            )
            rest = volt = circuit.volts().between(red, black)
            if not quiet and traffic_counts(circuit, red, black):
                for dominant, share in self.shares(condition).items():
                    volt += share * (circuit.volts(dominant).between(red, black) - rest)
            found.append(volt)
        return _metered(found)

    def lamp(self, condition: Condition, red: Point, black: Point) -> tuple[Range, Range, Range]:
        """A lamp of 21 W between two points, nobody sending: volts across it, lost on the red and the black side."""
        if not condition.battery_on:
            dark = Range(0.0, -VOLT_SLACK, VOLT_SLACK)
            return dark, dark, dark
        found = [
            lit(
                Circuit(
                    self.vehicle, condition, meter=(red, black, LAMP_OHM), wire_factor=wire, terminator_factor=ends
                ).volts(),
                red,
                black,
            )
            for wire, ends in ENDS
        ]
        across, red_side, black_side = zip(*found, strict=True)
        return _metered(across), _metered(red_side), _metered(black_side)

    def may_read_volts(self, condition: Condition, red: Point, black: Point, value: float | None) -> bool:
        """Whether a reading can fit whatever the traffic is: between the quiet circuit and each sender dominant.

        Wide enough for the tolerances and for what the meter's own 10 Mohm pull down through an unpowered input.
        """
        if value is None or not condition.battery_on:
            return True
        # On a line it matters who sends; on a supply only how many do.
        line = "place" in (red[0], black[0]) or "off" in (red[0], black[0])
        found = [volts.between(red, black) for volts, alone in self._levels(condition) if line or not alone]
        wide = 0.25 * max(abs(volt) for volt in found) + 0.1
        return min(found) - wide <= value <= max(found) + wide

    def _levels(self, condition: Condition) -> list[tuple[Volts, bool]]:
        """The circuit quiet, with all of a network dominant, and with each sender alone (then True)."""
        if condition not in self._senders:
            circuit = self.circuit(condition)
            kept = [(circuit.volts(), False)]
            for network in self.vehicle.networks:
                senders = [(name, network) for name in circuit.senders(network)]
                kept.append((circuit.volts(senders), False))
                kept += [(circuit.volts([one]), True) for one in senders]
            self._senders[condition] = kept
        return self._senders[condition]

    def silent(self, condition: Condition) -> tuple[str, ...]:
        """Who does not answer the roll call.

        Where everybody who is up and the tester hear each other, that is everybody who is not up; else, and where a
        gateway passes the questions on, it is run.
        """
        key, whole = self._key(condition)
        if whole and not self._routed:
            return tuple(name for name in self.vehicle.modules if name in self._mute[condition])
        if key not in self._traffic.silent:
            self._traffic.silent[key] = roll_call(self.vehicle, condition).silent
        return self._traffic.silent[key]

    def surely_silent(self, condition: Condition) -> frozenset[str]:
        """Those who cannot answer: not up, or, without a gateway, out of hearing of the tester or it of them."""
        self._key(condition)
        return self._mute[condition]

    def shares(self, condition: Condition) -> Shares:
        """The traffic: that of the voltmeter where everybody hears everybody, else a short stretch of the trouble."""
        key, whole = self._key(condition)
        if key not in self._traffic.shares:
            if whole:
                self._traffic.shares[key] = traffic_shares(self.vehicle, condition)
            else:
                from_ns, until_ns = _TROUBLE_NS
                self._traffic.shares[key] = traffic_shares(self.vehicle, condition, from_ns=from_ns, until_ns=until_ns)
        return self._traffic.shares[key]

    def awake(self, condition: Condition) -> bool:
        """Whether any module is awake."""
        return any(state == "awake" for state in self.circuit(condition).states.values())

    def _key(self, condition: Condition) -> tuple[Key, bool]:
        """What decides the traffic, and whether everybody who is up hears everybody."""
        if condition in self._keys:
            return self._keys[condition]
        circuit = self.circuit(condition)
        parts: list[object] = [condition, tuple(circuit.states.items())]
        whole = True
        within: set[str] = set()
        for name, network in self.vehicle.networks.items():
            up = circuit.senders(name)
            nodes: dict[str, tuple[str, str | None]] = {
                module: (module, None)
                for net, module in circuit.drawing.pins
                if net == name and circuit.states[module] == "awake"
            }
            if network.socket is not None:
                nodes[TESTER] = (TESTER, network.socket)
            wiring, wakers = wiring_of(circuit, name, nodes)
            parts.append((name, *(tuple(sorted(part.items())) for part in (wiring.hearers, wiring.rates, wakers))))
            parts.append((tuple(sorted(wiring.mute)), tuple(sorted(wiring.held))))
            ears = [*up, *([TESTER] if network.socket is not None else [])]
            whole = whole and all({*ears} <= {one, *wiring.hearers.get(one, ())} for one in ears)
            calling = wiring.hearers.get(TESTER, ())
            near = {one for one in up if one in calling and TESTER in wiring.hearers.get(one, ())}
            within |= set(up) if self._routed else near
        behaving = [item for item in self.vehicle.deviations if isinstance(item, Behaviour | SilentMessage)]
        parts.append(tuple(behaving))
        kept = (tuple(parts), whole and not any(isinstance(item, Behaviour) for item in behaving))
        self._keys[condition] = kept
        self._mute[condition] = frozenset(self.vehicle.modules) - within
        return kept


def _metered(found: Sequence[float]) -> Range:
    """What a voltmeter may show of a voltage, given as drawn and at the ends of the tolerances."""
    least, greatest = min(found), max(found)
    return Range(
        found[0],
        least - METER_TOLERANCE * abs(least) - VOLT_SLACK,
        greatest + METER_TOLERANCE * abs(greatest) + VOLT_SLACK,
    )
