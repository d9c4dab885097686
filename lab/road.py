"""Actions of a job on the way back to the road: support supply, engine, level, routine, drive."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING

from udsoncan.client import Client

from lab.deeds import Deed, Done, Planner, number, one_word
from lab.hands import State, caution
from lab.telling import TELLING, on_unit, take_in, track_line
from lab.tester import Diagnosis, NoAnswer, NoService
from simulator.drive import SCRIPTS, read_script, script_text
from simulator.errors import BadRequest, UnknownName
from simulator.quantities import SELECTOR
from simulator.road import Service
from simulator.world.calibration import DONE, NEVER_RUN, NOT_COMPLETE, RUNNING

if TYPE_CHECKING:
    from lab.job import Job
    from lab.livecar import LiveCar

_MINUTE_S = 60.0
#: By so many seconds a drive may be longer than its script: the starter turns late.
_LATE_S = 60
#: What hand and foot need, in minutes: longer than a clutch takes to fill.
_QUICK = 0.1
_EXTENDED, _WORKSHOP_LEVEL = 3, 1
_STATES = {DONE: "done", RUNNING: "running", NOT_COMPLETE: "not complete", NEVER_RUN: "never run"}


def _condition(car: LiveCar, lines: list[str], **more: object) -> Done:
    """What was done, and what now hangs at the battery and turns, for the readings that come."""
    parts = [vars(part) for part in car.simulation.condition.at_battery]
    return Done(tuple(lines), record={"at_battery": parts, "engine": car.world.state.engine, **more})


def _powered(job: Job, state: State) -> None:
    if not state.condition.battery_on:
        raise BadRequest("the battery is off; battery on")


def _supply(job: Job, state: State, words: list[str]) -> Deed:
    what, *rest = words or [""]
    if what not in ("on", "off") or len(rest) > 2 or (what == "off" and rest):
        raise BadRequest("write: supply on [VOLT [AMPERE]], as in: supply on 13.5 70, or: supply off")
    volt = number(rest[0], "voltage of a support supply", 5.0, 30.0) if rest else 13.5
    amp = number(rest[1], "current of a support supply", 0.5, 500.0) if len(rest) > 1 else 70.0
    if (what == "on") is state.supply_on:
        raise BadRequest(f"the support supply is {what} already")
    state.minute += job.vehicle.action_minutes("supply")
    state.supply_on = what == "on"

    def effect(car: LiveCar) -> Done:
        if what == "off":
            car.world.disconnect_supply()
            return _condition(car, ["The support supply is off."])
        car.world.connect_supply(volt, amp)
        return _condition(
            car, [f"Support supply: {volt:g} V, up to {amp:g} A; the battery has {car.world.battery_volt:.1f} V."]
        )

    return Deed(effect, tuple(caution(state, 6)))


def _lamps(job: Job, state: State, words: list[str]) -> Deed:
    what = one_word("lamps", "on, or: lamps off", words)
    if what not in ("on", "off"):
        raise BadRequest("write: lamps on, or: lamps off")
    state.minute += _QUICK

    def effect(car: LiveCar) -> Done:
        car.world.switch_lamps(what == "on")
        return _condition(car, [f"Lamps and blower {what}; the battery has {car.world.battery_volt:.1f} V."])

    return Deed(effect)


def _engine(job: Job, state: State, words: list[str]) -> Deed:
    what = one_word("engine", "start, or: engine stop", words)
    if what not in ("start", "stop"):
        raise BadRequest("write: engine start, or: engine stop")
    _powered(job, state)
    state.minute += _QUICK
    return Deed(_start if what == "start" else _stop, tuple(caution(state, 12)) if what == "start" else ())


def _start(car: LiveCar) -> Done:
    why = car.world.start_engine()
    if not why:
        car.advance(5.0)
        why = "" if car.world.state.engine == "running" else "the starter turns it too slowly"
    return _condition(car, ["The engine idles." if not why else f"The engine does not start: {why}."])


def _stop(car: LiveCar) -> Done:
    car.world.stop_engine()
    return _condition(car, ["The engine is off, the ignition is on."])


def _select(job: Job, state: State, words: list[str]) -> Deed:
    position = one_word("select", "park, reverse, neutral or drive", words)
    if position not in SELECTOR:
        raise UnknownName("position of the selector", position, SELECTOR)
    state.minute += _QUICK

    def effect(car: LiveCar) -> Done:
        moved = car.world.select(position)
        car.advance(_QUICK * _MINUTE_S)
        held = f"The selector stays in {car.world.state.selector}: hold the brake first."
        return _condition(car, [f"Selector in {position}." if moved else held])

    return Deed(effect)


def _brake(job: Job, state: State, words: list[str]) -> Deed:
    what = one_word("brake", "hold, or: brake release", words)
    if what not in ("hold", "release"):
        raise BadRequest("write: brake hold, or: brake release")
    state.minute += _QUICK

    def effect(car: LiveCar) -> Done:
        car.world.brake(what == "hold")
        return _condition(car, ["The brake is held." if what == "hold" else "The brake is let go."])

    return Deed(effect)


# ---------------------------------------------------------------------- the replaced unit


def _level(job: Job, state: State, words: list[str]) -> Deed:
    service = take_in(job, state)
    what = one_word("level", "open, level look, or: level close", words)
    if what not in ("open", "look", "close"):
        raise BadRequest("write: level open, level look, or: level close")
    if service.level is None:
        raise BadRequest(f"{service.unit} has no fluid level to set")
    state.minute += job.vehicle.action_minutes("level") if what != "look" else _QUICK
    window = service.level.window_celsius
    return Deed(
        on_unit(service, partial(_overflow, unit=service.unit, what=what, window=window)), tuple(caution(state, 14))
    )


def _overflow(car: LiveCar, *, unit: str, what: str, window: tuple[float, float]) -> Done:
    world = car.world
    celsius = world.state.fluid_celsius
    is_open = world.fluid(unit).plug_open
    if what == "look" or (what == "open") is is_open:
        word = world.plug_words(unit)
        return _condition(car, [f"Overflow plug: {word}; fluid {celsius:.0f} Celsius."])
    if what == "open":
        world.open_plug(unit)
        lines = [f"The plug is out: {world.plug_words(unit)}; fluid {celsius:.0f} Celsius."]
        if celsius > window[1]:
            lines.append(f"The level is set between {window[0]:g} and {window[1]:g} Celsius: it has to cool first.")
        return _condition(car, lines)
    word = world.plug_words(unit)
    world.close_plug(unit)
    lines = [f"The plug is in, closed at {celsius:.0f} Celsius while there came {word}."]
    return _condition(car, lines, level_celsius=round(celsius, 1), level_came=word)


def _fill(job: Job, state: State, words: list[str]) -> Deed:
    service = take_in(job, state)
    litre = number(one_word("fill", "LITRE", words), "volume in litre", 0.0, 20.0)
    if service.level is None:
        raise BadRequest(f"{service.unit} has no fluid to fill in")
    state.minute += job.vehicle.action_minutes("fill")

    def effect(car: LiveCar) -> Done:
        car.world.add_fluid(service.unit, litre)
        return _condition(car, [f"{litre:g} litre of fluid are filled in."])

    return Deed(on_unit(service, effect))


def _routine(job: Job, state: State, words: list[str]) -> Deed:
    service = take_in(job, state)
    what = one_word("routine", "start, routine results, or: routine stop", words)
    if what not in ("start", "results", "stop"):
        raise BadRequest("write: routine start, routine results, or: routine stop")
    if service.calibration is None:
        raise BadRequest(f"{service.unit} has no calibration routine")
    state.minute += _QUICK
    cautions = caution(state, 12, 13) if what == "start" else []
    return Deed(on_unit(service, partial(_control, service=service, what=what)), tuple(cautions))


def _control(car: LiveCar, *, service: Service, what: str) -> Done:
    unit, calibration = service.unit, service.calibration
    assert calibration is not None

    def ask(client: Client) -> bytes:
        if what == "start":
            client.change_session(_EXTENDED)
            diagnosis.unlock(unit, client, _WORKSHOP_LEVEL)
            return bytes(client.start_routine(calibration.number).data[3:])
        if what == "stop":
            return bytes(client.stop_routine(calibration.number).data[3:])
        return bytes(client.get_routine_result(calibration.number).data[3:])

    with Diagnosis(car.simulation) as diagnosis:
        try:
            found = diagnosis.ask(unit, ask)
        except (NoAnswer, NoService) as no:
            lines = [f"Routine {what}: {no}.", *track_line(car, unit, "routine")]
            return _condition(car, lines, routine=what, word=str(no))
    word = _STATES.get(found[0], "unknown")
    car.kept_alive = unit if word == "running" else None
    percent = f" at {found[1]} %" if len(found) > 1 and word != "done" else ""
    lines = [f"Routine: {word}{percent}.", *track_line(car, unit, "routine")]
    if what == "start":
        lines.append(f"Must hold for {calibration.seconds:g} s, to the end. The tester keeps the session alive.")
    track = car.tracks.get(unit)
    routine = track.routine if track is not None else None
    lost = routine.lost.words if routine is not None and routine.lost is not None else ""
    return _condition(car, lines, routine=what, word=word, lost=lost)


def _drive(job: Job, state: State, words: list[str]) -> Deed:
    given = " ".join(words)
    units = [*state.taken, *state.replaced]
    services = [job.vehicle.road.service[name] for name in units if name in job.vehicle.road.service]
    script = given or next((each.road_test.script for each in services[::-1] if each.road_test.script), "every gear")
    if given and given not in SCRIPTS:
        raise UnknownName("drive", given, SCRIPTS)
    read_script(script_text(script))
    _powered(job, state)
    if not state.condition.ignition_on:
        raise BadRequest("the ignition is off; ignition on")
    if state.condition.unplugged or state.condition.parted:
        raise BadRequest("something is unplugged or parted; plug and join everything before you drive")
    return Deed(partial(_drive_by, script=script), tuple(caution(state, 17)))


def _drive_by(car: LiveCar, *, script: str) -> Done:
    world, begun_ns = car.world, car.simulation.t_ns
    before_km = world.state.distance_km
    car.advance(world.drive(script))
    for _ in range(_LATE_S):
        if not world.state.legs:
            break
        car.advance(1.0)
    minutes = (car.simulation.t_ns - begun_ns) / 1e9 / _MINUTE_S
    km = world.state.distance_km - before_km
    if km < 0.1:
        lines = ["The vehicle did not move: the engine did not start, or nothing drives it."]
    else:
        runs = " The engine runs on." if world.state.engine == "running" else ""
        lines = [f"{km:.1f} km in {minutes:.1f} minutes; fluid {world.state.fluid_celsius:.0f} Celsius.{runs}"]
    for unit in car.tracks:
        lines += track_line(car, unit, "drive")
    done = _condition(car, lines, drove_km=round(km, 2))
    return Done(done.lines, minutes=minutes, record=done.record)


#: The actions of this file by their verb.
ROAD: Mapping[str, Planner] = {
    "supply": _supply,
    "lamps": _lamps,
    "engine": _engine,
    "select": _select,
    "brake": _brake,
    **TELLING,
    "level": _level,
    "fill": _fill,
    "routine": _routine,
    "drive": _drive,
}
