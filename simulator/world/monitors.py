"""The replaced unit's own monitors on the road: whether the speeds fit what it was told, whether the pressure holds."""

from __future__ import annotations

from simulator.diagnostics import Status
from simulator.diagnostics.codes import NO_TYPE, base_number, with_type
from simulator.world.powertrain import State
from simulator.world.replaced import ReplacedUnit

_SECOND_NS = 1_000_000_000
#: How often they look, in ns.
LOOK_NS = 2 * _SECOND_NS
#: Speeds are compared above the first of these, for so long in all; further apart than this part they do not fit (own
#: choices).
RATIO_KMH, RATIO_S, RATIO_PART = 20.0, 10.0, 0.03
#: The pressure is judged with the fluid of the road test, driven for so long; this much too little lets it fall, this
#: much too much makes foam (own choices).
LEVEL_S, SHORT_LITRE, FOAM_LITRE = 60.0, 0.15, 0.3


class Monitors:
    """Two monitors, and how far the road test is. ``look`` at them as time goes on."""

    def __init__(self, unit: ReplacedUnit) -> None:
        self.unit = unit
        service = unit.service
        self.ratio_code = with_type(base_number(service.ratio_code), NO_TYPE)
        self.level_code = with_type(base_number(service.level_code), NO_TYPE)
        memory = unit.module.unit.memory
        self.codes = [self.ratio_code] if any(item.means for item in service.configuration) else []
        if service.level is not None:
            self.codes.append(self.level_code)
        for code in self.codes:
            memory.support(code, warns=unit.module.description.diagnostics.lamp)
        self.forget()

    def forget(self) -> None:
        """Codes have been cleared, or another unit is in: everything is to be driven anew."""
        self.driven_s = 0.0
        self.gears: set[int] = set()
        self._ratio_s = self._level_s = 0.0

    def look(self, t_ns: int, seconds: float) -> None:
        """Take note of what has been driven since the last look, and say what the monitors found."""
        unit, state = self.unit, self.unit.world.state
        awake = unit.world.is_awake(unit.name) and unit.complete and unit.broke_off is None
        if not awake or state.engine != "running" or state.standing:
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
            error = unit.world.fluid(unit.name).error_litre
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
