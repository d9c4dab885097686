"""What can be measured on a vehicle that moves: the quantities that signals of a database may be mapped to."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """One quantity: its unit as a database writes it, or for one of states the words a signal must have for them."""

    name: str
    about: str
    unit: str = ""
    words: tuple[str, ...] = ()


SELECTOR = ("park", "reverse", "neutral", "drive")
ENGINE = ("stopped", "cranking", "running")
_NO_YES = ("no", "yes")

QUANTITIES: dict[str, Quantity] = {
    each.name: each
    for each in (
        Quantity("engine_speed", "turns of the crankshaft", "1/min"),
        Quantity("engine_state", "what the engine does", words=ENGINE),
        Quantity("accelerator", "accelerator pedal", "%"),
        Quantity("coolant_temperature", "coolant", "degC"),
        Quantity("oil_temperature", "engine oil", "degC"),
        Quantity("fluid_temperature", "gearbox fluid", "degC"),
        Quantity("outside_temperature", "air around the vehicle", "degC"),
        Quantity("battery_voltage", "between the battery's clamps", "V"),
        Quantity("supply_voltage", "between the supply and ground pins of the module that sends it", "V"),
        Quantity("selector", "where the lever stands", words=SELECTOR),
        Quantity("gear", "gear engaged, -1 is reverse, 0 none"),
        Quantity("shifting", "whether the gear changes", words=_NO_YES),
        Quantity("start_allowed", "whether the starter may turn: lever in park or neutral", words=_NO_YES),
        Quantity("input_speed", "turns of the gearbox's input shaft", "1/min"),
        Quantity("output_speed", "turns of the gearbox's output shaft", "1/min"),
        Quantity("slip", "engine faster than the input shaft", "1/min"),
        Quantity("brake", "brake pedal", words=("released", "pressed")),
        Quantity("brake_pressure", "pressure in the brake lines", "kPa"),
        Quantity("brake_lamp", "stop lamps", words=_NO_YES),
        Quantity("parking_brake", "parking brake", words=("released", "applied")),
        Quantity("road_speed", "speed of the vehicle, of every wheel", "km/h"),
        Quantity("distance", "odometer", "km"),
        Quantity("key", "ignition key", words=("locked", "on", "start")),
        Quantity("start_wish", "whether the driver turns the starter", words=_NO_YES),
        Quantity("alternator", "load of the alternator", "%"),
        Quantity("calibration", "calibration of the replaced unit", words=("never done", "running", "done", "failed")),
    )
}
