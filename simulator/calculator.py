"""What should it read? Resistance and levels at every place, each with its range and the limits it is held against."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal, TypeAlias, TypeVar

from numpy.typing import NDArray

from simulator.circuit import Circuit, Volts, judge_lines
from simulator.condition import Condition
from simulator.deviations import LINES
from simulator.probes import BODY, Point
from simulator.vehicle import Network, Transceiver, Vehicle

Word: TypeAlias = Literal["inside", "edge", "outside"]
Value = TypeVar("Value", float, NDArray[Any])

#: Worst case: every terminator and every wire off by this much, then the meter's own error.
TERMINATOR_TOLERANCE = 0.02
WIRE_TOLERANCE = 0.05
METER_TOLERANCE = 0.01
METER_OHM = 0.2
#: A voltmeter's last digits and the drift of regulators and grounds (own choice), on top of the meter's 1 %.
VOLT_SLACK = 0.02
#: Where trade practice still accepts a reading of the pair (common practice, no source): 54 to 69 where 60 is expected.
EDGE = (0.9, 1.15)
#: Above this a meter shows OL.
OPEN_OHM = 60e6


@dataclass(frozen=True)
class Resistance:
    """What a good meter should read between the lines at a place, in ohm, with its worst-case range; None for open."""

    place: str
    ohm: float | None
    min_ohm: float | None
    max_ohm: float | None


@dataclass(frozen=True)
class LineVolts:
    """The two line voltages at a place, to the body, and their difference, in volt."""

    high_volt: float
    low_volt: float
    difference_volt: float


@dataclass(frozen=True)
class Level:
    """The levels one transmitter makes at one place, what a receiver there reads, and the verdict in one line.

    ``within`` is whether all of it keeps the limits of ISO 11898-2 for a normally loaded bus.
    """

    transmitter: str
    place: str
    dominant: LineVolts
    recessive: LineVolts
    reads: Literal["dominant", "recessive", "undefined"]
    within: bool
    verdict: str


@dataclass(frozen=True)
class Judgement:
    """The word for a reading taken on a vehicle, and the reason in one line."""

    word: Word
    reason: str


def worst_case(vehicle: Vehicle, condition: Condition, red: Point, black: Point) -> tuple[float, float, float]:
    """Resistance between two points, and its least and greatest reading over all tolerances, in ohm (inf: open).

    A network of resistors never falls when one of them rises (Rayleigh's monotonicity law), so that the extremes are
    those with every part at the same end of its tolerance.
    """
    nominal = Circuit(vehicle, condition).resistance_ohm(red, black)
    ends = [
        Circuit(
            vehicle,
            condition,
            wire_factor=1 + sign * WIRE_TOLERANCE,
            terminator_factor=1 + sign * TERMINATOR_TOLERANCE,
        ).resistance_ohm(red, black)
        for sign in (-1, 1)
    ]
    return nominal, *meter_range(ends[0], ends[1])


def meter_range(least: Value, greatest: Value) -> tuple[Value, Value]:
    """The least and greatest that an ohmmeter shows for resistances between two, in ohm: a number or an array each."""
    return least * (1 - METER_TOLERANCE) - METER_OHM, greatest * (1 + METER_TOLERANCE) + METER_OHM


def places_of(network: Network, condition: Condition) -> tuple[tuple[str, str, str], ...]:
    """(name, kind, place) of every place to measure; a parted connector adds its other side, as ``PLACE.off``."""
    places = []
    for place in network.places:
        places.append((place, "place", place))
        if (network.name, place) in condition.parted:
            places.append((f"{place}.off", "off", place))
    return tuple(places)


def expected_resistance(vehicle: Vehicle, network: Network, condition: Condition) -> tuple[Resistance, ...]:
    """Resistance between the lines at every place of a network, with its range, in ohm.

    The battery is taken off and the ignition is off, whatever ``condition`` says of them.
    """
    dead = replace(condition, battery_on=False, ignition_on=False)
    factors = [(1.0, 1.0)] + [(1 + s * WIRE_TOLERANCE, 1 + s * TERMINATOR_TOLERANCE) for s in (-1, 1)]
    circuits = [Circuit(vehicle, dead, wire_factor=w, terminator_factor=t) for w, t in factors]
    result = []
    for name, kind, place in places_of(network, condition):
        high, low = ((kind, network.name, place, line) for line in LINES)
        nominal, least, greatest = (circuit.resistance_ohm(high, low) for circuit in circuits)
        if nominal > OPEN_OHM:
            result.append(Resistance(name, None, None, None))
            continue
        least = least * (1 - METER_TOLERANCE) - METER_OHM
        greatest = greatest * (1 + METER_TOLERANCE) + METER_OHM
        result.append(Resistance(name, nominal, least, greatest))
    return tuple(result)


def expected_levels(vehicle: Vehicle, network: Network, condition: Condition) -> tuple[Level, ...]:
    """Dominant and recessive levels at every place for every module that can send, battery and ignition on."""
    on = replace(condition, battery_on=True, ignition_on=True)
    circuit = Circuit(vehicle, on)
    quiet = circuit.volts()
    levels = []
    for transmitter in circuit.senders(network.name):
        dominant = circuit.volts([(transmitter, network.name)])
        for name, kind, place in places_of(network, on):
            levels.append(_level(circuit, network, transmitter, (name, kind, place), dominant, quiet))
    return tuple(levels)


def _level(
    circuit: Circuit, network: Network, transmitter: str, where: tuple[str, str, str], dominant: Volts, quiet: Volts
) -> Level:
    name, kind, place = where
    both = [line_volts(volts, network.name, place, kind) for volts in (dominant, quiet)]
    here_module = kind == "place" and (network.name, place) in circuit.drawing.pins
    if here_module and place not in circuit.condition.unplugged:
        reads = circuit.sees(network.name, place, dominant)
        rests = circuit.sees(network.name, place, quiet)
    else:
        common = Transceiver().common_mode_volt
        reads, rests = (judge_lines(volts.high_volt, volts.low_volt, common) for volts in both)
    within, verdict = _against_standard(both[0], both[1], reads, rests)
    return Level(transmitter, name, both[0], both[1], reads, within, verdict)


def line_volts(volts: Volts, network: str, place: str, kind: str = "place") -> LineVolts:
    """The line voltages at a place in one state of the circuit."""
    high, low = (volts.between((kind, network, place, line), BODY) for line in LINES)
    return LineVolts(high, low, high - low)


#: ISO 11898-2 output limits, least and greatest, in volt.
LIMITS = {
    "dominant high": (2.75, 4.5),
    "dominant low": (0.5, 2.25),
    "dominant difference": (1.5, 3.0),
    "recessive high": (2.0, 3.0),
    "recessive low": (2.0, 3.0),
    "recessive difference": (-0.5, 0.05),
}


def _against_standard(dominant: LineVolts, recessive: LineVolts, reads: str, rests: str) -> tuple[bool, str]:
    """Whether the levels keep every limit of ISO 11898-2, and the first that decides, in one line."""
    if rests != "recessive":
        return False, f"the bus at rest reads {rests}, not recessive: difference {recessive.difference_volt:.2f} V"
    if reads != "dominant":
        return False, (
            f"a dominant bit reads {reads}: difference {dominant.difference_volt:.2f} V, dominant from 0.9 V on, "
            f"mean of the lines {(dominant.high_volt + dominant.low_volt) / 2:.2f} V"
        )
    for state, volts in (("dominant", dominant), ("recessive", recessive)):
        parts = {"high": volts.high_volt, "low": volts.low_volt, "difference": volts.difference_volt}
        for part, volt in parts.items():
            least, greatest = LIMITS[f"{state} {part}"]
            if not least - 1e-9 <= volt <= greatest + 1e-9:
                side = f"below {least:g}" if volt < least else f"above {greatest:g}"
                return False, f"read as sent, but {state} {part} {volt:.2f} V is {side} V (ISO 11898-2)"
    return True, f"read as sent, difference {dominant.difference_volt:.2f} V, all limits of ISO 11898-2 kept"


def judge(expected: Resistance, got_ohm: float) -> Judgement:
    """The word for a resistance read on a vehicle, in ohm (inf for OL), against what it should be there."""
    shown = "OL" if got_ohm > OPEN_OHM else f"{got_ohm:g} ohm"
    if expected.ohm is None or expected.min_ohm is None or expected.max_ohm is None:
        if got_ohm > OPEN_OHM:
            return Judgement("inside", f"OL, and no path joins the lines at {expected.place}")
        return Judgement("outside", f"{shown}, where no path should join the lines at {expected.place}")
    band = f"{expected.ohm:.1f} ohm is expected at {expected.place}, {max(0.0, expected.min_ohm):.1f} to "
    band += f"{expected.max_ohm:.1f} within tolerances"
    if expected.min_ohm <= got_ohm <= expected.max_ohm:
        return Judgement("inside", f"{shown}: {band}")
    low, high = (factor * expected.ohm for factor in EDGE)
    if low <= got_ohm <= high:
        what = "a joint or a terminator above" if got_ohm > expected.ohm else "a leak or a terminator below"
        return Judgement(
            "edge", f"{shown}: {band}; {what} its tolerance, many buses run on it (accepted {low:.1f} to {high:.1f})"
        )
    return Judgement("outside", f"{shown}: {band}; beyond the {low:.1f} to {high:.1f} that practice accepts")
