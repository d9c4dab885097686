"""The fault diary: edges, repeats, jitter, and what a fault waits for. All times whole nanoseconds."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_vehicle import three_modules

import faults
from faults import Timeline
from simulator.condition import Surroundings
from simulator.errors import BadRequest, UnknownName

S = 1_000_000_000
CALM = Surroundings()


def edges(timeline: Timeline, until_ns: int, start_ns: int = -S) -> list[int]:
    """Every change until a time, found by asking for the next one again and again."""
    found = []
    t_ns: int | None = start_ns
    while (t_ns := timeline.next_change_ns(t_ns)) is not None and t_ns <= until_ns:
        found.append(t_ns)
    return found


def test_without_keys_a_fault_is_always_in() -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    assert all(faults.ALWAYS.is_in(t_ns, CALM) for t_ns in (-S, 0, 10**18))
    assert faults.ALWAYS.next_change_ns(0) is None
    fault = faults.DeadModule(module="GBX")
    assert fault.timeline == faults.ALWAYS
    assert fault.is_in(0, CALM)
    assert fault.next_change_ns(0) is None


def test_from_and_until() -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    timeline = Timeline(from_s=2, until_s=3.5)
    assert [timeline.is_in(t_ns, CALM) for t_ns in (0, 2 * S - 1, 2 * S, 3_500_000_000 - 1, 3_500_000_000)] == [
        False, False, True, True, False,
    ]  # fmt: skip
    assert edges(timeline, 100 * S) == [2 * S, 3_500_000_000]
    assert edges(Timeline(until_s=1), 9 * S) == [S]
    assert edges(Timeline(from_s=1), 9 * S) == [S]


def test_repeating_begins_in_at_from() -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    timeline = Timeline(from_s=1, on_s=2, off_s=3)
    assert edges(timeline, 12 * S) == [1 * S, 3 * S, 6 * S, 8 * S, 11 * S]
    assert [timeline.is_in(t * S, CALM) for t in range(9)] == [
        False,
        True,
        True,
        False,
        False,
        False,
        True,
        True,
        False,
    ]
    assert Timeline(on_s=2, off_s=3).is_in(0, CALM)


def test_until_cuts_a_repeating_fault() -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    assert edges(Timeline(on_s=2, off_s=3, until_s=6), 99 * S) == [0, 2 * S, 5 * S, 6 * S]
    # Already out when the end comes: nothing changes then.
    assert edges(Timeline(on_s=2, off_s=3, until_s=4), 99 * S) == [0, 2 * S]
    assert edges(Timeline(on_s=2, off_s=3, until_s=2), 99 * S) == [0, 2 * S]
    assert edges(Timeline(on_s=2, off_s=3, until_s=5), 99 * S) == [0, 2 * S]


def test_late_in_a_run_the_edges_are_exact() -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    # 0.1 s has no exact binary value; in whole nanoseconds a million periods later nothing has drifted.
    timeline = Timeline(on_s=0.1, off_s=0.2)
    t_ns = 300_000_000 * 10**6
    assert timeline.next_change_ns(t_ns - 1) == t_ns
    assert timeline.next_change_ns(t_ns) == t_ns + 100_000_000


@st.composite
def timelines(draw: st.DrawFn) -> Timeline:
    """A timeline without a trigger whose keys go together; short stretches, so that edges are many."""
    keys: dict[str, Any] = {}
    if draw(st.booleans()):
        keys["from_s"] = draw(st.floats(0, 3))
    if draw(st.booleans()):
        keys["on_s"], keys["off_s"] = draw(st.floats(1e-2, 2)), draw(st.floats(1e-2, 2))
    if draw(st.booleans()):
        keys["until_s"] = keys.get("from_s", 0) + draw(st.floats(0.5, 5))
    if keys and draw(st.booleans()):
        shortest = min(keys.get("on_s", 1.0), keys.get("off_s", 1.0), 0.5)
        keys["jitter_s"] = shortest * draw(st.floats(0, 0.49))
        keys["seed"] = draw(st.integers(0, 99))
    return Timeline(**keys)


@settings(max_examples=200, deadline=None)
@given(timelines(), st.lists(st.integers(-S, 8 * S), min_size=1, max_size=20))
def test_the_next_change_is_the_first_one(timeline: Timeline, moments: list[int]) -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    changes = edges(timeline, 8 * S, start_ns=-10 * S)
    assert changes == sorted(set(changes))
    for change in changes:
        assert timeline.is_in(change, CALM) != timeline.is_in(change - 1, CALM)
    for t_ns in moments:
        following = [change for change in changes if change > t_ns]
        if following:
            assert timeline.next_change_ns(t_ns) == following[0]
        before = [change for change in changes if change <= t_ns]
        start_in = timeline.is_in(-10 * S, CALM)
        assert timeline.is_in(t_ns, CALM) == (start_in ^ (len(before) % 2 == 1))


def test_jitter_moves_every_edge_by_its_own_amount_and_keeps_their_order() -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    timeline = Timeline(on_s=1, off_s=2, jitter_s=0.4, seed=7)
    found = edges(timeline, 300 * S)
    plain = edges(Timeline(on_s=1, off_s=2), 300 * S)
    moved = [there - here for there, here in zip(found, plain, strict=False)]
    assert found == sorted(found)
    assert max(map(abs, moved)) <= 400_000_000
    assert len(set(moved)) == len(moved)
    # Evenly spread over the width: both halves of it are used, and nearly all of it.
    assert max(moved) > 350_000_000
    assert min(moved) < -350_000_000


def test_jitter_depends_on_the_seed_alone() -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""

    def fresh(seed: int) -> Timeline:
        return Timeline(on_s=1, off_s=2, jitter_s=0.4, seed=seed)

    moments = [17 * S, 3 * S, 250 * S, 0, 17 * S]
    forward = [fresh(3).next_change_ns(t_ns) for t_ns in moments]
    asked_before = fresh(3)
    for t_ns in range(0, 300 * S, S):
        asked_before.is_in(t_ns, CALM)
    assert [asked_before.next_change_ns(t_ns) for t_ns in reversed(moments)] == forward[::-1]
    assert edges(fresh(3), 30 * S) != edges(fresh(4), 30 * S)


def test_jitter_is_the_same_on_every_machine() -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    # Regression: these are what this project drew when the rule was made; a recorded run must stay true to them.
    drawn = edges(Timeline(on_s=1, off_s=1, jitter_s=0.25, seed=1), 3 * S)
    assert drawn == [-89_281_780, 1_031_159_082, 2_130_608_531]


@pytest.mark.parametrize(
    ("key", "value", "idle", "met"),
    [
        ("shaken", "S1", Surroundings(shaken=frozenset({"DLC"})), Surroundings(shaken=frozenset({"S1", "DLC"}))),
        ("wet", "S1", Surroundings(shaken=frozenset({"S1"})), Surroundings(wet=frozenset({"S1"}))),
        ("cranking", True, CALM, Surroundings(cranking=True)),
        ("warmer_than_celsius", 60, Surroundings(celsius=60.0), Surroundings(celsius=60.1)),
    ],
)
def test_what_a_fault_waits_for(key: str, value: Any, idle: Surroundings, met: Surroundings) -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    timeline = Timeline(**{key: value})
    assert not timeline.is_in(5 * S, idle)
    assert timeline.is_in(5 * S, met)
    assert timeline.next_change_ns(0) is None
    timed = Timeline(**{key: value, "from_s": 2})
    assert not timed.is_in(S, met)
    assert timed.is_in(2 * S, met)
    assert not timed.is_in(2 * S, idle)
    assert timed.next_change_ns(0) == 2 * S


def test_a_static_answer_ignores_the_timeline() -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    car = three_modules()
    later = faults.parse("open line=high at=GBX from_s=100 wet=S1")
    assert later.apply(car) == faults.parse("open line=high at=GBX").apply(car)


def test_the_place_waited_for_must_be_there() -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    with pytest.raises(UnknownName, match="no place called 'S3'"):
        faults.parse("open line=high at=GBX wet=S3").apply(three_modules())


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ({"on_s": 1}, "on_s without off_s: a repeating fault needs both; add off_s="),
        ({"off_s": 1}, "off_s without on_s"),
        ({"from_s": 2, "until_s": 2}, "until_s=2 is not after from_s=2"),
        ({"until_s": 0}, "until_s=0 is not after from_s=0"),
        ({"from_s": -1}, "from_s: -1 is out of range"),
        ({"on_s": 0, "off_s": 1}, "on_s: 0 is out of range"),
        ({"on_s": float("nan"), "off_s": 1}, "out of range"),
        ({"on_s": 1, "off_s": 3, "jitter_s": 0.5}, "less than half of the shortest stretch, 1 s"),
        ({"on_s": 3, "off_s": 1, "jitter_s": 0.5}, "less than half of the shortest stretch, 1 s"),
        ({"from_s": 1, "until_s": 2, "jitter_s": 0.6}, "less than half"),
        ({"jitter_s": 0.5}, "jitter_s has no edge to move"),
        ({"jitter_s": 0.5, "wet": "S1"}, "jitter_s has no edge to move"),
        ({"from_s": 1, "seed": 4}, "seed without jitter_s"),
        ({"from_s": 1, "jitter_s": 0.1, "seed": -1}, "seed: -1 is out of range"),
        ({"shaken": "S1", "wet": "S1"}, "waits for one thing only, not for shaken and wet"),
        ({"cranking": True, "warmer_than_celsius": 60}, "waits for one thing only"),
        ({"cranking": "yes"}, "'yes' is neither true nor false"),
        ({"warmer_than_celsius": "hot"}, "'hot' is no number; write the number alone, in degree Celsius"),
    ],
)
def test_keys_that_do_not_go_together(keys: dict[str, Any], told: str) -> None:
    """Own rule (DEVELOPERS.md, Faults: timeline)."""
    with pytest.raises(BadRequest) as caught:
        Timeline(**keys)
    assert told in str(caught.value)
