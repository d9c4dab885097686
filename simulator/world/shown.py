"""Which signals of a vehicle's databases show what, and the values they take as the vehicle moves."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from simulator.errors import UnknownName
from simulator.quantities import QUANTITIES
from simulator.road import Drivetrain
from simulator.vehicle import Vehicle
from simulator.world.powertrain import State, input_rpm, output_rpm

#: A quantity of a state: a number or a word.
_Value = float | str
#: What each module measures for itself.
_OWN_SUPPLY = "supply_voltage"


def _formulas(drivetrain: Drivetrain) -> dict[str, Callable[[State], _Value]]:
    def turning(state: State) -> float:
        return output_rpm(drivetrain, state.kmh) * (-1.0 if state.gear < 0 else 1.0)

    def no_yes(truth: bool) -> str:
        return "yes" if truth else "no"

    return {
        "engine_speed": lambda state: state.engine_rpm,
        "engine_state": lambda state: state.engine,
        "accelerator": lambda state: state.accelerator,
        "coolant_temperature": lambda state: state.coolant_celsius,
        "oil_temperature": lambda state: state.oil_celsius,
        "fluid_temperature": lambda state: state.fluid_celsius,
        "outside_temperature": lambda state: state.outside_celsius,
        "selector": lambda state: state.selector,
        "gear": lambda state: float(state.gear),
        "shifting": lambda state: no_yes(state.shift_s > 0.0),
        "start_allowed": lambda state: no_yes(state.start_allowed),
        "input_speed": lambda state: input_rpm(drivetrain, state),
        "output_speed": turning,
        "slip": lambda state: state.engine_rpm - input_rpm(drivetrain, state),
        "brake": lambda state: "pressed" if state.brake or state.braking_kpa > 0.0 else "released",
        "brake_pressure": lambda state: state.braking_kpa,
        "brake_lamp": lambda state: no_yes(state.brake or state.braking_kpa > 0.0),
        "parking_brake": lambda state: "applied" if state.selector == "park" else "released",
        "road_speed": lambda state: state.kmh,
        "distance": lambda state: state.distance_km,
        "start_wish": lambda state: no_yes(state.engine == "cranking"),
        "alternator": lambda state: 40.0 if state.engine == "running" else 0.0,
    }


class Shown:
    """The signals of a vehicle that show quantities: ``signals`` as (network, message, signal), with the quantity."""

    def __init__(self, vehicle: Vehicle, drivetrain: Drivetrain) -> None:
        self._formulas = _formulas(drivetrain)
        self.signals: dict[tuple[str, str, str], str] = {}
        self._senders: dict[tuple[str, str, str], str] = {}
        self._codes: dict[tuple[str, str, str], dict[str, float]] = {}
        for network in vehicle.networks.values():
            mapping = dict(network.quantities)
            for message in network.messages:
                for signal in message.codec.signals if message.codec is not None else ():
                    if signal.name in mapping:
                        key = network.name, message.name, signal.name
                        self.signals[key] = mapping[signal.name]
                        self._senders[key] = message.sender or ""
                        self._codes[key] = _codes(signal)

    def value(self, quantity: str, state: State, surroundings: Mapping[str, _Value]) -> float:
        """A quantity at a state, a word as its number in the list of words. Raises UnknownName.

        There is no one value of what each module measures at its own pins.
        """
        if quantity not in QUANTITIES or quantity == _OWN_SUPPLY:
            raise UnknownName("quantity", quantity, [each for each in QUANTITIES if each != _OWN_SUPPLY])
        value = self._value(quantity, state, surroundings)
        return float(QUANTITIES[quantity].words.index(value)) if isinstance(value, str) else value

    def _value(self, quantity: str, state: State, surroundings: Mapping[str, _Value]) -> _Value:
        if quantity == "key" and state.engine == "cranking":
            return "start"
        formula = self._formulas.get(quantity)
        return surroundings[quantity] if formula is None else formula(state)

    def tracks(
        self, states: Sequence[State], surroundings: Mapping[str, _Value], supplies: Mapping[str, float]
    ) -> dict[tuple[str, str, str], list[float]]:
        """The physical values of every signal at a row of states; ``supplies``: volts at the pins of every module."""
        known: dict[str, list[_Value]] = {}
        tracks: dict[tuple[str, str, str], list[float]] = {}
        for key, quantity in self.signals.items():
            if quantity == _OWN_SUPPLY:
                tracks[key] = [supplies.get(self._senders[key], 0.0)] * len(states)
                continue
            if quantity not in known:
                known[quantity] = [self._value(quantity, state, surroundings) for state in states]
            codes = self._codes[key]
            tracks[key] = [codes[value] if isinstance(value, str) else value for value in known[quantity]]
        return tracks


def _codes(signal: Any) -> dict[str, float]:
    """The physical value of every word of a signal."""
    return {str(word): raw * signal.scale + signal.offset for raw, word in (signal.choices or {}).items()}
