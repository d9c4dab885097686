"""The description of a vehicle that moves, and of a replaced unit on its way back into service.

Frozen, with every default filled in; what the vehicle file says under ``drivetrain:`` and ``service:``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Drivetrain:
    """Engine, gears and wheels. Ratios are turns of the input per turn of the output; ``tyre_m`` is rolled per turn.

    ``starter_ohm`` loads the battery while cranking; the alternator holds ``alternator_volt`` while the engine runs.
    Defaults: common practice, no source.
    """

    gears: tuple[float, ...] = (4.7, 3.1, 2.1, 1.7, 1.3, 1.0, 0.84, 0.67)
    reverse: float = 3.3
    axle: float = 3.9
    tyre_m: float = 2.1
    idle_rpm: float = 750.0
    starter_ohm: float = 0.045
    alternator_volt: float = 14.2


@dataclass(frozen=True)
class ConfigurationItem:
    """A value that the vehicle needs a unit to know: data identifier, length in byte, physical value = raw * scale.

    ``means``: "axle" or "tyre" where the unit works out its speed from it.
    """

    number: int
    title: str
    value: float
    length: int = 1
    scale: float = 1.0
    unit: str = ""
    means: str = ""

    @property
    def data(self) -> bytes:
        """The value as it has to be written, big endian."""
        return round(self.value / self.scale).to_bytes(self.length, "big")

    def physical(self, data: bytes) -> float:
        """The physical value of what is written."""
        return int.from_bytes(data, "big") * self.scale


@dataclass(frozen=True)
class Writing:
    """Writing one item takes ``seconds``; it begins within ``volt`` and breaks off below ``breaks_off_volt``."""

    seconds: float = 8.0
    volt: tuple[float, float] = (12.0, 15.0)
    breaks_off_volt: float = 11.5


@dataclass(frozen=True)
class Level:
    """Fluid level by overflow. ``litre`` is right, measured at ``reference_celsius`` with the engine idling.

    ``fresh_litre``: what is in after the exchange. ``circuits_litre``: what clutches and converter take once the
    selector has been through every position for ``position_s`` each; with the engine off it runs back. ``per_kelvin``:
    volume expansion of the fluid, a fluid engineer's public answer (weak; lubricating oils 0.00065 to 0.00080 per K,
    from memory of ASTM D1250). ``window_celsius``, ``position_s``, ``flow_s`` (the first-order time in which what is
    above the edge runs out) and ``drops_litre_per_s`` (below it, it only drips): common practice, no source.
    """

    litre: float = 6.0
    fresh_litre: float = 5.2
    reference_celsius: float = 40.0
    window_celsius: tuple[float, float] = (35.0, 45.0)
    per_kelvin: float = 0.0007
    circuits_litre: float = 0.4
    position_s: float = 3.0
    flow_s: float = 20.0
    drops_litre_per_s: float = 0.0005
    tolerance_litre: float = 0.03


@dataclass(frozen=True)
class Calibration:
    """A calibration routine of ``seconds``, and what must hold to its end.

    ``keeps_old``: a run that breaks off leaves the values of the run before.
    """

    number: int = 0x0310
    seconds: float = 40.0
    fluid_celsius: tuple[float, float] = (35.0, 90.0)
    volt: tuple[float, float] = (12.5, 14.8)
    engine_s: float = 10.0
    most_rpm: float = 1100.0
    keeps_old: bool = False


@dataclass(frozen=True)
class RoadTest:
    """What has to be driven until the unit's own monitors have run: minutes on the road with the fluid that warm."""

    minutes: float = 15.0
    fluid_celsius: float = 60.0
    script: str = ""


@dataclass(frozen=True)
class Service:
    """The way of one replaced unit back into service.

    ``supply_volt``: what the support supply has to hold meanwhile. ``ratio_code``, ``level_code``: what the unit stores
    when the speeds do not fit what it was told, and when the pressure fails for want of fluid.
    """

    unit: str
    configuration: tuple[ConfigurationItem, ...] = ()
    supply_volt: tuple[float, float] = (12.5, 14.8)
    supply_amp: float = 50.0
    writing: Writing = Writing()
    level: Level | None = None
    calibration: Calibration | None = None
    road_test: RoadTest = RoadTest()
    ratio_code: str = "P0720"
    level_code: str = "P0868"

    @property
    def codes(self) -> tuple[str, ...]:
        """The codes of its monitors on the road: of those that it has."""
        ratio = (self.ratio_code,) if any(item.means for item in self.configuration) else ()
        return ratio if self.level is None else (*ratio, self.level_code)


@dataclass(frozen=True)
class Road:
    """What a vehicle file says about driving and about coming back into service; both may be missing."""

    drivetrain: Drivetrain | None = None
    service: Mapping[str, Service] = field(default_factory=dict)
