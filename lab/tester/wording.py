"""What fault codes say, in words: SAE J2012 for the codes that every vehicle shares, the vehicle file for its own."""

from __future__ import annotations

from simulator.diagnostics.codes import (
    FAILURE_TYPES,
    FIRST_BUS_OFF,
    LAST_BUS_OFF,
    MODULE,
    SOFTWARE,
    SUPPLY,
    base_number,
    code_text,
    invalid_data_base,
)
from simulator.vehicle import Vehicle

#: Descriptions of SAE J2012-DA, shortened; U3000 and U3003 from memory. The letter is that of the network.
_SHARED = {
    MODULE: "Control module",
    SUPPLY: "Battery voltage",
    SOFTWARE: "Internal control module software incompatibility",
}
_INVALID_FROM_NOBODY = 0xC400


def failure_words(number: int) -> str:
    """What the failure type of a code of three bytes says."""
    return FAILURE_TYPES.get(number & 0xFF, f"failure type {number & 0xFF:02X}")


def missed_module(vehicle: Vehicle, number: int) -> str | None:
    """Whose messages a code of three bytes is about when it says that they are lost; None for any other code."""
    base = number >> 8
    return next((name for name, each in vehicle.modules.items() if base_number(each.lost_code) == base), None)


def code_words(vehicle: Vehicle, module: str, number: int) -> str:
    """What a code of three bytes says that a module has stored, without its failure type."""
    own = vehicle.module(module).diagnostics.codes.get(code_text(number))
    if own:
        return own
    base = number >> 8
    service = vehicle.road.service.get(module)
    if service is not None and base == base_number(service.ratio_code):
        return "Speeds do not fit axle ratio and tyre size"
    if service is not None and base == base_number(service.level_code):
        return "Pressure does not hold"
    if base in _SHARED:
        return _SHARED[base]
    if FIRST_BUS_OFF <= base <= LAST_BUS_OFF:
        place = base - FIRST_BUS_OFF
        name = list(vehicle.networks)[place] if place < len(vehicle.networks) else ""
        return f"Control module communication bus {'ABCDE'[place]} off" + (f" ({name})" if name else "")
    missed = missed_module(vehicle, number)
    if missed is not None:
        return f"Lost communication with {_title(vehicle, missed)}"
    for name, each in vehicle.modules.items():
        invalid = invalid_data_base(base_number(each.lost_code))
        if invalid == base != _INVALID_FROM_NOBODY:
            return f"Invalid data received from {_title(vehicle, name)}"
    return "Invalid data received" if base == _INVALID_FROM_NOBODY else "Code of the maker"


def _title(vehicle: Vehicle, name: str) -> str:
    title = vehicle.module(name).title
    return f"{title} ({name})" if title else name
