"""What the customer says: made from what the fault does, never from what it is; and the fault itself, drawn by lot."""

from __future__ import annotations

import random

import faults as fault_room
from faults import Fault
from lab.apart import findable
from lab.bench import Bench, Traffic
from lab.possible import LIVE
from simulator.errors import BadRequest
from simulator.vehicle import Vehicle

_OPENINGS = (
    "Came in this morning on a trailer.",
    "Has been here before; the last workshop gave up.",
    "The driver says it began after a wet week.",
    "Nobody knows since when.",
    "It was fine before the holidays, says the driver.",
    "Somebody has worked on it, nobody says who.",
)
#: A kind of which so many show nowhere is given up.
_TRIES = 5
_ALL_WELL = (
    "It drives and no lamp stays lit, but somebody saw a lamp flicker and wants the network proved good.",
    "Everything works today. The owner wants to know why it did not on Monday.",
)


def complaint(sick: Bench, seed: int) -> str:
    """The complaint in words: who is missing, as a driver would notice it."""
    rng = random.Random(f"complaint {seed}")
    opening = rng.choice(_OPENINGS)
    modules = sick.vehicle.modules
    silent = [modules[name].title or name for name in sick.silent(LIVE)]
    if not silent:
        return f"{opening} {rng.choice(_ALL_WELL)}"
    if len(silent) == len(modules):
        return f"{opening} Every lamp in the car is lit and nothing answers."
    if len(silent) == 1:
        return f"{opening} The lamp for {silent[0].lower()} is lit."
    listed = ", ".join(title.lower() for title in silent[:-1]) + f" and {silent[-1].lower()}"
    return f"{opening} The lamps for {listed} are lit."


def draw_fault(vehicle: Vehicle, seed: int, traffic: Traffic) -> Fault:
    """A fault of the catalogue, by lot: first the kind, then the place; only one that can be found by measuring."""
    rng = random.Random(f"fault {seed}")
    healthy = Bench(vehicle.as_drawn(), traffic)
    listed = fault_room.catalogue(vehicle)
    kinds = sorted({fault.kind for fault in listed})
    rng.shuffle(kinds)
    for kind in kinds:
        of_kind = [fault for fault in listed if fault.kind == kind]
        rng.shuffle(of_kind)
        for fault in of_kind[:_TRIES]:
            if findable(vehicle, fault, healthy, traffic):
                return fault
    raise BadRequest(f"no fault of {vehicle.name} shows in any reading; name a case instead")
