"""Looking at a job: what costs no minute. Each look takes the job and the words after it, and gives lines to show."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from lab.cautions import CAUTIONS, caution
from lab.handback import asked_module
from lab.pictures import wire_map
from lab.proofsheet import GOOD, LINES_OF_PROOF, proof_sheet
from lab.telling import way_lines
from simulator.errors import BadRequest
from simulator.probes import probe_points

if TYPE_CHECKING:
    from lab.job import Job
    from lab.livecar import LiveCar
    from simulator.road import Service

#: Said at resume where the journal ended in half a line.
TORN = "The last action was lost: the journal ended in half a line, left by a power cut; do that action again."

#: Said where a journal was begun by an older version.
OLD = "This journal is of format 1: its job ends with the finding."

_HELP = """Actions (each costs minutes):
  call                       roll call at the socket
  codes read|save|clear      every fault memory, over the network; save [FILE]
  codes misses               who misses whom
  values [NAME]              live values, as in: values GBX.* EngSpeed.*
  config [MODULE]            what modules are and were told
  read ohms RED BLACK        for example: read ohms DLC.high DLC.low
  read volts RED BLACK       for example: read volts GBX.supply battery.negative
  lamp RED BLACK             21 W, for example: lamp GBX.supply GBX.ground
  pins MODULE                drag test on the pins of an unplugged plug
  zero                       zero the leads of the ohmmeter
  battery off|on             battery negative
  ignition off|on            the key
  unplug M, plug M           a module at its plug; the way there counts once
  part PLACE, join PLACE     an in-line connector
  covers off                 trim off: splices and connectors can be reached
  shake PLACE                a helper shakes the loom; until: shake nothing
  wait MINUTES
  order MODULE               a new unit
  finding FAULT              hand in; several joined by ' + '; or: healthy
  hand-back                  the vehicle to its owner; ends the job
Looking (costs nothing):
  card, slips, state, points, kinds, proof [MODULE], map FILE.png, cautions
  data, track, help finding, help road (what comes after the finding), quit"""

_ROAD_HELP = """After the finding:
  repair FAULT               what you found, as in the finding; ignition off
  replace MODULE             the unit that was ordered; ignition off
  track                      (look) the way of a unit back on the road
  data                       (look) what the vehicle needs that unit to know
  supply on [VOLT [AMPERE]]  support supply; supply off
  lamps on|off               lamps and blower
  write ITEM VALUE           a replaced unit, or one that was only told wrong;
                             then ignition off, ignition on, config MODULE
  write ITEM VALUE programming
                             after a writing that broke off
  write ITEM VALUE meanwhile DOING
                             ignition off, supply off or lamps on halfway
  engine start|stop
  brake hold|release
  select park|reverse|neutral|drive
  fill LITRE                 fluid
  level open|look|close      the overflow plug
  routine start|results|stop the calibration; time passes with wait
  codes clear
  drive [NAME]               the road test; or hot idle, every gear, stop and go
  hand-back"""

_OHM = (
    "An ohm left out of a finding means any value: only kind and place are claimed. An ohm that is written must fit "
    "your readings and lie within half a decade of the true one."
)
_HELD = "It is held against valid ohms, volts, lamps, calls and config. Codes and pins fill the proof sheet only."
_AT = (
    "at=MODULE is in the contact of the module, on the module side of the probe points at its plug; a fault in the "
    "harness is written run=NAME."
)


def _help(job: Job, rest: str) -> list[str]:
    if rest.strip() == "road":
        return _ROAD_HELP.split("\n")
    if rest.strip() != "finding":
        return _HELP.split("\n")
    return [
        "finding FAULT + FAULT ... hands in what is wrong, each fault as kind and fields; kinds lists them.",
        "For example: finding open line=high at=GBX + power_dropout fuse=F7; or: finding healthy",
        _HELD,
        _OHM,
        _AT,
        "It ends the job." if job.ends_with_finding else "It is handed in once; the job goes on until: hand-back",
    ]


def _card(job: Job, rest: str) -> list[str]:
    return list(job.card())


def _slips(job: Job, rest: str) -> list[str]:
    return [f"{slip.number:3d}. min {slip.minute:g}  {slip.line()}" for slip in job.slips] or ["No slip yet."]


def _state(job: Job, rest: str) -> list[str]:
    condition = job.condition
    unplugged = ", ".join(sorted(condition.unplugged)) or "nothing"
    parted = ", ".join(place for _, place in sorted(condition.parted)) or "nothing"
    return [
        f"Minute {job.minute:g} of {job.minutes_allowed:g}. "
        f"Battery {'on' if condition.battery_on else 'off'}, "
        f"ignition {'on' if condition.ignition_on else 'off'}. "
        f"Unplugged: {unplugged}. Parted: {parted}. Leads {'' if job.zeroed else 'not '}zeroed. "
        f"Plugs reached: {', '.join(sorted(job.torn_open)) or 'none'}.",
        *_state_of_the_work(job),
    ]


def _state_of_the_work(job: Job) -> list[str]:
    """What a journal that was left in the middle of the work would not show at a glance."""
    state = job.state
    words = [f"Engine {state.engine}."] if state.engine != "stopped" else []
    words += ["Support supply on."] if state.supply_on else []
    words += [f"Ordered: {', '.join(sorted(state.ordered))}."] if state.ordered else []
    words += [f"Replaced: {', '.join(state.replaced)}."] if state.replaced else []
    words += [f"A helper shakes {state.shaken}."] if state.shaken else []
    return [" ".join(words)] if words else []


def _points(job: Job, rest: str) -> list[str]:
    return [
        " ".join(probe_points(job.vehicle)),
        "battery.negative is the cable clamp on the body side: it stays the body when the battery is off. "
        "All points at a plug are on the harness side.",
    ]


def _kinds(job: Job, rest: str) -> list[str]:
    import faults

    lines = []
    for kind in faults.kinds().values():
        what = (kind.__doc__ or "").strip().splitlines()[0].replace("``", "")
        lines += [f"  {kind.example}", f"      {what}"]
    return [*lines, _OHM, _AT]


def _map(job: Job, rest: str) -> list[str]:
    path = Path(rest.strip() or "wire_map.png")
    slips = [slip.taken(job.vehicle) for slip in job.slips]
    try:
        wire_map(job.vehicle, path, readings=slips, torn_open=job.torn_open)
    except OSError as error:
        raise BadRequest(f"{path} cannot be written ({error.strerror}); name another file") from None
    return [f"Wire map: {path}"]


def _proof(job: Job, rest: str) -> list[str]:
    module = job.vehicle.module(rest.strip()).name if rest.strip() else asked_module(job)
    if module is None:
        raise BadRequest("write which unit: proof MODULE")
    lines = proof_sheet(job, module)
    good = sum(line.word == GOOD for line in lines)
    return [f"Proof sheet of {module}: {good} of {LINES_OF_PROOF} proved good", *(f"  {line.text()}" for line in lines)]


def _track(job: Job, rest: str) -> list[str]:
    if not (job.state.replaced or job.state.taken):
        raise BadRequest(
            "no unit was replaced or written to; the order is: finding, order MODULE, replace MODULE; or, where only "
            "what it was told is wrong: finding, write ITEM VALUE (the items: data)"
        )
    return job.car.now(partial(_track_lines, over=job.handed_back is not None))


def _track_lines(car: LiveCar, *, over: bool) -> list[str]:
    lines = []
    for unit, track in car.tracks.items():
        lines += way_lines(unit, track.steps(), over=over)
    return lines or ["The replaced unit needs nothing: it knows all that it has to know."]


def _data(job: Job, rest: str) -> list[str]:
    lines = []
    for unit, service in job.vehicle.road.service.items():
        low, high = service.supply_volt
        lines.append(f"{unit}: support supply {low:g} to {high:g} V, {service.supply_amp:g} A or more")
        for item in service.configuration:
            name = item.title.replace(" ", "-")
            lines.append(f"  write {name} {item.value:g}" + (f"   ({item.unit})" if item.unit else ""))
        lines += _level_data(service) + _routine_data(service)
        test = service.road_test
        lines.append(f"  road test: {test.minutes:g} minutes, every gear, fluid {test.fluid_celsius:g} Celsius or more")
    return lines or ["This vehicle has no unit that has to be brought back into service."]


def _level_data(service: Service) -> list[str]:
    level = service.level
    if level is None:
        return []
    cold, hot = level.window_celsius
    return [
        f"  level by overflow: engine idling in park, selector through every position {level.position_s:g} s each; "
        f"open the plug from {cold:g} Celsius on, close it before {hot:g} when only drops come"
    ]


def _routine_data(service: Service) -> list[str]:
    calibration = service.calibration
    if calibration is None:
        return []
    (cold, hot), (low, high) = calibration.fluid_celsius, calibration.volt
    return [
        f"  routine 0x{calibration.number:04X}: brake held, park, engine idling, standing still, {low:g} to {high:g} "
        f"V, fluid {cold:g} to {hot:g} Celsius, for {calibration.seconds:g} s"
    ]


def _cautions(job: Job, rest: str) -> list[str]:
    return [caution(number) for number in CAUTIONS]


#: The looks by their word.
LOOKS: Mapping[str, Callable[[Job, str], list[str]]] = {
    "card": _card,
    "slips": _slips,
    "state": _state,
    "points": _points,
    "kinds": _kinds,
    "map": _map,
    "cautions": _cautions,
    "proof": _proof,
    "track": _track,
    "data": _data,
    "help": _help,
}
