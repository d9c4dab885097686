"""What hands do on a car: leads, plugs, connectors, key, battery, trim. Each costs minutes and changes the state."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from lab.slip import Slip
from lab.verdict import Verdict
from simulator.condition import AtBattery, Condition
from simulator.errors import BadRequest, UnknownName
from simulator.probes import Point
from simulator.vehicle import Vehicle


@dataclass(frozen=True)
class Answer:
    """What an action gave: the minutes it cost, the slip if it was a reading, cautions by number, lines to show."""

    minutes: float
    lines: tuple[str, ...] = ()
    slip: Slip | None = None
    cautions: tuple[int, ...] = ()
    verdict: Verdict | None = None


@dataclass
class State:
    """What the actions have changed so far."""

    minute: float = 0.0
    condition: Condition = field(default_factory=Condition)
    zeroed: bool = False
    covers_off: bool = False
    reached: set[str] = field(default_factory=set)
    shaken: str = ""
    calm_since: float | None = None  # the minute in which key or battery went off
    cautioned: set[int] = field(default_factory=set)
    codes_saved: bool = False
    ordered: frozenset[str] = frozenset()
    replaced: tuple[str, ...] = ()  # in the order of the work
    taken: frozenset[str] = frozenset()  # units that were not replaced and are worked on
    mended: frozenset[str] = frozenset()  # hidden faults that are gone, as on the command line
    supply_on: bool = False
    at_battery: tuple[AtBattery, ...] = ()
    engine: str = "stopped"

    @property
    def electric(self) -> Condition:
        """The condition with what hangs at the battery besides."""
        return replace(self.condition, at_battery=self.at_battery)


def reach(vehicle: Vehicle, state: State, point: Point) -> float:
    """Minutes to get a probe to a point for the first time. Raises BadRequest where covers are in the way."""
    module = module_of(vehicle, point)
    if module is not None:
        return reach_module(vehicle, state, module)
    if point[0] in ("place", "off") and point[2] != vehicle.networks[point[1]].socket and not state.covers_off:
        raise BadRequest(f"{point[2]} is behind trim; take the covers off first: covers off")
    return 0.0


def reach_module(vehicle: Vehicle, state: State, name: str) -> float:
    """Minutes to get to the plug of a module: none where it was reached before."""
    if name in state.reached:
        return 0.0
    state.reached.add(name)
    return vehicle.modules[name].reach_minutes


def module_of(vehicle: Vehicle, point: Point) -> str | None:
    """The module at whose plug a point is, or None."""
    if point[0] in ("supply", "wake", "ground"):
        return point[1]
    return point[2] if point[0] in ("place", "off") and point[2] in vehicle.modules else None


def caution(state: State, *numbers: int, always: bool = False) -> list[int]:
    """The cautions of these numbers that were not shown yet."""
    new = [number for number in numbers if always or number not in state.cautioned]
    state.cautioned |= set(new)
    return new


def _zero(vehicle: Vehicle, state: State, words: list[str]) -> Answer:
    _none("zero", words)
    state.minute += vehicle.action_minutes("zero")
    state.zeroed = True
    return Answer(0.0, ("The leads are zeroed.",))


def _unplug(vehicle: Vehicle, state: State, words: list[str]) -> Answer:
    module = vehicle.module(_one("unplug", "MODULE", words))
    if module.name in state.condition.unplugged:
        raise BadRequest(f"{module.name} is unplugged already")
    live = state.condition.battery_on and state.condition.ignition_on
    cautions = caution(state, 10, always=live)
    state.minute += reach_module(vehicle, state, module.name) + vehicle.action_minutes("unplug")
    state.condition = replace(state.condition, unplugged=state.condition.unplugged | {module.name})
    note = (" With the key on: what the others store now is of your own making.",) if live else ()
    return Answer(0.0, (f"{module.name} is unplugged." + "".join(note),), cautions=tuple(cautions))


def _plug(vehicle: Vehicle, state: State, words: list[str]) -> Answer:
    module = vehicle.module(_one("plug", "MODULE", words))
    if module.name not in state.condition.unplugged:
        raise BadRequest(f"{module.name} is plugged in")
    state.minute += vehicle.action_minutes("plug")
    state.condition = replace(state.condition, unplugged=state.condition.unplugged - {module.name})
    return Answer(0.0, (f"{module.name} is plugged in again.",))


def _part(vehicle: Vehicle, state: State, words: list[str]) -> Answer:
    pair = parting(vehicle, _one("part", "PLACE", words))
    if pair in state.condition.parted:
        raise BadRequest(f"{pair[1]} is parted already")
    state.minute += reach(vehicle, state, ("place", *pair, "high")) + vehicle.action_minutes("part")
    state.condition = replace(state.condition, parted=state.condition.parted | {pair})
    return Answer(0.0, (f"The connector at {pair[1]} is parted.",))


def _join(vehicle: Vehicle, state: State, words: list[str]) -> Answer:
    pair = parting(vehicle, _one("join", "PLACE", words))
    if pair not in state.condition.parted:
        raise BadRequest(f"{pair[1]} is together")
    state.minute += vehicle.action_minutes("join")
    state.condition = replace(state.condition, parted=state.condition.parted - {pair})
    return Answer(0.0, (f"The connector at {pair[1]} is together again.",))


def parting(vehicle: Vehicle, text: str) -> tuple[str, str]:
    """(network, place) of a connector that parts. Raises UnknownName, BadRequest."""
    known = {f"{p.at}.{name}": (name, p.at) for name, net in vehicle.networks.items() for p in net.parting}
    found = [pair for long, pair in known.items() if text in (long, pair[1])]
    if not found:
        raise UnknownName("connector that parts", text, [pair[1] for pair in known.values()])
    if len(found) > 1:
        raise BadRequest(f"'{text}' parts on several networks: write {' or '.join(known)}")
    return found[0]


def _battery(vehicle: Vehicle, state: State, words: list[str]) -> Answer:
    on = _switch("battery", words)
    if on == state.condition.battery_on:
        raise BadRequest(f"the battery is {'on' if on else 'off'} already")
    if state.engine != "stopped":
        raise BadRequest("the engine runs; engine stop")
    state.minute += vehicle.action_minutes("battery")
    cautions = caution(state, 5, 6) if not on else caution(state, 6)
    if not on and state.condition.ignition_on:
        state.calm_since = state.minute
    state.condition = replace(state.condition, battery_on=on)
    state.calm_since = None if on and state.condition.ignition_on else state.calm_since
    return Answer(0.0, (f"Battery negative is {'on' if on else 'off'}.",), cautions=tuple(cautions))


def _ignition(vehicle: Vehicle, state: State, words: list[str]) -> Answer:
    on = _switch("ignition", words)
    if on == state.condition.ignition_on:
        raise BadRequest(f"the ignition is {'on' if on else 'off'} already")
    state.minute += vehicle.action_minutes("ignition")
    state.condition = replace(state.condition, ignition_on=on)
    if not on and state.engine != "stopped":
        state.engine = "stopped"
        state.at_battery = tuple(part for part in state.at_battery if part.name != "alternator")
    if state.condition.battery_on:
        state.calm_since = None if on else state.minute
    return Answer(0.0, (f"Ignition {'on' if on else 'off'}.",))


def _covers(vehicle: Vehicle, state: State, words: list[str]) -> Answer:
    if words != ["off"]:
        raise BadRequest("write: covers off")
    if state.covers_off:
        raise BadRequest("the covers are off already")
    state.minute += vehicle.action_minutes("covers")
    state.covers_off = True
    return Answer(0.0, ("The covers are off; splices and connectors can be reached.",))


def _shake(vehicle: Vehicle, state: State, words: list[str]) -> Answer:
    place = _one("shake", "PLACE, or shake nothing", words)
    if place != "nothing" and not vehicle.networks_at(place):
        raise UnknownName("place", place, {p for n in vehicle.networks.values() for p in n.places})
    state.minute += vehicle.action_minutes("shake")
    state.shaken = "" if place == "nothing" else place
    if not state.shaken:
        return Answer(0.0, ("Nobody shakes anything now.",))
    return Answer(0.0, (f"A helper keeps shaking the loom at {place}, until: shake nothing",))


def _wait(vehicle: Vehicle, state: State, words: list[str]) -> Answer:
    text = _one("wait", "MINUTES", words)
    try:
        minutes = float(text)
    except ValueError:
        minutes = 0.0
    if not 0.0 < minutes <= 240.0:
        raise BadRequest(f"'{text}' is no number of minutes; write one above 0, up to 240")
    state.minute += minutes
    return Answer(0.0, ("1 minute passes." if minutes == 1 else f"{minutes:g} minutes pass.",))


#: The actions of this room by their verb; each takes the vehicle, the state to change and the words after the verb.
HANDS: Mapping[str, Callable[[Vehicle, State, list[str]], Answer]] = {
    "zero": _zero,
    "unplug": _unplug,
    "plug": _plug,
    "part": _part,
    "join": _join,
    "battery": _battery,
    "ignition": _ignition,
    "covers": _covers,
    "shake": _shake,
    "wait": _wait,
}


def _none(verb: str, words: Sequence[str]) -> None:
    if words:
        raise BadRequest(f"{verb} takes nothing after it")


def _one(verb: str, what: str, words: Sequence[str]) -> str:
    if len(words) != 1:
        raise BadRequest(f"write: {verb} {what}")
    return words[0]


def _switch(verb: str, words: Sequence[str]) -> bool:
    if len(words) != 1 or words[0] not in ("on", "off"):
        raise BadRequest(f"write: {verb} on, or: {verb} off")
    return words[0] == "on"
