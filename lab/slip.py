"""Reading slips: what was read, where, in what condition, when, and whether it counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from lab.pictures import TakenReading
from simulator.condition import AtBattery, Condition
from simulator.probes import parse_probe
from simulator.vehicle import Vehicle

#: Below this an ohm reading with leads that were not zeroed says little: the leads are 0.2 ohm themselves.
LEADS_MATTER_OHM = 5.0
#: The kinds of reading that a finding is held against.
JUDGED = ("ohms", "volts", "lamp", "call", "config")
#: What leads that were not zeroed may add to a reading, in ohm.
MOST_LEADS_OHM = 0.3
#: Why a reading is doubtful that still counts, with the leads taken off.
LEADS = f"below {LEADS_MATTER_OHM:g} ohm the leads matter, and they were not zeroed"


@dataclass(frozen=True)
class Slip:
    """One reading: ``kind`` is ohms, volts, call, lamp, pins, codes, values or config; ``why`` says why its ``state``
    is doubtful or void, and not valid.

    ``value`` in ohm or volt, for pins how many are loose; None for OL and where there is no number. ``silent`` are the
    modules that did not answer. ``lost``: with the lamp, volts lost between leads and battery posts, red and black.
    ``codes``: every module's codes as read. ``told``: of config, what each module that answered said, by name; "" where
    it refused.
    """

    number: int
    minute: float
    kind: str
    red: str = ""
    black: str = ""
    value: float | None = None
    display: str = ""
    silent: tuple[str, ...] = ()
    condition: Condition = field(default_factory=Condition)
    shaken: str = ""
    zeroed: bool = False
    state: str = "valid"
    why: str = ""
    module: str = ""
    lost: tuple[float, float] | None = None
    codes: Mapping[str, Any] | None = None
    told: Mapping[str, Mapping[str, str]] | None = None

    @property
    def where(self) -> str:
        """What was done, as one types it: ``ohms DLC.high DLC.low``."""
        return " ".join(word for word in (self.kind, self.module, self.red, self.black) if word)

    @property
    def counts(self) -> bool:
        """Whether a finding is held against it: a reading with a meter or the lamp, or a roll call, that is valid, or
        has only the leads in it, which its band allows for.
        """
        return self.kind in JUDGED and (self.state == "valid" or (self.kind == "ohms" and self.why == LEADS))

    @property
    def leads_ohm(self) -> float:
        """What the leads may have added to an ohm reading at most, in ohm."""
        return 0.0 if self.zeroed or self.kind != "ohms" else MOST_LEADS_OHM

    def line(self) -> str:
        """The slip in one line."""
        note = "" if self.state == "valid" else f"  {self.state.upper()}: {self.why}"
        if self.counts and self.state != "valid" and self.value is not None:
            note += f"; counted as {max(0.0, self.value - MOST_LEADS_OHM):.1f} to {self.value:.1f} ohm"
        return f"{self.where}: {self.display} ({self.situation()}){note}"

    def situation(self) -> str:
        """The condition of the car in words."""
        words = [f"battery {_on(self.condition.battery_on)}", f"ignition {_on(self.condition.ignition_on)}"]
        words += [f"{name} unplugged" for name in sorted(self.condition.unplugged)]
        words += [f"{place} parted" for _, place in sorted(self.condition.parted)]
        words += [part.name if part.name != "alternator" else "engine running" for part in self.condition.at_battery]
        words += [f"shaking {self.shaken}"] if self.shaken else []
        words += ["leads zeroed"] if self.zeroed and self.kind == "ohms" else []
        return ", ".join(words)

    def taken(self, vehicle: Vehicle) -> TakenReading:
        """The slip as the wire map marks it."""
        points = tuple(parse_probe(vehicle, text) for text in (self.red, self.black) if text)
        return TakenReading(self.number, points, self.line())

    def as_json(self) -> dict[str, Any]:
        """The slip as the journal keeps it."""
        return {
            "number": self.number,
            "minute": self.minute,
            "kind": self.kind,
            "red": self.red,
            "black": self.black,
            "value": self.value,
            "display": self.display,
            "silent": list(self.silent),
            "condition": {
                "battery_on": self.condition.battery_on,
                "ignition_on": self.condition.ignition_on,
                "unplugged": sorted(self.condition.unplugged),
                "parted": [list(pair) for pair in sorted(self.condition.parted)],
                "at_battery": [vars(part) for part in self.condition.at_battery],
                "sag_volt": self.condition.sag_volt,
            },
            "shaken": self.shaken,
            "zeroed": self.zeroed,
            "state": self.state,
            "why": self.why,
            "module": self.module,
            "lost": None if self.lost is None else list(self.lost),
            "codes": self.codes,
            "told": self.told,
        }


def slip_from_json(kept: Mapping[str, Any]) -> Slip:
    """The slip of a journal line."""
    values = dict(kept)
    condition = dict(values.pop("condition"))
    condition["unplugged"] = frozenset(condition["unplugged"])
    condition["parted"] = frozenset((network, place) for network, place in condition["parted"])
    condition["at_battery"] = tuple(AtBattery(**part) for part in condition.get("at_battery", ()))
    values["silent"] = tuple(values["silent"])
    values["lost"] = tuple(values["lost"]) if values.get("lost") else None
    return Slip(condition=Condition(**condition), **values)


def worth(
    kind: str, condition: Condition, value: float | None, *, zeroed: bool, awake: bool, settling: bool
) -> tuple[str, str]:
    """Whether a reading counts, and why not.

    ``awake``: a module is awake. ``settling``: the key or the battery was turned off less than the modules' sleep time
    ago. Rules: an ohmmeter needs a dead circuit (workshop practice; no published source), leads count below 5 ohm.
    """
    if kind == "ohms":
        if condition.battery_on:
            what = "the network is awake" if awake or settling else "the battery is still connected"
            return "void", f"{what}; ohms only on a dead circuit"
        if settling:
            return "doubtful", "the battery came off a network that was not asleep yet; wait, then read again"
        if value is not None and value < LEADS_MATTER_OHM and not zeroed:
            return "doubtful", LEADS
    if kind == "volts" and not condition.battery_on:
        return "doubtful", "the battery is off, so there is nothing to read"
    if kind == "volts" and settling:
        return "doubtful", "the network is just falling asleep; wait, then read again"
    if kind == "lamp" and not condition.battery_on:
        return "doubtful", "the battery is off, so the lamp cannot light"
    if kind == "call" and not condition.battery_on:
        return "doubtful", "without the battery nobody can answer"
    return "valid", ""


def _on(switch: bool) -> str:
    return "on" if switch else "off"
