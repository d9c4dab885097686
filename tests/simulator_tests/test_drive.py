"""Drive scripts: what they say, and every mistake with its line."""

from __future__ import annotations

import pytest

from simulator.drive import SCRIPTS, Leg, read_script, script_text
from simulator.errors import BadFile


def test_a_script_is_read_line_by_line() -> None:
    text = "start   # the engine\n\nselect drive\nto 50 in 12.5\nwait 3\nstop-start off\n"
    assert read_script(text) == (
        Leg("start"),
        Leg("select", position="drive"),
        Leg("to", 12.5, 50.0),
        Leg("wait", 3.0),
        Leg("stop-start"),
    )


def test_repeats_may_be_nested() -> None:
    legs = read_script("repeat 2\nbrake\nrepeat 3\nwait 1\nend\nend\nrepeat 0\nstop\nend\n")
    assert [leg.verb for leg in legs] == ["brake", "wait", "wait", "wait"] * 2


def test_every_mistake_has_its_line() -> None:
    text = "strat\nto 50\nwait 1e9\nselect fourth\nend\nrepeat 2\nto 900 in 5\nwait 1.2.3\nstop-start maybe\nfly\n"
    with pytest.raises(BadFile) as caught:
        read_script(text, "a.drive")
    told = {mistake.line: mistake.text for mistake in caught.value.mistakes}
    assert told[1] == "nothing a driver does is called 'strat'; write it as in 'start'"
    assert told[2] == "'to 50' is not complete, or has too much; write it as in 'to 50 in 12'"
    assert "wait 20" in told[3]
    assert told[4] == "no position called 'fourth'; write one of park, reverse, neutral, drive"
    assert told[5] == "'end' without 'repeat'; delete it, or write repeat 3 above"
    assert told[6] == "'repeat' without 'end'; write end below"
    assert told[7] == "900 is no number up to 250; write to 50 in 12"
    assert "1.2.3" in told[8]
    assert "stop-start on" in told[9]
    assert told[10].startswith("nothing a driver does is called 'fly'; write one of brake, ")


def test_a_slip_of_the_pen_does_not_fill_the_memory() -> None:
    """Own limit: 10,000 legs. Nested repeats multiply."""
    assert len(read_script("repeat 100\nrepeat 100\nwait 1\nend\nend\n")) == 10_000
    for text in ("repeat 999999999\nwait 1\nend\n", "repeat 101\nrepeat 100\nwait 1\nend\nend\n"):
        with pytest.raises(BadFile, match=r"a.drive:1: more than 10000 legs; repeat them less often"):
            read_script(text, "a.drive")


@pytest.mark.parametrize("name", sorted(SCRIPTS))
def test_our_own_are_good(name: str) -> None:
    assert read_script(script_text(name))
