"""Actions of a job that tell a unit what it has to know: which unit that is, and writing its values."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING

from udsoncan.client import Client

from faults import Fault
from lab.deeds import Deed, Done, Planner, number
from lab.hands import State, caution
from lab.tester import Diagnosis, NoAnswer, NoService
from simulator.errors import BadRequest, UnknownName, nearest
from simulator.road import ConfigurationItem, Service
from simulator.vehicle import Vehicle
from simulator.world import Step
from simulator.world.track import CYCLE_THE_KEY, DONE, READY, STOPPED

if TYPE_CHECKING:
    from lab.job import Job
    from lab.livecar import LiveCar

#: Kinds of fault that are in what a unit was told: writing it anew mends them.
TOLD_WRONG = ("wrong_value", "half_written", "not_configured")
_EXTENDED, _PROGRAMMING = 3, 2
_WORKSHOP_LEVEL, _PROGRAMMING_LEVEL = 1, 0x11
#: What the tester needs to get ready to write, in minutes.
_READY = 0.5
_SECOND_NS, _MINUTE_NS = 1_000_000_000, 60_000_000_000


def told_wrong(vehicle: Vehicle, fault: Fault) -> str | None:
    """The unit that was told something wrong, where that is the fault and it can be told anew; else None."""
    unit = str(getattr(fault, "module", ""))
    service = vehicle.road.service.get(unit) if fault.kind in TOLD_WRONG else None
    return unit if service is not None and service.configuration else None


def service_of(job: Job, state: State) -> Service:
    """The service of the unit that is worked on: the one replaced last, else the one that was told something wrong.

    Raises BadRequest where there is none.
    """
    services = job.vehicle.road.service
    found = [name for name in state.replaced if name in services][-1:]
    found = found or [unit for fault in job.hidden if (unit := told_wrong(job.vehicle, fault)) is not None]
    if not found:
        raise BadRequest(
            "no unit was replaced that has to come back into service; the order is: finding, order, replace"
        )
    return services[found[0]]


def take_in(job: Job, state: State) -> Service:
    """The same; from now on the way back of that unit says what is still wrong with what it was told."""
    service = service_of(job, state)
    if service.unit not in state.replaced:
        state.taken |= {service.unit}
        told = [fault for fault in job.hidden_left(state) if about_unit(fault, service.unit)]
        state.mended |= {str(fault) for fault in told}
    return service


def about_unit(fault: Fault, unit: str) -> bool:
    """Whether a fault is in what this unit was told, or in that it is another unit."""
    return fault.kind in (*TOLD_WRONG, "wrong_unit") and getattr(fault, "module", None) == unit


def on_unit(service: Service, effect: Callable[[LiveCar], Done]) -> Callable[[LiveCar], Done]:
    """An effect on a unit that may not have been replaced."""

    def both(car: LiveCar) -> Done:
        car.take_in(service.unit)
        return effect(car)

    return both


def track_line(car: LiveCar, unit: str, name: str) -> list[str]:
    """One step of the way back of a unit, if it has one."""
    track = car.tracks.get(unit)
    if track is None:
        return []
    return [step_line(step) for step in track.steps() if step.name == name]


def step_line(step: Step) -> str:
    """A step of the way back in one line."""
    why = f" ({step.why})" if step.why else ""
    return f"  {step.name}: {step.word}{why}" + (f"; helps: {step.helps}" if step.helps else "")


#: What a student does for a step that is ready or has stopped.
_DOING: Mapping[str, str] = {
    "supply": "supply on VOLT AMPERE",
    "identity": "config {unit}",
    "write": "write ITEM VALUE",
    "read back": "config {unit}",
    "level": "level open, level look, level close; fill LITRE",
    "routine": "brake hold, routine start, wait 1, routine results",
    "clear": "codes save, codes clear",
    "drive": "drive",
    "roll call": "call",
}


def way_lines(unit: str, steps: Sequence[Step], *, over: bool) -> list[str]:
    """The way back of a unit, with what to do for what can be done, unless the job is over."""
    lines = [f"Back on the road: {unit}"]
    if all(step.word == DONE for step in steps if step.name != "supply"):
        steps = [step for step in steps if step.name != "supply"]  # nothing is left to support
    for step in steps:
        doing = _DOING[step.name].format(unit=unit)
        if step.helps == CYCLE_THE_KEY:
            doing = "ignition off, ignition on"
        lines.append(step_line(step) + (f"; do: {doing}" if step.word in (READY, STOPPED) and not over else ""))
    return lines


# ---------------------------------------------------------------------- writing


def item_of(service: Service, text: str) -> ConfigurationItem:
    """The item that a text names, by its identifier or its title with dashes for blanks. Raises UnknownName."""
    names = {item.title.replace(" ", "-"): item for item in service.configuration}
    names |= {f"0x{item.number:04x}": item for item in service.configuration}
    if text.lower() not in names:
        raise UnknownName("value to write", text, names)
    return names[text.lower()]


#: What somebody may do in the middle of a writing, and what of it the journal keeps.
_MEANWHILE: Mapping[str, tuple[Callable[[LiveCar], object], Mapping[str, bool]]] = {
    "ignition off": (lambda car: car.world.key(on=False), {"ignition_on": False}),
    "supply off": (lambda car: car.world.disconnect_supply(), {"supply_on": False}),
    "lamps on": (lambda car: car.world.switch_lamps(on=True), {}),
}


def _write(job: Job, state: State, words: list[str]) -> Deed:
    service = take_in(job, state)
    values, _, after = " ".join(words).partition(" meanwhile ")
    item_text, value_text, *mode = values.split() if len(values.split()) > 1 else ("", "")
    if not item_text or mode not in ([], ["programming"]):
        known = ", ".join(item.title.replace(" ", "-") for item in service.configuration)
        raise BadRequest(f"write: write ITEM VALUE, the items are {known}; after a write that broke off: "
                         "write ITEM VALUE programming; if somebody does something meanwhile: "
                         f"write ITEM VALUE meanwhile {' / '.join(_MEANWHILE)}")  # fmt: skip
    meanwhile = " ".join(after.split())
    if meanwhile and meanwhile not in _MEANWHILE:
        raise BadRequest(f"nobody does '{meanwhile}' while a unit is written to; {nearest(meanwhile, [*_MEANWHILE])}")
    if meanwhile == "supply off" and not state.supply_on:
        raise BadRequest("the support supply is off already")
    item = item_of(service, item_text)
    data = _data_of(item, value_text)
    state.minute += _READY
    put = partial(_put_value, service=service, item=item, data=data, programming=bool(mode), meanwhile=meanwhile)
    return Deed(on_unit(service, put), tuple(caution(state, 15)))


def _data_of(item: ConfigurationItem, text: str) -> bytes:
    most = (2 ** (8 * item.length) - 1) * item.scale
    value = number(text, item.title, 0.0, most)
    return round(value / item.scale).to_bytes(item.length, "big")


def _put_value(
    car: LiveCar, *, service: Service, item: ConfigurationItem, data: bytes, programming: bool, meanwhile: str
) -> Done:
    simulation, unit = car.simulation, service.unit
    begun_ns, supplied = simulation.t_ns, car.world.supply is not None
    session, level = (_PROGRAMMING, _PROGRAMMING_LEVEL) if programming else (_EXTENDED, _WORKSHOP_LEVEL)
    kept: Mapping[str, bool] = {}
    if meanwhile:
        act, kept = _MEANWHILE[meanwhile]
        half_ns = round(service.writing.seconds * _SECOND_NS / 2)
        simulation.at(begun_ns + half_ns, lambda: act(car))

    def write(client: Client) -> None:
        client.change_session(session)
        diagnosis.unlock(unit, client, level)
        client.write_data_by_identifier(item.number, data)

    with Diagnosis(simulation) as diagnosis:
        try:
            diagnosis.ask(unit, write)
            line = f"{unit} has taken {item.title}: {item.physical(data):g} {item.unit}".rstrip() + "."
            word = "written"
        except (NoAnswer, NoService) as no:
            line, word = f"Not written: {no}.", str(no)
    if meanwhile:
        simulation.run_until_ns(max(simulation.t_ns, begun_ns + half_ns + _SECOND_NS))
    minutes = (simulation.t_ns - begun_ns) / _MINUTE_NS
    done = [f"Halfway through: {meanwhile}."] if meanwhile else []
    lines = [*done, line, *_what_helps(car, unit, word, programming=programming)]
    record = {"wrote": item.title, "word": word, "supplied": supplied, **kept}
    parts = [vars(part) for part in simulation.condition.at_battery]
    record |= {"at_battery": parts, "engine": car.world.state.engine}
    return Done(tuple(lines), minutes=minutes, record=record)


def _what_helps(car: LiveCar, unit: str, word: str, *, programming: bool) -> list[str]:
    """How far the unit is with what it was told, and what helps where it has not taken a value."""
    track = car.tracks[unit]
    broken = track.unit.broken_for_writing()
    if track.unit.broke_off is None and word != "written" and broken is not None:
        return [f"  {broken.words}; helps: {broken.helps}"]
    lines = track_line(car, unit, "write")
    if track.unit.broke_off is None and word != "written" and programming:
        lines.append("  It is not in start-up mode: write ITEM VALUE, without programming.")
    if track.unit.broke_off is not None:
        lines.append(
            "  In start-up mode it takes values in the programming session only: write ITEM VALUE programming, every "
            "item, then ignition off, ignition on."
        )
    return lines


#: The actions of this file by their verb.
TELLING: Mapping[str, Planner] = {"write": _write}
