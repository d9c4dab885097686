"""The short safety cautions, by number, and when each is shown. One list for every screen and every print."""

from __future__ import annotations

from collections.abc import Mapping

#: Number -> short text to show. Wording: the project's own, after workshop practice; common practice, no source.
CAUTIONS: Mapping[int, str] = {
    1: "Simulation only: readings teach method; use the vehicle's own data on a real car.",
    2: (
        "High-voltage vehicle: orange cables, above 60 V DC. Do not open, probe or unplug. Only qualified persons, "
        "after isolation, waiting time and proof of no voltage; insulated gloves class 0."
    ),
    3: "Airbag and belt-tensioner circuits: never ohms, lamp or jumper. Battery off and wait the stated time.",
    4: "Ohms only on a dead circuit: asleep, both lines below 0.1 V, battery negative off.",
    5: (
        "Before battery off: save codes, radio and lock data, open windows and boot; key outside; some hold-up "
        "supplies stay live."
    ),
    6: "Battery: no sparks, gas, acid; remove rings; negative off first, on last.",
    7: "Test lamp or load only on feeds and grounds, fused, never on bus, sensor, 5 V or airbag lines.",
    8: "Never bridge a bus line to battery or ground on a real car; bridge high to low only with the battery off.",
    9: "Back-probe with the right pin; no piercing; reseal; a wrong probe spreads the terminal.",
    10: "Key off before unplugging a unit; static strap on open units.",
    11: "Fuse: same rating only; find the cause of a blown fuse before the second.",
    12: "Running engine: exhaust extraction, rotating parts, hot parts; selector in Park, parking brake, chocks.",
    13: "The vehicle may move, start a fan, lift, brake or steer during a routine: area clear, nobody under it.",
    14: "Vehicle on a lift: level and locked; fluid is hot, above 80 C after a drive: gloves, eyes.",
    15: "Writing data: stable supply, do not open doors, do not unplug, do not leave; know the recovery path first.",
    16: "Brake, steering or restraint unit replaced: no road use until calibrated and codes clear.",
    17: "Road test: a second person works the laptop, on a legal route.",
    18: "Do not send frames from this tool to a real vehicle: there is no physical interface by default.",
}


def caution(number: int) -> str:
    """One caution as a line to show, with its number: ``Caution 4: Ohms only on a dead circuit: ...``."""
    return f"Caution {number}: {CAUTIONS[number]}"
