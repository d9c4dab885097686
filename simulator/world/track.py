"""Back on the road: the steps by which a replaced unit comes back into service, and how far each is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from simulator.diagnostics import Status
from simulator.errors import UnknownName
from simulator.world.calibration import CalibrationRoutine
from simulator.world.monitors import LOOK_NS, Monitors
from simulator.world.replaced import AsFound, ReplacedUnit
from simulator.world.world import World

#: What helps where all is written and nothing of it in force.
CYCLE_THE_KEY = "cycle the key"
#: The words for a step.
NOT_READY, READY, RUNNING, STOPPED, DONE = "not ready", "ready", "running", "stopped", "done"


@dataclass(frozen=True)
class Step:
    """A step: its name, a word for how far it is, why, and what then helps."""

    name: str
    word: str
    why: str = ""
    helps: str = ""


class BackOnTheRoad:
    """The track of one replaced unit in a vehicle that runs.

    It only looks: requests come from a tester, hands work on the ``world``. ``unit`` is the one that is in the vehicle.
    ``note_roll_call`` tells it of a roll call, since nobody else knows that one was taken. ``found``: how the unit
    stands there. Raises UnknownName where the vehicle file has no ``service:`` of that unit.
    """

    def __init__(self, world: World, unit: str, found: AsFound | None = None) -> None:
        services = world.simulation.drawn.road.service
        if unit not in services:
            raise UnknownName("unit with a way back into service", unit, services)
        self.world, self.service = world, services[unit]
        self._take_in(ReplacedUnit(world, self.service, found))
        self._look_ns = world.simulation.t_ns
        self._plan()

    def fit(self, found: AsFound | None = None) -> None:
        """Put another unit in, ignition off. Raises BadRequest."""
        self._take_in(self.unit.fit(found))

    def _take_in(self, unit: ReplacedUnit) -> None:
        self.unit = unit
        server = unit.module.unit.server
        self.routine = None
        if self.service.calibration is not None:
            self.routine = CalibrationRoutine(unit, self.service.calibration, done=self.world.calibration == "done")
            server.add_routine(self.routine)
        self.monitors = Monitors(unit)
        check = unit.module.unit.check

        def cleared(t_ns: int) -> None:
            check.cleared(t_ns)
            self._cleared(t_ns)

        server.cleared = cleared
        self._cleared_ns: int | None = None
        self._called: tuple[int, frozenset[str]] | None = None

    def _cleared(self, t_ns: int) -> None:
        self._cleared_ns = t_ns
        self._called = None
        self.monitors.forget()

    def _plan(self) -> None:
        simulation = self.world.simulation
        simulation.at(simulation.t_ns + LOOK_NS, self._look)

    def _look(self) -> None:
        t_ns = self.world.simulation.t_ns
        self.monitors.look(t_ns, (t_ns - self._look_ns) / 1e9)
        self._look_ns = t_ns
        self._plan()

    def note_roll_call(self, answering: Iterable[str]) -> None:
        """A roll call has been taken now; who answered."""
        self._called = self.world.simulation.t_ns, frozenset(answering)

    # -- how far it is ------------------------------------------------------------------------------------------

    def steps(self) -> tuple[Step, ...]:
        """Every step in order."""
        found = (
            self._supply(), self._identity(), self._write(), self._read_back(), self._level(), self._calibrate(),
            self._clear(), self._drive(), self._roll_call(),
        )  # fmt: skip
        return tuple(step for step in found if step is not None)

    def step(self, name: str) -> Step:
        """The step of that name. Raises UnknownName."""
        steps = {step.name: step for step in self.steps()}
        if name not in steps:
            raise UnknownName("step", name, steps)
        return steps[name]

    @property
    def finished(self) -> bool:
        """Whether the vehicle can be handed back."""
        return all(step.word == DONE for step in self.steps() if step.name != "supply")

    def _supply(self) -> Step:
        low, high = self.service.supply_volt
        volt, supply = self.world.battery_volt, self.world.supply
        if supply is None:
            helps = f"connect one of {self.service.supply_amp:g} A or more, set to {low:g} to {high:g} V"
            return Step("supply", READY, "no support supply is connected", helps)
        if supply.amp < self.service.supply_amp:
            why = f"it can give {supply.amp:g} A, {self.service.supply_amp:g} are needed"
            return Step("supply", STOPPED, why, "connect a stronger one")
        if not low <= volt <= high:
            return Step("supply", STOPPED, f"the battery has {volt:.1f} V, not {low:g} to {high:g}", "set it otherwise")
        return Step("supply", DONE, f"{volt:.1f} V")

    def _identity(self) -> Step:
        if len(self.unit.identified) < 2:
            return Step("identity", READY, "part number and software number have not been read")
        if self.unit.misfit:
            return Step("identity", STOPPED, self.unit.misfit, "fit the right unit")
        return Step("identity", DONE)

    def _write(self) -> Step | None:
        unit, items = self.unit, self.service.configuration
        if not items:
            return None
        if unit.broke_off is not None:
            why = f"it broke off at {unit.broke_off * 100:.0f} %; the unit is in start-up mode"
            helps = "support supply on, programming session, unlock for programming, write all values, reset"
            return Step("write", STOPPED, why, helps)
        if unit.writing is not None:
            return Step("write", RUNNING, unit.writing.item.title)
        missing = [item.title for item in items if item.number not in unit.told.stored]
        broken = unit.broken_for_writing()
        if missing and broken is not None:
            return Step("write", NOT_READY, broken.words, broken.helps)
        if missing:
            return Step("write", READY, f"to be written: {', '.join(missing)}")
        if not unit.in_force:
            return Step("write", READY, "written, but not in force", CYCLE_THE_KEY)
        return Step("write", DONE)

    def _read_back(self) -> Step | None:
        unit, items = self.unit, self.service.configuration
        if not items:
            return None
        if not unit.in_force:
            return Step("read back", NOT_READY, "what is written is not in force yet", "write all, then cycle the key")
        unread = [item.title for item in items if item.number not in unit.told.read_back]
        if unread:
            return Step("read back", READY, f"to be read: {', '.join(unread)}")
        wrong = unit.wrong_values()
        if wrong:
            return Step("read back", STOPPED, "; ".join(wrong), "write the right value, cycle the key, read it back")
        return Step("read back", DONE)

    def _level(self) -> Step | None:
        level = self.service.level
        if level is None:
            return None
        fluid, state = self.world.fluid(self.unit.name), self.world.state
        low, high = level.window_celsius
        if fluid.plug_open:
            return Step(
                "level", RUNNING, f"{self.world.plug_words(self.unit.name)}, fluid {state.fluid_celsius:.0f} Celsius"
            )
        if fluid.closed_celsius is None and fluid.litre == level.litre:
            return Step("level", DONE, "not touched")
        if fluid.closed_celsius is None:
            if state.engine != "running":
                return Step("level", NOT_READY, "the engine does not run", "let it idle in park")
            if not fluid.circuits_filled:
                helps = f"selector through every position, {level.position_s:g} s each"
                return Step("level", NOT_READY, "the circuits are not filled", helps)
            if state.fluid_celsius < low:
                return Step(
                    "level", NOT_READY, f"the fluid has {state.fluid_celsius:.0f} Celsius, {low:g} wanted", "wait"
                )
            if state.fluid_celsius > high:
                why = f"the fluid has {state.fluid_celsius:.0f} Celsius, above {high:g} it ends too low"
                return Step("level", READY, why, "let it cool with the plug closed")
            return Step("level", READY)
        # at the edge when it was closed: what the fluid grows between there and the reference is what the window allows
        right = abs(fluid.volume_at(fluid.closed_celsius) - level.litre) <= level.tolerance_litre
        if right and low <= fluid.closed_celsius <= high and fluid.closed_dripping:
            return Step("level", DONE)
        word = "low" if fluid.error_litre < 0.0 else "high"
        seen = "" if low <= fluid.closed_celsius <= high else f", outside {low:g} to {high:g}"
        seen += "" if fluid.closed_dripping else ", not at drops"
        why = f"closed at {fluid.closed_celsius:.0f} Celsius{seen}: {abs(fluid.error_litre):.3f} litre too {word}"
        return Step(
            "level", STOPPED, why, f"fill up, open the plug between {low:g} and {high:g} Celsius, close at drops"
        )

    def _calibrate(self) -> Step | None:
        routine = self.routine
        if routine is None:
            return None
        if routine.running:
            return Step("routine", RUNNING, f"{routine.percent} %")
        if routine.word == "done" and routine.lost is None:
            return Step("routine", DONE)
        broken = routine.not_held()
        if routine.lost is not None:
            why = f"{routine.lost.words}, at {routine.percent} %"
            return Step("routine", STOPPED, why, routine.lost.helps)
        if broken is not None:
            return Step("routine", NOT_READY, broken.words, broken.helps)
        return Step("routine", READY)

    def _stored(self) -> list[str]:
        """The modules that store something."""
        return [name for name, module in self.world.simulation.modules.items() if module.unit.memory.stored()]

    def _clear(self) -> Step:
        stored = self._stored()
        if self._cleared_ns is None or stored:
            names = ", ".join(stored) or self.unit.name
            return Step(
                "clear", READY, f"to be cleared: {names}", "save the codes first, then clear; mend what comes back"
            )
        return Step("clear", DONE)

    def _drive(self) -> Step:
        test, monitors, state = self.service.road_test, self.monitors, self.world.state
        if self._cleared_ns is None:
            return Step("drive", NOT_READY, "codes have not been cleared, so nothing tells old from new", "clear them")
        driven = monitors.driven_s / 60.0
        left = []
        if driven < test.minutes:
            left.append(f"{driven:.1f} of {test.minutes:g} minutes with {test.fluid_celsius:g} Celsius or more")
        if not monitors.all_gears:
            left.append("not every gear was driven")
        if not monitors.completed:
            left.append("monitors have not run: status 0x50 is not passed")
        if left:
            return Step("drive", RUNNING if not state.standing else READY, "; ".join(left), "drive on")
        failing = [
            code
            for code in monitors.codes
            if self.unit.module.unit.memory.entries[code].status & Status.TEST_FAILED
        ]  # fmt: skip
        if failing:
            return Step("drive", STOPPED, "a monitor fails", "read the codes")
        return Step("drive", DONE)

    def _roll_call(self) -> Step:
        if self._drive().word != DONE:
            return Step("roll call", NOT_READY, "the road test is not over", "drive")
        if self._called is None:
            return Step("roll call", READY)
        silent = [name for name in self.world.simulation.modules if name not in self._called[1]]
        stored = self._stored()
        if silent or stored:
            why = f"silent: {', '.join(silent)}" if silent else f"codes in {', '.join(stored)}"
            return Step("roll call", STOPPED, why, "find out why")
        return Step("roll call", DONE)
