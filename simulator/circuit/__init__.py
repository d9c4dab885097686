"""The circuit: one network of resistors and sources behind every resistance, level and supply state."""

from simulator.circuit.circuit import DOMINANT_VOLT, RECESSIVE_VOLT, TESTER, Circuit, Volts, judge_lines
from simulator.circuit.spice import node_names, spice_netlist
from simulator.circuit.table import FaultTable, resistance_table

__all__ = [
    "DOMINANT_VOLT",
    "RECESSIVE_VOLT",
    "TESTER",
    "Circuit",
    "FaultTable",
    "Volts",
    "judge_lines",
    "node_names",
    "resistance_table",
    "spice_netlist",
]
