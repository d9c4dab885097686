"""The gearbox's fluid: how warm it is, how much of it there is, and what runs out of the open overflow plug."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from simulator.quantities import SELECTOR
from simulator.road import Level


@dataclass
class Fluid:
    """The fluid of one gearbox. ``litre`` is what it would measure at the reference temperature of its level.

    ``step`` it through time; ``add`` to it; ``plug_open`` may be set at any time.
    """

    level: Level
    litre: float = 0.0
    plug_open: bool = False
    lost_litre: float = 0.0
    #: Seconds that the selector has spent in each position with the engine running since it last stood.
    positions: dict[str, float] = field(default_factory=dict)
    #: The temperature at which the plug was closed last, and whether only drops came then.
    closed_celsius: float | None = None
    closed_dripping: bool = True

    def __post_init__(self) -> None:
        self.litre = self.litre or self.level.fresh_litre

    def volume_at(self, celsius: float) -> float:
        """All of it, in litre at a temperature."""
        return self.litre * self._growth(celsius)

    @property
    def circuits_filled(self) -> bool:
        """Whether the selector has been through every position long enough, the engine running."""
        return all(self.positions.get(each, 0.0) >= self.level.position_s for each in SELECTOR)

    def above_edge_litre(self, celsius: float, engine_running: bool) -> float:
        """How much stands above the edge of the overflow, in litre at this temperature; negative where none does."""
        level = self.level
        edge = level.litre
        if not (engine_running and self.circuits_filled):
            edge -= level.circuits_litre  # that much stands in the pan instead of in the circuits
        return self.volume_at(celsius) - edge

    def flow_litre_per_s(self, celsius: float, engine_running: bool) -> float:
        """What runs out of the plug now, in litre per second."""
        above = self.above_edge_litre(celsius, engine_running)
        return above / self.level.flow_s if self.plug_open and above > 0.0 else 0.0

    def flow_words(self, celsius: float, engine_running: bool) -> str:
        """What one sees at the plug: closed, nothing, drops, a stream."""
        if not self.plug_open:
            return "closed"
        flow = self.flow_litre_per_s(celsius, engine_running)
        if flow <= 0.0:
            return "nothing"
        return "drops" if flow <= self.level.drops_litre_per_s else "a stream"

    def step(self, seconds: float, celsius: float, selector: str, engine_running: bool) -> None:
        """Let time pass at a temperature."""
        if engine_running:
            self.positions[selector] = self.positions.get(selector, 0.0) + seconds
        else:
            self.positions.clear()
        if self.plug_open:
            above = self.above_edge_litre(celsius, engine_running)
            if above > 0.0:
                out = above * (1.0 - math.exp(-seconds / self.level.flow_s)) / self._growth(celsius)
                self.litre -= out
                self.lost_litre += out

    def open_plug(self) -> None:
        """Take the plug out."""
        self.plug_open = True

    def close_plug(self, celsius: float, engine_running: bool) -> None:
        """Put the plug in again."""
        self.closed_dripping = self.flow_words(celsius, engine_running) == "drops"
        self.plug_open = False
        self.closed_celsius = celsius

    def add(self, litre: float, celsius: float) -> None:
        """Fill in fluid of a temperature."""
        self.litre += litre / self._growth(celsius)

    @property
    def error_litre(self) -> float:
        """How much too much there is, in litre at the reference temperature."""
        return self.litre - self.level.litre

    def _growth(self, celsius: float) -> float:
        return 1.0 + self.level.per_kelvin * (celsius - self.level.reference_celsius)
