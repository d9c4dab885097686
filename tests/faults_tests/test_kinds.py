"""What each kind does to a vehicle: the elements that part 4 of the vehicle and fault format names."""

from __future__ import annotations

import math

import pytest
from small_vehicle import gateway_vehicle, three_modules

import faults
from simulator.deviations import (
    BatteryValue,
    Behaviour,
    Bridge,
    Crossing,
    Deviation,
    Fitted,
    GroundShift,
    PinSeries,
    RunSeries,
    SilentMessage,
    StubLength,
    SupplySeries,
    TerminatorValue,
    Told,
)
from simulator.errors import BadRequest, UnknownName
from simulator.loaded import identity_of

NET = "LINE-1"
HIGH, LOW = ("place", NET, "DLC", "high"), ("place", NET, "DLC", "low")

DOES: list[tuple[str, list[Deviation]]] = [
    ("open line=high at=GBX", [PinSeries(NET, "GBX", "high", math.inf)]),
    ("open line=both at=GBX", [PinSeries(NET, "GBX", "high", math.inf), PinSeries(NET, "GBX", "low", math.inf)]),
    ("open line=low run=ENG-S1", [RunSeries(NET, "ENG-S1", "low", 0.5, math.inf)]),
    ("open line=low run=S1-ENG along=0.2", [RunSeries(NET, "ENG-S1", "low", 0.2, math.inf)]),
    ('open line=high run="gearbox stub"', [RunSeries(NET, "gearbox stub", "high", 0.5, math.inf)]),
    ("resistance line=high at=GBX ohm=200", [PinSeries(NET, "GBX", "high", 200.0)]),
    (
        "resistance line=both run=S1-DLC ohm=30",
        [RunSeries(NET, "S1-DLC", "high", 0.5, 30.0), RunSeries(NET, "S1-DLC", "low", 0.5, 30.0)],
    ),
    ("short between=high-low at=DLC", [Bridge(HIGH, LOW, 0.1)]),
    ("short between=high-ground at=DLC ohm=60", [Bridge(HIGH, ("body",), 60.0)]),
    ("short between=low-ground at=DLC", [Bridge(LOW, ("body",), 0.1)]),
    ("short between=high-supply at=DLC", [Bridge(HIGH, ("positive",), 0.1)]),
    ("short between=low-supply at=DLC fuse=F2", [Bridge(LOW, ("fuse", "F2"), 0.1)]),
    ("crossed at=GBX", [Crossing(NET, "module", "GBX")]),
    ("crossed run=DLC-S1", [Crossing(NET, "run", "S1-DLC")]),
    ("missing_terminator at=ENG", [TerminatorValue(NET, "ENG", math.inf)]),
    ("wrong_terminator at=CLU ohm=180", [TerminatorValue(NET, "CLU", 180.0)]),
    ("extra_terminator at=DLC", [Bridge(HIGH, LOW, 120.0, terminator=True)]),
    ("long_stub at=GBX length_m=4", [StubLength(NET, "GBX", 4.0)]),
    ("power_dropout module=GBX", [SupplySeries("feed", "GBX", math.inf)]),
    ("power_dropout module=GBX ohm=2", [SupplySeries("feed", "GBX", 2.0)]),
    ("power_dropout fuse=F2", [SupplySeries("fuse", "F2", math.inf)]),
    ("ground_dropout module=GBX ohm=2", [SupplySeries("ground", "GBX", 2.0)]),
    ("ground_dropout ground=G2", [SupplySeries("point", "G2", math.inf)]),
    ("wake_dropout module=GBX", [SupplySeries("wake", "GBX", math.inf)]),
    ("weak_battery open_circuit_volt=11 internal_ohm=0.05", [BatteryValue(11.0, 0.05)]),
    ("back_feed module=GBX fuse=F1 ohm=20", [Bridge(("fuse", "F1"), ("supply", "GBX"), 20.0)]),
    ("ground_shift module=GBX volt=-2", [GroundShift("GBX", -2.0)]),
    ("dead_module module=GBX", [Behaviour("GBX", "dead")]),
    ("stuck_dominant module=GBX", [Behaviour("GBX", "stuck_dominant")]),
    ("stuck_recessive module=GBX", [Behaviour("GBX", "stuck_recessive")]),
    ("not_configured module=GBX", [Behaviour("GBX", "not_configured")]),
    ("flooding module=GBX", [Behaviour("GBX", "flooding", 0)]),
    ("flooding module=GBX id=0x7ff", [Behaviour("GBX", "flooding", 0x7FF)]),
    ("wrong_bit_rate module=GBX bit_rate=250000", [Behaviour("GBX", "wrong_bit_rate", 250_000)]),
    ("silent_message message=GbxGear", [SilentMessage(NET, "GbxGear")]),
    ('wrong_value module=GBX name="axle ratio" value=3.7', [Told("GBX", "axle ratio", 3.7)]),
    ("wrong_value module=GBX name=Axle-Ratio value=3.7004", [Told("GBX", "axle ratio", 3.7)]),
    ("wrong_value module=GBX name=0x2102 value=0", [Told("GBX", "tow bar", 0.0)]),
    ("half_written module=GBX", [Behaviour("GBX", "half_written", 50)]),
    ("half_written module=GBX part=0.404", [Behaviour("GBX", "half_written", 40)]),
    ("wrong_unit module=GBX software_number=X-1", [Fitted("GBX", "software_number", "X-1")]),
    (
        "wrong_unit module=CLU part_number=31 software_number=4",
        [Fitted("CLU", "part_number", "31"), Fitted("CLU", "software_number", "4")],
    ),
]


@pytest.mark.parametrize(("text", "deviations"), DOES, ids=[text for text, _ in DOES])
def test_what_a_fault_does(text: str, deviations: list[Deviation]) -> None:
    """Own rule (DEVELOPERS.md, the table of faults): which element each kind changes."""
    fault = faults.parse(text)
    assert list(fault.deviations(three_modules())) == deviations
    assert set(fault.apply(three_modules()).deviations) == set(deviations)


def test_the_list_above_has_every_kind() -> None:
    """Own rule (DEVELOPERS.md, the table of faults): which element each kind changes."""
    assert {text.split()[0] for text, _ in DOES} == set(faults.kinds())


NOT_THERE = [
    ("open line=high at=GBY", UnknownName, "no module called 'GBY'; did you mean 'GBX'?"),
    ("open line=high at=S1", BadRequest, "'S1' is no module's plug"),
    ("open line=high run=S1-CLU", UnknownName, "no run called 'S1-CLU'"),
    ("crossed at=DLC", BadRequest, "'DLC' is no module's plug"),
    ("short between=high-low at=DCL", UnknownName, "no place called 'DCL'; did you mean 'DLC'?"),
    ("short between=high-supply at=DLC fuse=F9", UnknownName, "no fuse called 'F9'"),
    ("short between=high-low at=DLC network=LINE-2", UnknownName, "no network called 'LINE-2'"),
    ("missing_terminator at=GBX", BadRequest, "missing_terminator: 'GBX' has no terminator on LINE-1; "),
    ("wrong_terminator at=DLC ohm=180", BadRequest, "terminators there are at: ENG, CLU"),
    ("extra_terminator at=S2", UnknownName, "no place called 'S2'"),
    ("long_stub at=S1 length_m=2", BadRequest, "'S1' is no module's plug"),
    ("power_dropout module=S1", UnknownName, "no module called 'S1'"),
    ("power_dropout fuse=G1", UnknownName, "no fuse called 'G1'"),
    ("ground_dropout ground=F1", UnknownName, "no ground point called 'F1'"),
    ("wake_dropout module=CLU", BadRequest, "wake_dropout: 'CLU' has no wake pin"),
    ("back_feed module=GBX fuse=F7 ohm=1", UnknownName, "no fuse called 'F7'"),
    ("dead_module module=GBZ", UnknownName, "no module called 'GBZ'"),
    ("silent_message message=GbxGeer", UnknownName, "no message called 'GbxGeer'; did you mean 'GbxGear'?"),
    (
        "wrong_value module=CLU name=axle-ratio value=3",
        BadRequest,
        "CLU is told nothing (the vehicle file has no config",
    ),
    ("half_written module=ENG", BadRequest, "half_written: ENG is told nothing"),
    ("half_written module=ENH", UnknownName, "no module called 'ENH'"),
    (
        "wrong_value module=GBX name=axel-ratio value=3",
        UnknownName,
        "no value that GBX is told called 'axel-ratio'; did you mean 'axle ratio'?",
    ),
    (
        "wrong_value module=GBX name=axle-ratio value=3.92",
        BadRequest,
        "value 3.92 is the axle ratio that the vehicle needs; write",
    ),
    (
        "wrong_value module=GBX name=axle-ratio value=70",
        BadRequest,
        "value 70 is no axle ratio that GBX can hold; write 0.001 to 65.534",
    ),
    (
        "wrong_value module=GBX name=tow-bar value=255",
        BadRequest,
        "value 255 is no tow bar that GBX can hold; write 0 to 254",
    ),
    ("wrong_unit module=GBY software_number=1", UnknownName, "no module called 'GBY'"),
    ("dead_module module=GBX shaken=S9", UnknownName, "no place called 'S9'"),
]


@pytest.mark.parametrize(("text", "error", "told"), NOT_THERE, ids=[text for text, _, _ in NOT_THERE])
def test_what_the_vehicle_does_not_have(text: str, error: type[Exception], told: str) -> None:
    """Own rule (DEVELOPERS.md, the table of faults): which element each kind changes."""
    with pytest.raises(error) as caught:
        faults.parse(text).apply(three_modules())
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "open line=high at=GWY",
        "open line=high run=link",
        "crossed at=GWY",
        "short between=high-low at=S1",
        "missing_terminator at=GWY",
        "extra_terminator at=S1",
        "long_stub at=GWY length_m=2",
        "silent_message message=Heartbeat",
    ],
)
def test_a_name_on_several_networks_needs_the_network(text: str) -> None:
    """Own rule (DEVELOPERS.md, the table of faults): which element each kind changes."""
    vehicle = gateway_vehicle()
    with pytest.raises(BadRequest, match=r"is on several networks \(DRIVE, CABIN\): add network="):
        faults.parse(text).apply(vehicle)
    for network in ("DRIVE", "CABIN"):
        fault = faults.parse(f"{text} network={network}")
        assert all(network in repr(item) for item in fault.deviations(vehicle))
        assert fault.canonical(vehicle) == fault


def test_a_network_that_says_nothing_new_is_not_printed() -> None:
    """Own rule (DEVELOPERS.md, the table of faults): which element each kind changes."""
    vehicle = gateway_vehicle()
    for given, printed in [
        ("open line=high at=ENG network=DRIVE", "open line=high at=ENG"),
        ("open line=high run=S1-ENG network=DRIVE", "open line=high run=ENG-S1"),
        ("crossed run=DRL-S1", "crossed run=S1-DRL"),
        ("silent_message message=DoorState network=CABIN", "silent_message message=DoorState"),
        ("dead_module module=GWY", "dead_module module=GWY"),
    ]:
        assert str(faults.parse(given).canonical(vehicle)) == printed


def test_a_number_that_belongs_there_is_no_wrong_one() -> None:
    """Own rule (DEVELOPERS.md, the table of faults): what is as it should be is no fault."""
    own = identity_of(three_modules(), "GBX")
    for field in ("part_number", "software_number"):
        with pytest.raises(BadRequest, match=f"wrong_unit: {field}: .* is that of the unit that belongs there"):
            faults.parse(f"wrong_unit module=GBX {field}={getattr(own, field)}").apply(three_modules())


def test_module_faults_know_no_network() -> None:
    """Own rule (DEVELOPERS.md, the table of faults): which element each kind changes."""
    assert faults.StuckDominant(module="GWY").deviations(gateway_vehicle()) == (Behaviour("GWY", "stuck_dominant"),)
    with pytest.raises(BadRequest, match="no field called 'network'"):
        faults.parse("stuck_dominant module=GWY network=DRIVE")


def test_a_vehicle_is_left_as_it_was() -> None:
    """Own rule: a fault is a pure function of the description."""
    vehicle = three_modules()
    changed = faults.Open(line="high", at="GBX").apply(vehicle)
    assert vehicle == three_modules()
    assert changed != vehicle
    assert changed.as_drawn() == vehicle
