"""The registry of kinds: what stands in it, what it says about names that do not, and the table made of it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import ClassVar

import pytest

import faults
from faults.fault import Fault, register
from simulator.errors import BadRequest, UnknownName

KINDS = [
    "back_feed", "crossed", "dead_module", "extra_terminator", "flooding", "ground_dropout", "ground_shift",
    "half_written", "long_stub", "missing_terminator", "not_configured", "open", "power_dropout", "resistance", "short",
    "silent_message", "stuck_dominant", "stuck_recessive", "wake_dropout", "weak_battery", "wrong_bit_rate",
    "wrong_terminator", "wrong_unit", "wrong_value",
]  # fmt: skip


def test_every_kind_is_known_and_sorted() -> None:
    """Own rule (DEVELOPERS.md, Add a fault)."""
    assert list(faults.kinds()) == KINDS


def test_each_kind_names_itself_in_its_example() -> None:
    """Own rule (DEVELOPERS.md, Add a fault)."""
    for kind, cls in faults.kinds().items():
        assert cls.kind == kind
        fault = faults.parse(cls.example)
        assert type(fault) is cls
        assert str(fault) == cls.example


def test_an_unknown_kind_is_answered_with_the_nearest() -> None:
    """Own rule (DEVELOPERS.md, Add a fault)."""
    with pytest.raises(UnknownName, match=r"^no fault called 'opn'; did you mean 'open'\?$"):
        faults.parse("opn line=high at=GBX")
    with pytest.raises(UnknownName, match="no fault called 'shrt'; did you mean 'short'"):
        faults.from_mapping({"kind": "shrt"})


def test_an_unknown_field_is_answered_with_the_nearest() -> None:
    """Own rule (DEVELOPERS.md, Add a fault)."""
    with pytest.raises(BadRequest, match=r"^open: no field called 'lin'; did you mean 'line'\?$"):
        faults.parse("open lin=high at=GBX")
    with pytest.raises(BadRequest, match="no field called 'form_s'; did you mean 'from_s'"):
        faults.parse("open line=high at=GBX form_s=2")
    with pytest.raises(BadRequest, match="no timeline key called 'untl_s'; did you mean 'until_s'"):
        faults.from_mapping({"kind": "open", "line": "high", "at": "GBX", "when": {"untl_s": 2}})


def test_a_kind_registered_twice_names_both_places() -> None:
    """Own rule (DEVELOPERS.md, Add a fault)."""
    with pytest.raises(BadRequest) as caught:

        @register
        @dataclass(frozen=True, kw_only=True)
        class AnotherOpen(faults.Open):
            kind: ClassVar[str] = "open"

    told = str(caught.value)
    assert re.search(r"wiring\.py:\d+ and .*test_registry\.py:\d+", told), told
    assert faults.kinds()["open"] is faults.Open


def test_a_field_without_a_reader_is_refused_when_registered() -> None:
    """Own rule (DEVELOPERS.md, Add a fault)."""
    with pytest.raises(TypeError, match="names no reader"):

        @register
        @dataclass(frozen=True, kw_only=True)
        class Vague(faults.DeadModule):
            kind: ClassVar[str] = "vague"
            how: str = "very"

    assert "vague" not in faults.kinds()


def test_the_table_has_a_row_for_each_kind_and_examples_that_parse() -> None:
    """Own rule (DEVELOPERS.md, Add a fault)."""
    rows = faults.reference_table().splitlines()[2:]
    assert [row.split("|")[1].strip(" `") for row in rows] == KINDS
    for row in rows:
        cells = [cell.strip() for cell in row.strip("|").split("|")]
        assert len(cells) == 4
        faults.parse(cells[3].strip("`"))


def test_the_doors_of_the_room() -> None:
    """Own rule (DEVELOPERS.md, Add a fault)."""
    for name in faults.__all__:
        assert hasattr(faults, name), name
    classes = {cls.__name__ for cls in faults.kinds().values()}
    assert classes <= set(faults.__all__)
    assert all(issubclass(cls, Fault) for cls in faults.kinds().values())
