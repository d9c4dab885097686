"""Readings taken on a vehicle, as typed: "ohms DLC.high DLC.low 120 unplug=CLU", "volts ...", "call silent=GBX"."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

from simulator.condition import Condition
from simulator.errors import BadRequest, UnknownName
from simulator.probes import Point, parse_probe
from simulator.vehicle import Vehicle


@dataclass(frozen=True)
class OhmsTaken:
    """A resistance read with the battery off, in ohm (inf: OL), modules unplugged, connectors parted."""

    red: Point
    black: Point
    ohm: float
    unplugged: frozenset[str] = frozenset()
    parted: frozenset[tuple[str, str]] = frozenset()
    text: str = ""

    @property
    def condition(self) -> Condition:
        """The condition it was read in."""
        return Condition(False, False, self.unplugged, self.parted)


@dataclass(frozen=True)
class VoltsTaken:
    """A voltage read with battery and ignition on and nobody sending, in volt."""

    red: Point
    black: Point
    volt: float
    text: str = ""


@dataclass(frozen=True)
class CallTaken:
    """A roll call with battery and ignition on: who was silent; all others answered."""

    silent: frozenset[str]
    text: str = ""


Taken: TypeAlias = OhmsTaken | VoltsTaken | CallTaken


def parse_reading(vehicle: Vehicle, text: str) -> Taken:
    """A reading as typed: ``ohms DLC.high DLC.low 120 unplug=CLU``, ``volts GBX.supply battery.negative 12.4``,
    ``call silent=GBX``.

    Raises BadRequest or UnknownName, saying what to write instead.
    """
    words = text.split()
    kind, rest = (words[0], words[1:]) if words else ("", [])
    if kind == "call":
        return _parse_call(vehicle, rest, text)
    if kind not in ("ohms", "volts"):
        raise BadRequest(f"a reading begins with ohms, volts or call, not with '{kind}'")
    plain = [word for word in rest if "=" not in word]
    options = [word.partition("=") for word in rest if "=" in word]
    if len(plain) != 3:
        raise BadRequest(f"'{text}': write {kind} RED BLACK VALUE, as in '{kind} DLC.high DLC.low 60'")
    red, black = (parse_probe(vehicle, name) for name in plain[:2])
    value = _number(plain[2], kind)
    if kind == "volts":
        if options:
            raise BadRequest(f"'{text}': a voltage is read with everything plugged in; leave {options[0][0]}= out")
        return VoltsTaken(red, black, value, text)
    unplugged: set[str] = set()
    parted: set[tuple[str, str]] = set()
    for key, _, names in options:
        for name in names.split(","):
            if key == "unplug":
                unplugged.add(vehicle.module(name).name)
            elif key == "part":
                parted.add(connector(vehicle, name))
            else:
                raise BadRequest(f"'{text}': no option '{key}'; write unplug=MODULE or part=PLACE")
    return OhmsTaken(red, black, value, frozenset(unplugged), frozenset(parted), text)


def connector(vehicle: Vehicle, text: str) -> tuple[str, str]:
    """(network, place) of an in-line connector written as PLACE or PLACE.NETWORK. Raises BadRequest, UnknownName."""
    every = [(name, parting.at) for name, network in vehicle.networks.items() for parting in network.parting]
    found = [(network, place) for network, place in every if text in (place, f"{place}.{network}")]
    if not found:
        raise UnknownName("in-line connector", text, {place for _, place in every})
    if len(found) > 1:
        known = ", ".join(f"{place}.{network}" for network, place in found)
        raise BadRequest(f"'{text}' parts on several networks: write one of {known}")
    return found[0]


def _parse_call(vehicle: Vehicle, words: Sequence[str], text: str) -> CallTaken:
    key, _, names = words[0].partition("=") if len(words) == 1 else ("", "", "")
    if key != "silent":
        raise BadRequest(f"'{text}': write call silent=GBX,CLU, or call silent= where all answer")
    return CallTaken(frozenset(vehicle.module(name).name for name in names.split(",") if name), text)


def _number(text: str, kind: str) -> float:
    if kind == "ohms" and text.upper() == "OL":
        return math.inf
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        unit = "ohm, or OL" if kind == "ohms" else "volt"
        raise BadRequest(f"'{text}' is no reading: write a plain number in {unit}")
    if kind == "ohms" and value < 0:
        raise BadRequest(f"'{text}' ohm is no resistance: battery off, quiet lines, then read again; 0 or more, or OL")
    return value
