"""The table of all faults with the battery on: states, voltages at rest, and who sees what, for many copies at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.circuit.circuit import (
    DOMINANT_VOLT,
    RECESSIVE_VOLT,
    SEEN,
    TESTER,
    THRESHOLD_SLACK_VOLT,
    Circuit,
)
from simulator.circuit.copies import Batch, Copies
from simulator.circuit.supply import STARVED_VOLT, STATES, SUPPLIED_VOLT
from simulator.condition import Condition, ModuleState
from simulator.deviations import LINES
from simulator.kernels import live
from simulator.probes import BODY, POSITIVE, Point
from simulator.vehicle import Transceiver, Vehicle

__all__ = ["SEEN", "STATES", "AtRest", "Hearing", "LiveTable"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.int8]


@dataclass(frozen=True)
class AtRest:
    """Copies with nobody sending: ``states`` (copies, modules) as numbers of ``STATES``, ``volt`` (copies, points).

    ``volt`` is to the body, or within an island that nothing joins to it; ``island`` tells the islands of a copy apart,
    -1 that of the body.
    """

    points: tuple[Point, ...]
    states: Bytes
    volt: Floats
    island: Ints

    def between(self, red: Point, black: Point) -> Floats:
        """Volt from one point to another, (copies,); 0.0 where no path of resistors joins them."""
        a, b = self.points.index(red), self.points.index(black)
        joined = self.island[:, a] == self.island[:, b]
        return np.where(joined, self.volt[:, a] - self.volt[:, b], 0.0)


@dataclass(frozen=True)
class Hearing:
    """What every ear sees, as numbers of ``SEEN``: (copies, ears + 1, ears), a row for each ear that is dominant alone.

    ``ears`` are (network, module or TESTER); ears of other networks count as recessive. The last row is at rest.
    ``near`` likewise: whether a level that somebody who is up makes comes near a limit of somebody who is up.
    """

    ears: tuple[tuple[str, str], ...]
    states: Bytes
    seen: Bytes
    near: NDArray[np.bool_]


class LiveTable:
    """Many copies of one vehicle with different deviations, prepared once; the condition has the battery on."""

    def __init__(self, vehicles: Sequence[Vehicle], condition: Condition | None = None) -> None:
        self._vehicles = tuple(vehicles)
        self._condition = condition or Condition()
        self._copies = Copies(vehicles, self._condition)
        drawing = self._copies.shape.drawing
        self._drawing, self._modules = drawing, drawing.vehicle.modules
        self._turn = {name: n for n, name in enumerate(self._modules)}
        self.ears = tuple(
            (name, ear)
            for name, network in drawing.vehicle.networks.items()
            for ear in (
                *(module for at, module in drawing.pins if at == name),
                *((TESTER,) if network.socket is not None else ()),
            )
        )
        count = len(vehicles)
        self._dead = np.zeros((count, len(self._modules)), np.int8)
        self._dead[:, [self._turn[name] for name in self._condition.unplugged]] = 1
        # Who drives always is left to the circuit itself: its supply settles with the drivers on.
        self._single: list[int] = []
        for number, draft in enumerate(self._copies.drafts):
            for item in draft.behaviours:
                if item.kind == "dead":
                    self._dead[number, self._turn[item.module]] = 1
            if any(item.kind == "stuck_dominant" for item in draft.behaviours):
                self._single.append(number)

    def at_rest(self, points: Sequence[Point], *, wire_factor: float = 1.0, terminator_factor: float = 1.0) -> AtRest:
        """Every copy with nobody sending; the factors scale every wire and every terminator, for tolerances."""
        kept = tuple(dict.fromkeys((*points, BODY)))
        states, volt, island, *_ = self._run(kept, (wire_factor, terminator_factor), None)
        for number in self._left_over(states):
            circuit = Circuit(
                self._vehicles[number], self._condition, wire_factor=wire_factor, terminator_factor=terminator_factor
            )
            states[number] = [STATES.index(state) for state in circuit.states.values()]
            at_rest, islands = circuit.volts(), circuit.islands(kept)
            volt[number], island[number] = [at_rest.at(point) for point in kept], islands
        return AtRest(kept, states, volt, island)

    def hearing(self, near_volt: float = 0.0, near_limit_volt: float = 0.0) -> Hearing:
        """Who sees what, for every copy; ``near``: so near to a threshold, and to an end of the range of the mean."""
        states, _, _, seen, near = self._run((BODY,), (1.0, 1.0), (near_volt, near_limit_volt))
        for number in self._left_over(states):
            circuit = Circuit(self._vehicles[number], self._condition)
            states[number] = [STATES.index(state) for state in circuit.states.values()]
            seen[number], near[number] = self.seen_in(circuit), self._near_in(circuit, near_volt, near_limit_volt)
        return Hearing(self.ears, states, seen, near.astype(bool))

    def _left_over(self, states: Bytes) -> list[int]:
        """Copies whose answer the kernel has not given."""
        return sorted({*self._single, *np.flatnonzero(states.min(axis=1) < 0).tolist()})

    def _run(
        self, points: Sequence[Point], factors: tuple[float, float], near_volts: tuple[float, float] | None
    ) -> tuple[Bytes, Floats, Ints, Bytes, Bytes]:
        """States, voltages, islands, and with ``near_volts`` what is seen and whether it is near a limit."""
        count, ears = len(self._vehicles), len(self.ears)
        states = np.zeros((count, len(self._modules)), np.int8)
        volt, island = np.zeros((count, len(points))), np.zeros((count, len(points)), np.int64)
        seen = np.zeros((0 if near_volts is None else count, ears + 1, ears), np.int8)
        near = np.zeros_like(seen)
        calling = int(self._condition.ignition_on)
        levels = (DOMINANT_VOLT, RECESSIVE_VOLT, THRESHOLD_SLACK_VOLT)
        for batch in self._copies.batches:
            siemens, pattern = batch.siemens(frozenset(), *factors), batch.pattern
            drafts = [self._copies.drafts[number] for number in batch.numbers]
            source_ptr: Ints = np.cumsum([0, *(len(draft.volt) for draft in drafts)])
            live.table(
                (pattern.ptr, pattern.idx, pattern.upd, batch.slots, *batch.ends()),
                (self._module_parts(batch), self._pin_parts(), (SUPPLIED_VOLT, STARVED_VOLT)),
                (self._ear_parts(batch), levels, near_volts or (0.0, 0.0)),
                siemens.drawn,
                (
                    *(batch.changed.ptr, batch.changed.where, siemens.changed),
                    *(batch.added.ptr, batch.added.where, siemens.added, source_ptr),
                    np.array([element for draft in drafts for element in draft.volt], np.int64),
                    np.array([value for draft in drafts for value in draft.volt.values()], np.float64),
                ),
                (self._dead[batch.numbers], calling),
                batch.nodes(points),
                batch.numbers,
                (states, volt, island, seen, near),
            )
        return states, volt, island, seen, near

    # -- what the kernel needs to know of modules, pins and ears -----------------------------------------------

    def _module_parts(self, batch: Batch) -> tuple[Ints, Floats]:
        rows, numbers = [], []
        for name, module in self._modules.items():
            pins = [batch.nodes([(f"{pin}_pin", name)])[0] for pin in ("supply", "ground")]
            wake = batch.nodes([("wake_pin", name)])[0] if module.wake is not None else -2
            rows.append([self._drawing.element["load", name], *pins, wake])
            numbers.append([1.0 / module.draw_ohm, 1.0 / module.sleep_ohm])
        return np.array(rows, np.int64), np.array(numbers)

    def _pin_parts(self) -> tuple[Ints, Floats]:
        rows, numbers = [], []
        for network, name in self._drawing.pins:
            transceiver = self._modules[name].transceiver
            rows.append([self._turn[name], *(self._drawing.element["bias", network, name, line] for line in LINES)])
            numbers.append([1.0 / transceiver.bias_ohm, 1.0 / transceiver.unpowered_ohm, transceiver.vcc_volt / 2])
        return np.array(rows, np.int64).reshape(-1, 3), np.array(numbers).reshape(-1, 3)

    def _ear_parts(self, batch: Batch) -> tuple[Ints, Floats]:
        networks = list(self._drawing.vehicle.networks)
        rows, numbers = [], []
        for network, ear in self.ears:
            tester = ear == TESTER
            t = Transceiver() if tester else self._modules[ear].transceiver
            where = self._drawing.vehicle.networks[network].socket if tester else ear
            lines = [("place" if tester else "pin", network, str(where), line) for line in LINES]
            supply = [POSITIVE, BODY] if tester else [("supply_pin", ear), ("ground_pin", ear)]
            turn = -1 if tester else self._turn[ear]
            rows.append([turn, networks.index(network), *batch.nodes([*lines, *supply])])
            numbers.append([t.vcc_volt - t.drop_volt, -t.drop_volt, t.on_ohm, t.limit_amp, *t.common_mode_volt])
        return np.array(rows, np.int64).reshape(-1, 6), np.array(numbers, np.float64).reshape(-1, 6)

    def seen_in(self, circuit: Circuit) -> Bytes:
        """The same as the kernel's, asked of one circuit."""
        result = np.zeros((len(self.ears) + 1, len(self.ears)), np.int8)
        quiet = circuit.volts()
        for listener, (network, ear) in enumerate(self.ears):
            result[-1, listener] = SEEN.index(circuit.sees(network, ear, quiet))
        for sender, (network, one) in enumerate(self.ears):
            if one != TESTER and circuit.states[one] is not ModuleState.AWAKE:
                continue
            volts = circuit.volts([(one, network)])
            for listener, (other, ear) in enumerate(self.ears):
                if other == network:
                    result[sender, listener] = SEEN.index(circuit.sees(network, ear, volts))
        return result

    def _near_in(self, circuit: Circuit, near_volt: float, near_limit_volt: float) -> Bytes:
        """Likewise, which levels are near a limit."""
        result = np.zeros((len(self.ears) + 1, len(self.ears)), np.int8)
        up = [ear == TESTER or circuit.states[ear] is ModuleState.AWAKE for _, ear in self.ears]
        for sender in range(len(self.ears) + 1):
            if sender < len(self.ears) and not up[sender]:
                continue
            network, one = self.ears[sender] if sender < len(self.ears) else ("", "")
            volts = circuit.volts([(one, network)] if network else ())
            for listener, (other, ear) in enumerate(self.ears):
                if up[listener] and network in ("", other):
                    high, low, _, ground = (volts.at(point) for point in circuit.pins(ear, other))
                    off = [abs((high + low) / 2 - ground - end) for end in circuit.transceiver(ear).common_mode_volt]
                    between = RECESSIVE_VOLT - near_volt < high - low < DOMINANT_VOLT + near_volt
                    result[sender, listener] = between or min(off) < near_limit_volt
        return result
