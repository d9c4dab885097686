"""A unit's own monitors on the road: whether the speeds fit what it was told, whether the pressure holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from simulator.diagnostics import Status
from simulator.diagnostics.codes import NO_TYPE, base_number, with_type
from simulator.modules.control_module import ControlModule
from simulator.road import Service
from simulator.world.powertrain import State

if TYPE_CHECKING:
    from simulator.world.world import World

_SECOND_NS = 1_000_000_000
#: How often they look, in ns.
LOOK_NS = 2 * _SECOND_NS
#: Speeds are compared above the first of these, for so long in all; further apart than this part they do not fit (own
#: choices).
RATIO_KMH, RATIO_S, RATIO_PART = 20.0, 10.0, 0.03
#: The pressure is judged with the fluid of the road test, driven for so long; this much too little lets it fall, this
#: much too much makes foam (own choices).
LEVEL_S, SHORT_LITRE, FOAM_LITRE = 60.0, 0.15, 0.3


class Driven(Protocol):
    """What monitors need of their unit: where it is, whether it ``works``, and what it takes axle and tyre for."""

    service: Service
    module: ControlModule
    world: World

    @property
    def works(self) -> bool:
        """Whether it has all that it has to know."""

    def believes(self, means: str) -> float | None:
        """What it takes the axle or the tyre for; None where it does not know, or does not need to."""


class AsBuilt:
    """A unit on which nobody has worked: it knows what the vehicle file says, but for what faults have made of that."""

    def __init__(self, world: World, service: Service) -> None:
        self.world, self.service = world, service
        self.module = world.simulation.modules[service.unit]

    @property
    def works(self) -> bool:
        """Whether it has its configuration."""
        return self.module.unit.check.world.loaded.works

    def believes(self, means: str) -> float | None:
        """What it was told of the axle or the tyre; None where it does not need to know."""
        item = next((item for item in self.service.configuration if item.means == means), None)
        return None if item is None else self.module.unit.check.world.loaded.value(item)


class Monitors:
    """Two monitors, and how far the road test is. ``look`` at them as time goes on."""

    def __init__(self, unit: Driven) -> None:
        self.unit = unit
        service = unit.service
        self.ratio_code = with_type(base_number(service.ratio_code), NO_TYPE)
        self.level_code = with_type(base_number(service.level_code), NO_TYPE)
        self.codes = [with_type(base_number(code), NO_TYPE) for code in service.codes]
        self.forget()

    def forget(self) -> None:
        """Codes have been cleared, or another unit is in: everything is to be driven anew."""
        self.driven_s = 0.0
        self.gears: set[int] = set()
        self._ratio_s = self._level_s = 0.0

    def look(self, t_ns: int, seconds: float) -> None:
        """Take note of what has been driven since the last look, and say what the monitors found."""
        unit, state = self.unit, self.unit.world.state
        if not (unit.world.is_awake(unit.service.unit) and unit.works) or state.engine != "running" or state.standing:
            return
        self.gears.add(state.gear)
        if state.fluid_celsius >= unit.service.road_test.fluid_celsius:
            self.driven_s += seconds
            self._level_s += seconds
        if state.kmh > RATIO_KMH:
            self._ratio_s += seconds
        report = unit.module.unit.check.report
        if self._ratio_s >= RATIO_S and self.ratio_code in self.codes:
            report(t_ns, self.ratio_code, self._does_not_fit(state))
        if self._level_s >= LEVEL_S and self.level_code in self.codes:
            error = unit.world.fluid(unit.service.unit).error_litre
            report(t_ns, self.level_code, not -SHORT_LITRE < error < FOAM_LITRE)

    def _does_not_fit(self, state: State) -> bool:
        """Whether the wheels turn otherwise than the unit works out from its output shaft."""
        unit, drivetrain = self.unit, self.unit.world.drivetrain
        axle, tyre = unit.believes("axle"), unit.believes("tyre")
        believed = (
            state.kmh
            * (drivetrain.axle / (axle or drivetrain.axle))
            * ((tyre or drivetrain.tyre_m) / drivetrain.tyre_m)
        )
        return abs(believed - state.kmh) > RATIO_PART * state.kmh

    @property
    def all_gears(self) -> bool:
        """Whether every gear and reverse were driven since the last clear."""
        return self.gears >= {-1, *range(1, len(self.unit.world.drivetrain.gears) + 1)}

    @property
    def completed(self) -> bool:
        """Whether both have come to a result since the last clear: 0x50 is gone, which is not the same as passed."""
        entries = self.unit.module.unit.memory.entries
        return not any(entries[code].status & Status.NOT_COMPLETED_SINCE_CLEAR for code in self.codes)
