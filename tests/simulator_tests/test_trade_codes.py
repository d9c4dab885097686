"""Which codes each fault leaves in which module, now or earlier, and who misses whom, against a trade text's table.

The vehicle is the reference bus of tests/files/vehicles/reference_bus.yaml; here every module receives every message,
so that everybody can miss everybody. The expected codes are common practice, no source, reasoned from what a module can
hear. Faults that come with heat, water, load or a shake have a timeline; 2 ohm in a feed that an actuator loads are a
larger resistance before the module's constant load. Lines that differ are in DIFFERENT, each shown below from the log.
``PYTHONPATH=.:tests python tests/simulator_tests/test_trade_codes.py`` prints tests/files/tables/trade_codes.md.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest

import faults
from simulator.condition import Surroundings
from simulator.diagnostics import code_text
from simulator.reader import load_vehicle
from simulator.record import Event, FrameRecord
from simulator.rollcall import roll_call
from simulator.simulation import Simulation
from simulator.vehicle import Feed, Vehicle

FILES = Path(__file__).parent.parent / "files"
TABLE = FILES / "tables" / "trade_codes.md"
NETWORK, BUS = "LINE", "U0073-88"
MODULES = ("M1", "M2", "M3", "M4", "M5", "X", "M7", "M8")
OTHERS = tuple(name for name in MODULES if name != "X")
NEAR, FAR = MODULES[:5], MODULES[5:]
NOW, EARLIER = "now", "earlier"


@dataclass
class Found:
    """What a run leaves: every module's codes (now or earlier), and the log."""

    codes: dict[str, dict[str, str]]
    records: list[FrameRecord] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    occurrences: dict[tuple[str, str], int] = field(default_factory=dict)

    def misses(self, who: str) -> dict[str, str]:
        """Whom a module misses, now or earlier."""
        return {LOST[code]: when for code, when in self.codes[who].items() if code in LOST}

    def own(self, who: str) -> dict[str, str]:
        """The other codes of a module."""
        return {code: when for code, when in self.codes[who].items() if code not in LOST}


Check = Callable[[Found], bool]


def nothing(found: Found) -> bool:
    return not any(found.codes.values())


def bus_everywhere(found: Found) -> bool:
    return all(codes == {BUS: NOW} for codes in found.codes.values())


def lost(*names: str, when: str, x: Mapping[str, str] | None = None) -> Check:
    """Everybody else misses these and nothing more; what X itself has is judged where ``x`` is given."""

    def check(found: Found) -> bool:
        others = [one for one in MODULES if one not in names]
        if any(found.codes[one] != {LOST_CODE[name]: when for name in names} for one in others):
            return False
        return x is None or found.codes["X"] == x

    return check


def few_in_x(found: Found) -> bool:
    """Everybody misses X now; X itself has one code at most."""
    return lost("X", when=NOW)(found) and len(found.codes["X"]) <= 1


def islands(when: str) -> Check:
    def check(found: Found) -> bool:
        sides = [(NEAR, FAR), (FAR, NEAR)]
        return all(
            found.codes[one] == {LOST_CODE[name]: when for name in theirs} for ours, theirs in sides for one in ours
        )

    return check


def many(found: Found) -> bool:
    return sum(len(found.misses(name)) for name in MODULES) >= 14


def some_past(found: Found) -> bool:
    return any(EARLIER in found.misses(name).values() for name in MODULES)


def alone(found: Found) -> bool:
    """Everybody misses X; X misses everybody and was never off the bus."""
    return lost("X", when=NOW)(found) and set(found.misses("X")) == set(OTHERS) and not found.own("X")


def shaken_often(found: Found) -> bool:
    counts = [found.occurrences[name, LOST_CODE["X"]] for name in OTHERS]
    return lost("X", when=EARLIER)(found) and min(counts) > 1


@dataclass(frozen=True)
class Line:
    """A line of the table: the fault as it is injected, the trade's words, and what they ask of the codes."""

    number: str
    name: str
    faults: str
    words: str
    check: Check
    #: Bits are busy with errors: slow to run.
    storm: bool = False


LINES = [
    Line("F01", "one terminator missing", "missing_terminator at=M8", "mostly none", nothing),
    Line("F02", "both terminators missing", "missing_terminator at=M1; missing_terminator at=M8",
         "-88 now everywhere", bus_everywhere, True),
    Line("F03", "third terminator", "extra_terminator at=DLC", "none", nothing),
    Line("F04", "one terminator drifted to 180", "wrong_terminator at=M8 ohm=180", "none", nothing),
    Line("F05", "both terminators at one end", "missing_terminator at=M8; extra_terminator at=M1",
         "earlier: far end", some_past),
    Line("F06", "high and low shorted", "short between=high-low at=S7 ohm=0.05", "-88 now everywhere", bus_everywhere,
         True),
    Line("F07", "water between high and low", "short between=high-low at=S6 ohm=20 wet=S6", "many misses, mixed", many,
         True),
    Line("F08", "high to ground", "short between=high-ground at=S6", "-88 now everywhere", bus_everywhere, True),
    Line("F09", "low to ground", "short between=low-ground at=S6", "none", nothing),
    Line("F10", "high to battery, old receivers", "short between=high-supply at=S6", "-88 now everywhere",
         bus_everywhere, True),
    Line("F11", "low to battery", "short between=low-supply at=S6", "-88 now everywhere", bus_everywhere, True),
    Line("F12", "high open, main line", "open line=high run=S5-S6", "islands, now", islands(NOW), True),
    Line("F13", "low open, main line", "open line=low run=S5-S6", "islands, now", islands(NOW), True),
    Line("F14", "pair open, main line", "open line=both run=S5-S6", "islands, now", islands(NOW), True),
    Line("F15", "joint of 30 ohm that shakes",
         "resistance line=high run=S5-S6 ohm=30; resistance line=high run=S5-S6 ohm=1000 shaken=S6",
         "earlier: across the joint", islands(EARLIER), True),
    Line("F16", "crossed at a main-line splice", "crossed run=S5-S6", "islands, now", islands(NOW), True),
    Line("F17", "high open on the stub of X", "open line=high at=X", "all miss X now; X few or none", few_in_x, True),
    Line("F18", "low open on the stub of X", "open line=low at=X", "all miss X now; X few or none", few_in_x, True),
    Line("F19", "pair open at X", "open line=both at=X", "all miss X now; X misses all, no bus-off", alone, True),
    Line("F20", "corroded pin 200 ohm that warms up",
         "resistance line=high at=X ohm=200; resistance line=high at=X ohm=200 warmer_than_celsius=60",
         "X missed, now or toggling", lost("X", when=EARLIER), True),
    Line("F21", "high and low crossed at X", "crossed at=X", "many misses, -88",
         lambda found: all(BUS in found.codes[name] for name in MODULES) and all(
             "X" in found.misses(name) for name in OTHERS), True),
    Line("F22", "feed of X open", "power_dropout module=X", "all miss X now", lost("X", when=NOW, x={})),
    Line("F23", "feed of X drops with load",
         "power_dropout module=X ohm=25 from_s=4 until_s=9; power_dropout module=X ohm=30 from_s=6 until_s=8",
         "X missed, toggling; X low supply earlier", lost("X", when=EARLIER, x={"U3003-16": EARLIER})),
    Line("F24", "ground of X open", "ground_dropout module=X", "all miss X now", lost("X", when=NOW, x={})),
    Line("F25", "ground of X drops with load",
         "ground_dropout module=X ohm=25 from_s=4 until_s=9; ground_dropout module=X ohm=30 from_s=6 until_s=8",
         "X missed, toggling; X low supply earlier", lost("X", when=EARLIER, x={"U3003-16": EARLIER})),
    Line("F26", "wake line of X open", "wake_dropout module=X", "all miss X now", lost("X", when=NOW, x={})),
    Line("F27", "fuse shared by X and M7", "power_dropout fuse=F6", "all miss both now", lost("X", "M7", when=NOW)),
    Line("F28", "X fed backwards, in bursts",
         "power_dropout module=X; back_feed module=X fuse=F7 ohm=20 on_s=4 off_s=2.5",
         "X missed, toggling", lost("X", when=EARLIER)),
    Line("F29", "weak battery while cranking", "weak_battery open_circuit_volt=8 internal_ohm=0.05 cranking=true",
         "low supply in many, earlier",
         lambda found: all(codes == {"U3003-16": EARLIER} for codes in found.codes.values())),
    Line("F30", "X dead", "dead_module module=X", "all miss X now", lost("X", when=NOW, x={})),
    Line("F31", "X shorts high and low", "short between=high-low at=X", "-88 now everywhere", bus_everywhere, True),
    Line("F32", "X stuck dominant", "stuck_dominant module=X", "-88 now everywhere", bus_everywhere, True),
    Line("F33", "X floods", "flooding module=X", "misses of low priority, toggling",
         lambda found: all("M1" not in found.misses(name) for name in MODULES) and some_past(found), True),
    Line("F34", "X at another bit rate", "wrong_bit_rate module=X bit_rate=250000", "all miss X now",
         lost("X", when=NOW), True),
    Line("F35", "X not configured", "not_configured module=X", "U0300-55 in X, invalid data in the others",
         lambda found: found.codes["X"] == {"U0300-55": NOW} and all(
             any(code.startswith("U04") for code in found.codes[name]) for name in OTHERS)),
    Line("F36", "stub of X opens when shaken", "open line=both at=X shaken=S6", "X missed earlier, counter above 1",
         shaken_often, True),
]  # fmt: skip
#: Lines whose codes are others here; the tests at the end show each right from the log.
DIFFERENT = ("F05", "F16", "F19", "F33", "F35")
CALM = [item for item in LINES if not item.storm]
STORMY = [item for item in LINES if item.storm]


def reference_bus() -> Vehicle:
    """The reference bus with every module receiving every message."""
    vehicle = load_vehicle(FILES / "vehicles" / "reference_bus.yaml")
    network = vehicle.networks[NETWORK]
    messages = tuple(
        dataclasses.replace(message, receivers=tuple(name for name in MODULES if name != message.sender))
        for message in network.messages
    )
    return dataclasses.replace(vehicle, networks={NETWORK: dataclasses.replace(network, messages=messages)})


def variant(number: str) -> Vehicle:
    """The bus of a line: F10 with receivers of 2003 (-2 to 7 V), F27 with M7 on the fuse of X."""
    vehicle = reference_bus()
    modules = dict(vehicle.modules)
    if number == "F10":
        for name, module in modules.items():
            old = dataclasses.replace(module.transceiver, common_mode_volt=(-2.0, 7.0))
            modules[name] = dataclasses.replace(module, transceiver=old)
    if number == "F27":
        modules["M7"] = dataclasses.replace(modules["M7"], feed=Feed("F6", 0.05))
    return dataclasses.replace(vehicle, modules=modules)


LOST_CODE = {name: f"{module.lost_code}-87" for name, module in reference_bus().modules.items()}
LOST = {code: name for name, code in LOST_CODE.items()}


def run(item: Line) -> Found:
    """Two seconds without the fault, then with it; what waits for heat, water or a shake gets it twice."""
    simulation = Simulation(variant(item.number), seed=1)
    found = Found({})
    simulation.subscribe(found.records.append)
    simulation.notice(found.events.append)
    simulation.advance(2)
    for text in item.faults.split(";"):
        simulation.inject(faults.parse(text.strip()))
    provoked = Surroundings(shaken=frozenset({"S6"}), wet=frozenset({"S6"}), cranking=True, celsius=80.0)
    if any(word in item.faults for word in ("shaken", "wet", "cranking", "celsius")):
        for _ in range(2 if item.check is shaken_often else 1):
            simulation.advance(2.5)
            simulation.surroundings = provoked
            simulation.advance(2.5)
            simulation.surroundings = Surroundings()
        simulation.advance(2.5)
    else:
        simulation.advance(3.5 if item.storm else 9)
    for name in MODULES:
        entries = simulation.modules[name].unit.memory.stored()
        found.codes[name] = {code_text(entry.number): NOW if entry.is_now else EARLIER for entry in entries}
        found.occurrences |= {(name, code_text(entry.number)): entry.occurrences for entry in entries}
    return found


RUNS: dict[str, Found] = {}


def found_of(number: str) -> Found:
    """The run of a line, once."""
    if number not in RUNS:
        RUNS[number] = run(next(item for item in LINES if item.number == number))
    return RUNS[number]


def differs(item: Line) -> bool:
    return not item.check(found_of(item.number))


@pytest.mark.parametrize("item", CALM, ids=lambda item: item.number)
def test_codes_of_a_fault(item: Line) -> None:
    assert differs(item) == (item.number in DIFFERENT), found_of(item.number).codes


@pytest.mark.slow
@pytest.mark.parametrize("item", STORMY, ids=lambda item: item.number)
def test_codes_of_a_fault_that_disturbs_everybody(item: Line) -> None:
    assert differs(item) == (item.number in DIFFERENT), found_of(item.number).codes


def test_few_lines_differ() -> None:
    assert len(DIFFERENT) <= 5


def test_why_f05_differs() -> None:
    """The expected codes come from echoes that break frames at the far end; on this bus no frame is broken."""
    assert {record.outcome for record in found_of("F05").records} == {"ok"}
    assert {len(record.received_by) for record in found_of("F05").records} == {len(MODULES) - 1}
    assert nothing(found_of("F05"))


@pytest.mark.slow
def test_why_f16_differs() -> None:
    """Who misses whom is as expected; but mirrored frames collide, so that every controller goes bus-off as well."""
    found = found_of("F16")
    for ours, theirs in ((NEAR, FAR), (FAR, NEAR)):
        assert all(found.misses(name) == dict.fromkeys(theirs, NOW) for name in ours)
    off = {event.name for event in found.events if event.kind == "controller" and event.what == "bus off"}
    assert off == set(MODULES)
    assert all(found.own(name) == {BUS: NOW} for name in MODULES)


@pytest.mark.slow
def test_why_f19_differs() -> None:
    """X is expected to send in vain, unacknowledged. But its open pins, loaded with 50 kohm alone, fall back so slowly
    that it disturbs itself: from the fault on it gets no frame as far as the acknowledgement, so it blames its bus."""
    found = found_of("F19")
    after = [event for event in found.events if event.t_ns > 2_100_000_000 and event.name == "X"]
    errors = {event.what for event in after if event.kind == "error"}
    assert errors
    assert "ack" not in errors
    assert not [event for event in after if event.what == "bus off"]
    assert found.codes["X"] == {BUS: NOW}
    assert lost("X", when=NOW)(found)


@pytest.mark.slow
def test_why_f33_differs() -> None:
    """Without a pause the identifier 0 wins every arbitration: nobody else sends a frame any more."""
    found = found_of("F33")
    after = {(record.transmitter, record.frame_id) for record in found.records if record.t_start_ns > 2_001_000_000}
    assert after == {("X", 0)}
    assert all(set(found.misses(name)) == set(MODULES) - {name} for name in OTHERS)


def test_why_f35_differs() -> None:
    """A module that is not configured here sends nothing of its database, so the others get no data at all: they miss
    it. It says itself what it lacks, and it still answers at the socket."""
    found = found_of("F35")
    assert not [r for r in found.records if r.transmitter == "X" and r.t_start_ns > 2_000_000_000]
    assert found.codes["X"] == {"U0300-55": NOW}
    assert lost("X", when=NOW)(found)
    assert "X" in roll_call(reference_bus(), faults=[faults.parse("not_configured module=X")]).answering


def table() -> str:
    """The lines as Markdown, ours beside the trade's words."""
    lines = [
        "# Which codes each fault leaves on the reference bus, and who misses whom",
        "",
        "Expected: common practice, no source. Ours: read from the fault memories. In bold: lines that differ.",
        "",
        "| line | fault | as | expected | ours |",
        "| --- | --- | --- | --- | --- |",
    ]
    for item in LINES:
        words = in_words(found_of(item.number))
        ours = f"**{words}**" if differs(item) else words
        as_given = "`, `".join(text.strip() for text in item.faults.split(";"))
        lines.append(f"| {item.number} | {item.name} | `{as_given}` | {item.words} | {ours} |")
    return "\n".join(lines) + "\n"


def in_words(found: Found) -> str:
    """Modules with the same codes together: "M1 M2: misses X now"."""
    said: dict[str, list[str]] = {}
    for name in MODULES:
        missed: dict[str, list[str]] = {}
        for whom, when in found.misses(name).items():
            missed.setdefault(when, []).append(whom)
        parts = [f"{code} {when}" for code, when in found.own(name).items()]
        for when, whom in missed.items():
            everybody = set(whom) == set(MODULES) - {name}
            parts.append(f"misses {'everybody' if everybody else ' '.join(sorted(whom, key=MODULES.index))} {when}")
        if parts:
            said.setdefault(", ".join(parts), []).append(name)
    who = {what: "all" if len(names) == len(MODULES) else " ".join(names) for what, names in said.items()}
    return "; ".join(f"{names}: {what}" for what, names in who.items()) or "none"


@pytest.mark.slow
def test_the_table_is_up_to_date() -> None:
    assert TABLE.read_text(encoding="utf-8") == table(), f"print it anew with: python {Path(__file__).name}"


if __name__ == "__main__":
    sys.stdout.write(table())
