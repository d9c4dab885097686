"""Whether a network is healthy, and whether its controllers may be left to a plan of cyclic messages."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from simulator.datalink.controller import NEVER_NS, Outgoing, Wiring
from simulator.datalink.island import Island
from simulator.datalink.stretch import Guest, Plan, Queued
from simulator.kernels import layout
from simulator.kernels.stretch import INTERMISSION

#: Recessive bits until a controller that joins takes part: ISO 11898-1:2015, bus integration.
_INTEGRATION = 11


def hears_all(wiring: Wiring) -> bool:
    """Whether everybody hears everybody, at once and alone, with nobody out of order, and somebody to acknowledge.

    Those that only listen hear everybody too. What is read while several drive lies between what one does and what
    all do.
    """
    everybody = tuple(wiring.hearers)
    speaking = tuple(node for node in everybody if node not in wiring.listening)
    if len(speaking) < 2 or wiring.mute or wiring.stuck or wiring.held or wiring.rates or len(wiring.parts or ()) > 1:
        return False
    if any(len(wiring.hearers[node]) < len(everybody) for node in speaking):
        return False
    for driving in (frozenset[str](), *(frozenset((one,)) for one in speaking), frozenset(speaking)):
        levels = wiring.read(driving)
        if levels.neither or not levels.prompt:
            return False
        if len(levels.dominant) != (len(everybody) if driving else 0):
            return False
    return True


class Waiting(NamedTuple):
    """What is in line: rows of the plan whose latest frames are, and frames of others."""

    rows: set[int]
    others: list[Queued]


def what_waits(island: Island, plan: Plan) -> Waiting | None:
    """What is in line; None if some of it does not go with a plan."""
    found = Waiting(set(), [])
    for station in island.stations:
        for (key, number), frame in station.waiting.items():
            row = plan.rows.get(key)
            if row is None and plan.admits(frame):
                found.others.append(Queued(Guest(NEVER_NS, station.name, frame), number))
            elif row is None or number or not _is_latest(plan, row, frame):
                return None
            else:
                found.rows.add(row)
    return found


def sends_known(island: Island, plan: Plan, waiting: Waiting) -> bool:
    """Whether every frame on the wire is the latest of a cyclic message, or in line."""
    others = {id(one.guest.frame) for one in waiting.others}
    for station, row in zip(island.stations, island.rows.tolist(), strict=True):
        if row[layout.SENDS] and (row[layout.STATE] == layout.FRAME or row[layout.FAILED]):
            frame = station.slots[row[layout.SLOT]]
            number = None if frame is None else plan.rows.get(frame.key)
            if frame is None or not (id(frame) in others if number is None else _is_latest(plan, number, frame)):
                return False
    return True


def _is_latest(plan: Plan, row: int, frame: Outgoing) -> bool:
    return plan.senders[row].latest[0] is frame and not plan.senders[row].repacked


def unharmed(island: Island) -> bool:
    """Whether all controllers are as new, apart from what they are doing."""
    return not np.any(island.rows[:, [layout.TEC, layout.REC, layout.STATUS, layout.FAILED, layout.DELAYS]])


def bits_to_wait(island: Island) -> int | None:
    """How many recessive bits it takes until all may send; None if controllers differ, or one is not as new."""
    rows = island.rows
    if not unharmed(island):
        return None
    if np.any(rows[:, layout.SKILL] != 2) or island.world[layout.TIMED] or island.world[layout.STUCK]:
        return None
    rest = {layout.INTEGRATING: _INTEGRATION, layout.INTERMISSION: INTERMISSION}
    found = {
        rest[state] - count if state in rest else 0 if state == layout.IDLE else None
        for state, count in rows[:, [layout.STATE, layout.COUNT]].tolist()
    }
    return found.pop() if len(found) == 1 else None
