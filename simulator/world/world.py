"""The vehicle that moves: its quantities from one instant to the next, and what people do to it.

It lives on a simulation's clock. What will happen if nobody interferes is worked out some seconds ahead and given to
the modules as tracks of their signals; every action works it out anew from that instant on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from simulator.condition import ModuleState
from simulator.drive import read_script, script_text
from simulator.errors import BadRequest, UnknownName
from simulator.modules.codec import Track
from simulator.probes import BODY, POSITIVE
from simulator.quantities import SELECTOR
from simulator.record import Event
from simulator.road import Drivetrain, Service
from simulator.simulation import Simulation
from simulator.world.electrics import SAG_STEP_VOLT, Sag, Supply, at_battery, battery_of
from simulator.world.fluid import Fluid
from simulator.world.monitors import LOOK_NS, AsBuilt, Monitors
from simulator.world.powertrain import State, begin_cranking, press_brake, select, step
from simulator.world.shown import Shown

_SECOND_NS = 1_000_000_000
#: Steps of the world, and how far it looks ahead.
STEP_NS, AHEAD_STEPS = 100_000_000, 100
#: Current of lamps and blower, in ampere (common practice, no source).
LAMPS_AMP = 25.0


class World:
    """What people do to a vehicle that runs, and how it moves.

    ``script``: a drive script to begin with, or the name of one. ``celsius``: of the air and of all that has stood in
    it overnight. Every action works at the present instant of the simulation.
    """

    def __init__(self, simulation: Simulation, *, script: str = "", celsius: float = 20.0) -> None:
        self.simulation = simulation
        vehicle = simulation.drawn
        self.drivetrain = vehicle.road.drivetrain or Drivetrain()
        levels = {unit: service.level for unit, service in vehicle.road.service.items()}
        self.fluids = {unit: Fluid(level, level.litre) for unit, level in levels.items() if level is not None}
        self.supply: Supply | None = None
        self.lamps = False
        #: What a replaced unit says of its calibration, as a word of the quantity; the track of its service sets it.
        self.calibration = "done"
        self._shown = Shown(vehicle, self.drivetrain)
        #: Those of the units on which nobody has worked, and since when they look; None while the engine is off.
        self._monitors = {unit: self._monitors_of(service) for unit, service in vehicle.road.service.items()}
        self._looked_ns: int | None = None
        self._sag = Sag()
        #: Volts at the pins of every module, and when one of them changed last.
        self._supplies: dict[str, float] = {}
        self._supplied_ns = simulation.t_ns
        self._begin_ns = simulation.t_ns
        self._states: list[State] = []
        self._token = 0
        self._fluid_ns = simulation.t_ns
        self._now = State(coolant_celsius=celsius, oil_celsius=celsius, fluid_celsius=celsius, outside_celsius=celsius)
        if script:
            self._now = self._driving(script)
        for event in simulation.events_now():
            self._noticed(event)
        simulation.notice(self._noticed, in_lots=True)
        self._renew()

    # -- what can be seen ---------------------------------------------------------------------------------------

    @property
    def state(self) -> State:
        """Engine, gears, speed and temperatures at this instant."""
        return self._state_at(self.simulation.t_ns)

    @property
    def battery_volt(self) -> float:
        """Between the battery's clamps, in volt."""
        return self.simulation.volt(POSITIVE, BODY)

    def supply_volt(self, module: str) -> float:
        """Between the supply pin and the ground pin of a module, in volt."""
        return self.simulation.volt(("supply_pin", module), ("ground_pin", module))

    def value(self, quantity: str) -> float:
        """A quantity at this instant: a number, or for one of states the number of its word."""
        return self._shown.value(quantity, self.state, self._surroundings())

    def fluid(self, unit: str) -> Fluid:
        """The fluid of a unit as it is now. Raises UnknownName."""
        if unit not in self.fluids:
            raise UnknownName("unit with a fluid level", unit, self.fluids)
        self._flow(self.simulation.t_ns)
        return self.fluids[unit]

    # -- what people do -----------------------------------------------------------------------------------------

    def key(self, on: bool) -> None:
        """Turn the ignition on or off; off also stops the engine and ends the drive."""
        state = self.state
        if not on:
            state = replace(state, engine="stopped", engine_s=0.0, legs=(), stop_start=False)
        self.simulation.condition = replace(self.simulation.condition, ignition_on=on)
        self._go_on(state)

    def start_engine(self) -> str:
        """Turn the key to start. What keeps the starter from turning, in words; "" if it turns."""
        state = self.state
        if not self.simulation.condition.ignition_on:
            return "the ignition is off"
        if state.engine != "stopped":
            return "the engine runs already" if state.engine == "running" else ""
        if not state.start_allowed:
            return f"the selector is in {state.selector}"
        self._go_on(begin_cranking(state))
        return ""

    def stop_engine(self) -> None:
        """Stop the engine, the ignition stays on."""
        self._go_on(replace(self.state, engine="stopped", engine_s=0.0, legs=(), stop_start=False))

    def hold_engine(self, rpm: float) -> None:
        """Hold the engine at a speed with the accelerator, in turns per minute; 0: foot off."""
        self._go_on(replace(self.state, held_rpm=max(0.0, rpm)))

    def select(self, position: str) -> bool:
        """Move the lever; whether it moved (out of park only with the brake held). Raises UnknownName."""
        if position not in SELECTOR:
            raise UnknownName("position of the selector", position, SELECTOR)
        state = select(self.state, position)
        self._go_on(state)
        return state.selector == position

    def brake(self, held: bool) -> None:
        """Hold the brake pedal, or let it go."""
        self._go_on(press_brake(self.state, held))

    def connect_supply(self, volt: float = 13.5, amp: float = 70.0) -> None:
        """Put a support supply to the battery. Raises BadRequest where there is none like that."""
        if not 5.0 <= volt <= 30.0 or not 0.5 <= amp <= 500.0:
            raise BadRequest(f"no support supply gives {volt:g} V and {amp:g} A: write 5 to 30 V, 0.5 to 500 A")
        self.supply = Supply(volt, amp)
        self._go_on(self.state)

    def disconnect_supply(self) -> None:
        """Take the support supply off."""
        self.supply = None
        self._go_on(self.state)

    def switch_lamps(self, on: bool) -> None:
        """Lamps and blower on or off."""
        self.lamps = on
        self._go_on(self.state)

    def drive(self, script: str) -> float:
        """Drive by a script, or by the name of one; how long it takes, in s. Raises BadFile with its mistakes."""
        state = self._driving(script)
        self._go_on(state)
        return sum(leg.seconds for leg in state.legs)

    def open_plug(self, unit: str) -> None:
        """Take the overflow plug of a unit out."""
        self.fluid(unit).open_plug()

    def close_plug(self, unit: str) -> None:
        """Put the overflow plug of a unit in again."""
        state = self.state
        self.fluid(unit).close_plug(state.fluid_celsius, state.engine == "running")

    def add_fluid(self, unit: str, litre: float) -> None:
        """Fill fluid into a unit, as warm as the air."""
        if not 0.0 <= litre <= 20.0:
            raise BadRequest(f"{litre:g} litre cannot be filled in: write 0 to 20")
        self.fluid(unit).add(litre, self.state.outside_celsius)

    def exchange(self, unit: str) -> None:
        """A unit is exchanged: of its fluid is left what the vehicle file says, and no level has been set."""
        if unit in self.fluids:
            self.fluids[unit] = Fluid(self.fluids[unit].level)

    def plug_words(self, unit: str) -> str:
        """What one sees at the overflow plug of a unit: closed, nothing, drops, a stream."""
        state = self.state
        return self.fluid(unit).flow_words(state.fluid_celsius, state.engine == "running")

    def recalibrated(self, word: str) -> None:
        """The replaced unit says something else of its calibration."""
        self.calibration = word
        self._go_on(self.state)

    def taken_over(self, unit: str) -> None:
        """A unit is worked on: whoever does that lets its monitors look."""
        self._monitors.pop(unit, None)

    # -- how it goes on -----------------------------------------------------------------------------------------

    def _driving(self, script: str) -> State:
        state = self.state if self._states else self._now
        return replace(state, legs=read_script(script_text(script)), leg_s=0.0, leg_kmh=state.kmh)

    def _state_at(self, t_ns: int) -> State:
        """The state at an instant of what is worked out."""
        steps, rest_ns = divmod(t_ns - self._begin_ns, STEP_NS)
        if steps >= len(self._states) - 1:
            steps, rest_ns = len(self._states) - 1, 0
        state = self._states[steps]
        return step(self.drivetrain, state, rest_ns / _SECOND_NS) if rest_ns else state

    def _go_on(self, state: State) -> None:
        """From this instant on with another state."""
        self._flow(self.simulation.t_ns)
        self._now = state
        self._renew()

    def _renew(self) -> None:
        """Work out what happens from this instant on; come back when that ends or the engine does something else."""
        t_ns = self.simulation.t_ns
        self._begin_ns, self._token = t_ns, self._token + 1
        self._now = self._connect(self._now)
        states = [self._now]
        while len(states) <= AHEAD_STEPS:
            states.append(step(self.drivetrain, states[-1], STEP_NS / _SECOND_NS))
            if states[-1].engine != states[0].engine:
                break
        self._states = states
        self._follow()
        self._watch_the_road()
        self._plan(t_ns + (len(states) - 1) * STEP_NS)

    def _plan(self, end_ns: int) -> None:
        token = self._token
        sag_ns = self._sag.next_ns(self.simulation.condition.sag_volt)
        due_ns = end_ns if sag_ns is None else min(end_ns, max(sag_ns, self.simulation.t_ns + STEP_NS))
        self.simulation.at(due_ns, lambda: self._go_on(self.state) if token == self._token else None)

    def _monitors_of(self, service: Service) -> Monitors:
        monitors = Monitors(AsBuilt(self, service))
        unit = self.simulation.modules[service.unit].unit

        def cleared(t_ns: int) -> None:
            unit.check.cleared(t_ns)
            monitors.forget()

        unit.server.cleared = cleared
        return monitors

    def _watch_the_road(self) -> None:
        """While the engine runs the monitors look from time to time."""
        if self._monitors and self._looked_ns is None and self.state.engine == "running":
            self._looked_ns = self.simulation.t_ns
            self.simulation.at(self._looked_ns + LOOK_NS, self._look)

    def _look(self) -> None:
        t_ns, before_ns, self._looked_ns = self.simulation.t_ns, self._looked_ns, None
        assert before_ns is not None
        for monitors in self._monitors.values():
            monitors.look(t_ns, (t_ns - before_ns) / _SECOND_NS)
        self._watch_the_road()

    def _noticed(self, event: Event) -> None:
        """A fault, or a module that wakes, has changed a voltage: show it from now on."""
        if event.kind == "supply":
            self._supplies[event.name] = float(event.what)
            if event.t_ns != self._supplied_ns:
                self._supplied_ns = event.t_ns
                self.simulation.at(event.t_ns, self._follow)

    def _follow(self) -> None:
        """Give the modules the tracks of their signals."""
        if self._shown.signals:
            surroundings = self._surroundings()
            tracks: dict[tuple[str, str], dict[str, Track]] = {}
            found = self._shown.tracks(self._states, surroundings, self._supplies)
            for (network, message, signal), values in found.items():
                tracks.setdefault((network, message), {})[signal] = Track(self._begin_ns, STEP_NS, values)
            self.simulation.follow(tracks)

    def _surroundings(self) -> Mapping[str, float | str]:
        """What the world shows besides its state."""
        condition = self.simulation.condition
        return {
            "battery_voltage": self.battery_volt,
            "key": "on" if condition.ignition_on else "locked",
            "calibration": self.calibration,
        }

    def _connect(self, state: State) -> State:
        """Put starter, alternator, supply and sag into the circuit as the state has them."""
        simulation, t_ns = self.simulation, self.simulation.t_ns
        battery = battery_of(simulation.vehicle)
        self._sag.go_on(t_ns)
        shown = simulation.condition.sag_volt
        if abs(self._sag.volt - shown) >= SAG_STEP_VOLT * 0.99:
            shown = round(self._sag.volt, 2)
        parts = at_battery(self.drivetrain, state.engine, self.supply, LAMPS_AMP if self.lamps else 0.0)
        condition = replace(simulation.condition, at_battery=parts, sag_volt=shown)
        if condition != simulation.condition:
            simulation.condition = condition
        surroundings = replace(
            simulation.surroundings,
            cranking=state.engine == "cranking",
            celsius=round(state.coolant_celsius / 5.0) * 5.0,
        )
        if surroundings != simulation.surroundings:
            simulation.surroundings = surroundings
        volt = self.battery_volt
        amp = (battery.open_circuit_volt - shown - volt) / battery.internal_ohm
        self._sag.load(amp if condition.battery_on else 0.0, battery.internal_ohm)
        return replace(state, crank_volt=volt) if state.engine == "cranking" else state

    def _flow(self, t_ns: int) -> None:
        """Let the fluids run until an instant."""
        at_ns = self._fluid_ns
        while at_ns < t_ns and self.fluids:
            state = self._state_at(at_ns)
            until_ns = min(t_ns, at_ns + STEP_NS)
            for fluid in self.fluids.values():
                fluid.step(
                    (until_ns - at_ns) / _SECOND_NS, state.fluid_celsius, state.selector, state.engine == "running"
                )
            at_ns = until_ns
        self._fluid_ns = t_ns

    def is_awake(self, module: str) -> bool:
        """Whether a module is awake."""
        return self.simulation.states[module] is ModuleState.AWAKE
