"""The finding: leads that were not zeroed, an ohm left out, the reading that speaks against it, the cheapest other one.

Rules of a finding: DEVELOPERS.md, this project's own. Values of readings: the circuit of the format's rules.
"""

from __future__ import annotations

import pytest

import faults
from lab.apart import Measure, Standing, separating
from lab.bench import Bench, Traffic
from lab.claim import parse_claim
from lab.collapse import collapsed
from lab.debrief import volt_words
from lab.instruments import LAMP_OHM, read_lamp
from lab.job import start_job
from lab.possible import LIVE
from simulator.condition import DEAD, Condition
from simulator.errors import BadRequest
from simulator.probes import BODY
from simulator.reader import find_vehicle, load_vehicle

CASES = find_vehicle("pipkin").parent / "cases"
GROUND = ("call", "ignition off", "battery off", "read ohms GBX.ground battery.negative")


def handed_in(tmp_path, case, *lines):
    job = start_job(CASES / f"{case}.yaml", journal_path=tmp_path / "a.job")
    answers = [job.do(line) for line in lines]
    return answers[-1]


@pytest.mark.slow
def test_leads_that_were_not_zeroed_are_taken_off_and_the_reading_counts(tmp_path):
    """Common practice, no source: leads are zeroed before ohms of a few are read; how they count is an own choice."""
    answer = handed_in(
        tmp_path, "shorted_pair", "ignition off", "read ohms DLC.high DLC.low", "battery off", "covers off",
        "read ohms DLC.high DLC.low", "read ohms S3.high S3.low", "finding short between=high-low at=S3",
    )  # fmt: skip
    assert len(answer.verdict.still) < 30
    assert all("ohm=100" not in name for name in answer.verdict.still)
    told = "\n".join(answer.lines)
    assert "counted as 0.1 to 0.4 ohm" in told
    assert "Not counted: no. 1, void: " in told
    assert "Not counted: no. 2" not in told


@pytest.mark.parametrize(
    ("finding", "word", "told"),
    [
        ("ground_dropout ground=G2", "sound", "right place and kind; its value is 10 ohm"),
        pytest.param("ground_dropout ground=G2 ohm=10.1", "sound", "", marks=pytest.mark.slow),
        ("ground_dropout ground=G2 ohm=5", "wrong", "right place and kind, but your own readings speak against"),
        pytest.param(
            "ground_dropout ground=G2 ohm=20",
            "wrong",
            "right place and kind, but your own readings speak against",
            marks=pytest.mark.slow,
        ),
        pytest.param("ground_dropout ground=G2 ohm=1000", "wrong", "speak against it", marks=pytest.mark.slow),
        ("ground_dropout module=GBX", "wrong", "speak against it"),
    ],
)
def test_an_ohm_left_out_is_any_and_one_that_is_given_must_fit(tmp_path, finding, word, told):
    """Own rule of findings (DEVELOPERS.md)."""
    verdict = handed_in(tmp_path, "rusty_ground", *GROUND, f"finding {finding}").verdict
    assert verdict.word == word, verdict.reason
    assert told in verdict.reason


def test_a_kind_that_must_have_an_ohm_may_be_claimed_without(tmp_path):
    """Own rule of findings (DEVELOPERS.md)."""
    claim = parse_claim("resistance line=high at=GBX")
    assert claim.any_ohm
    assert str(claim) == "resistance line=high at=GBX"
    assert claim.names(faults.parse("resistance line=high at=GBX ohm=3"))
    assert not claim.names(faults.parse("resistance line=low at=GBX ohm=3"))
    assert not parse_claim("dead_module module=GBX").any_ohm
    with pytest.raises(BadRequest, match="line missing"):
        parse_claim("resistance at=GBX")


def test_a_wrong_finding_names_the_reading_and_the_side_of_the_plug(tmp_path):
    """Own rule of findings (DEVELOPERS.md)."""
    answer = handed_in(
        tmp_path, "open_stub", "ignition off", "battery off", "unplug GBX", "read ohms GBX.high GBX.low",
        "finding open line=high at=GBX",
    )  # fmt: skip
    assert answer.verdict.word == "wrong"
    assert answer.verdict.against[0].startswith("no. 1: OL; with your finding it would read 59.8 ohm")
    assert "on the module side of the probe points" in answer.verdict.notes[0]


def test_the_alternative_is_never_the_students_own_finding(tmp_path):
    """Own rule of findings (DEVELOPERS.md)."""
    verdict = handed_in(tmp_path, "open_stub", "finding healthy").verdict
    assert (verdict.word, verdict.fits_too) == ("unproven", 'open line=both run="gearbox stub"')
    assert verdict.told_apart_by == "call (3 min)"


def test_the_cheapest_reading_is_named_each_way_counted_once():
    """Minutes of Pipkin's file: read 1, battery 4, ignition 0.5, unplug 1, 15 to the gearbox plug, covers 10."""
    vehicle = load_vehicle(find_vehicle("pipkin"))
    high, low = (("place", "LINE-1", "GBX", line) for line in ("high", "low"))
    at_plug = Measure("ohms", Condition(False, False, frozenset({"GBX"})), high, low)
    assert at_plug.cost(vehicle, Standing())[0] == 1 + 4 + 0.5 + 1 + 15
    there = Standing(frozenset({"GBX"}), False, DEAD)
    assert at_plug.cost(vehicle, there) == (2, {"unplug"})
    splice = Measure("ohms", DEAD, ("place", "LINE-1", "S1", "high"), ("place", "LINE-1", "S1", "low"))
    assert splice.cost(vehicle, there) == (11, {"covers"})
    traffic = Traffic()
    benches = [Bench(fault.apply(vehicle), traffic) for fault in map(faults.parse, (
        "missing_terminator at=CLU", "missing_terminator at=ENG", "short between=high-low at=DLC",
    ))]  # fmt: skip
    by_instruments = {
        names: separating(benches, names, ("battery", "ignition"), Standing(condition=LIVE))
        for names in (("ohms",), ("call",))
    }
    assert by_instruments["ohms",][1] == ("ohms DLC.high DLC.low", 5.5)
    assert by_instruments["call",] == [None, ("call", 3)]


def test_an_error_is_told_before_anything_is_held_against_anything(tmp_path):
    """Own rule of findings (DEVELOPERS.md)."""
    job = start_job(CASES / "open_stub.yaml", journal_path=tmp_path / "a.job")
    with pytest.raises(BadRequest):
        job.check_finding("open line=high at=NOWHERE")
    assert job.verdict is None
    job.check_finding("open line=high at=GBX + power_dropout fuse=F7")


def test_zero_has_no_sign_and_long_lists_are_short():
    """Own rule of findings (DEVELOPERS.md)."""
    assert volt_words(-0.001, -0.004, 0.02) == "0.00 V (0.00 to 0.02)"
    names = ["open line=high at=GBX", "resistance line=high at=GBX ohm=300", "short between=high-low at=S3",
             "ground_dropout ground=G2", "ground_dropout ground=G2 ohm=10", "healthy"]  # fmt: skip
    rows = {fault: ohms for _, fault, ohms in collapsed([(name, 0.0) for name in names])}
    assert rows == {
        "open/resistance line=high at=GBX": "300 ohm to open",
        "short between=high-low at=S3": "0.1 ohm",
        "ground_dropout ground=G2": "10 ohm to open",
        "healthy": "",
    }


def test_a_lamp_shows_a_feed_that_a_voltmeter_does_not():
    """Ohm's law by hand: 12.6 V over battery, fuse, feed wire and lamp; with 1 ohm more in the feed a ninth is lost."""
    condition = Condition(unplugged=frozenset({"GBX"}))
    supply = ("supply", "GBX")
    drawn = load_vehicle(find_vehicle("pipkin"))
    thin = faults.parse("power_dropout module=GBX ohm=1").apply(drawn)
    for vehicle, more_ohm in ((drawn, 0.0), (thin, 1.0)):
        before_ohm = 0.0077 + 0.08 + more_ohm
        ampere = 12.6 / (0.010 + before_ohm + LAMP_OHM)
        shown = read_lamp(vehicle, condition, supply, BODY)
        # the other modules load the battery: a hundredth of its voltage
        assert shown[:2] == pytest.approx((ampere * LAMP_OHM, ampere * before_ohm), rel=0.012)
        for other in (drawn, thin):
            ranges = Bench(other, Traffic()).lamp(condition, supply, BODY)
            assert all(one.holds(volt) for one, volt in zip(ranges, shown, strict=True)) is (other is vehicle)
    assert (
        Bench(drawn, Traffic())
        .volts(condition, supply, BODY)
        .holds(Bench(thin, Traffic()).volts(condition, supply, BODY).value)
    )


@pytest.mark.slow
def test_a_unit_proved_by_the_lamp_is_a_sound_finding(tmp_path):
    """Common practice, no source: feed and ground are proved under load before a unit is condemned."""
    lamps = ("lamp GBX.supply battery.negative", "lamp battery.positive GBX.ground")
    wake = "read volts GBX.wake battery.negative"
    verdict = handed_in(tmp_path, "dead_unit", "call", *lamps, wake, "finding dead_module module=GBX").verdict
    assert (verdict.word, verdict.still) == ("sound", ("dead_module module=GBX",))
