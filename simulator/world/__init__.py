"""The vehicle that moves, and what people do to it."""

from simulator.world.electrics import Supply
from simulator.world.fluid import Fluid
from simulator.world.powertrain import State
from simulator.world.world import World

__all__ = ["Fluid", "State", "Supply", "World"]
