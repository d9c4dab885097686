"""The waveform's door, what receivers make of it, and who hears whom by it.

Sources: ISO 11898-2 thresholds (0.9 V, 0.5 V); Bosch CAN 2.0, 10.7 (five equal bits) and 10.3 (acknowledge slot);
otherwise hand-worked RC products, stated beside each check.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from wave_peer import off_grid_vehicle

import faults
from simulator.circuit import TESTER, Circuit
from simulator.circuit.hearing import who_hears_whom
from simulator.circuit.link import Timing, levels, link, receptions
from simulator.circuit.waveform import LOOP_DELAY_NS, Trace, Waveform, ramp_corners, waveform
from simulator.condition import Condition
from simulator.datalink.frame import encode
from simulator.errors import BadRequest, UnknownName
from simulator.reader import find_vehicle, load_vehicle
from simulator.vehicle import Vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))
FRAME = encode(0x222, bytes([0x00, 0x11, 0x22]))
BOTH_MISSING = ("missing_terminator at=ENG", "missing_terminator at=CLU")


def faulty(*texts: str) -> Vehicle:
    return faults.apply(PIPKIN, [faults.parse(text) for text in texts])


def sent(vehicle: Vehicle = PIPKIN, **options: object) -> Waveform:
    return waveform(vehicle, **{"transmitter": "GBX", "frame": FRAME, "places": ["DLC"], "step_ns": 4.0, **options})  # type: ignore[arg-type]


def test_grid_and_rest() -> None:
    wave = sent(step_ns=2.0)
    end = wave.bit_starts_ns[-1]
    assert (wave.t_ns[0], wave.t_ns[-1], end) == (-1000.0, end + 2000.0, FRAME.length * 2000.0)
    trace, rest = wave.places["DLC"], Circuit(PIPKIN).volts()
    before = wave.t_ns <= 0.0
    for values, line in ((trace.high_volt, "high"), (trace.low_volt, "low")):
        assert values[before] == pytest.approx(rest.at(("place", "LINE-1", "DLC", line)), abs=1e-6)
    moved = np.flatnonzero(np.abs(trace.difference_volt - trace.difference_volt[0]) > 1e-3)
    # GBX to DLC: 0.3 + 2.2 + 1.4 + 1.8 m at 5 ns a metre are 28.5 ns.
    assert 26.0 < wave.t_ns[moved[0]] < 34.0


def test_levels_of_a_frame_are_those_of_the_circuit_at_rest() -> None:
    """Settled bits against the exact static levels: one driver, then all in the acknowledge slot."""
    wave = sent()
    circuit, slot = Circuit(PIPKIN), FRAME.field("ACK slot").start
    drivers = {1: ["GBX"], 2: [], slot: [m for m in PIPKIN.modules if m != "GBX"]}
    for bit, modules in drivers.items():
        volts = circuit.volts([(module, "LINE-1") for module in modules])
        high, low = wave.sample(wave.places["DLC"], [wave.bit_starts_ns[bit] + 1900.0])
        assert high[0] == pytest.approx(volts.at(("place", "LINE-1", "DLC", "high")), abs=0.02), bit
        assert low[0] == pytest.approx(volts.at(("place", "LINE-1", "DLC", "low")), abs=0.02), bit
    assert wave.acknowledgers == ("ENG", "BRK", "STA", "BDY", "CLU")


def test_acknowledge_bit_comes_late_by_line_and_loop() -> None:
    wave = sent(acknowledgers=["CLU"], pins=["CLU"], step_ns=1.0)
    slot = wave.bit_starts_ns[FRAME.field("ACK slot").start]
    trace = wave.pins["CLU"]
    after = (wave.t_ns > slot) & (trace.difference_volt > 0.9)
    late = float(wave.t_ns[np.argmax(after)]) - slot
    assert wave.delay_ns["CLU"] == pytest.approx(60.0)  # 12 m at 5 ns
    assert LOOP_DELAY_NS + 60.0 < late < LOOP_DELAY_NS + 60.0 + 45.0


def test_nobody_acknowledges_a_lone_or_unacknowledged_frame() -> None:
    assert sent(frame=encode(1, b"", acknowledged=False)).acknowledgers == ()
    alone = Condition(unplugged=frozenset(set(PIPKIN.modules) - {"GBX"}))
    assert sent(condition=alone).acknowledgers == ()


def test_ramps() -> None:
    """45 ns from one level to the other; an edge that comes early turns round where the last one has come to."""
    assert ramp_corners(b"\x00\x01", (0.0, 100.0, 200.0)) == ((0.0, 0.0), (45.0, 1.0), (100.0, 1.0), (145.0, 0.0))
    turned = ramp_corners(b"\x00\x01", (0.0, 22.5, 45.0))
    assert turned == ((0.0, 0.0), (22.5, 0.5), (45.0, 0.0))
    assert ramp_corners(b"\x01\x01", (5.0, 6.0, 7.0)) == ((5.0, 0.0),)


def test_arbitration_both_drive_then_one() -> None:
    wave = sent(frame=None, bits=[0, 0, 1, 1], transmitter="ENG", also={"CLU": [0, 1, 1, 0]})
    high, low = wave.sample(wave.places["DLC"], [n * 2000.0 + 1800.0 for n in range(4)])
    two, one, none, other = (high - low).tolist()
    assert two > one + 0.3
    assert one == pytest.approx(1.99, abs=0.03)
    assert none == pytest.approx(0.0, abs=0.03)
    assert other == pytest.approx(1.99, abs=0.03)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"transmitter": "GBX", "frame": None}, "give a frame or bits"),
        ({"transmitter": "XYZ"}, "no module called 'XYZ'"),
        ({"places": ["NOWHERE"]}, "no place called 'NOWHERE'"),
        ({"step_ns": 0.0}, "a step of 0 ns is out of reach: write 0.01 to 100"),
        ({"step_ns": float("nan")}, "a step of nan ns is out of reach"),
        ({"bit_rate": 9e6}, "a bit rate of 9e+06 bit/s is out of reach"),
        ({"bit_rate": 0}, "a bit rate of 0 bit/s is out of reach"),
        ({"also": {"GBX": [0]}}, "GBX cannot send twice at once"),
        ({"frame": encode(1, b"", fd=True, brs=True)}, "no data_bit_rate: give one"),
        ({"condition": Condition(unplugged=frozenset({"GBX"}))}, "GBX is unplugged and sends nothing"),
        ({"condition": Condition(ignition_on=False)}, "GBX is asleep and sends nothing; able to send: nobody"),
        ({"bit_rate": 5_000, "step_ns": 0.01}, "write a longer step"),
    ],
)
def test_what_cannot_be(options: dict[str, object], message: str) -> None:
    with pytest.raises(BadRequest) as caught:
        sent(**options)
    assert message in str(caught.value)
    with pytest.raises(UnknownName):
        waveform(PIPKIN, network="LINE-9", transmitter="GBX", frame=FRAME)


def test_a_dead_and_a_stuck_module_say_so() -> None:
    for text, word in (("dead_module module=GBX", "dead"), ("stuck_recessive module=GBX", "stuck recessive")):
        with pytest.raises(BadRequest, match=f"GBX is {word}"):
            sent(faulty(text))
    wave = sent(faulty("stuck_dominant module=BDY"))
    assert float(wave.places["DLC"].difference_volt.min()) > 1.2


def test_thresholds_and_memory() -> None:
    """From 0.9 V dominant, up to 0.5 V recessive, the last value in between, recessive outside the range."""
    difference = np.array([0.7, 0.9, 0.7, 0.5, 0.7, 2.0, 2.0, 0.7])
    mean = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 13.0, 0.0])
    trace = Trace(mean + difference / 2, mean - difference / 2)
    assert levels(trace, 0.0, (-12.0, 12.0)).tolist() == [0, 1, 1, 0, 0, 1, 0, 0]
    assert levels(trace, 0.0, (-12.0, 12.0), before=True)[0]


def test_a_healthy_link_is_sound() -> None:
    found = link(PIPKIN, frame=FRAME, transmitters=["GBX"], step_ns=2.0)
    assert (found.verdict, found.wrong_bits, len(found.receptions)) == ("sound", (), 6)
    one = found.between("GBX", "CLU")
    assert one.read == FRAME.bits
    assert one.lingering_bits == 0
    assert 0.4 < one.margin_volt <= 0.5
    assert 45.0 < one.settling_ns < 400.0
    assert abs(one.width_change_ns) < 100.0


def test_bits_that_break_when_both_terminators_are_missing() -> None:
    """Every recessive bit right after a dominant one is lost: about 5 kohm and 0.9 nF hold the level for 8 us."""
    found = link(faulty(*BOTH_MISSING), frame=FRAME, transmitters=["ENG"], step_ns=4.0)
    assert found.verdict == "broken"
    bits = FRAME.bits
    first = [n for n in range(1, len(bits)) if bits[n] == 1 and bits[n - 1] == 0]
    assert set(first) <= set(found.wrong_bits)
    assert {reception.lingering_bits for reception in found.receptions} <= {3, 4, 5}


def test_one_module_cut_off_breaks_alone() -> None:
    found = link(faulty("open line=both at=GBX"), frame=FRAME, transmitters=["ENG"], step_ns=4.0)
    verdicts = {reception.receiver: reception.verdict for reception in found.receptions}
    assert verdicts.pop("GBX") == "broken"
    assert set(verdicts.values()) == {"sound"}
    assert found.between("ENG", "GBX").reason == "never reads dominant"


def test_marginal_says_why() -> None:
    """4 ohm between the lines leave 0.3 V, 24 ohm about 1.1 V: less than 0.3 V above the threshold."""
    found = link(faulty("short between=high-low at=DLC ohm=24"), frame=FRAME, transmitters=["ENG"], step_ns=4.0)
    assert found.verdict == "marginal"
    assert "V from a threshold at a sample point, less than 0.3 V" in found.receptions[0].reason


def test_a_data_phase_is_sampled_at_its_own_rate() -> None:
    frame = encode(0x7F, bytes(range(24)), fd=True, brs=True)
    wave = sent(frame=frame, data_bit_rate=2_000_000, pins=["CLU"], step_ns=1.0)
    timing = Timing.of(wave.network, data_bit_rate=2_000_000)
    (reception,) = receptions(wave, Circuit(PIPKIN), timing)
    assert (reception.verdict, reception.wrong_bits) == ("sound", ())


def test_who_hears_whom_on_a_healthy_vehicle() -> None:
    found = who_hears_whom(PIPKIN)
    everybody = {*PIPKIN.modules, TESTER}
    assert set(found.hears) == everybody == found.idle
    assert all(found.hears[a][b] for a in everybody for b in everybody)
    assert {bits for row in found.lingering_bits.values() for bits in row.values()} == {0}
    assert who_hears_whom(PIPKIN) is found  # kept


@pytest.mark.parametrize(
    ("bit_rate", "heard", "lingering"),
    [(500_000, False, {3, 4, 5}), (250_000, False, {2}), (125_000, False, {1}), (50_000, True, {0})],
)
def test_both_terminators_missing(bit_rate: int, heard: bool, lingering: set[int]) -> None:
    """The level falls from 3.37 V to 0.5 V in 1.9 R C: the inputs' 5 kohm times some 0.85 nF of line and pins, 8 us.

    So a recessive bit is lost while 0.8 of it is shorter than that: at 500, 250 and 125 kbit/s, not at 50.
    """
    found = who_hears_whom(faulty(*BOTH_MISSING), bit_rate=bit_rate)
    assert {bits for row in found.lingering_bits.values() for bits in row.values()} <= lingering
    assert all(value is heard for row in found.hears.values() for value in row.values())
    assert all(seen for row in found.sees.values() for seen in row.values())


@pytest.mark.parametrize(
    ("text", "deaf"),
    [
        ("open line=both at=GBX", {("GBX", other) for other in (*PIPKIN.modules, TESTER) if other != "GBX"}),
        ("crossed at=BDY", {("BDY", other) for other in (*PIPKIN.modules, TESTER) if other != "BDY"}),
        ("missing_terminator at=CLU", set()),
        ("long_stub at=GBX length_m=5", set()),
    ],
)
def test_who_does_not_hear(text: str, deaf: set[tuple[str, str]]) -> None:
    found = who_hears_whom(faulty(text))
    both = deaf | {(b, a) for a, b in deaf}
    not_heard = {(r, t) for r, row in found.hears.items() for t, heard in row.items() if not heard and r != t}
    assert not_heard == both


def test_static_levels_and_waveform_agree_where_nothing_lingers() -> None:
    """Faults that leave both terminators: the waveform's answer is that of the levels at rest."""
    for text in (
        "short between=high-low at=S1",
        "short between=low-ground at=DLC",
        "crossed at=STA",
    ):
        vehicle = faulty(text)
        circuit = Circuit(vehicle)
        found = who_hears_whom(vehicle)
        for receiver in PIPKIN.modules:
            for transmitter in circuit.senders("LINE-1"):
                if receiver != transmitter:
                    assert found.hears[receiver][transmitter] == circuit.hears("LINE-1", receiver, transmitter), text


@pytest.mark.slow
def test_who_hears_whom_is_quick_enough_for_every_change() -> None:
    """100 ms of processor time for Pipkin, all transmitters, in the mean; this project's own limit."""
    who_hears_whom(faulty("wrong_terminator at=CLU ohm=100"))
    changes = ("missing_terminator at=CLU", "open line=high at=GBX", "long_stub at=BRK length_m=10", "crossed at=BDY")
    vehicles = [faulty(text) for text in changes]
    began = time.process_time()
    for vehicle in vehicles:
        who_hears_whom(vehicle)
    assert (time.process_time() - began) / len(vehicles) < 0.1


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_two_edges_say_what_whole_frames_say(seed: int) -> None:
    """Who hears whom against frames bit by bit, on drawn vehicles, healthy and with a terminator or a wire missing."""
    vehicle = off_grid_vehicle(8, seed)
    net, names = vehicle.networks["LINE-1"], list(vehicle.modules)
    texts = [
        f"missing_terminator at={net.terminators[0].at}",
        f"open line=high at={names[3]}",
        "short between=high-low at=DLC ohm=9",
    ]
    frame = encode(0x07F, bytes([0x00, 0xFF, 0x0F, 0x55]))
    for text in ["", *texts]:
        car = faults.apply(vehicle, [faults.parse(text)]) if text else vehicle
        found = who_hears_whom(car)
        for item in link(car, frame=frame, transmitters=names[:2], step_ns=2.0).receptions:
            slot = frame.field("ACK slot").start
            right = not [bit for bit in item.wrong_bits if bit < slot]
            assert right == found.hears[item.receiver][item.transmitter], (text, item)
