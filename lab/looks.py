"""Looking at a job: what costs no minute. Each look takes the job and the words after it, and gives lines to show."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from lab.cautions import CAUTIONS, caution
from lab.pictures import wire_map
from simulator.errors import BadRequest
from simulator.probes import probe_points

if TYPE_CHECKING:
    from lab.job import Job

#: Said at resume where the journal ended in half a line.
TORN = "The last action was lost: the journal ended in half a line, left by a power cut; do that action again."

_HELP = """Actions (each costs minutes):
  call                       roll call at the socket
  read ohms RED BLACK        for example: read ohms DLC.high DLC.low
  read volts RED BLACK       for example: read volts GBX.supply battery.negative
  zero                       zero the leads of the ohmmeter
  battery off|on             battery negative
  ignition off|on            the key
  unplug M, plug M           a module at its plug; the way there counts once
  part PLACE, join PLACE     an in-line connector
  covers off                 trim off: splices and connectors can be reached
  shake PLACE                a helper shakes the loom there, until: shake nothing
  wait MINUTES
  finding FAULT              hand in; several faults joined by ' + ', or: finding healthy
Looking (costs nothing):
  card, slips, state, points, kinds, map FILE.png, cautions, quit; help finding"""

_OHM = (
    "An ohm left out of a finding means any value: only kind and place are claimed. An ohm that is written must fit "
    "your readings and lie within half a decade of the true one."
)
_AT = (
    "at=MODULE is in the contact of the module, on the module side of the probe points at its plug; a fault in the "
    "harness is written run=NAME."
)


def _help(job: Job, rest: str) -> list[str]:
    if rest.strip() != "finding":
        return _HELP.split("\n")
    return [
        "finding FAULT + FAULT ... hands in what is wrong, each fault as kind and fields; kinds lists them.",
        "For example: finding open line=high at=GBX + power_dropout fuse=F7; or: finding healthy",
        _OHM,
        _AT,
        "It ends the job.",
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
        f"Plugs reached: {', '.join(sorted(job.torn_open)) or 'none'}."
    ]


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
    "help": _help,
}
