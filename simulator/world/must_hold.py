"""What must hold while a routine or a writing runs, each with the refusal that ISO 14229-1 has for it (annex A.1)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from simulator.diagnostics import Refusal
from simulator.road import Calibration, Writing
from simulator.world.powertrain import State


@dataclass(frozen=True)
class Broken:
    """Something that does not hold: the refusal, what is wrong in words, and what then helps."""

    refusal: Refusal
    words: str
    helps: str


def _volts(volt: float, window: tuple[float, float]) -> Iterator[Broken]:
    low, high = window
    if volt > high:
        yield Broken(
            Refusal.VOLTAGE_TOO_HIGH, f"the unit has {volt:.1f} V, above {high:g}", "set the support supply lower"
        )
    if volt < low:
        yield Broken(
            Refusal.VOLTAGE_TOO_LOW,
            f"the unit has {volt:.1f} V, below {low:g}",
            "connect a support supply, switch lamps and blower off",
        )


def _still(state: State) -> Iterator[Broken]:
    if not state.standing:
        yield Broken(Refusal.VEHICLE_SPEED_TOO_HIGH, f"it moves, {state.kmh:.0f} km/h", "stand still")


def for_writing(writing: Writing, state: State, volt: float) -> Iterator[Broken]:
    """What does not hold for writing: engine off, standing still, the unit's supply in its window."""
    if state.engine != "stopped":
        yield Broken(Refusal.ENGINE_IS_RUNNING, "the engine runs", "stop the engine, leave the ignition on")
    yield from _still(state)
    yield from _volts(volt, writing.volt)


def for_calibration(calibration: Calibration, state: State, volt: float) -> Iterator[Broken]:
    """What does not hold for the calibration, in the order in which the unit looks."""
    yield from _volts(volt, calibration.volt)
    if state.engine != "running":
        yield Broken(Refusal.ENGINE_IS_NOT_RUNNING, "the engine does not run", "start the engine, let it idle")
    elif state.engine_rpm > calibration.most_rpm:
        rpm = f"the engine turns at {state.engine_rpm:.0f}, above {calibration.most_rpm:g}"
        yield Broken(Refusal.RPM_TOO_HIGH, rpm, "foot off the accelerator, let it idle")
    elif state.engine_s < calibration.engine_s:
        ran = f"the engine has run for {state.engine_s:.0f} s, not {calibration.engine_s:g}"
        yield Broken(Refusal.ENGINE_RUN_TIME_TOO_LOW, ran, "wait")
    yield from _still(state)
    if not state.brake:
        yield Broken(Refusal.BRAKE_SWITCH_NOT_CLOSED, "the brake is not held", "hold the brake to the end")
    if state.selector != "park":
        yield Broken(Refusal.SHIFTER_LEVER_NOT_IN_PARK, f"the selector is in {state.selector}", "select park")
    low, high = calibration.fluid_celsius
    if state.fluid_celsius > high:
        warm = f"the fluid has {state.fluid_celsius:.0f} Celsius, above {high:g}"
        yield Broken(Refusal.TEMPERATURE_TOO_HIGH, warm, "engine off, let it cool")
    if state.fluid_celsius < low:
        yield Broken(
            Refusal.TEMPERATURE_TOO_LOW,
            f"the fluid has {state.fluid_celsius:.0f} Celsius, below {low:g}",
            "let the engine idle",
        )
