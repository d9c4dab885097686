"""Engine, gears, wheels and warmth: how a vehicle goes on from one instant to the next. No clock, no chance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from simulator.drive import Leg
from simulator.road import Drivetrain

#: One gear is kept while the engine turns between these with it locked, in turns per minute (own choice).
SHIFT_DOWN_RPM, SHIFT_UP_RPM = 1150.0, 2300.0
#: How long a gear change takes, in seconds; the clutch slips meanwhile (own choice).
SHIFT_S = 0.4
#: Turns of the crankshaft while the starter turns it, and how fast the engine runs up and down (own choice).
CRANK_RPM, RUN_UP_RPM_PER_S, RUN_DOWN_RPM_PER_S = 220.0, 1500.0, 900.0
#: The starter turns so long at a good battery, and in vain for so long before it is given up (own choice).
CRANK_S, CRANK_IN_VAIN_S = 0.8, 3.0
#: Below the first voltage the starter does not turn the engine fast enough; below the second it starts late. In volt
#: (common practice: a battery that falls below 9.6 V while cranking is weak).
CRANK_NEVER_VOLT, CRANK_LATE_VOLT = 7.5, 9.6
#: First-order warming by what happens: (goes to, in Celsius; in, in seconds). Common practice, no source: tens of
#: minutes to 80 Celsius at idle; from 26 to 35 takes some minutes; warm fluid cools for more than an hour.
_COOLANT_IDLE, _COOLANT_DRIVEN, _COOLANT_REST_S = (90.0, 500.0), (92.0, 240.0), 4_500.0
_FLUID_IDLE, _FLUID_DRIVEN, _FLUID_REST_S = (78.0, 1_300.0), (92.0, 600.0), 5_400.0
#: Pressure while the pedal holds the vehicle, in kPa (own choice).
_HOLD_KPA = 2_000.0


@dataclass(frozen=True)
class State:
    """The vehicle at an instant; speeds in turns per minute and km/h, temperatures in Celsius, times in seconds.

    ``held_rpm``: what a foot on the accelerator holds the engine at with no gear engaged. ``legs``: what of the drive
    script is left, the first begun ``leg_s`` ago at ``leg_kmh``.
    """

    engine: str = "stopped"
    engine_rpm: float = 0.0
    engine_s: float = 0.0
    crank_s: float = 0.0
    crank_volt: float = 12.0
    selector: str = "park"
    brake: bool = False
    gear: int = 0
    shift_s: float = 0.0
    kmh: float = 0.0
    accelerator: float = 0.0
    braking_kpa: float = 0.0
    stop_start: bool = False
    held_rpm: float = 0.0
    coolant_celsius: float = 20.0
    oil_celsius: float = 20.0
    fluid_celsius: float = 20.0
    outside_celsius: float = 20.0
    distance_km: float = 41_200.0
    legs: tuple[Leg, ...] = ()
    leg_s: float = 0.0
    leg_kmh: float = 0.0

    @property
    def standing(self) -> bool:
        """Whether it stands still."""
        return self.kmh < 0.1

    @property
    def start_allowed(self) -> bool:
        """Whether the lever lets the starter turn."""
        return self.selector in ("park", "neutral")


def output_rpm(drivetrain: Drivetrain, kmh: float) -> float:
    """Turns of the gearbox's output shaft at a speed."""
    return kmh / 3.6 / drivetrain.tyre_m * 60.0 * drivetrain.axle


def ratio(drivetrain: Drivetrain, gear: int) -> float:
    """Turns of the input shaft per turn of the output shaft, negative in reverse; 0.0 with no gear."""
    if gear == 0:
        return 0.0
    return -drivetrain.reverse if gear < 0 else drivetrain.gears[gear - 1]


def input_rpm(drivetrain: Drivetrain, state: State) -> float:
    """Turns of the input shaft: those of the wheels through the gear, or of the idling engine with no gear."""
    if state.gear == 0:
        return state.engine_rpm
    return output_rpm(drivetrain, state.kmh) * abs(ratio(drivetrain, state.gear))


def step(drivetrain: Drivetrain, state: State, seconds: float) -> State:
    """The vehicle a short time later (up to 0.2 s)."""
    state = _drive(state, seconds)
    state = _turn(drivetrain, state, seconds)
    state = _shift(drivetrain, state, seconds)
    return _warm(state, seconds)


def _drive(state: State, seconds: float) -> State:
    """What the driver does: the legs of the script in turn."""
    before, kmh, left = state.kmh, state.kmh, seconds
    while state.legs:
        leg = state.legs[0]
        if leg.verb in ("wait", "to"):
            rest = leg.seconds - state.leg_s
            if leg.verb == "to":
                kmh = _speed(state, leg, min(left, rest))
            if rest > left:
                state = replace(state, leg_s=state.leg_s + left)
                break
            left -= max(rest, 0.0)
        elif leg.verb == "start" and state.engine != "running":
            if state.engine == "cranking":
                break  # the next leg waits for the engine
            state = begin_cranking(state)
            if state.engine == "stopped":
                state = replace(state, legs=())  # it does not start: the drive is over
                break
            continue
        else:
            state = _act(replace(state, kmh=kmh), leg)
        state = replace(state, legs=state.legs[1:], leg_s=0.0, leg_kmh=kmh)
    faster = (kmh - before) / seconds
    moving = max(kmh, before) >= 0.1
    return replace(
        state,
        kmh=kmh,
        distance_km=state.distance_km + (before + kmh) / 2.0 / 3600.0 * seconds,
        # rolling and air resistance, and what it takes to become faster (own choice: full pedal is 2 m/s2 at 60 km/h)
        accelerator=min(100.0, max(0.0, 0.12 * kmh + 9.0 * faster)) if moving else 0.0,
        braking_kpa=max(_HOLD_KPA if state.brake else 0.0, 900.0 * -faster if faster < -1.0 else 0.0),
    )


def _speed(state: State, leg: Leg, seconds: float) -> float:
    """The speed while it changes evenly; a vehicle whose engine does not drive it stays where it is."""
    driven = state.engine == "running" and state.selector in ("drive", "reverse") and not state.brake
    if leg.kmh > state.kmh and not driven:
        return state.kmh
    done = min(1.0, (state.leg_s + seconds) / leg.seconds) if leg.seconds > 0.0 else 1.0
    return state.leg_kmh + (leg.kmh - state.leg_kmh) * done


def _act(state: State, leg: Leg) -> State:
    """What takes no time."""
    match leg.verb:
        case "stop":
            return replace(state, engine="stopped", engine_s=0.0)
        case "select":
            return select(state, leg.position)
        case "brake":
            return press_brake(state, True)
        case "release":
            return press_brake(state, False)
        case "stop-start":
            return replace(state, stop_start=leg.kmh > 0.0)
    return state


def begin_cranking(state: State) -> State:
    """The key is turned to start; nothing happens with the lever in a gear."""
    if state.engine != "stopped" or not state.start_allowed:
        return state
    return replace(state, engine="cranking", crank_s=0.0)


def select(state: State, position: str) -> State:
    """Move the lever; out of park only with the brake pressed, and not into park or the other way while it moves."""
    if state.selector == "park" and position != "park" and not state.brake:
        return state
    if position in ("park", "reverse") and state.kmh > 3.0:
        return state
    return replace(state, selector=position)


def press_brake(state: State, pressed: bool) -> State:
    """Press or release the brake pedal; with stop-start the engine stops and starts with it."""
    engine, engine_s = state.engine, state.engine_s
    if state.stop_start and pressed and state.standing and engine == "running":
        engine, engine_s = "stopped", 0.0
    elif state.stop_start and not pressed and engine == "stopped":
        engine = "cranking"
    return replace(state, brake=pressed, engine=engine, engine_s=engine_s, crank_s=0.0)


def _turn(drivetrain: Drivetrain, state: State, seconds: float) -> State:
    """The engine: stopped, cranked, or running at idle or with the wheels."""
    if state.engine == "cranking":
        crank_s = state.crank_s + seconds
        late = 3.0 if state.crank_volt < CRANK_LATE_VOLT else 1.0
        if state.crank_volt >= CRANK_NEVER_VOLT and crank_s >= CRANK_S * late:
            return replace(state, engine="running", engine_s=0.0, crank_s=0.0)
        if crank_s >= CRANK_IN_VAIN_S:
            return replace(state, engine="stopped", crank_s=0.0, engine_rpm=0.0, legs=())
        turns = CRANK_RPM * min(1.0, state.crank_volt / CRANK_LATE_VOLT) ** 2
        return replace(state, crank_s=crank_s, engine_rpm=min(turns, state.engine_rpm + RUN_UP_RPM_PER_S * seconds))
    wanted = 0.0
    if state.engine == "running":
        # a cold engine idles faster (common practice)
        idle = drivetrain.idle_rpm + max(0.0, 60.0 - state.coolant_celsius) * 4.0
        wanted = max(idle, input_rpm(drivetrain, state) if state.gear else state.held_rpm)
    rpm = state.engine_rpm
    rate = RUN_UP_RPM_PER_S if wanted > rpm else RUN_DOWN_RPM_PER_S
    if state.shift_s > 0.0:
        rate = max(rate, abs(wanted - rpm) / max(state.shift_s, seconds))  # the clutch brings it there in time
    if abs(wanted - rpm) <= rate * seconds or (state.gear and not state.standing and state.shift_s <= 0.0):
        rpm = wanted
    else:
        rpm += math.copysign(rate * seconds, wanted - rpm)
    return replace(state, engine_rpm=rpm, engine_s=state.engine_s + seconds if state.engine == "running" else 0.0)


def _shift(drivetrain: Drivetrain, state: State, seconds: float) -> State:
    """The gear that fits the lever and the speed."""
    if state.shift_s > 0.0:
        state = replace(state, shift_s=max(0.0, state.shift_s - seconds))
    if state.selector == "reverse":
        gear = -1
    elif state.selector != "drive":
        gear = 0
    else:
        gear = max(1, state.gear)
        turns = output_rpm(drivetrain, state.kmh)
        if turns * drivetrain.gears[gear - 1] > SHIFT_UP_RPM and gear < len(drivetrain.gears):
            gear += 1
        elif turns * drivetrain.gears[gear - 1] < SHIFT_DOWN_RPM and gear > 1:
            gear -= 1
    if gear == state.gear or state.shift_s > 0.0:
        return state
    return replace(state, gear=gear, shift_s=SHIFT_S if state.gear > 0 and gear > 0 else 0.0)


def _warm(state: State, seconds: float) -> State:
    """Coolant, oil and fluid go to where engine and road bring them."""
    if state.engine == "running":
        coolant, fluid = (_COOLANT_IDLE, _FLUID_IDLE) if state.standing else (_COOLANT_DRIVEN, _FLUID_DRIVEN)
    else:
        coolant, fluid = (state.outside_celsius, _COOLANT_REST_S), (state.outside_celsius, _FLUID_REST_S)
    coolant_now = _towards(state.coolant_celsius, *coolant, seconds)
    return replace(
        state,
        coolant_celsius=coolant_now,
        oil_celsius=_towards(
            state.oil_celsius, coolant_now + (5.0 if state.engine == "running" else 0.0), 300.0, seconds
        ),
        fluid_celsius=_towards(state.fluid_celsius, *fluid, seconds),
    )


def _towards(now: float, goal: float, time_s: float, seconds: float) -> float:
    return goal + (now - goal) * math.exp(-seconds / time_s)
