"""The vehicle of a job as it runs: one simulation from the first minute to the last, for all that remembers.

Readings with a meter need no time and are taken from the circuit. What modules store, and a unit on its way back into
service, need a vehicle that has lived through everything the student did. So every change is noted, and carried out
when somebody first asks.

Minutes in which nothing changes are not lived through to their end: after ``SETTLED_S`` nothing new happens in a
vehicle that stands with the engine off. With the engine running, a support supply on, or a replaced unit in it, every
second is.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from time import monotonic
from typing import TypeVar

from faults import Fault
from faults.diary import ALWAYS
from lab.telling import about_unit
from lab.tester import Diagnosis
from simulator.condition import Condition, Surroundings
from simulator.deviations import Told
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle
from simulator.world import BackOnTheRoad, World, as_found

T = TypeVar("T")
_SECOND_NS, _MINUTE_NS = 1_000_000_000, 60_000_000_000
#: Longer than any monitor of a module takes to be sure: 3 s of waiting and five of the slowest cycles.
SETTLED_S = 9.0
#: Before the job began the customer drove with the fault for so long, then turned the key off, in s.
_BEFORE_S, _KEY_OFF_S = 8.0, 2.0
_CUSTOMERS_DRIVE = """
start
brake
select drive
release
to 50 in 12
wait 20
to 0 in 10
brake
select park
release
stop
"""
#: A fault that comes and goes within one action does so this often at most.
_MOST_CHANGES = 40
#: While a routine runs the tester keeps the session alive this often (S3 is 5 s, ISO 14229-2:2013, table 5).
_KEEP_ALIVE_S = 2.0


@dataclass(frozen=True)
class Span:
    """Minutes of a job in which a student changed nothing: from when to when, and how the vehicle was."""

    from_minute: float
    until_minute: float
    condition: Condition
    shaken: str
    faults: tuple[Fault, ...]


#: After so long whoever waits is told for what.
_PATIENCE_S = 3.0
LIVING = "sixtyohm: the vehicle lives through all that was done to it; the prompt of 'job resume' does so only once ..."


class LiveCar:
    """The running vehicle. ``later`` notes what is to be done, ``now`` does it after all that was noted."""

    def __init__(self, vehicle: Vehicle, hidden: Sequence[Fault], seed: int) -> None:
        self._vehicle, self._hidden, self._seed = vehicle, tuple(hidden), seed
        #: All that was ever to be done, and how much of it has been.
        self._noted: list[Callable[[LiveCar], object]] = []
        self._stop_living()

    def _stop_living(self) -> None:
        """Nothing has been done yet."""
        self._done = 0
        self._simulation: Simulation | None = None
        self._world: World | None = None
        self._in: list[Fault] = []
        self._anchors: list[tuple[int, float]] = []
        #: The way back into service of each unit that was replaced, or is worked on.
        self.tracks: dict[str, BackOnTheRoad] = {}
        #: The module whose session the tester keeps alive.
        self.kept_alive: str | None = None

    # -- for the job --------------------------------------------------------------------------------------------

    def later(self, action: Callable[[LiveCar], object]) -> None:
        """Note what is to be done before anything is asked."""
        self._noted.append(action)

    def now(self, action: Callable[[LiveCar], T]) -> T:
        """Do all that was noted, then this; where something breaks off in the middle, nothing of this was done."""
        mark = self.mark()
        self._noted.append(action)
        began_s, told = monotonic(), False
        try:
            while self._done < mark:
                self._noted[self._done](self)
                self._done += 1
                if not told and monotonic() - began_s > _PATIENCE_S:
                    told = True
                    print(LIVING, file=sys.stderr, flush=True)
            found = action(self)
            self._done += 1
        except BaseException:
            self._stop_living()
            self.back_to(mark)
            raise
        return found

    def mark(self) -> int:
        """Where it is now, for ``back_to``."""
        return len(self._noted)

    def back_to(self, mark: int) -> None:
        """Forget what was noted since; if some of it was done, the vehicle will live through what was before again."""
        del self._noted[mark:]
        if self._done > mark:
            self._stop_living()

    def take_in(self, unit: str) -> None:
        """A unit is worked on that was not replaced: its way back begins with what faults have left of it."""
        if unit not in self.tracks:
            self.tracks[unit] = BackOnTheRoad(self.world, unit, as_found(self.simulation.vehicle, unit))
            self.put([fault for fault in self._in if not about_unit(fault, unit)])

    @property
    def simulation(self) -> Simulation:
        """The simulation, begun when it is first needed."""
        if self._simulation is None:
            self._begin()
        assert self._simulation is not None
        return self._simulation

    @property
    def world(self) -> World:
        """What moves in it."""
        if self._world is None:
            self._begin()
        assert self._world is not None
        return self._world

    def minute_of(self, t_ns: int) -> float | None:
        """The minute of the job at an instant of the simulation; None before the job began."""
        found = None
        for at_ns, minute in self._anchors:
            if at_ns <= t_ns:
                found = minute + (t_ns - at_ns) / _MINUTE_NS
        return found

    def live(self, span: Span) -> None:
        """Live through a span of the job."""
        self._anchors.append((self.simulation.t_ns, span.from_minute))
        self._put_at(span, round(span.from_minute * _MINUTE_NS))
        self.set(span.condition, span.shaken)
        minutes = span.until_minute - span.from_minute
        if self._everything_counts:
            self.advance(minutes * 60.0)
            return
        settled_s = max(SETTLED_S, self._falls_asleep_s if not span.condition.ignition_on else 0.0)
        self._live_through(span, minutes, settled_s)

    def advance(self, seconds: float) -> None:
        """Let simulated time pass; meanwhile the tester keeps alive what it has to."""
        simulation = self.simulation
        if self.kept_alive is None:
            simulation.advance(seconds)
            return
        module, end_ns = self.kept_alive, simulation.t_ns + round(seconds * _SECOND_NS)
        with Diagnosis(simulation) as diagnosis:
            while simulation.t_ns < end_ns:
                if diagnosis.answers(module):
                    diagnosis.keep_alive(module)
                simulation.run_until_ns(min(end_ns, simulation.t_ns + round(_KEEP_ALIVE_S * _SECOND_NS)))

    # -- inside -------------------------------------------------------------------------------------------------

    @property
    def _everything_counts(self) -> bool:
        world = self.world
        return bool(self.tracks) or world.state.engine != "stopped" or world.supply is not None

    @property
    def _falls_asleep_s(self) -> float:
        return max(module.sleep_s for module in self._vehicle.modules.values()) + 2.0

    def _begin(self) -> None:
        """What was before the job: the customer had the fault, and turned the key off and on again."""
        self._simulation = Simulation(self._vehicle, seed=self._seed)
        self._world = World(self._simulation)
        self.put(self._hidden)
        self._simulation.advance(_BEFORE_S)
        if any(isinstance(item, Told) for item in self._simulation.vehicle.deviations):
            # nothing but the road shows a value that is wrong, and who brings the vehicle has driven it
            self._simulation.advance(self._world.drive(_CUSTOMERS_DRIVE) + _BEFORE_S)
        self._world.key(False)
        self._simulation.advance(_KEY_OFF_S)
        self._world.key(True)

    def set(self, condition: Condition, shaken: str) -> None:
        """Key, battery, plugs and connectors as they are from now on, and what is shaken."""
        simulation, world = self.simulation, self.world
        if condition.ignition_on != simulation.condition.ignition_on:
            world.key(condition.ignition_on)
        wanted = replace(
            simulation.condition,
            battery_on=condition.battery_on,
            unplugged=condition.unplugged,
            parted=condition.parted,
        )
        if wanted != simulation.condition:
            simulation.condition = wanted
        around = replace(simulation.surroundings, shaken=frozenset({shaken} if shaken else ()))
        if around != simulation.surroundings:
            simulation.surroundings = around

    def put(self, found: Sequence[Fault]) -> None:
        """Exactly these faults are in from now on, whatever their timelines."""
        wanted = [replace(fault, timeline=ALWAYS) for fault in found]
        for fault in [each for each in self._in if each not in wanted]:
            self.simulation.clear(fault)
            self._in.remove(fault)
        for fault in wanted:
            if fault not in self._in:
                self.simulation.inject(fault)
                self._in.append(fault)

    def _put_at(self, span: Span, t_ns: int) -> None:
        """The faults of a span that are there at an instant of the job."""
        around = Surroundings(shaken=frozenset({span.shaken} if span.shaken else ()))
        self.put([fault for fault in span.faults if fault.is_in(t_ns, around)])

    def _live_through(self, span: Span, minutes: float, settled_s: float) -> None:
        """Stretches between the instants at which a fault comes or goes by itself, each until it has settled."""
        t_ns, end_ns = round(span.from_minute * _MINUTE_NS), round((span.from_minute + minutes) * _MINUTE_NS)
        for _ in range(_MOST_CHANGES):
            changes = [fault.next_change_ns(t_ns) for fault in span.faults]
            next_ns = min([each for each in changes if each is not None and each < end_ns], default=end_ns)
            self._put_at(span, t_ns)
            self.simulation.advance(min((next_ns - t_ns) / _SECOND_NS, settled_s))
            if next_ns >= end_ns:
                return
            t_ns = next_ns
            self._anchors.append((self.simulation.t_ns, t_ns / _MINUTE_NS))


__all__ = ["SETTLED_S", "LiveCar", "Span"]
