"""The options of ``can.Bus(interface="sixtyohm")``: python-can passes them as values or, from its files, as text."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import can

import faults as fault_room
from simulator.errorframes import ErrorFrames
from simulator.errors import BadRequest, UnknownName
from simulator.reader import demo_names, find_vehicle
from simulator.vehicle import Network, Vehicle

_CHANNEL = 'write channel="pipkin/LINE-1", or a vehicle file with its network behind a stroke'
_CLOCKS = ("stepped", "wall")
_OF_A_FILTER = ("can_id", "can_mask")
_TRUE, _FALSE = ("true", "on", "yes", "1"), ("false", "off", "no", "0")


@dataclass(frozen=True)
class Wanted:
    """What a bus asks of the simulation behind it; None where it asks nothing and takes what is there.

    ``faults`` in their command-line form, as the vehicle has them.
    """

    faults: tuple[str, ...] | None = None
    seed: int | None = None
    ignition: bool | None = None
    clock: str | None = None
    speed: float | None = None


def vehicle_of(channel: object) -> tuple[Path, str | None]:
    """(vehicle file, network or None) of a channel like ``pipkin/LINE-1``, ``pipkin``, ``folder/vehicle.yaml/LINE-1``.

    Raises BadRequest and UnknownName.
    """
    if not isinstance(channel, str | Path) or not str(channel):
        raise BadRequest(f"channel={channel!r} is no vehicle: {_CHANNEL}")
    text = str(channel)
    try:
        return find_vehicle(text), None
    except UnknownName:
        place, _, network = text.rpartition("/")
    try:
        return find_vehicle(place), network
    except UnknownName:
        known = ", ".join(demo_names())
        raise BadRequest(f"channel '{text}': no vehicle file or demo ({known}) of that name; {_CHANNEL}") from None


def network_of(vehicle: Vehicle, name: str | None, tap: object) -> tuple[Network, str]:
    """(network, place) that a bus taps; by default the socket. Raises BadRequest and UnknownName."""
    network = vehicle.network(name) if name else None
    if tap is None:
        sockets = [place for on, place in vehicle.sockets if network is None or on == network.name]
        if not sockets:
            raise BadRequest(
                f"{vehicle.name} has no socket {f'on {name} ' if name else ''}to connect to: write tap=PLACE"
            )
        tap = sockets[0]
    if not isinstance(tap, str):
        raise BadRequest(f'tap={tap!r} is no place: write the name of one, like tap="DLC"')
    if network is None:
        network = vehicle.network_of_place(tap, None)
    return vehicle.network_of_place(tap, network.name), tap


def wanted(vehicle: Vehicle, *, fault: Any, seed: Any, ignition: Any, clock: Any, speed: Any) -> Wanted:
    """The options that concern the simulation, checked. Raises BadRequest and what faults raise."""
    if clock is not None and clock not in _CLOCKS:
        raise BadRequest(f"clock={clock!r}: write stepped (the program advances it) or wall (real time)")
    if speed is not None and clock == "stepped":
        raise BadRequest("speed is of the wall clock: leave it out, or write clock=wall")
    return Wanted(
        None if fault is None else faults_of(vehicle, fault),
        None if seed is None else round(number("seed", seed, whole=True)),
        None if ignition is None else switch("ignition", ignition),
        clock,
        None if speed is None else positive("speed", speed),
    )


def faults_of(vehicle: Vehicle, given: Any) -> tuple[str, ...]:
    """Faults from one text, several joined by ``;``, or a list of texts and fault objects, sorted."""
    items = [given] if isinstance(given, fault_room.Fault) else given
    if isinstance(items, str):
        items = re.findall(r"""(?:"[^"]*"|'[^']*'|[^;"'])+""", items)
    if not isinstance(items, Iterable):
        raise BadRequest(f'fault={given!r} is no fault: write it like fault="open line=high at=GBX"')
    parsed = [item if isinstance(item, fault_room.Fault) else _parsed(item) for item in items if item and item != " "]
    return tuple(sorted(str(fault.canonical(vehicle)) for fault in parsed))


def _parsed(item: Any) -> fault_room.Fault:
    if not isinstance(item, str):
        raise BadRequest(f'fault={item!r} is no fault: write it like fault="open line=high at=GBX"')
    return fault_room.parse(item.strip())


def of_the_tap(
    receive_own_messages: Any, can_filters: Any, fd: Any, error_frames: Any, listen_only: Any, recovery: Any
) -> dict[str, Any]:
    """What a SimulatedBus takes by these names, checked. Raises BadRequest."""
    return {
        "receive_own_messages": switch("receive_own_messages", receive_own_messages),
        "can_filters": filters_of(can_filters),
        "fd": None if fd is None else switch("fd", fd),
        "error_frames": error_frames_of(error_frames),
        "listen_only": switch("listen_only", listen_only),
        "by_request": is_by_request(recovery),
    }


def error_frames_of(given: Any) -> ErrorFrames:
    """Which error frames: none (or off), states, all (or on)."""
    text = str(given).lower()
    try:
        return ErrorFrames("all" if text in _TRUE else "none" if text in _FALSE else text)
    except ValueError:
        raise BadRequest(f"error_frames={given!r}: write none, states (of the tap's controller) or all") from None


def is_by_request(recovery: object) -> bool:
    """Whether a controller comes back from bus-off only when asked to. Raises BadRequest."""
    if recovery not in ("automatic", "request"):
        raise BadRequest(
            f"recovery={recovery!r}: write automatic, or request (bus-off ends after bus.state = can.BusState.ACTIVE)"
        )
    return recovery == "request"


def filters_of(given: Any) -> Any:
    """Filters as python-can wants them, from JSON where they come as text."""
    if given is None:
        return None
    try:
        found = json.loads(given) if isinstance(given, str) else list(given)
        good = isinstance(found, list) and all(isinstance(one[name], int) for one in found for name in _OF_A_FILTER)
    except (ValueError, TypeError, KeyError):
        good = False
    if not good:
        like = '[{"can_id": 2025, "can_mask": 2047}]'
        raise BadRequest(f"can_filters={given!r}: write {'JSON like ' if isinstance(given, str) else ''}{like}")
    return found


def room_of(given: Any) -> int:
    """How many messages may wait to be read; 0: any number."""
    value = round(number("rx_queue_size", given, whole=True))
    if value < 0:
        raise BadRequest(f"rx_queue_size={given!r}: write 0 (any number of messages) or more")
    return value


def switch(name: str, given: Any) -> bool:
    """A truth value, from true, on, yes, 1 or their opposites where it comes as text."""
    text = str(given).lower()
    if text not in _TRUE + _FALSE:
        raise BadRequest(f"{name}={given!r}: write on or off")
    return text in _TRUE


def number(name: str, given: Any, *, whole: bool = False) -> float:
    """A number, from text too."""
    try:
        value = float(int(str(given), 0) if whole else str(given))
    except ValueError:
        raise BadRequest(f"{name}={given!r}: write a {'whole ' if whole else ''}number") from None
    return value


def positive(name: str, given: Any) -> float:
    """A finite number above 0, from text too."""
    value = number(name, given)
    if not 0.0 < value < 1e6:
        raise BadRequest(f"{name}={given!r}: write a number above 0")
    return value


def check_rates(network: Network, *, bitrate: Any, data_bitrate: Any, timing: Any, fd: bool | None) -> None:
    """Refuse a bit rate that is not the network's, as an adapter set to it would only disturb. Raises BadRequest."""
    asked = {"bitrate": bitrate, "data_bitrate": data_bitrate}
    if isinstance(timing, can.BitTiming):
        asked["timing"] = timing.bitrate
    elif isinstance(timing, can.BitTimingFd):
        asked |= {"timing": timing.nom_bitrate, "data_bitrate": timing.data_bitrate}
    elif timing is not None:
        raise BadRequest(f"timing={timing!r}: write a can.BitTiming or can.BitTimingFd, or leave it out")
    if fd and network.data_bit_rate is None:
        raise BadRequest(f"{network.name} is no CAN FD network: leave fd out")
    for name, given in asked.items():
        if given is None or (name == "data_bitrate" and fd is False):
            continue
        there = network.data_bit_rate if name == "data_bitrate" else network.bit_rate
        if there is None:
            raise BadRequest(f"{network.name} is no CAN FD network: leave data_bitrate out")
        if number(name, given) != there:
            raise BadRequest(f"{network.name} runs at {there} bit/s, not {given}: leave {name} out, or write {there}")
