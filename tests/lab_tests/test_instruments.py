"""The meter: leads, OL, ohms on a live bus, volts as the mean over traffic, and the display."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest
from bench_vehicle import bench, with_faults
from reference_circuit import ReferenceCircuit
from small_vehicle import gateway_vehicle, three_modules

from faults import apply, parse
from lab.instruments import Reading, ohm_display, read_ohms, read_volts, traffic_shares, volt_display
from simulator.circuit import Circuit
from simulator.condition import DEAD, Condition
from simulator.probes import parse_probe
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation
from simulator.vehicle import Feed, Vehicle

LIVE = Condition()


def ohms(vehicle: Vehicle, red: str, black: str, condition: Condition = DEAD, **options: Any) -> Reading:
    return read_ohms(vehicle, condition, parse_probe(vehicle, red), parse_probe(vehicle, black), **options)


def volts(vehicle: Vehicle, red: str, black: str, condition: Condition = LIVE, **options: Any) -> Reading:
    return read_volts(vehicle, condition, parse_probe(vehicle, red), parse_probe(vehicle, black), **options)


def test_leads_add_0_2_ohm_unless_zeroed() -> None:
    # DEVELOPERS.md, "read"; leads of 0.1 to 0.3 ohm are common practice, no source
    vehicle = three_modules()
    with_leads, zeroed = ohms(vehicle, "DLC.high", "DLC.low"), ohms(vehicle, "DLC.high", "DLC.low", zeroed=True)
    assert with_leads.value is not None
    assert zeroed.value is not None
    assert with_leads.value - zeroed.value == pytest.approx(0.2, abs=1e-12)
    assert with_leads.warnings == ()
    assert ohms(vehicle, "DLC.high", "DLC.high").value == pytest.approx(0.2, abs=1e-12)


def test_sixty_ohm_with_two_terminators(tmp_path) -> None:
    # two resistors of 120 ohm in parallel, by hand; six inputs of 1 Mohm per line, 2 Mohm high to low each
    vehicle = bench(tmp_path, 6)
    reading = ohms(vehicle, "N3.high", "N3.low", zeroed=True)
    assert reading.value == pytest.approx(1 / (1 / 60 + 6 / 2e6), rel=1e-4)
    assert reading.display == "60.0 ohm"


def test_an_open_shows_ol() -> None:
    vehicle = with_faults(three_modules(), 'open line=high run="gearbox stub"')
    unplugged = Condition(battery_on=False, ignition_on=False, unplugged=frozenset({"GBX"}))
    assert ohms(vehicle, "GBX.high", "GBX.low", unplugged) == Reading(None, "ohm", "OL")


def test_above_60_megohm_shows_ol(tmp_path) -> None:
    # the limit is this project's own contract (DEVELOPERS.md, "read"); two inputs in series from high to low
    for unpowered_ohm, shows in ((29e6, "58.00 Mohm"), (31e6, "OL")):
        folder = tmp_path / shows.replace(" ", "")
        folder.mkdir()
        vehicle = bench(folder, 2, (), transceiver=f"unpowered_ohm: {unpowered_ohm:.0f}")
        one = Condition(battery_on=False, ignition_on=False, unplugged=frozenset({"N2"}))
        assert ohms(vehicle, "N1.high", "N1.low", one).display == shows


def test_ohms_on_a_live_bus_warn_and_mislead() -> None:
    # by hand: (mean difference + 1 mA x 60 ohm) / 1 mA. Workshop practice: ohms only on a dead circuit, no source
    vehicle = load_vehicle(find_vehicle("pipkin"))
    difference = volts(vehicle, "DLC.high", "DLC.low").value
    resistance = ohms(vehicle, "DLC.high", "DLC.low", zeroed=True).value
    reading = ohms(vehicle, "DLC.high", "DLC.low", LIVE)
    assert difference is not None
    assert resistance is not None
    assert reading.value == pytest.approx(difference / 0.001 + resistance + 0.2, rel=2e-3)
    assert "void" in reading.warnings[0]
    assert "0.1 V" in reading.warnings[0]


def test_ohms_on_a_live_bus_with_the_leads_exchanged_are_negative() -> None:
    # trade practice, no source: a meter shows a minus sign or OL; this one shows the sign
    vehicle = load_vehicle(find_vehicle("pipkin"))
    reading = ohms(vehicle, "DLC.low", "DLC.high", LIVE)
    assert reading.value is not None
    assert reading.value < 0
    assert reading.display.startswith("-")
    assert reading.warnings


def test_ohms_on_a_quiet_bus_look_plausible_and_still_warn() -> None:
    # an awake but idle bus may read a plausible 60 (trade practice, no source)
    vehicle = load_vehicle(find_vehicle("pipkin"))
    reading = ohms(vehicle, "DLC.high", "DLC.low", LIVE, quiet=True)
    assert reading.value == pytest.approx(59.6, abs=1.0)
    assert reading.warnings


def test_battery_off_reads_no_volts_not_even_a_ground_shift() -> None:
    vehicle = with_faults(three_modules(), "ground_shift module=GBX volt=3")
    assert volts(vehicle, "GBX.ground", "battery.negative", DEAD).value == 0.0
    shifted = volts(vehicle, "GBX.ground", "battery.negative", quiet=True).value
    assert shifted is not None
    assert 2.5 < shifted <= 3.1


def test_a_floating_pair_reads_nothing() -> None:
    vehicle = with_faults(three_modules(), 'open line=both run="gearbox stub"')
    unplugged = Condition(unplugged=frozenset({"GBX"}))
    assert volts(vehicle, "GBX.high", "battery.negative", unplugged).display == "0.000 V"
    assert volts(vehicle, "GBX.high", "GBX.low", unplugged).display == "0.000 V"


def test_the_voltmeter_loads_what_it_measures() -> None:
    # by hand: an idle line behind 1 Mohm of each of n inputs would sag; here 10 Mohm against some kilohm
    vehicle = load_vehicle(find_vehicle("pipkin"))
    reading = volts(vehicle, "DLC.high", "battery.negative", quiet=True).value
    assert reading == pytest.approx(2.515, abs=0.02)


def test_the_far_side_of_a_connector_that_is_together_reads_as_the_place() -> None:
    vehicle = load_vehicle(find_vehicle("pipkin"))
    far, near = (volts(vehicle, point, "battery.negative", quiet=True).value for point in ("S2.off.low", "S2.low"))
    assert far == near > 2.0
    assert volts(vehicle, "S2.off.low", "S2.low", quiet=True).value == 0.0


def test_a_fault_is_read_whatever_has_been_read_before() -> None:
    """The meter joins points that nothing joins else; by hand: 10 Mohm take a few millivolts off some kilohm."""
    vehicle = load_vehicle(find_vehicle("pipkin"))
    leads = parse_probe(vehicle, "STA.high"), parse_probe(vehicle, "ENG.wake")
    for text in (
        "missing_terminator at=ENG",
        "short between=low-supply at=S2 ohm=500",
        "short between=low-supply at=S1 ohm=1",
    ):
        faulted = with_faults(vehicle, text)
        read = volts(faulted, "STA.high", "ENG.wake", quiet=True).value
        assert read == pytest.approx(Circuit(faulted).volts().between(*leads), abs=0.005), text


def test_mean_over_traffic_is_the_levels_weighed_by_time() -> None:
    """The mean from the records of a run of its own and the independent solver of tests/reference_circuit.py."""
    path = find_vehicle("pipkin")
    vehicle = load_vehicle(path)
    reference = ReferenceCircuit(path.read_text(encoding="utf-8"))
    shares = _seen(vehicle)
    for line in ("high", "low"):
        rest = reference.volts().between(f"DLC.{line}", "battery.negative")
        mean = rest
        for dominant, share in shares.items():
            mean += share * (reference.volts(dominant).between(f"DLC.{line}", "battery.negative") - rest)
        assert volts(vehicle, f"DLC.{line}", "battery.negative").value == pytest.approx(mean, abs=1e-3)


def _seen(vehicle: Vehicle) -> Counter[tuple[tuple[str, str], ...]]:
    """The part of the second from t = 10 s that each set of modules is dominant."""
    simulation = Simulation(vehicle, seed=0)
    simulation.run_until_ns(10_000_000_000)
    records: list[Any] = []
    simulation.subscribe(records.append)
    simulation.run_until_ns(11_000_000_000)
    seen: Counter[tuple[tuple[str, str], ...]] = Counter()
    for record in records:
        seen[((record.transmitter, record.network),)] += record.dominant_bits * 2e-6
        seen[tuple((name, record.network) for name in record.acknowledged_by)] += 2e-6
    return seen


def test_shares_are_parts_of_one_second() -> None:
    shares = traffic_shares(gateway_vehicle(), LIVE)
    assert 0.0 < sum(shares.values()) < 1.0
    assert {network for dominant in shares for _, network in dominant} == {"DRIVE", "CABIN"}
    # GWY: a frame of 8 byte every 20 ms at 500 kbit/s, 111 to 135 bits, 40 to 100 of them dominant, and as many ACKs
    assert 50 * 41 * 2e-6 <= shares[frozenset({("GWY", "DRIVE")})] <= 50 * 101 * 2e-6


def test_a_stuck_module_shows_even_when_nobody_sends() -> None:
    # ISO 11898-2: dominant high 2.75 to 4.5 V; trade practice: a stuck transmitter reads 3.5 and 1.5 static
    vehicle = with_faults(load_vehicle(find_vehicle("pipkin")), "stuck_dominant module=GBX")
    reading = volts(vehicle, "DLC.high", "battery.negative", quiet=True).value
    assert reading is not None
    assert 2.75 < reading < 4.5


@pytest.mark.parametrize(
    ("ohm", "shows"),
    [
        (0.0, "0.0 ohm"), (-0.04, "0.0 ohm"), (59.849, "59.8 ohm"), (599.94, "599.9 ohm"), (599.96, "0.600 kohm"),
        (6183.4, "6.18 kohm"), (5999.4, "5.999 kohm"), (61834.0, "61.8 kohm"), (51834.0, "51.83 kohm"),
        (618340.0, "0.618 Mohm"), (58e6, "58.00 Mohm"), (-338.41, "-338.4 ohm"), (-1265.1, "-1.265 kohm"),
    ],
)  # fmt: skip
def test_display_of_ohms(ohm: float, shows: str) -> None:
    # an autoranging display of 6000 counts: ranges end at 600.0 ohm, 6.000, 60.00 and 600.0 kohm,
    # 6.000 and 60.00 Mohm
    assert ohm_display(ohm) == shows


@pytest.mark.parametrize(
    ("volt", "shows"),
    [
        (0.0, "0.000 V"),
        (-0.0001, "0.000 V"),
        (2.8144, "2.814 V"),
        (12.586, "12.59 V"),
        (-1.5, "-1.500 V"),
        (5.9996, "6.00 V"),
    ],
)  # fmt: skip
def test_display_of_volts(volt: float, shows: str) -> None:
    assert volt_display(volt) == shows


def test_a_module_that_comes_to_no_rest_is_named() -> None:
    """Awake it lifts its ground until its wake pin is low, asleep the pin is high again: reasoned from the rules."""
    vehicle = three_modules()
    faults = [parse("power_dropout fuse=K1 ohm=100"), parse("ground_dropout module=ENG ohm=8")]
    modules = dict(vehicle.modules)
    modules["ENG"] = replace(modules["ENG"], wake=Feed("K1", 0.1))
    modules["CLU"] = replace(modules["CLU"], feed=Feed("K1", 0.05), draw_ohm=200.0)
    troubled = apply(replace(vehicle, modules=modules), faults)
    reading = volts(troubled, "ENG.supply", "ENG.ground", quiet=True)
    assert [warning.split()[0] for warning in reading.warnings] == ["ENG"]
    assert "comes to no rest" in reading.warnings[0]
    assert volts(vehicle, "ENG.supply", "ENG.ground", quiet=True).warnings == ()
