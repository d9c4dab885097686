"""The circuit at rest: supply states, resistances and voltages of a vehicle, from one factorisation."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import cached_property
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.panel import Inputs, Legs, Panel, currents
from simulator.circuit.shape import shape_of
from simulator.circuit.supply import Settling
from simulator.condition import Condition, ModuleState
from simulator.deviations import LINES, Behaviour, Deviation
from simulator.errors import BadRequest, UnknownName
from simulator.kernels import factor
from simulator.kernels.supply import judge
from simulator.probes import BODY, POSITIVE, Point
from simulator.vehicle import Transceiver, Vehicle

Floats: TypeAlias = NDArray[np.float64]
Reading: TypeAlias = Literal["dominant", "recessive", "undefined"]
#: (module, network): who drives where; a tester's third part is the place of its tap.
Driver: TypeAlias = tuple[str, str] | tuple[str, str, str]

#: The tester at the socket: sends like a standard transceiver on battery and body, and loads nothing.
TESTER = "tester"
#: Receiver thresholds on the difference, ISO 11898-2: dominant from 0.9 V, recessive up to 0.5 V.
DOMINANT_VOLT = 0.9
RECESSIVE_VOLT = 0.5
#: Rounding of the last bits must not decide at a threshold.
THRESHOLD_SLACK_VOLT = 1e-9
_LEVELS = (DOMINANT_VOLT, RECESSIVE_VOLT, THRESHOLD_SLACK_VOLT)
#: By the numbers of the kernels.
SEEN: tuple[Reading, ...] = ("recessive", "undefined", "dominant")


class Volts:
    """Node voltages of one state, in volt to the body; a point nothing joins to the body floats."""

    def __init__(self, circuit: Circuit, x: Floats) -> None:
        self._circuit = circuit
        #: (nodes,) in the order of elimination.
        self.by_position = x

    def at(self, point: Point) -> float:
        """Voltage of a point to the body (battery negative), in volt."""
        position = self._circuit.position(point)
        return 0.0 if position < 0 else float(self.by_position[position])

    def between(self, red: Point, black: Point) -> float:
        """Voltage of one point to another, in volt; 0.0 where no path of resistors joins them."""
        if not self._circuit.joined(red, black):
            return 0.0
        return self.at(red) - self.at(black)


class _Leg(NamedTuple):
    """Half a transmitter: where its current goes into and out of the network, its port voltage as a difference.

    A high leg's port is its pin above its ground, a low leg's is its ground below its pin: ``first`` above ``second``.
    """

    into: Point
    out_of: Point
    first: int
    second: int
    drive_volt: float
    on_ohm: float
    limit_amp: float


class Circuit:
    """A vehicle in one condition, at rest.

    ``states`` are the modules' previous supply states (default: all unpowered); ``called`` says which modules without
    a wake pin are kept awake (default: all while the ignition is on); ``meter`` is a resistor, in ohm, between two
    points; ``wire_factor`` and ``terminator_factor`` scale those resistances, for tolerances. At rest a transmitter
    that is stuck dominant has been switched off by its time-out, if it has one, but for those ``in_time``.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        condition: Condition | None = None,
        *,
        states: Mapping[str, ModuleState] | None = None,
        called: Mapping[str, bool] | None = None,
        meter: tuple[Point, Point, float] | None = None,
        wire_factor: float = 1.0,
        terminator_factor: float = 1.0,
        in_time: Collection[str] = (),
    ) -> None:
        self.vehicle = vehicle
        self.condition = condition or Condition()
        for name in self.condition.unplugged:
            vehicle.module(name)
        shape = shape_of(vehicle, self.condition.parted)
        self.drawing = shape.drawing
        self.draft = shape.drawing.copy().assemble(vehicle.deviations, self.condition)
        self.draft.scale(wire_factor, terminator_factor)
        if meter is not None:
            red, black = (self._together(point) for point in meter[:2])
            if red != black:
                self.draft.add(("meter",), red, black, meter[2])
        self.pattern = shape.pattern_for(self.draft)
        self._behaving = {(item.module, item.kind) for item in self.draft.behaviours}
        #: Modules whose transmitter is stuck dominant and switched off by its time-out.
        self.switched_off = has_timeout(vehicle, self.draft.behaviours) - frozenset(in_time)
        self._factors: tuple[Floats, Floats] | None = None
        self._legs: dict[tuple[str, str, str | None], tuple[_Leg, _Leg]] = {}
        self.states: dict[str, ModuleState] = {}
        self.settling = Settling(self, states, called)

    # -- the solver ---------------------------------------------------------------------------------------------

    def behaves(self, module: str, kind: str) -> bool:
        """Whether a fault makes a module behave in a way ("dead", "stuck_dominant", ...)."""
        return (module, kind) in self._behaving

    def apply_states(self, states: Mapping[str, ModuleState]) -> None:
        """Set the modules' loads and transceivers and factorise; the settling of the supply calls this."""
        self.states = dict(states)
        self.draft.set_states(states)
        pattern = self.pattern
        w, s, d = np.empty(len(pattern.idx)), np.empty(pattern.count), np.empty(pattern.count)
        self.conductance = self.draft.conductance()
        factor.gather(pattern.slots, self.conductance, w, s)
        factor.factorise(pattern.ptr, pattern.idx, pattern.upd, w, s, d, np.ones(pattern.count, bool), True)
        self._factors = (w, d)
        self._columns: dict[tuple[Point, Point], Floats] = {}
        self.__dict__.pop("roots", None)
        self.__dict__.pop("_quiet", None)

    @property
    def factors(self) -> tuple[Floats, Floats]:
        """Shares and pivots of the factorised network."""
        assert self._factors is not None  # the settling has applied states
        return self._factors

    @cached_property
    def roots(self) -> NDArray[np.int64]:
        """For every position the position that stands for its island."""
        return factor.islands(self.pattern.ptr, self.pattern.idx, *self.factors)

    def _together(self, point: Point) -> Point:
        """The point, or the place itself for the far side of a connector that is together."""
        far = point[0] == "off" and point not in self.draft.node
        return ("place", *point[1:]) if far else point

    def position(self, point: Point) -> int:
        """The turn in which a point's node is eliminated; -1 for the body."""
        number = self.draft.node.get(self._together(point))
        if number is None:
            raise UnknownName("point", ".".join(point), (".".join(known) for known in self.draft.node))
        return int(self.pattern.position[number])

    def islands(self, points: Iterable[Point]) -> list[int]:
        """A number for the island of each point, -1 for the body's."""
        ends = [self.position(point) for point in points]
        return [-1 if end < 0 else int(self.roots[end]) for end in ends]

    def joined(self, red: Point, black: Point) -> bool:
        """Whether a path of resistors joins two points."""
        ends = [self.position(point) for point in (red, black)]
        roots = [-1 if end < 0 else int(self.roots[end]) for end in ends]
        return ends[0] == ends[1] or roots[0] == roots[1]

    def resistance_ohm(self, red: Point, black: Point) -> float:
        """Resistance between two points with every source at rest, in ohm; inf where no path joins them."""
        if not self.joined(red, black):
            return math.inf
        w, d = self.factors
        pattern = self.pattern
        return float(factor.resistance(pattern.ptr, pattern.idx, w, d, self.position(red), self.position(black)))

    def _solve(self, injected: Floats) -> Floats:
        w, d = self.factors
        factor.solve(self.pattern.ptr, self.pattern.idx, w, d, injected)
        return injected

    def _inject(self, x: Floats, into: Point, out_of: Point, ampere: float = 1.0) -> None:
        for point, sign in ((into, 1.0), (out_of, -1.0)):
            position = self.position(point)
            if position >= 0:
                x[position] += sign * ampere

    @cached_property
    def _quiet(self) -> Floats:
        """Voltages with nobody driving."""
        x = np.zeros(self.pattern.count)
        position = self.pattern.position
        for number, volt in self.draft.volt.items():
            ampere = volt * float(self.conductance[number])
            for node, sign in ((self.draft.start[number], 1.0), (self.draft.end[number], -1.0)):
                if node >= 0:
                    x[position[node]] += sign * ampere
        return self._solve(x)

    # -- drivers and receivers ----------------------------------------------------------------------------------

    def transceiver(self, module: str) -> Transceiver:
        """The transceiver of a module, or the standard one of the tester."""
        return Transceiver() if module == TESTER else self.vehicle.module(module).transceiver

    def pins(self, module: str, network: str, tap: str | None = None) -> tuple[Point, Point, Point, Point]:
        """High and low pin, supply and ground of a transceiver; the tester's are at its socket (or ``tap``)."""
        if module == TESTER:
            place = tap or self.vehicle.network(network).socket
            if place is None:
                raise BadRequest(f"network {network} has no socket; name a place to tap")
            return ("place", network, place, "high"), ("place", network, place, "low"), POSITIVE, BODY
        high, low = (("pin", network, module, line) for line in LINES)
        return high, low, ("supply_pin", module), ("ground_pin", module)

    def always_driving(self) -> list[tuple[str, str]]:
        """The (module, network) of every transmitter that a fault holds dominant now."""
        return [
            (module, network)
            for network, module in self.drawing.pins
            if self.behaves(module, "stuck_dominant")
            and module not in self.switched_off
            and self.states[module] is ModuleState.AWAKE
        ]

    def volts(self, dominant: Iterable[Driver] = (), tap: str | None = None) -> Volts:
        """Node voltages with the given (module, network) transmitters dominant together, exactly.

        A stuck-dominant module drives always, unless switched off. ``tap`` is the place of a tester that names none.
        Raises BadRequest for a module that is not on that network.
        """
        drivers: list[Driver] = sorted({*dominant, *self.always_driving()})
        if not drivers:
            return Volts(self, self._quiet)
        legs: list[_Leg] = []
        for module, network, *place in drivers:
            legs += self._legs_of(module, network, place[0] if place else tap)
        return Volts(self, self._drive(legs))

    def _legs_of(self, module: str, network: str, tap: str | None) -> tuple[_Leg, _Leg]:
        """Both legs of a transmitter."""
        found = self._legs.get((module, network, tap))
        if found is None:
            if module != TESTER and (network, module) not in self.drawing.pins:
                raise BadRequest(f"{module} is not on network {network}")
            t = self.transceiver(module)
            high, low, supply, ground = self.pins(module, network, tap)
            pin, own, other = self.position(high), self.position(ground), self.position(low)
            found = self._legs[module, network, tap] = (
                _Leg(high, supply, pin, own, t.vcc_volt - t.drop_volt, t.on_ohm, t.limit_amp),
                _Leg(ground, low, own, other, -t.drop_volt, t.on_ohm, t.limit_amp),
            )
        return found

    def _drive(self, legs: list[_Leg]) -> Floats:
        """Solve the legs."""
        columns, together = self._together_as(legs)
        result: Floats = self._quiet + currents(together) @ columns[:, :-1]
        return result

    def _together_as(self, legs: list[_Leg]) -> tuple[Floats, Legs]:
        """Volts of every node for an ampere of each leg, the body's last, and how legs act on each other."""
        columns = np.zeros((len(legs), self.pattern.count + 1))
        for number, leg in enumerate(legs):
            ends = leg.into, leg.out_of
            if ends not in self._columns:
                x = np.zeros(self.pattern.count)
                self._inject(x, *ends)
                self._columns[ends] = self._solve(x)
            columns[number, :-1] = self._columns[ends]
        first, second = (np.array([leg[k] for leg in legs], np.int64) for k in (2, 3))
        quiet = np.append(self._quiet, 0.0)
        coupling = np.ascontiguousarray((columns[:, first] - columns[:, second]).T)
        ratings = (np.array([leg[k] for leg in legs], np.float64) for k in (4, 5, 6))
        return columns, Legs(coupling, quiet[first] - quiet[second], *ratings)

    def panel(self, network: str, ears: Sequence[tuple[str, str | None]]) -> Panel:
        """What transceivers of a network, each with the place of its tap if it is a tester's, read of each other."""
        nodes = [(who, network, tap) for who, tap in ears]
        always = [(module, at, None) for module, at in self.always_driving()]
        nodes += [one for one in always if one not in nodes]
        columns, legs = self._together_as([leg for node in nodes for leg in self._legs_of(*node)])
        pins = [self.pins(who, network, tap) for who, tap in ears]
        ends = [self.position(point) for high, low, _, ground in pins for point in (high, low, ground)]
        ranges = np.array([self.transceiver(who).common_mode_volt for who, _ in ears], np.float64)
        inputs = Inputs(np.append(self._quiet, 0.0)[ends], columns[:, ends], ranges.reshape(-1, 2))
        return Panel(legs, inputs, [nodes.index(one) for one in always], _LEVELS)

    def senders(self, network: str) -> tuple[str, ...]:
        """The modules that can send on a network: awake, plugged in, and not held recessive or dominant by a fault."""
        stuck = ("stuck_recessive", "stuck_dominant")
        return tuple(
            module
            for net, module in self.drawing.pins
            if net == network
            and self.states[module] is ModuleState.AWAKE
            and not any(self.behaves(module, kind) for kind in stuck)
        )

    def sees(self, network: str, receiver: str, volts: Volts, tap: str | None = None) -> Reading:
        """What a receiver takes the lines for: by its thresholds, recessive outside its common-mode range."""
        high, low, _, ground = self.pins(receiver, network, tap)
        v_high, v_low, v_ground = volts.at(high), volts.at(low), volts.at(ground)
        return judge_lines(v_high - v_ground, v_low - v_ground, self.transceiver(receiver).common_mode_volt)

    def reads(self, network: str, receiver: str, dominant: Iterable[Driver], tap: str | None = None) -> Reading:
        """What a receiver takes the lines for while the given transmitters are dominant."""
        return self.sees(network, receiver, self.volts(dominant, tap), tap)

    def hears(self, network: str, receiver: str, transmitter: str, tap: str | None = None) -> bool:
        """Whether a receiver sees both the dominant and the recessive bits of a transmitter for what they are."""
        return (
            self.reads(network, receiver, [(transmitter, network)], tap) == "dominant"
            and self.reads(network, receiver, [], tap) == "recessive"
        )


def has_timeout(vehicle: Vehicle, deviations: Iterable[Deviation]) -> frozenset[str]:
    """The modules stuck dominant whose transceivers have a dominant time-out (ISO 11898-2:2016)."""
    stuck = (item.module for item in deviations if isinstance(item, Behaviour) and item.kind == "stuck_dominant")
    return frozenset(name for name in stuck if vehicle.modules[name].transceiver.dominant_timeout_ms is not None)


def judge_lines(high_volt: float, low_volt: float, common_mode_volt: tuple[float, float]) -> Reading:
    """What a receiver with its ground at 0 V takes two line voltages for (ISO 11898-2 input thresholds)."""
    least, most = common_mode_volt
    return SEEN[judge(high_volt, low_volt, least, most, _LEVELS)]
