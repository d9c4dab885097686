"""The instrument tray: an ohmmeter and a voltmeter, as a handheld meter of 6000 counts shows them.

Ohms: 1 mA through the circuit, leads of 0.2 ohm unless zeroed. Volts: 10 Mohm between the leads; on a live bus the mean
over one second of traffic, because a meter is slow against a bit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from lab.cautions import CAUTIONS
from simulator.calculator import OPEN_OHM
from simulator.circuit import Circuit
from simulator.circuit.circuit import Volts
from simulator.condition import Condition
from simulator.probes import BODY, POSITIVE
from simulator.vehicle import Vehicle

if TYPE_CHECKING:
    from simulator.probes import Point
    from simulator.record import FrameRecord

#: The test current of the ohmmeter, in ampere.
TEST_AMPERE = 0.001
#: Both leads together, in ohm.
LEADS_OHM = 0.2
#: A lamp of 12 V, 21 W, lit: 1.75 A; its resistance when cold is left out.
LAMP_OHM = 6.9
#: The input of the voltmeter, in ohm.
INPUT_OHM = 10e6
#: Counts of the display: ranges end at 6, 60 and 600.
_COUNTS = 6000
#: The second of traffic a voltmeter averages over.
_FROM_NS, _UNTIL_NS = 10_000_000_000, 11_000_000_000
#: Enough for the longest classic frame at 5 kbit/s to end.
_LONGEST_FRAME_NS = 50_000_000
#: A change of the reading that counts as a change by the traffic, in volt.
_NOTICED_VOLT = 1e-6

#: A set of (module, network) that are dominant together, and its part of the time.
Shares = Mapping[frozenset[tuple[str, str]], float]


@dataclass(frozen=True)
class Reading:
    """What a meter shows: the unrounded ``value`` (None: OL), its unit, the display, and warnings."""

    value: float | None
    unit: str
    display: str
    warnings: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The mapping of the command ``read``."""
        return {"value": self.value, "unit": self.unit, "display": self.display, "warnings": list(self.warnings)}


def read_ohms(
    vehicle: Vehicle,
    condition: Condition,
    red: Point,
    black: Point,
    *,
    zeroed: bool = False,
    quiet: bool = False,
    shares: Shares | None = None,
) -> Reading:
    """Resistance between two probe points in ohm.

    With the battery off the circuit alone decides. With it on the meter divides what it finds between its leads by its
    own 1 mA: the voltage already there (mean over the traffic, or ``quiet``) plus that of 1 mA through the circuit.
    Such a value is void and a warning says so; with the leads the other way round it is negative and shown with its
    sign.
    """
    circuit = Circuit(vehicle, condition)
    ohm = circuit.resistance_ohm(red, black)
    warnings = restless_warnings(circuit)
    if condition.battery_on:
        warnings = (f"void: the battery is connected, so this is no resistance. {CAUTIONS[4]}", *warnings)
        if math.isfinite(ohm):
            ohm += _mean_volt(circuit, red, black, quiet=quiet, shares=shares) / TEST_AMPERE
    if math.isfinite(ohm) and not zeroed:
        ohm += LEADS_OHM
    if abs(ohm) > OPEN_OHM:
        return Reading(None, "ohm", "OL", warnings)
    return Reading(ohm, "ohm", ohm_display(ohm), warnings)


def read_volts(
    vehicle: Vehicle,
    condition: Condition,
    red: Point,
    black: Point,
    *,
    quiet: bool = False,
    shares: Shares | None = None,
) -> Reading:
    """Voltage from ``black`` to ``red`` in volt, through 10 Mohm.

    The mean over the second from t = 10 s of the traffic with seed 0; ``quiet``: every module recessive. Two points
    that nothing joins read 0. With the battery off there is nothing to read: 0. ``shares`` is the traffic, where it is
    known already.
    """
    volt = 0.0
    warnings: tuple[str, ...] = ()
    if condition.battery_on:
        circuit = Circuit(vehicle, condition, meter=(red, black, INPUT_OHM))
        volt, warnings = _mean_volt(circuit, red, black, quiet=quiet, shares=shares), restless_warnings(circuit)
    return Reading(volt, "volt", volt_display(volt), warnings)


def read_lamp(vehicle: Vehicle, condition: Condition, red: Point, black: Point) -> tuple[float, float, float]:
    """A test lamp of 21 W between two points: volts across it, and what is lost on the way to each battery post.

    Lost from battery positive to ``red``, and from ``black`` to battery negative, both with the lamp lit; nobody sends.
    """
    if not condition.battery_on:
        return 0.0, 0.0, 0.0
    return lit(Circuit(vehicle, condition, meter=(red, black, LAMP_OHM)).volts(), red, black)


def lit(volts: Volts, red: Point, black: Point) -> tuple[float, float, float]:
    """Of a circuit with the lamp in it: volts across it, lost before ``red`` and lost behind ``black``."""
    return volts.between(red, black), volts.between(POSITIVE, red), volts.between(black, BODY)


def restless_warnings(circuit: Circuit) -> tuple[str, ...]:
    """One warning for each module whose supply comes to no rest: the answer holds it down, the vehicle would not."""
    return tuple(
        f"{name} comes to no rest: waking, it lowers the supply that keeps it awake; here held {circuit.states[name]}"
        for name in sorted(circuit.settling.restless)
    )


def ohm_display(ohm: float) -> str:
    """A resistance as an autoranging meter of 6000 counts shows it: 59.8 ohm, 6.183 kohm."""
    for unit, scale, least in (("ohm", 1.0, 600.0), ("kohm", 1e3, 6.0), ("Mohm", 1e6, 6.0)):
        shown = _counts(ohm / scale, least)
        if shown is not None:
            return f"{shown} {unit}"
    return "OL"


def volt_display(volt: float) -> str:
    """A voltage as an autoranging meter of 6000 counts shows it: 2.814 V, 12.59 V."""
    shown = _counts(volt, 6.0)
    return "OL" if shown is None else f"{shown} V"


def volts_text(volt: float) -> str:
    """A voltage to a hundredth of a volt, zero without a sign."""
    text = f"{volt:.2f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def _counts(value: float, least: float) -> str | None:
    """The value in the smallest range from ``least`` to 600 that holds it, zero without a sign; None: none does."""
    top = least
    while top <= 600.0:
        digits = round(math.log10(_COUNTS / top))
        if abs(round(value, digits)) < top:
            text = f"{value:.{digits}f}"
            return text.lstrip("-") if float(text) == 0.0 else text
        top *= 10.0
    return None


def _mean_volt(circuit: Circuit, red: Point, black: Point, *, quiet: bool, shares: Shares | None) -> float:
    """The voltage between two points, each set of dominant modules weighed by its share of the time."""
    rest = circuit.volts().between(red, black)
    if quiet or not circuit.condition.battery_on or not traffic_counts(circuit, red, black):
        return rest
    total = rest
    if shares is None:
        shares = traffic_shares(circuit.vehicle, circuit.condition)
    for dominant, share in shares.items():
        total += share * (circuit.volts(dominant).between(red, black) - rest)
    return total


def traffic_counts(circuit: Circuit, red: Point, black: Point) -> bool:
    """Whether any module that sends, or all of a network together, changes the voltage between two points."""
    rest = circuit.volts().between(red, black)
    for network in circuit.vehicle.networks:
        senders = [(name, network) for name in circuit.senders(network)]
        for dominant in [[one] for one in senders] + [senders]:
            if abs(circuit.volts(dominant).between(red, black) - rest) > _NOTICED_VOLT:
                return True
    return False


def traffic_shares(
    vehicle: Vehicle, condition: Condition, *, from_ns: int = _FROM_NS, until_ns: int = _UNTIL_NS
) -> Shares:
    """How the second from t = 10 s with seed 0 divides: the part of the time each set of modules is dominant.

    A frame's transmitter is alone in its dominant bits; in the ACK slot all that acknowledge are dominant together. The
    rest of the time is recessive. Networks are counted apart: what one does to another's levels adds up.
    """
    from simulator.simulation import Simulation

    simulation = Simulation(vehicle, condition=condition, seed=0)
    simulation.run_until_ns(from_ns)
    records: list[FrameRecord] = []
    simulation.subscribe(records.append, lambda batch: records.extend(batch.records()))
    simulation.run_until_ns(until_ns + _LONGEST_FRAME_NS)
    found: dict[frozenset[tuple[str, str]], float] = {}
    for record in records:
        inside_ns = min(record.t_end_ns, until_ns) - max(record.t_start_ns, from_ns)
        if inside_ns <= 0:
            continue
        # of a frame that the edge of the second cuts, as much as lies inside
        weight = inside_ns / (record.t_end_ns - record.t_start_ns) / (until_ns - from_ns)
        bit_ns = 1e9 / vehicle.networks[record.network].bit_rate
        together = frozenset((name, record.network) for name in record.acknowledged_by)
        alone = frozenset({(record.transmitter, record.network)})
        found[alone] = found.get(alone, 0.0) + weight * _dominant_ns(vehicle, record)
        if together:
            found[together] = found.get(together, 0.0) + weight * bit_ns
    return found


def _dominant_ns(vehicle: Vehicle, record: FrameRecord) -> float:
    """How long the transmitter of a frame is dominant, ACK slot aside, in ns; with a switched bit rate, bit by bit."""
    network = vehicle.networks[record.network]
    if not record.brs or record.outcome != "ok":
        return record.dominant_bits * 1e9 / network.bit_rate
    from simulator.datalink.frame import encode

    frame = encode(record.frame_id, record.data, extended=record.extended, fd=True, brs=True, acknowledged=False)
    starts = frame.bit_starts_ns(
        network.bit_rate, network.sample_point, network.data_bit_rate, network.data_sample_point
    )
    return sum(end - start for start, end, bit in zip(starts, starts[1:], frame.bits, strict=False) if bit == 0)
