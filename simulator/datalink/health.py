"""Whether a network is healthy, and whether its controllers may be left to a plan of cyclic messages."""

from __future__ import annotations

import numpy as np

from simulator.datalink.controller import Wiring
from simulator.datalink.island import Island
from simulator.datalink.stretch import Plan
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
        if levels.neither or levels.late or levels.lingering:
            return False
        if len(levels.dominant) != (len(everybody) if driving else 0):
            return False
    return True


def what_waits(island: Island, plan: Plan) -> set[int] | None:
    """Rows of the plan whose latest frames are in line; None if others wait too."""
    found = set()
    for station in island.stations:
        for (key, number), frame in station.waiting.items():
            row = plan.rows.get(key)
            if row is None or number or plan.senders[row].latest[0] is not frame or plan.senders[row].repacked:
                return None
            found.add(row)
    return found


def sends_latest(island: Island, plan: Plan) -> bool:
    """Whether every frame on the wire is the latest of a cyclic message."""
    for station, row in zip(island.stations, island.rows.tolist(), strict=True):
        if row[layout.SENDS] and (row[layout.STATE] == layout.FRAME or row[layout.FAILED]):
            frame = station.slots[row[layout.SLOT]]
            number = None if frame is None else plan.rows.get(frame.key)
            if number is None or plan.senders[number].latest[0] is not frame or plan.senders[number].repacked:
                return False
    return True


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
