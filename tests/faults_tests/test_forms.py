"""One fault in three forms, text, mapping and Python, and what is said about a form that is wrong."""

from __future__ import annotations

import contextlib
import string
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import faults
from faults.fault import field_readers
from faults.reading import Name, Number, OneOf, Plain, Reader, Whole
from simulator.errors import BadRequest

_PLAIN = st.text(string.ascii_letters + string.digits + "_-", min_size=1, max_size=8)
_QUOTED = st.text(string.ascii_letters + " '\"\\=#$é(),", min_size=1, max_size=12).map(str.strip).filter(bool)


def _values(name: str, reader: Reader) -> st.SearchStrategy[Any]:
    """Values that a field takes."""
    match reader:
        case Number(_, low, high):
            return st.floats(max(low, -1e12), min(high, 1e12), allow_nan=False)
        case Whole(_, low, high):
            return st.integers(low, high)
        case OneOf(words):
            return st.sampled_from(words)
        case Plain():
            return _PLAIN
        case Name():
            return _PLAIN | _QUOTED if name == "run" else _PLAIN
    raise AssertionError(reader)


@st.composite
def any_timeline(draw: st.DrawFn) -> faults.Timeline:
    """A timeline whose keys go together."""
    keys: dict[str, Any] = {}
    if draw(st.booleans()):
        keys["from_s"] = draw(st.floats(0, 100))
    if draw(st.booleans()):
        keys["until_s"] = keys.get("from_s", 0.0) + draw(st.floats(1, 100))
    if draw(st.booleans()):
        keys["on_s"], keys["off_s"] = draw(st.floats(0.1, 50)), draw(st.floats(0.1, 50))
    if keys and draw(st.booleans()):
        keys["jitter_s"], keys["seed"] = draw(st.floats(0, 0.049)), draw(st.integers(0, 1000))
    trigger = draw(st.sampled_from(["", "shaken", "wet", "cranking", "warmer_than_celsius"]))
    if trigger:
        keys[trigger] = {"cranking": True, "warmer_than_celsius": 60.5}.get(trigger, "S1")
    return faults.Timeline(**keys)


@st.composite
def any_fault(draw: st.DrawFn) -> faults.Fault:
    """A fault of any kind whose fields go together; its names need not be on any vehicle."""
    kind, cls = draw(st.sampled_from(sorted(faults.kinds().items())))
    given_fields = {}
    for field, reader in field_readers(cls).items():
        optional = field in ("network", "fuse", "along", "ohm", "id") and kind not in ("resistance", "wrong_terminator")
        if field in ("at", "run") and kind in ("open", "resistance", "crossed"):
            continue
        if field in ("module", "fuse", "ground") and kind in ("power_dropout", "ground_dropout"):
            continue
        if (optional and kind != "back_feed" and draw(st.booleans())) or field == "along":
            continue
        given_fields[field] = draw(_values(field, reader))
    if kind in ("open", "resistance", "crossed"):
        field = draw(st.sampled_from(["at", "run"]))
        given_fields[field] = draw(_values(field, field_readers(cls)[field]))
        if field == "run" and kind != "crossed":
            given_fields["along"] = draw(st.floats(0, 1))
    if kind in ("power_dropout", "ground_dropout"):
        other = "fuse" if kind == "power_dropout" else "ground"
        given_fields[draw(st.sampled_from(["module", other]))] = draw(_PLAIN)
    if kind == "short" and "fuse" in given_fields and not given_fields["between"].endswith("supply"):
        del given_fields["fuse"]
    return cls(timeline=draw(any_timeline()), **given_fields)


def as_text(value: object) -> object:
    """A mapping as a reader that takes every scalar for text would give it."""
    if isinstance(value, dict):
        return {key: as_text(item) for key, item in value.items()}
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else str(value)


@settings(max_examples=300, deadline=None)
@given(any_fault())
def test_every_form_gives_the_same_fault_again(fault: faults.Fault) -> None:
    """Own rule (DEVELOPERS.md, Faults): the forms are this project's own."""
    assert faults.parse(str(fault)) == fault
    assert faults.from_mapping(fault.to_mapping()) == fault
    assert faults.from_mapping(as_text(fault.to_mapping())) == fault  # type: ignore[arg-type]
    assert str(faults.parse(str(fault))) == str(fault)
    assert hash(faults.parse(str(fault))) == hash(fault)


def test_the_three_forms_of_one_fault() -> None:
    """Own rule (DEVELOPERS.md, Faults): the forms are this project's own."""
    python = faults.Open(line="high", at="GBX")
    assert faults.parse("open line=high at=GBX") == python
    assert faults.from_mapping({"kind": "open", "line": "high", "at": "GBX"}) == python
    assert str(python) == "open line=high at=GBX"
    assert python.kind == "open"


def test_a_timeline_in_the_three_forms() -> None:
    """Own rule (DEVELOPERS.md, Faults): the forms are this project's own."""
    python = faults.DeadModule(module="GBX", timeline=faults.Timeline(on_s=2, off_s=0.5, shaken="S1"))
    assert faults.parse("dead_module module=GBX on_s=2 off_s=0.5 shaken=S1") == python
    when = {"on_s": 2, "off_s": 0.5, "shaken": "S1"}
    assert faults.from_mapping({"kind": "dead_module", "module": "GBX", "when": when}) == python
    assert str(python) == "dead_module module=GBX on_s=2 off_s=0.5 shaken=S1"


def test_defaults_are_not_printed() -> None:
    """Own rule (DEVELOPERS.md, Faults): the forms are this project's own."""
    assert str(faults.parse("short between=high-low at=DLC ohm=0.1")) == "short between=high-low at=DLC"
    assert str(faults.parse("open line=low run=A-B along=0.50")) == "open line=low run=A-B"
    assert str(faults.parse("flooding module=GBX id=0x000")) == "flooding module=GBX"
    assert str(faults.parse("flooding module=GBX id=291")) == "flooding module=GBX id=0x123"
    assert str(faults.parse("dead_module module=GBX seed=0 cranking=false")) == "dead_module module=GBX"


def test_names_with_blanks_stand_in_quotes() -> None:
    """Own rule (DEVELOPERS.md, Faults): the forms are this project's own."""
    fault = faults.parse('open line=high run="gearbox stub"')
    assert fault == faults.parse("open line=high 'run=gearbox stub'")
    assert str(fault) == 'open line=high run="gearbox stub"'


WRONG = [
    ("", "an empty fault; write a kind"),
    ("open line=high run='gearbox", "has a quote that does not end"),
    ("open high at=GBX", "open: 'high' is no key=value"),
    ("open line=high line=low at=GBX", "open: line is given twice"),
    ("open line= at=GBX", "open: line has no value"),
    ("open at=GBX", "open: line missing; for example 'open line=high at=GBX'"),
    ("open line=hgh at=GBX", "'hgh' is none of high, low, both; did you mean 'high'?"),
    ("open line=high", "neither at= nor run= is given"),
    ("open line=high at=GBX run=A-B", "both at= and run= are given"),
    ("open line=high at=GBX along=0.2", "along= is a point of a run"),
    ("open line=high run=A-B along=1.1", "write a number from 0 to 1"),
    ("open line=high run=A-B along=-0.1", "write a number from 0 to 1"),
    ("resistance line=high at=GBX", "resistance: ohm missing"),
    ("resistance line=high at=GBX ohm=1k", "'1k' is no number; write the number alone, in ohm"),
    ("resistance line=high at=GBX ohm=1_0", "'1_0' is no number"),
    ("resistance line=high at=GBX ohm=0", "0 is out of range; write a number of at least 1e-06, in ohm"),
    ("resistance line=high at=GBX ohm=-5", "-5 is out of range"),
    ("resistance line=high at=GBX ohm=inf", "'inf' is no number"),
    ("resistance line=high at=GBX ohm=1e999", "1e999 is out of range"),
    ("short between=low-high at=DLC", "'low-high' is none of"),
    ("short between=high-low at=DLC fuse=F1", "fuse= goes with high-supply and low-supply"),
    ("crossed", "neither at= nor run= is given"),
    ("long_stub at=GBX length_m=0", "write a number of at least 1e-06, in metre"),
    ("power_dropout", "write either module="),
    ("power_dropout module=GBX fuse=F1", "write either module="),
    ("ground_dropout module=GBX ground=G1", "write either module="),
    ("weak_battery open_circuit_volt=61 internal_ohm=0.1", "write a number from 0 to 60, in volt"),
    ("weak_battery open_circuit_volt=12", "internal_ohm missing"),
    ("ground_shift module=GBX volt=60.5", "write a number from -60 to 60, in volt"),
    ("flooding module=GBX id=0x800", "write a whole number from 0x000 to 0x7FF"),
    ("flooding module=GBX id=-1", "-1 is out of range"),
    ("flooding module=GBX id=1.5", "'1.5' is no whole number"),
    ("wrong_bit_rate module=GBX bit_rate=4999", "write a whole number from 5000 to 8000000"),
    ("wrong_bit_rate module=GBX bit_rate=8000001", "out of range"),
    ("wrong_value module=GBX name=axle-ratio", "wrong_value: value missing"),
    ("wrong_value module=GBX name=axle-ratio value=low", "'low' is no number"),
    ("half_written module=GBX part=40", "write a number from 0 to 1, in part of the writing"),
    ("wrong_unit module=GBX", "neither part_number nor software_number"),
    ("wrong_unit module=GBX part_number=" + 33 * "1", "write 1 to 32 plain characters"),
]


@pytest.mark.parametrize(("text", "told"), WRONG, ids=[text or "empty" for text, _ in WRONG])
def test_text_that_is_wrong(text: str, told: str) -> None:
    """Own rule (DEVELOPERS.md, Faults): the forms are this project's own."""
    with pytest.raises(BadRequest) as caught:
        faults.parse(text)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("mapping", "told"),
    [
        ([], "a fault is a mapping like"),
        ({}, "a fault without kind"),
        ({"kind": 3}, "no fault called '3'"),
        ({"kind": "open", "line": "high", "at": "GBX", "on_s": 2}, "open: on_s belongs under 'when:'"),
        ({"kind": "open", "line": "high", "at": "GBX", "when": 5}, "open: when is a mapping like"),
        ({"kind": "open", "line": "high", "at": None}, "open: at has no value"),
        ({"kind": "open", "line": "high", "at": ["GBX"]}, "is no name; write the name of a module"),
        ({"kind": "open", "line": "high", "at": True}, "'True' is no name"),
        ({"kind": "resistance", "line": "high", "at": "GBX", "ohm": True}, "'True' is no number"),
        ({"kind": "flooding", "module": "GBX", "id": False}, "'False' is no whole number"),
        ({"kind": "open", "line": "high", "at": "GBX", "wehn": {}}, "did you mean 'when'"),
    ],
)
def test_mappings_that_are_wrong(mapping: Any, told: str) -> None:
    """Own rule (DEVELOPERS.md, Faults): the forms are this project's own."""
    with pytest.raises(BadRequest) as caught:
        faults.from_mapping(mapping)
    assert told in str(caught.value)


def test_python_values_are_checked_too() -> None:
    """Own rule (DEVELOPERS.md, Faults): the forms are this project's own."""
    with pytest.raises(BadRequest, match="out of range"):
        faults.Resistance(line="high", at="GBX", ohm=float("nan"))
    with pytest.raises(BadRequest, match="out of range"):
        faults.Short(between="high-low", at="DLC", ohm=0.0)
    with pytest.raises(BadRequest, match="timeline must be a"):
        faults.DeadModule(module="GBX", timeline={"on_s": 2})  # type: ignore[arg-type]
    assert faults.GroundShift(module="GBX", volt=-0.0) == faults.GroundShift(module="GBX", volt=0)


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=60) | st.text("open line=high at=GBX \"'\\", max_size=40))
def test_any_text_is_a_fault_or_a_complaint(text: str) -> None:
    """Own rule (DEVELOPERS.md, Faults): the forms are this project's own."""
    with contextlib.suppress(BadRequest):
        faults.parse(text)
