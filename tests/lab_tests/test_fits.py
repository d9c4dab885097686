"""What fits: readings held against every single fault of a vehicle."""

from __future__ import annotations

import json
import random
import re
from pathlib import Path

import numpy as np
import pytest
from command_line import sixtyohm
from random_vehicles import random_vehicle

from lab.bench import Bench, Traffic
from lab.fits import WhatFits, family, parse_reading
from lab.instruments import INPUT_OHM
from simulator.calculator import METER_TOLERANCE, OPEN_OHM, VOLT_SLACK, worst_case
from simulator.circuit import Circuit
from simulator.condition import Condition
from simulator.errors import BadRequest
from simulator.probes import parse_probe, probe_points
from simulator.reader import find_vehicle, load_vehicle
from simulator.rollcall import roll_call
from simulator.vehicle import Vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))
MAIN_LINE = ("ENG-S1", "S1-BRK", "BRK-S2", "S2-DLC", "DLC-S3", "S3-BDY", "BDY-CLU")
#: The seeds of a default run are those of smaller vehicles.
SAMPLE, WIDE_SAMPLE, SWEEP = (2, 3, 4), 12, 200
#: So many of a group are asked whether they fit with the true fault.
GROUP_SAMPLE = 4


@pytest.fixture(scope="module")
def pipkin() -> WhatFits:
    return WhatFits(PIPKIN)


def ask(what: WhatFits, *readings: str) -> tuple[list[str], set[str]]:
    """The names that fit, best first, and their kinds and places."""
    found = what.against([parse_reading(what.vehicle, text) for text in readings])
    faults = dict(zip(what.names, what.faults, strict=True))
    names = [name for name, _ in found.fits]
    return names, {family(fault) if (fault := faults[name]) else name for name in names}


def test_120_ohm_leaves_a_terminator_missing_or_the_main_line_open(pipkin: WhatFits) -> None:
    """Common practice: about 120 ohm at the socket says that one terminator is not seen, and not why.

    The open may be in the contact of the module with the terminator: the end of the main line. An ohm near an open is a
    severity of the same fault, not another fault.
    """
    names, kinds = ask(pipkin, "ohms DLC.high DLC.low 120")
    places = [f"run={run}" for run in MAIN_LINE] + ["at=ENG", "at=CLU"]
    opens = {f"{kind} line={line} {place}" for kind in ("open", "resistance") for line in ("high", "low", "both")
             for place in places}  # fmt: skip
    terminators = {f"{kind} at={at}" for kind in ("missing_terminator", "wrong_terminator") for at in ("ENG", "CLU")}
    assert kinds == opens | terminators
    assert all("ohm=" not in name or name.endswith(("ohm=5000", "ohm=10000")) for name in names)


def test_the_roll_call_splits_them(pipkin: WhatFits) -> None:
    """Common practice: with a terminator missing a short bus still talks, with the main line open one side is gone."""
    found = pipkin.against([parse_reading(PIPKIN, "ohms DLC.high DLC.low 120")])
    assert found.splitting is not None
    assert found.splitting.reading == "call"
    _, kinds = ask(pipkin, "ohms DLC.high DLC.low 120", "call silent=")
    assert kinds == {f"{kind} at={at}" for kind in ("missing_terminator", "wrong_terminator") for at in ("ENG", "CLU")}


@pytest.mark.slow
def test_58_ohm_leaves_the_healthy_vehicle_first(pipkin: WhatFits) -> None:
    """Common practice, no source: about 60 ohm at the socket is a sound pair."""
    names, _ = ask(pipkin, "ohms DLC.high DLC.low 58")
    assert names[0] == "healthy"


@pytest.mark.slow
def test_weights_add_up_and_everything_is_in_or_out_once(pipkin: WhatFits) -> None:
    """Shares of a whole add up to one (probability); the weights are an own choice."""
    for readings in (["ohms DLC.high DLC.low 40"], ["call silent=GBX"], ["volts GBX.ground battery.negative 12"]):
        found = pipkin.against([parse_reading(PIPKIN, text) for text in readings])
        names = [name for name, _ in found.fits]
        assert sum(weight for _, weight in found.fits) == pytest.approx(1.0)
        assert sorted([*names, *(name for name, _ in found.out)]) == sorted(pipkin.names)
        assert sorted(name for group in found.groups for name in group) == sorted(names)
        assert {reading for _, reading in found.out} <= set(readings)


def test_a_reading_against_all_others_is_named(pipkin: WhatFits) -> None:
    """Own rule: no supply of a car of 12 V reads 40 V."""
    texts = ["ohms DLC.high DLC.low 60", "ohms BRK.high BRK.low 60", "volts GBX.supply battery.negative 40"]
    found = pipkin.against([parse_reading(PIPKIN, text) for text in texts])
    assert found.fits == []
    assert found.contradicting == ["volts GBX.supply battery.negative 40"]


@pytest.mark.slow
def test_groups_are_what_the_other_readings_cannot_tell_apart(pipkin: WhatFits) -> None:
    """A unit that is dead inside, and one whose wake line is open, read the same but for the wake pin's own volt."""
    groups = pipkin.against([parse_reading(PIPKIN, "call silent=GBX")]).groups
    of = {name: n for n, group in enumerate(groups) for name in group}
    assert of["dead_module module=GBX"] != of["wake_dropout module=GBX"]
    assert of["stuck_recessive module=GBX"] == of["wrong_bit_rate module=GBX bit_rate=250000"]
    assert of["open line=high at=GBX"] != of["open line=low at=GBX"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("ohm DLC.high DLC.low 60", "begins with ohms, volts or call"),
        ("ohms DLC.high DLC.low", "write ohms RED BLACK VALUE"),
        ("ohms DLC.high DLC.low sixty", "write a plain number in ohm, or OL"),
        ("volts DLC.high DLC.low OL", "write a plain number in volt"),
        ("ohms DLC.hihg DLC.low 60", "DLC.high"),
        ("ohms DLC.high DLC.low 60 plug=GBX", "write unplug=MODULE or part=PLACE"),
        ("ohms DLC.high DLC.low 60 part=S1", "S2"),
        ("volts DLC.high DLC.low 0 unplug=GBX", "everything plugged in"),
        ("call GBX", "write call silent=GBX"),
        ("call silent=GBY", "GBX"),
        ("", "begins with ohms, volts or call"),
    ],
)
def test_a_reading_that_is_none_says_what_to_write(text: str, says: str) -> None:
    """Own rule: what the command says."""
    with pytest.raises(BadRequest, match=re.escape(says)):
        parse_reading(PIPKIN, text)


def test_the_command_in_json() -> None:
    """Own rule: what the command says."""
    done = sixtyohm("fits", "pipkin", "--reading", "ohms DLC.high DLC.low OL", "--reading", "call silent=", "--json")
    assert done.status == 0
    found = json.loads(done.out)
    assert set(found) >= {"fits", "out", "groups"}
    assert all(set(row) == {"fault", "weight"} for row in found["fits"])
    assert all(set(row) == {"fault", "reading"} for row in found["out"])


def test_the_command_for_people() -> None:
    """Own rule: what the command says."""
    done = sixtyohm("fits", "pipkin", "--reading", "ohms DLC.high DLC.low 120")
    assert done.status == 0
    for words in ("What fits?", "Still possible", "5 kohm to open", "Worth measuring next: call"):
        assert words.casefold() in done.out.casefold()
    assert sixtyohm("fits", "pipkin", "--reading", "ohms DLC.high DLC.low much").status == 2


@pytest.mark.slow
def test_two_faults_at_once() -> None:
    """Own rule: what the command says."""
    readings = ["--reading", "ohms DLC.high DLC.low 40", "--reading", "call silent=GBX"]
    done = sixtyohm("fits", "pipkin", *readings, "--pairs", "--json")
    found = json.loads(done.out)
    assert found["fits"] == []
    assert any("extra_terminator" in row["fault"] and "module=GBX" in row["fault"] for row in found["pairs"])


# --- the true fault is always among those that fit ------------------------------------------------------------------


def drawn_readings(rng: random.Random, vehicle: Vehicle, car: Vehicle) -> list[str]:
    """Three readings of a faulted car, each drawn within its worst case."""
    return [rng.choice([drawn_ohms, drawn_ohms, drawn_volts, drawn_call])(rng, vehicle, car) for _ in range(3)]


def drawn_ohms(rng: random.Random, vehicle: Vehicle, car: Vehicle) -> str:
    red, black = rng.sample(probe_points(vehicle), 2)
    unplugged = rng.sample(list(vehicle.modules), rng.choice([0, 0, 1]))
    connectors = [(name, p.at) for name, network in vehicle.networks.items() for p in network.parting]
    parted = rng.sample(connectors, min(len(connectors), rng.choice([0, 0, 1])))
    condition = Condition(False, False, frozenset(unplugged), frozenset(parted))
    nominal, least, greatest = worst_case(car, condition, parse_probe(vehicle, red), parse_probe(vehicle, black))
    drawn = rng.choice([least, greatest, rng.uniform(least, greatest)])
    value = "OL" if nominal > OPEN_OHM else repr(max(0.0, drawn))
    options = [f"unplug={name}" for name in unplugged] + [f"part={place}.{network}" for network, place in parted]
    return " ".join(["ohms", red, black, value, *options])


def drawn_volts(rng: random.Random, vehicle: Vehicle, car: Vehicle) -> str:
    red, black = rng.sample(probe_points(vehicle), 2)
    factor = rng.choice([(1.0, 1.0), (0.95, 0.98), (1.05, 1.02)])
    points = parse_probe(vehicle, red), parse_probe(vehicle, black)
    meter = (*points, INPUT_OHM)
    volt = Circuit(car, meter=meter, wire_factor=factor[0], terminator_factor=factor[1]).volts().between(*points)
    slack = VOLT_SLACK + METER_TOLERANCE * abs(Circuit(car, meter=meter).volts().between(*points))
    return f"volts {red} {black} {volt + rng.uniform(-slack, slack)!r}"


def drawn_call(rng: random.Random, vehicle: Vehicle, car: Vehicle) -> str:
    return f"call silent={','.join(roll_call(car).silent)}"


def working_vehicle(rng: random.Random, most_modules: int, folder: Path) -> Vehicle:
    """A vehicle drawn by lot on whose networks with a socket every module answers while nothing is wrong."""
    while True:
        vehicle = load_vehicle(random_vehicle(rng, most_modules).write(folder))
        reached = {place for name, _ in vehicle.sockets for place in vehicle.networks[name].places}
        if not reached & set(roll_call(vehicle).silent):
            return vehicle


def check_the_true_fault_fits(seed: int, most_modules: int, folder: Path) -> None:
    """The group: what is alike at rest and, as far as some of it show, at the roll call."""
    rng = random.Random(seed)
    vehicle = working_vehicle(rng, most_modules, folder)
    what = WhatFits(vehicle)
    true = rng.randrange(1, len(what.cars))
    texts = drawn_readings(rng, vehicle, what.cars[true])
    found = what.against([parse_reading(vehicle, text) for text in texts], sort=False)
    names = {name for name, _ in found.fits}
    assert what.names[true] in names, (seed, what.names[true], texts)
    numbers = np.arange(len(what.cars))
    every = what.alike_at_rest(numbers)
    alike = numbers[every == every[true]].tolist()
    for number in rng.sample(alike, min(len(alike), GROUP_SAMPLE)):
        one, other = what.groups(np.array([true, number]))
        if one == other:
            assert what.names[number] in names, (seed, what.names[true], texts, what.names[number])


@pytest.mark.parametrize(
    "seed", [pytest.param(n, marks=[] if n in SAMPLE else pytest.mark.slow) for n in range(WIDE_SAMPLE)]
)
def test_the_true_fault_fits_and_chance_never_splits_its_group(seed: int, tmp_path: Path) -> None:
    """Tolerances are an own choice; within them the truth must fit (Rayleigh's monotonicity law for ohms)."""
    check_the_true_fault_fits(seed, 4, tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        "missing_terminator at=ENG", "open line=high at=GBX", "open line=both at=GBX",
        "resistance line=low at=CLU ohm=5000", "short between=low-supply at=S2 ohm=500", "power_dropout module=GBX",
        "ground_dropout module=BRK", "dead_module module=STA",
    ],
)  # fmt: skip
def test_what_a_voltmeter_shows_through_its_own_10_megohm_fits(pipkin: WhatFits, text: str) -> None:
    """The ends of the reading as the bench has them, meter and all: the other rule for the same thing."""
    true = pipkin.names.index(text)
    bench = Bench(pipkin.cars[true], Traffic())
    rng = random.Random(text)
    for red, black in [rng.sample(probe_points(pipkin.vehicle), 2) for _ in range(25)]:
        points = parse_probe(pipkin.vehicle, red), parse_probe(pipkin.vehicle, black)
        shown = bench.volts(Condition(), *points, quiet=True)
        for volt in (shown.value, shown.least, shown.greatest):
            taken = parse_reading(pipkin.vehicle, f"volts {red} {black} {volt!r}")
            assert np.isfinite(pipkin.misfit(taken, [true])).all(), (red, black, volt)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000, 1000 + SWEEP))
def test_sweep_the_true_fault_fits_and_chance_never_splits_its_group(seed: int, tmp_path: Path) -> None:
    """Two hundred vehicles, each with a fault and three readings by lot."""
    check_the_true_fault_fits(seed, 6, tmp_path)


@pytest.mark.slow
def test_what_is_as_good_as_another_shares_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """Own rule: nearly equal shares are no order, and the lost terminator shows among the first lines."""
    monkeypatch.setenv("COLUMNS", "300")
    lines = sixtyohm("fits", "pipkin", "--reading", "ohms DLC.high DLC.low 120").out.splitlines()
    first = next(n for n, line in enumerate(lines) if "open/resistance" in line)
    told = next(n for n, line in enumerate(lines) if "terminator" in line)
    assert told - first < 5
    assert sum("S1-BRK" in line for line in lines) < 4
    healthy = sixtyohm("fits", "pipkin", "--reading", "ohms DLC.high DLC.low 58").out.splitlines()
    assert "healthy" in healthy[4]
