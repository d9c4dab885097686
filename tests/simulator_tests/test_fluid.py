"""Fluid level by overflow: volumes by hand, and the window of trade practice.

Numbers: a fluid engineer's public answer says that 12 litre rise by 8.4 ml per kelvin, 0.0007 per kelvin (weak; marked
as from memory); the window of 35 to 45 Celsius, idling, selector through every position: common practice, no source.
"""

from __future__ import annotations

import pytest

from simulator.road import Level
from simulator.world import Fluid

SELECTOR = ("park", "reverse", "neutral", "drive")
LEVEL = Level(litre=6.0, fresh_litre=5.2)


def filled(litre: float = 6.5) -> Fluid:
    """Fluid of a unit whose circuits are full: engine running, selector through every position for three seconds."""
    fluid = Fluid(LEVEL, litre)
    for position in SELECTOR:
        fluid.step(3.0, 25.0, position, engine_running=True)
    assert fluid.circuits_filled
    return fluid


def closed_at(celsius: float, fluid: Fluid | None = None) -> float:
    """Open the plug, let it run until it only drips, close it: by how many litre the level is wrong then."""
    fluid = fluid or filled()
    fluid.plug_open = True
    for _ in range(600):
        fluid.step(1.0, celsius, "park", engine_running=True)
    fluid.close_plug(celsius, engine_running=True)
    return fluid.error_litre


def test_the_published_expansion() -> None:
    # 12 litre rise by 8.4 ml per kelvin
    fluid = Fluid(Level(litre=12.0), 12.0)
    assert fluid.volume_at(41.0) - fluid.volume_at(40.0) == pytest.approx(0.0084)


@pytest.mark.parametrize(
    ("celsius", "litre"),
    [
        # V x 0.0007 x dT: 6 l closed at 60 Celsius instead of 40 end 0.084 l low, closed at 20 Celsius 0.084 l high
        (60.0, -0.084),
        (20.0, +0.084),
        (40.0, 0.0),
    ],
)
def test_too_cold_ends_overfilled_too_hot_underfilled(celsius: float, litre: float) -> None:
    assert closed_at(celsius) == pytest.approx(litre, abs=0.002)


@pytest.mark.parametrize("celsius", [35.0, 37.5, 40.0, 42.5, 45.0])
def test_within_the_window_the_level_is_right(celsius: float) -> None:
    assert abs(closed_at(celsius)) <= 6.0 * 0.0007 * 5.0 + 0.001
    assert abs(closed_at(celsius)) <= LEVEL.tolerance_litre


@pytest.mark.parametrize("celsius", [20.0, 30.0, 50.0, 60.0])
def test_outside_the_window_it_is_not(celsius: float) -> None:
    assert abs(closed_at(celsius)) > LEVEL.tolerance_litre


def test_the_stream_thins_to_drops() -> None:
    fluid = filled(6.4)
    fluid.plug_open = True
    seen = []
    for _ in range(200):
        words = fluid.flow_words(38.0, engine_running=True)
        if words not in seen:
            seen.append(words)
        fluid.step(1.0, 38.0, "park", engine_running=True)
    assert seen == ["a stream", "drops"]
    assert fluid.lost_litre == pytest.approx(6.4 - 6.0 / (1 - 2 * 0.0007), abs=0.003)


def test_closed_while_it_still_streams_ends_overfilled() -> None:
    fluid = filled(6.4)
    fluid.plug_open = True
    fluid.step(10.0, 38.0, "park", engine_running=True)
    fluid.close_plug(38.0, engine_running=True)
    assert not fluid.closed_dripping
    assert fluid.error_litre > LEVEL.tolerance_litre


def test_with_the_engine_off_the_circuits_run_back_and_too_much_runs_out() -> None:
    fluid = filled()
    fluid.step(1.0, 40.0, "park", engine_running=False)
    assert not fluid.circuits_filled
    fluid.plug_open = True
    for _ in range(600):
        fluid.step(1.0, 40.0, "park", engine_running=False)
    assert fluid.error_litre == pytest.approx(-LEVEL.circuits_litre, abs=0.002)


def test_a_position_left_out_leaves_a_circuit_empty() -> None:
    fluid = Fluid(LEVEL, 6.5)
    for position in ("park", "reverse", "drive"):
        fluid.step(3.0, 40.0, position, engine_running=True)
    assert not fluid.circuits_filled
    assert closed_at(40.0, fluid) == pytest.approx(-LEVEL.circuits_litre, abs=0.002)


def test_fresh_from_the_exchange_nothing_runs_out_until_it_is_filled_up() -> None:
    fluid = filled(LEVEL.fresh_litre)
    fluid.plug_open = True
    assert fluid.flow_words(38.0, engine_running=True) == "nothing"
    fluid.add(1.0, 20.0)
    assert fluid.flow_words(38.0, engine_running=True) == "a stream"
    # what was filled in cold is more when warm
    assert fluid.litre == pytest.approx(LEVEL.fresh_litre + 1.0 / (1 - 20 * 0.0007), abs=1e-9)
