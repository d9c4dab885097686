"""A bench set-up as a vehicle file: any number of equal modules on one short line, almost ideal wires and supply."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path

import faults
from simulator.circuit import Circuit, Volts
from simulator.condition import DEAD, Condition
from simulator.probes import parse_probe
from simulator.reader import load_vehicle
from simulator.vehicle import Vehicle

NETWORK = "LINE-1"
#: Short enough to be no resistance: 1 mm of the pair.
SHORT_M = 0.001


def bench(
    folder: Path,
    modules: int = 2,
    terminators_ohm: Sequence[float] = (120, 120),
    *,
    trunk_m: float = SHORT_M,
    left: int = 1,
    ohm_per_m: float = 0.07,
    transceiver: str = "",
    draw_ohm: float = 1000.0,
    feed_ohm: float = 1e-6,
    fuse_ohm: float = 1e-6,
    battery: tuple[float, float] = (12.6, 1e-6),
) -> Vehicle:
    """Modules N1, N2, ... in a line; the trunk of ``trunk_m`` comes after the first ``left`` of them.

    The first terminator hangs at N1, the others at the last module, all of them on the harness.
    """
    names = [f"N{i}" for i in range(1, modules + 1)]
    lines = ["format: 1", "vehicle: Bench", "supply:"]
    lines += [f"  battery: {{open_circuit_volt: {battery[0]:.10f}, internal_ohm: {battery[1]:.10f}}}"]
    lines += [f"  fuses: {{F1: {{amp: 10, ohm: {fuse_ohm:.10f}}}}}", "  grounds: {G1: {ohm: 0.000001}}", "modules:"]
    for i, name in enumerate(names):
        lines += [
            f"  {name}:",
            f"    feed: {{fuse: F1, ohm: {feed_ohm:.10f}}}",
            "    ground: {point: G1, ohm: 0.000001}",
        ]
        lines += [
            f"    draw_ohm: {draw_ohm:.10f}",
            f"    request_id: 0x{0x600 + i:X}",
            f"    response_id: 0x{0x700 + i:X}",
        ]
        lines += ["    lost_code: U0100", *([f"    transceiver: {{{transceiver}}}"] if transceiver else [])]
    lines += ["networks:", f"  {NETWORK}:", "    bit_rate: 500000", "    sample_point: 0.8", "    database: bench.dbc"]
    lines += [f"    pair: {{ohm_per_m: {ohm_per_m}, impedance_ohm: 120, delay_ns_per_m: 5.0}}", "    runs:"]
    for i, (start, end) in enumerate(pairwise(names), start=1):
        name, length_m = (", name: trunk", trunk_m) if i == left else ("", SHORT_M)
        lines.append(f"      - {{from: {start}, to: {end}, length_m: {length_m}{name}}}")
    if terminators_ohm:
        lines.append("    terminators:")
    for i, ohm in enumerate(terminators_ohm):
        lines.append(f"      - {{at: {names[-1] if i else names[0]}, ohm: {ohm:.10f}}}")
    path = folder / "bench.yaml"
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    (folder / "bench.dbc").write_text(f'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: {" ".join(names)}\n', encoding="ascii")
    return load_vehicle(path)


def with_faults(vehicle: Vehicle, *texts: str) -> Vehicle:
    """The vehicle under faults given as on the command line."""
    return faults.apply(vehicle, [faults.parse(text) for text in texts])


def ohms(vehicle: Vehicle, red: str, black: str, condition: Condition = DEAD) -> float:
    """Resistance between two probe points, battery and ignition off."""
    return Circuit(vehicle, condition).resistance_ohm(parse_probe(vehicle, red), parse_probe(vehicle, black))


class Levels:
    """The voltages of a vehicle with battery and ignition on while some of its modules are dominant."""

    def __init__(self, vehicle: Vehicle, dominant: Iterable[str] = (), condition: Condition | None = None) -> None:
        self.vehicle, self.network = vehicle, next(iter(vehicle.networks))
        self.dominant = [(module, self.network) for module in dominant]
        self.circuit = Circuit(vehicle, condition or Condition())
        self.solved: Volts = self.circuit.volts(self.dominant)

    def __call__(self, plus: str, minus: str = "battery.negative") -> float:
        """Volt between two probe points."""
        return self.solved.between(parse_probe(self.vehicle, plus), parse_probe(self.vehicle, minus))

    def at(self, place: str) -> tuple[float, float, float]:
        """High and low to the body, and their difference, in volt, at a place."""
        high, low = self(f"{place}.high"), self(f"{place}.low")
        return high, low, high - low

    def pins(self, module: str) -> tuple[float, float, float]:
        """High and low to the module's own ground pin, and their difference, in volt, on the module side."""
        ground = ("ground_pin", module)
        high, low = (self.solved.between(("pin", self.network, module, line), ground) for line in ("high", "low"))
        return high, low, high - low

    def read_by(self, module: str) -> str:
        """What the receiver of a module reads."""
        return self.circuit.reads(self.network, module, self.dominant)
