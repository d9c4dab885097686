"""Published and computed figures of the electrical side of CAN, each run through the product's circuit.

Every case is a vehicle file (bench_vehicle writes it), read, put under faults and solved; nothing is computed by a
formula of its own where the circuit can give it. Where a published rule is mere arithmetic (node counts of 112, 222 or
106; meter averages; power of a terminator) the numbers that go into the arithmetic are taken from the circuit. Left to
other places: the acceptance words of the calculator, error counters, and delays, reflections and decay on the line.
Not done: the average short-circuit current of the ISO1050 data sheet, whose recessive term the transceiver model has
no counterpart for; state of charge and the cold-crank rating of a battery, which no circuit holds.

"Computed" marks figures computed from the transceiver model (two legs of 0.8 V and 21 ohm out of 5 V, 70 mA, 25 kohm to
2.5 V); the model itself is a fit to the windows of ISO 11898-2 and the data sheets named.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from bench_vehicle import NETWORK, Levels, bench, ohms, with_faults

from simulator.circuit import Circuit
from simulator.condition import Condition, ModuleState

#: Input resistance so high that the modules are not there.
NO_INPUTS = "bias_ohm: 1000000000, unpowered_ohm: 1000000000"


def inputs(differential_ohm: float, count: int = 1) -> str:
    """Transceiver keys of a module that stands for ``count`` inputs of this differential resistance."""
    line_ohm = differential_ohm / 2 / count
    return f"bias_ohm: {line_ohm:.6f}, unpowered_ohm: {line_ohm:.6f}"


# --- resistance, battery and ignition off -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("terminators_ohm", "expected_ohm", "source"),
    [
        ((120, 120), 60.00, "a vehicle maker's workshop manual, resistance matrix"),
        ((120,), 120.0, "a vehicle maker's workshop manual, resistance matrix"),
        ((120,) * 3, 40.00, "public robot-wiring note, termination table"),
        ((120,) * 4, 30.00, "public robot-wiring note, termination table"),
        ((120,) * 5, 24.00, "public robot-wiring note, termination table"),
        ((100, 100), 50.0, "National Instruments OEM manual p. 40, Table 10: ISO 11898 terminator 100 to 130 ohm"),
        ((130, 130), 65.0, "National Instruments OEM manual p. 40, Table 10: ISO 11898 terminator 100 to 130 ohm"),
        ((121, 121), 60.5, "DeviceNet manual, terminator of 121 ohm"),
    ],
)
def test_terminators_alone(
    terminators_ohm: tuple[float, ...], expected_ohm: float, source: str, tmp_path: Path
) -> None:
    vehicle = bench(tmp_path, 2, terminators_ohm, transceiver=NO_INPUTS)
    assert ohms(vehicle, "N1.high", "N1.low") == pytest.approx(expected_ohm, abs=0.005), source


@pytest.mark.parametrize(
    ("modules", "differential_ohm", "terminators", "expected_ohm", "tolerance", "source"),
    [
        (10, 30_000, 0, 3000.0, 0.5, "computed; above 1 kohm as a vehicle maker's workshop manual has it"),
        (20, 30_000, 2, 57.69, 0.01, "computed"),
        (30, 10_000, 2, 50.85, 0.01, "computed on GOST R ISO 11898-2-2015 Table 4, least differential resistance"),
        (17, 30_000, 2, 58.03, 0.01, "computed; accepted by the 54 to 69 ohm of a vehicle maker's workshop manual"),
        (20, 2 * 5 / 170e-6, 2, 58.80, 0.02, "computed on the TJA1050 data sheet 2003 Oct 22 p. 6: 170 uA at 5 V"),
        (20, 2 * 5 / 5e-6, 2, 59.96, 0.01, "computed on the TJA1042 data sheet rev. 10 p. 10: 5 uA at 5 V"),
    ],
)
def test_terminators_beside_inputs(
    modules: int, differential_ohm: float, terminators: int, expected_ohm: float, tolerance: float, source: str,
    tmp_path: Path,
) -> None:  # fmt: skip
    vehicle = bench(tmp_path, modules, (120,) * terminators, transceiver=inputs(differential_ohm))
    assert ohms(vehicle, "N1.high", "N1.low") == pytest.approx(expected_ohm, abs=tolerance), source


@pytest.mark.parametrize(("rail", "rail_probe"), [("supply", "battery.positive"), ("ground", "battery.negative")])
@pytest.mark.parametrize(("terminators", "expected_ohm"), [(2, 60.0), (1, 120.0)])
def test_hard_short_of_high_to_a_rail(
    rail: str, rail_probe: str, terminators: int, expected_ohm: float, tmp_path: Path
) -> None:
    """A vehicle maker's workshop manual, resistance matrix: 0 and 60 ohm to the rail, high to low stays 60 (or 120)."""
    vehicle = bench(tmp_path, 2, (120,) * terminators, transceiver=NO_INPUTS)
    vehicle = with_faults(vehicle, f"short between=high-{rail} at=N1 ohm=0.001")
    assert ohms(vehicle, "N2.high", rail_probe) == pytest.approx(0.0, abs=0.1)
    assert ohms(vehicle, "N2.low", rail_probe) == pytest.approx(expected_ohm, abs=0.1)
    assert ohms(vehicle, "N2.high", "N2.low") == pytest.approx(expected_ohm, abs=0.1)


def test_the_meter_at_one_end_sees_the_loop(tmp_path: Path) -> None:
    """Computed: 20 m of 0.35 mm2 (52 mohm/m, ISO 6722, from memory) between two 120 ohm terminators: 60.52 ohm."""
    vehicle = bench(tmp_path, 2, (120, 120), trunk_m=20, ohm_per_m=0.052, transceiver=NO_INPUTS)
    assert ohms(vehicle, "N1.high", "N1.low") == pytest.approx(60.52, abs=0.01)


@pytest.mark.parametrize(
    ("most_inputs", "differential_ohm", "terminator_ohm", "least_ohm", "source"),
    [
        (111, 20_000, 120, 45.0, "MCP2551 data sheet 1.1.1: 112 nodes, the driver and 111 others, at 45 ohm"),
        (105, 20_000, 118, 45.0, "Philips AN96116 (PCA82C250/251): 106 nodes, the driver and 105 others, at 45 ohm"),
        (100, 30_000, 120, 50.0, "computed: 100 nodes at 50 ohm"),
    ],
)
def test_greatest_number_of_nodes(
    most_inputs: int, differential_ohm: float, terminator_ohm: float, least_ohm: float, source: str, tmp_path: Path
) -> None:
    def load_ohm(count: int) -> float:
        """Two modules share the inputs between them."""
        vehicle = bench(tmp_path, 2, (terminator_ohm,) * 2, transceiver=inputs(differential_ohm * 2, count))
        return ohms(vehicle, "N1.high", "N1.low")

    assert load_ohm(most_inputs) >= least_ohm - 1e-3, source
    assert load_ohm(most_inputs + 1) < least_ohm, source


def test_222_nodes_of_40_kohm(tmp_path: Path) -> None:
    """TI SLLA486 section 9: 222 inputs of 40 kohm are 180.2 ohm, with two terminators 45.0 ohm."""
    lumped = inputs(40_000, 222 // 6)
    assert ohms(bench(tmp_path, 6, (), transceiver=lumped), "N1.high", "N1.low") == pytest.approx(180.2, abs=0.1)
    assert ohms(bench(tmp_path, 6, transceiver=lumped), "N1.high", "N1.low") == pytest.approx(45.0, abs=0.1)


# --- levels -------------------------------------------------------------------------------------------------------


def dominant_into(folder: Path, load_ohm: float) -> tuple[float, float, float]:
    """High, low and difference while one of two modules drives a load of this size, inputs included."""
    terminator_ohm = 1 / (1 / load_ohm - 2 / 50_000)
    return Levels(bench(folder, 2, (terminator_ohm,)), ["N1"]).at("N2")


@pytest.mark.parametrize(
    ("load_ohm", "difference_volt", "window_volt", "source"),
    [
        (30, 1.417, None, "computed"),
        (40, 1.659, (1.5, 3.0), "computed: a third terminator leaves 1.5 V"),
        (45, 1.759, (1.4, 3.3), "computed; TCAN1044V data sheet Table 8, 45 to 70 ohm"),
        (50, 1.848, (1.5, 3.0), "computed; TJA1042 data sheet rev. 10 p. 10, 50 to 65 ohm"),
        (60, 2.000, (1.5, 3.0), "computed; TJA1042 data sheet rev. 10 p. 10, 50 to 65 ohm"),
        (65, 2.065, (1.5, 3.0), "computed; TJA1042 data sheet rev. 10 p. 10, 50 to 65 ohm"),
        (70, 2.125, (1.4, 3.3), "computed; TCAN1044V data sheet Table 8, 45 to 70 ohm"),
        (120, 2.519, None, "computed"),
        (2240, 3.337, (1.5, 5.0), "computed; TJA1042 data sheet rev. 10 p. 10, 2240 ohm"),
    ],
)
def test_dominant_difference_against_load(
    load_ohm: float, difference_volt: float, window_volt: tuple[float, float] | None, source: str, tmp_path: Path
) -> None:
    difference = dominant_into(tmp_path, load_ohm)[2]
    assert difference == pytest.approx(difference_volt, abs=0.005), source
    if window_volt:
        assert window_volt[0] <= difference <= window_volt[1], source


@pytest.mark.parametrize(
    ("load_ohm", "high_volt", "low_volt"), [(60, 3.500, 1.500), (120, 3.759, 1.241), (40, 3.329, 1.671)]
)
def test_dominant_levels_against_load(load_ohm: float, high_volt: float, low_volt: float, tmp_path: Path) -> None:
    """Computed; inside 2.75 to 4.5 V and 0.5 to 2.25 V of the TJA1042 data sheet rev. 10 p. 10."""
    high, low, _ = dominant_into(tmp_path, load_ohm)
    assert (high, low) == pytest.approx((high_volt, low_volt), abs=0.005)
    assert 2.75 <= high <= 4.5
    assert 0.5 <= low <= 2.25


def test_dominant_difference_without_terminators(tmp_path: Path) -> None:
    """Computed: five modules of 50 kohm, no terminator: 3.386 V."""
    assert Levels(bench(tmp_path, 5, ()), ["N1"]).at("N5")[2] == pytest.approx(3.386, abs=0.005)


def test_recessive_levels(tmp_path: Path) -> None:
    """GOST R ISO 11898-2-2015 Table 4: 2.0 to 3.0 V, typically 2.5 V; difference -500 to +50 mV."""
    high, low, difference = Levels(bench(tmp_path, 5)).at("N1")
    assert (high, low) == pytest.approx((2.5, 2.5), abs=0.005)
    assert difference == pytest.approx(0.0, abs=0.001)


@pytest.mark.parametrize(
    ("difference_volt", "reading"),
    [(0.499, "recessive"), (0.501, "undefined"), (0.70, "undefined"), (0.899, "undefined"), (0.901, "dominant")],
)
def test_receiver_bounds(difference_volt: float, reading: str, tmp_path: Path) -> None:
    """TI TCAN4420 function table: recessive up to 0.5 V, dominant from 0.9 V, not guaranteed in between."""
    load_ohm = 42 * difference_volt / (3.4 - difference_volt)  # 3.4 V behind two legs of 21 ohm
    contacts_ohm = 0.010  # of the transmitter's two pins: what the legs see beside the load
    terminator_ohm = 1 / (1 / (load_ohm * (42 + contacts_ohm) / 42) - 2 / 50_000)
    levels = Levels(bench(tmp_path, 2, (terminator_ohm,)), ["N1"])
    assert levels.pins("N2")[2] == pytest.approx(difference_volt, abs=0.0005)
    assert levels.read_by("N2") == reading


def test_drop_along_40_m(tmp_path: Path) -> None:
    """Computed on Philips AN96116 eq. 10: 2.0 V out, 40 m at 70 mohm/m, ten nodes of 30 kohm: 1.908 V."""
    vehicle = bench(tmp_path, 10, trunk_m=40, ohm_per_m=0.07, transceiver=inputs(30_000))
    levels = Levels(vehicle, ["N1"])
    assert 2.0 * levels.at("N10")[2] / levels.at("N1")[2] == pytest.approx(1.908, abs=0.002)


@pytest.mark.parametrize(
    ("share", "high_volt", "low_volt", "source"),
    [
        (0.15, 2.65, 2.35, "computed"),
        (0.20, 2.70, 2.30, "computed; inside 2.6-3.5 and 1.3-2.3 V of a vehicle maker's workshop manual, live bus"),
    ],
)
def test_what_a_meter_averages(share: float, high_volt: float, low_volt: float, source: str, tmp_path: Path) -> None:
    vehicle = bench(tmp_path, 2, (60.144,))  # 60 ohm with the two inputs
    dominant, recessive = Levels(vehicle, ["N1"]).at("N2"), Levels(vehicle).at("N2")
    high, low = (share * on + (1 - share) * off for on, off in zip(dominant[:2], recessive[:2], strict=True))
    assert (high, low) == pytest.approx((high_volt, low_volt), abs=0.01), source
    assert high + low == pytest.approx(5.0, abs=0.005), source


# --- wiring faults, five modules, 12.6 V, hard shorts -------------------------------------------------------------


def faulty_levels(folder: Path, fault: str, **keys: object) -> tuple[Levels, Levels]:
    """Recessive and dominant (N1 drives) voltages of five modules under a fault."""
    vehicle = with_faults(bench(folder, 5, **keys), fault)  # type: ignore[arg-type]
    return Levels(vehicle), Levels(vehicle, ["N1"])


def test_low_to_ground(tmp_path: Path) -> None:
    """Computed; a vehicle maker's workshop manual: 0.02 V recessive, high peaks near 3.0 V, may continue."""
    recessive, dominant = faulty_levels(tmp_path, "short between=low-ground at=N3 ohm=0.001")
    assert recessive.at("N5")[0] == pytest.approx(0.030, abs=0.005)
    assert dominant.at("N5")[0] == pytest.approx(3.11, abs=0.02)
    assert (recessive.read_by("N5"), dominant.read_by("N5")) == ("recessive", "dominant")


def test_high_to_ground(tmp_path: Path) -> None:
    """Computed; a vehicle maker's workshop manual: all communication lost."""
    for levels in faulty_levels(tmp_path, "short between=high-ground at=N3 ohm=0.0001"):
        assert levels.at("N5")[2] == pytest.approx(-0.03, abs=0.005)
        assert levels.read_by("N5") == "recessive"


@pytest.mark.parametrize(("limit_amp", "low_volt"), [(0.070, 8.33), (0.040, 10.11), (0.100, 6.55)])
def test_high_to_battery(limit_amp: float, low_volt: float, tmp_path: Path) -> None:
    """Computed, at the least, typical and greatest limit of the TJA1042 data sheet rev. 10 p. 10.

    A vehicle maker's workshop manual: low above 5 V when active. The drop of 12.6 V at the battery terminal of high is
    outside the common-mode range, so the receivers stay recessive.
    """
    recessive, dominant = faulty_levels(
        tmp_path, "short between=high-supply at=N3 ohm=0.0001", transceiver=f"limit_amp: {limit_amp}"
    )
    assert recessive.at("N5")[1] == pytest.approx(12.48, abs=0.01)
    assert recessive.at("N5")[2] == pytest.approx(0.12, abs=0.01)
    assert dominant.at("N5")[1] == pytest.approx(low_volt, abs=0.05)
    assert dominant.at("N5")[1] > 5.0


@pytest.mark.parametrize(("modules", "difference_volt"), [(5, 0.12), (20, 0.46), (40, 0.885)])
def test_high_to_battery_with_many_modules(modules: int, difference_volt: float, tmp_path: Path) -> None:
    """Computed: the inputs' current through the terminators raises the recessive difference, up to nearly dominant."""
    vehicle = with_faults(bench(tmp_path, modules), "short between=high-supply at=N1 ohm=0.0001")
    assert Levels(vehicle).at("N2")[2] == pytest.approx(difference_volt, abs=0.01)


def test_low_to_battery(tmp_path: Path) -> None:
    """Computed; a vehicle maker's workshop manual: both lines at battery voltage, all lost."""
    for levels in faulty_levels(tmp_path, "short between=low-supply at=N3 ohm=0.0001"):
        assert levels.at("N5")[2] == pytest.approx(-0.12, abs=0.01)
        assert levels.read_by("N5") == "recessive"


def test_meter_table_of_a_line_at_battery_voltage(tmp_path: Path) -> None:
    """VBAT - 0.75 V of a vehicle maker's workshop manual is 12.5 mA in 60 ohm.

    That is five inputs at the 2.5 mA limit of the TJA1050 data sheet 2003 Oct 22 p. 6.
    """
    bias_ohm = (12.6 - 0.75 - 2.5) / 0.0025
    recessive, _ = faulty_levels(
        tmp_path, "short between=high-supply at=N3 ohm=0.0001", transceiver=f"bias_ohm: {bias_ohm}"
    )
    high, low, _ = recessive.at("N5")
    assert high - low == pytest.approx(0.75, abs=0.01)
    assert (high - low) / 60 == pytest.approx(5 * 0.0025, abs=0.0001)


@pytest.mark.parametrize(("limit_amp", "short_amp"), [(0.070, 0.070), (1.0, 0.081)])
def test_high_to_low(limit_amp: float, short_amp: float, tmp_path: Path) -> None:
    """Computed; a vehicle maker's workshop manual: 2.45 V on both lines. 70 mA limit, 81 mA without any."""
    recessive, dominant = faulty_levels(
        tmp_path, "short between=high-low at=N3 ohm=0.01", transceiver=f"limit_amp: {limit_amp}"
    )
    assert recessive.at("N5")[2] == pytest.approx(0.0, abs=0.001)
    assert dominant.at("N5")[2] == pytest.approx(0.0, abs=0.001)
    assert dominant.at("N5")[0] == pytest.approx(2.5, abs=0.1)
    assert dominant.at("N3")[2] / 0.01 == pytest.approx(short_amp, abs=0.0005)


def test_crossed_module(tmp_path: Path) -> None:
    """Computed: it sees -2.0 V, recessive, while another drives; when both drive, the lines cancel."""
    vehicle = with_faults(bench(tmp_path, 5), "crossed at=N3")
    other = Levels(vehicle, ["N1"])
    assert other.pins("N3")[2] == pytest.approx(-2.0, abs=0.01)
    assert (other.read_by("N3"), other.read_by("N2")) == ("recessive", "dominant")
    assert Levels(vehicle, ["N3"]).at("N1")[2] == pytest.approx(-2.0, abs=0.01)
    assert Levels(vehicle, ["N1", "N3"]).at("N1")[2] == pytest.approx(0.0, abs=0.05)
    assert ohms(vehicle, "N1.high", "N1.low") == pytest.approx(60.0, abs=0.1)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize(
    ("levels_volt", "drop_volt", "on_ohm", "offset_volt"),
    [((3.5, 1.5), 0.8, 21, 3.5), ((4.5, 0.5), 0.4, 1.5, 2.5)],
)
def test_ground_offset_that_a_2003_part_allows(
    direction: int, levels_volt: tuple[float, float], drop_volt: float, on_ohm: float, offset_volt: float,
    tmp_path: Path,
) -> None:  # fmt: skip
    """ISO 11898-2:2003 common-mode range -2 to +7 V, as each of the two lines at the receiver: 3.5 V, 2.5 V at worst.

    The product's receiver judges the mean of the lines, as common-mode voltage is defined, so it lets 4.5 V pass.
    """
    keys = f"common_mode_volt: [-2, 7], drop_volt: {drop_volt}, on_ohm: {on_ohm}, limit_amp: 0.2, {NO_INPUTS}"
    vehicle = bench(tmp_path, 2, (120, 120), transceiver=keys)
    assert Levels(vehicle, ["N1"]).pins("N1")[:2] == pytest.approx(levels_volt, abs=0.005)

    def pins(volt: float) -> tuple[float, float, str]:
        levels = Levels(with_faults(vehicle, f"ground_shift module=N1 volt={direction * volt}"), ["N1"])
        return (*levels.pins("N2")[:2], levels.read_by("N2"))

    *inside, reading = pins(offset_volt - 0.02)
    assert all(-2 <= volt <= 7 for volt in inside)
    assert reading == "dominant"
    *outside, _ = pins(offset_volt + 0.02)
    assert not all(-2 <= volt <= 7 for volt in outside)
    assert pins(4.45)[2] == "dominant"
    assert pins(4.55)[2] == "recessive"


# --- wire, ground, supply -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("feed_ohm", "amp", "drop_volt", "source"),
    [
        (4 * 0.0127, 10, 0.508, "computed: 1.5 mm2 at 12.7 mohm/m (ISO 6722, from memory), 4 m, 20 C"),
        (4 * 0.0127 * (1 + 0.00393 * 60), 10, 0.628, "computed: the same at 80 C, copper 0.00393 per K"),
        (10 * 6.385e-3, 5, 0.319, "computed on the AWG table of hyperphysics: 18 AWG, 6.385 ohm/1000 ft, 10 ft"),
        (3 * 0.0332, 2, 0.199, "computed on the AWG table of hyperphysics: 20 AWG, 33.2 mohm/m, 3 m"),
    ],
)
def test_drop_in_a_feed_wire(feed_ohm: float, amp: float, drop_volt: float, source: str, tmp_path: Path) -> None:
    draw_ohm = 12.6 / amp - feed_ohm - 0.010  # two contacts
    levels = Levels(bench(tmp_path, 1 + 1, feed_ohm=feed_ohm, draw_ohm=draw_ohm, fuse_ohm=1e-6))
    assert levels("battery.positive", "N1.supply") == pytest.approx(drop_volt, abs=0.001), source
    assert (drop_volt > 0.2) == (levels("battery.positive", "N1.supply") > 0.2), "limit of 0.2 V: common practice"


def test_drop_in_a_fuse(tmp_path: Path) -> None:
    """Computed: a 10 A blade fuse of 7.70 mohm (from memory) drops 38.5 mV at 5 A, here two modules of 2.5 A."""
    vehicle = bench(tmp_path, 2, fuse_ohm=0.0077, draw_ohm=12.6 / 2.5 - 0.010 - 2 * 0.0077)
    assert Levels(vehicle)("battery.positive", "N1.supply") == pytest.approx(0.0385, abs=0.00005)


def test_battery_under_load(tmp_path: Path) -> None:
    """Computed: 12.65 V behind 8 mohm gives 11.05 V at 200 A, here two modules of 100 A."""
    vehicle = bench(tmp_path, 2, battery=(12.65, 0.008), draw_ohm=11.05 / 100 - 0.010)
    assert Levels(vehicle)("battery.positive") == pytest.approx(11.05, abs=0.005)


def test_crank_dip_to_three_volt(tmp_path: Path) -> None:
    """TCAN1042-Q1 data sheet: below 3.8 V of VCC off the bus, bias off.

    Here judged at the supply pin, 5.5 V down and 6.0 V up.
    """
    vehicle = bench(tmp_path, 3)
    awake = Circuit(vehicle, Condition()).states
    dipped = with_faults(vehicle, "weak_battery open_circuit_volt=3 internal_ohm=0.01")
    low = Circuit(dipped, Condition(), states=awake)
    assert set(low.states.values()) == {ModuleState.STARVED}
    assert low.senders(NETWORK) == ()
    assert low.volts().between(("place", NETWORK, "N1", "high"), ("body",)) == pytest.approx(0.0, abs=0.001)
    for volt, state in ((5.9, ModuleState.STARVED), (6.1, ModuleState.AWAKE)):
        back = with_faults(vehicle, f"weak_battery open_circuit_volt={volt} internal_ohm=0.000001")
        assert set(Circuit(back, Condition(), states=low.states).states.values()) == {state}


def test_power_of_a_terminator(tmp_path: Path) -> None:
    """Computed: 2.0 V is 33.3 mW; a fault current of 100 mA shared by two of 120 ohm is 300 mW each."""
    difference = Levels(bench(tmp_path, 2, transceiver=NO_INPUTS), ["N1"]).at("N1")[2]
    assert difference**2 / 120 == pytest.approx(0.0333, abs=0.0001)
    vehicle = bench(tmp_path, 2, transceiver=f"{NO_INPUTS}, limit_amp: 0.1")
    shorted = with_faults(vehicle, "short between=high-supply at=N1 ohm=0.0001")
    difference = Levels(shorted, ["N1"]).at("N1")[2]
    assert difference**2 / 120 == pytest.approx(0.300, abs=0.001)
    assert math.isclose(difference, 6.0, abs_tol=0.01)
