"""The vehicle that moves, what people do to it, and the way of a replaced unit back into service."""

from simulator.world.calibration import CalibrationRoutine
from simulator.world.electrics import Supply
from simulator.world.fluid import Fluid
from simulator.world.monitors import Monitors
from simulator.world.must_hold import Broken
from simulator.world.powertrain import State
from simulator.world.replaced import AsFound, ReplacedUnit, as_found
from simulator.world.track import BackOnTheRoad, Step
from simulator.world.world import World

__all__ = [
    "AsFound",
    "BackOnTheRoad",
    "Broken",
    "CalibrationRoutine",
    "Fluid",
    "Monitors",
    "ReplacedUnit",
    "State",
    "Step",
    "Supply",
    "World",
    "as_found",
]
