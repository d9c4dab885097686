"""The heart: one integer clock, one loop, a heap of what is due; everything else is told when it is its turn.

Ties in time break by priority (changes of the world before modules before the wire), then by order of planning, so
that the same vehicle, faults and seed give the same record.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from heapq import heappop, heappush
from numbers import Real
from typing import TYPE_CHECKING

from simulator.audible import Audible
from simulator.circuit import TESTER, Circuit
from simulator.condition import Condition, ModuleState, Surroundings
from simulator.datalink.controller import NEVER_NS, Attempt, Outgoing, Wiring
from simulator.datalink.lot import Lot
from simulator.datalink.trouble import Trouble
from simulator.deviations import Behaviour, SilentMessage
from simulator.diagnostics.watch import Watch
from simulator.errors import BadRequest
from simulator.listeners import Listeners
from simulator.media import Media
from simulator.modules.codec import Track
from simulator.modules.control_module import ControlModule
from simulator.outside import Floods, Tap, TimedFault, checked, tapped, with_faults
from simulator.probes import Point
from simulator.record import Event
from simulator.solved import Solved
from simulator.timeouts import Timeouts
from simulator.vehicle import Vehicle

if TYPE_CHECKING:
    from simulator.interface import SimulatedBus

_SECOND_NS = 1_000_000_000
#: At one instant the world changes first, then modules act; the wire is looked at last.
_CHANGE, _ACT = 0, 1


class Simulation(Audible):
    """A vehicle that runs: faults come and go, modules wake, send and sleep, testers listen and ask.

    ``condition`` and ``surroundings`` may be set at any time; time passes only in ``advance`` and ``run_until_ns`` (and
    while a tester's bus waits for something). ``recovery``: controllers come back from bus-off "automatic"ally, or "by
    request", that is after ``restart``. ``whole_frames``: healthy networks run by whole frames, many times faster than
    bit by bit and with the same result; ``unattended``: so do others, frame after frame without being looked at.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        *,
        faults: Iterable[TimedFault] = (),
        condition: Condition | None = None,
        seed: int = 0,
        recovery: str = "automatic",
        whole_frames: bool = True,
        unattended: bool = True,
    ) -> None:
        if recovery not in ("automatic", "by request"):
            raise BadRequest(f"recovery from bus-off is 'automatic' or 'by request', not {recovery!r}")
        self.drawn = self.vehicle = vehicle
        self.seed, self.t_ns = seed, 0
        self.states: dict[str, ModuleState] = {}
        self.modules = {name: ControlModule(vehicle, name, seed) for name in vehicle.modules}
        self._whole_frames, self._unattended = whole_frames, unattended
        self._faults: list[TimedFault] = [checked(fault, vehicle) for fault in faults]
        self._in_force: tuple[TimedFault, ...] = ()
        self._condition = condition or Condition()
        self._surroundings = Surroundings()
        self._heap: list[tuple[int, int, int, Callable[[], None]]] = []
        self._sequence, self._testers, self._on_the_wire = 0, 0, False
        self._due: dict[str, int] = {}
        self._change_ns = NEVER_NS
        self._volts: dict[str, float] = {}
        self._listeners = Listeners()
        self._solved = Solved()
        self._timeouts = Timeouts()
        self._wirings: dict[str, Wiring] = {}
        self._wakers: dict[str, dict[str, tuple[str, ...]]] = {}
        self._traffic_ns: dict[str, int] = {}
        self._floods = Floods()
        self._watch = Watch(vehicle, self.modules, self._listeners.tell)
        self._media = Media(
            vehicle,
            self.modules,
            automatic=recovery == "automatic",
            attempted=self._attempted,
            changed=self._changed,
            troubled=self._listeners.troubled,
            attended=lambda: self._listeners.attended,
            lot=self._lot,
            wants=lambda network: self._listeners.wants(network, self._watch.watches(network)),
            planned=lambda name: self._plan_module(self.modules[name]),
            heeded=self._watch.heeds,
            whole=self._runs_whole,
            now=lambda: self.t_ns,
        )
        self._settle()

    # -- the door -----------------------------------------------------------------------------------------------

    @property
    def condition(self) -> Condition:
        """Battery, ignition, plugs and connectors as they are now."""
        return self._condition

    @condition.setter
    def condition(self, condition: Condition) -> None:
        before, self._condition = self._condition, condition
        try:
            self._settle()
        except BadRequest:
            self._condition = before
            raise

    @property
    def surroundings(self) -> Surroundings:
        """What is shaken, wet, cranked or warm now."""
        return self._surroundings

    @surroundings.setter
    def surroundings(self, surroundings: Surroundings) -> None:
        before, self._surroundings = self._surroundings, surroundings
        try:
            self._settle()
        except BadRequest:
            self._surroundings = before
            self._settle()
            raise

    @property
    def faults(self) -> tuple[TimedFault, ...]:
        """The faults injected, in force now or not."""
        return tuple(self._faults)

    @property
    def faults_in_force(self) -> tuple[TimedFault, ...]:
        """The faults that are there at this instant."""
        return self._in_force

    def advance(self, seconds: float) -> None:
        """Let simulated time pass, in seconds. Raises BadRequest where that is no number from 0 on."""
        if not isinstance(seconds, Real) or not 0.0 <= seconds < math.inf:
            raise BadRequest(f"time cannot advance by {seconds!r}: write a number of seconds, 0 or more")
        self.run_until_ns(self.t_ns + round(seconds * _SECOND_NS))

    def run_until_ns(self, t_ns: int) -> None:
        """Let simulated time pass up to an instant; what is due at that instant happens."""
        while self.step(t_ns):
            pass

    @property
    def next_ns(self) -> int:
        """The instant at which something is due next, by what is known now."""
        return min(self._heap[0][0] if self._heap else NEVER_NS, self._media.next_ns)

    def step(self, limit_ns: int) -> bool:
        """Go to the next instant up to the limit and do what is due; False, with the clock at the limit, if none is."""
        heap = self._heap
        t_ns = heap[0][0] if heap else NEVER_NS
        if self._listeners.take_batches and self._take_batch(min(t_ns, limit_ns + 1)):
            return True
        wire = self._media.turn(min(t_ns, limit_ns + 1))
        if wire is not None:
            t_ns = wire.deadline_ns
        elif t_ns > limit_ns:
            self.t_ns = max(self.t_ns, limit_ns)
            self._media.rest()
            self._media.hand_over(self.t_ns)
            return False
        self.t_ns = t_ns
        if wire is None:
            heappop(heap)[3]()
            return True
        self._on_the_wire = True
        try:
            wire.advance(t_ns)
        finally:
            self._on_the_wire = False
        return True

    def inject(self, fault: TimedFault) -> None:
        """Put a fault in, from now on by its own timeline.

        Raises BadRequest or UnknownName where it is no fault, where the vehicle cannot have it, or where it contradicts
        one in force; nothing has changed then.
        """
        self._faults.append(checked(fault, self.drawn))
        try:
            with_faults(self.drawn, self._faults_now())  # complains here even where a callback must wait for its turn
            self._settle()
        except BadRequest:
            self._faults.pop()
            self._settle()
            raise

    def clear(self, fault: TimedFault) -> None:
        """Take a fault out again. Raises BadRequest where it is not in."""
        if fault not in self._faults:
            raise BadRequest(f"the fault '{fault}' is not in; in are: {', '.join(map(str, self._faults)) or 'none'}")
        self._faults.remove(fault)
        self._settle()

    def connect(
        self, tap: str | None = None, network: str | None = None, *, receive_own_messages: bool = False
    ) -> SimulatedBus:
        """A python-can bus on simulated time, tapped at a place (default: the first socket). Raises UnknownName."""
        from simulator.interface import SimulatedBus

        found, tap = tapped(self.drawn, tap, network)
        return SimulatedBus(self, found, tap, receive_own_messages=receive_own_messages)

    def last_received_ns(self, network: str, message: str, module: str) -> int:
        """When a module, or a tester, received a message of the database last: its end in ns, -1 for never. Cheap."""
        return self._watch.receptions.last_ns(module, network, message)

    def events_now(self) -> tuple[Event, ...]:
        """The present as events: what is in force, every module's state and supply."""
        return (
            *(Event(self.t_ns, "fault", str(fault), "in") for fault in self._in_force),
            *(Event(self.t_ns, "state", name, str(state)) for name, state in self.states.items()),
            *(Event(self.t_ns, "supply", name, volt) for name, volt in self._volts.items()),
        )

    def volt(self, red: Point, black: Point) -> float:
        """Volts from one point of the circuit to another at this instant, nobody sending."""
        return self._circuit(self.vehicle).volts().between(red, black)

    def counters(self, network: str, module: str) -> tuple[int, int]:
        """(transmit, receive) error counters of a module's, or a tester's, controller."""
        return self._media[network].counters(module)

    def counters_beside(self, network: str, module: str) -> Mapping[str, tuple[int, int]]:
        """As ``counters``, of all that share a wire with a module now, itself among them; cheap in ``subscribe``."""
        return self._media[network].counters_beside(module)

    def status(self, network: str, module: str) -> str:
        """Of a module's, or a tester's, controller: error active, error passive, bus off or down."""
        return self._media[network].status(module)

    def last_trouble(self, network: str, module: str) -> Trouble | None:
        """What a module's, or a tester's, controller noticed last."""
        return self._media[network].last_trouble(module)

    def troubles(self, network: str) -> Mapping[tuple[str, str, str], int]:
        """How often what happened on a network: by (node, kind, place); a frame on the wire may be left out."""
        return self._media[network].troubles

    def restart(self, network: str, module: str) -> None:
        """Ask a controller that is bus off to come back: it does so after 128 times 11 recessive bits."""
        self._media[network].restart(self.t_ns, module)

    def in_reach(self, network: str, node: str) -> tuple[str, ...]:
        """The modules that hear a node and are heard by it, or that its bits would wake."""
        hearers, wakers = self._wirings[network].hearers, self._wakers[network].get(node, ())
        return tuple(
            name
            for name in self.modules
            if name in wakers or (name in hearers.get(node, ()) and node in hearers.get(name, ()))
        )

    # -- for testers --------------------------------------------------------------------------------------------

    def tester_name(self) -> str:
        """The node name of the next tester: "tester", then "tester2" and so on."""
        self._testers += 1
        return TESTER if self._testers == 1 else f"{TESTER}{self._testers}"

    def attach(self, tap: Tap) -> None:
        """Connect a tester; it hears frames that start from now on. BadRequest: there are too many nodes."""
        self._listeners.taps.append(tap)
        try:
            self._settle()
        except BadRequest:
            self.detach(tap)
            raise

    def detach(self, tap: Tap) -> None:
        """Disconnect a tester."""
        self._listeners.taps.remove(tap)
        self._settle()

    def follow(self, tracks: Mapping[tuple[str, str], Mapping[str, Track]]) -> None:
        """From now on signals of cyclic messages follow tracks: by (network, message), then by signal."""
        self._media.follow(self.t_ns, tracks)

    def submit(self, network: str, node: str, frame: Outgoing) -> None:
        """Queue a frame at a node now."""
        self._media[network].submit(self.t_ns, node, frame)

    def withdraw(self, network: str, node: str, frame: Outgoing) -> None:
        """Do not send a frame that still waits."""
        self._media[network].withdraw(self.t_ns, node, frame)

    def at(self, t_ns: int, action: Callable[[], None]) -> None:
        """Plan an action of a tester for an instant."""
        self._plan(max(t_ns, self.t_ns), _ACT, action)

    # -- the world changes --------------------------------------------------------------------------------------

    def _settle(self) -> None:
        """Put the faults and the condition of this instant in force: supply states, who hears whom, what is sent."""
        if self._on_the_wire:
            # a callback has changed something in the middle of the medium's work: the turn of that comes right after
            self._plan(self.t_ns, _CHANGE, self._settle)
            return
        self._media.leave(self.t_ns)
        in_force = self._faults_now()
        vehicle = self.vehicle if in_force == self._in_force else with_faults(self.drawn, in_force)
        circuit = self._circuit(vehicle)
        before, self._in_force, self.vehicle = self._in_force, in_force, vehicle
        for fault in before:
            if fault not in in_force:
                self._listeners.tell(Event(self.t_ns, "fault", str(fault), "out"))
        for fault in in_force:
            if fault not in before:
                self._listeners.tell(Event(self.t_ns, "fault", str(fault), "in"))
        self._take_states(circuit)
        self._behave(vehicle)
        for network in self._media:
            self._rewire(network, circuit)
        self._plan_changes()

    def _faults_now(self) -> tuple[TimedFault, ...]:
        return tuple(fault for fault in self._faults if fault.is_in(self.t_ns, self._surroundings))

    def _circuit(self, vehicle: Vehicle) -> Circuit:
        """The solved circuit of this instant."""
        called = {
            name: self._condition.ignition_on or self.t_ns < self._asleep_ns(name)
            for name, module in vehicle.modules.items()
            if module.wake is None
        }
        return self._timeouts.circuit(self._solved, self.t_ns, vehicle, self._condition, self.states, called)

    def _asleep_ns(self, name: str) -> int:
        """When a module without a wake pin falls asleep after the last traffic it heard."""
        heard_ns = self._traffic_ns.get(name)
        return 0 if heard_ns is None else heard_ns + round(self.drawn.modules[name].sleep_s * _SECOND_NS)

    def _take_states(self, circuit: Circuit) -> None:
        before, self.states = self.states, dict(circuit.states)
        volts = circuit.volts()
        for name, state in self.states.items():
            if before.get(name) is not state:
                self._listeners.tell(Event(self.t_ns, "state", name, str(state)))
            volt = round(volts.between(("supply_pin", name), ("ground_pin", name)), 2) + 0.0
            if self._volts.get(name) != volt:
                self._volts[name] = volt
                self._listeners.tell(Event(self.t_ns, "supply", name, volt))

    def _behave(self, vehicle: Vehicle) -> None:
        """Tell the modules what faults make of them, and switch them by their supply state."""
        behaviours = {(item.module, item.kind): item for item in vehicle.deviations if isinstance(item, Behaviour)}
        silent = frozenset((one.network, one.message) for one in vehicle.deviations if isinstance(one, SilentMessage))
        floods: dict[tuple[str, str], int] = {}
        self._watch.settle(self.t_ns, vehicle, self.states, self._volts, self._condition.ignition_on)
        for name, module in self.modules.items():
            # without a wake pin and with the ignition off it only listens: else two such would keep each other awake
            runs_on = module.description.wake is None and not self._condition.ignition_on
            module.configured = (name, "not_configured") not in behaviours and not runs_on
            module.silent = silent
            module.switch(self.t_ns, self.states[name] is ModuleState.AWAKE)
            if (name, "flooding") in behaviours:
                floods |= {(name, network): behaviours[name, "flooding"].value for network in module.networks}
            self._plan_module(module)
        for name, network, frame in self._floods.settle(floods):
            self._media[network].withdraw(self.t_ns, name, frame)

    def _rewire(self, network: str, circuit: Circuit) -> None:
        """Tell a network's medium who hears whom, if that has changed."""
        up = [name for name, module in self.modules.items() if network in module.networks and module.on]
        taps = [tap for tap in self._listeners.taps if tap.network == network]
        wiring, self._wakers[network] = self._solved.wiring(circuit, network, up, taps)
        medium = self._media[network]
        if wiring is not self._wirings.get(network):
            medium.rewire(self.t_ns, wiring)
            self._wirings[network] = wiring
        for name, frame in self._floods.on(network):
            if name in wiring.hearers:
                medium.submit(self.t_ns, name, frame)

    def _plan_changes(self) -> None:
        """Look at the world again when a fault comes or goes by itself, and when a module may fall asleep."""
        changes = [fault.next_change_ns(self.t_ns) for fault in self._faults]
        changes += [*(module.ready_ns for module in self.modules.values()), *self._timeouts.ends_ns]
        if not self._condition.ignition_on:
            awake = [name for name, state in self.states.items() if state is ModuleState.AWAKE]
            changes += [self._asleep_ns(name) for name in awake if self.drawn.modules[name].wake is None]
        due_ns = min((change for change in changes if change is not None and change > self.t_ns), default=NEVER_NS)
        self._change_ns = due_ns
        if due_ns < NEVER_NS:
            self._plan(due_ns, _CHANGE, lambda: self._settle() if self._change_ns == due_ns else None)

    # -- modules and media --------------------------------------------------------------------------------------

    def _plan(self, t_ns: int, priority: int, action: Callable[[], None]) -> None:
        self._sequence += 1
        heappush(self._heap, (t_ns, priority, self._sequence, action))

    def _plan_module(self, module: ControlModule) -> None:
        """Put a module's next deadline on the heap, unless it is there."""
        if not module.as_lent:
            self._media.leave(self.t_ns)
        due_ns = module.next_deadline_ns()
        if self._due.get(module.name) == due_ns:
            return
        self._due[module.name] = due_ns
        if due_ns < NEVER_NS:
            self._plan(due_ns, _ACT, lambda: self._act(module, due_ns))

    def _act(self, module: ControlModule, due_ns: int) -> None:
        """It is a module's turn, if this is still the instant it waits for."""
        if self._due.get(module.name) != due_ns:
            return
        self._media.hand_over(due_ns)
        for network, frame in module.due(due_ns):
            self._media[network].submit(due_ns, module.name, frame)
        for network, frame in module.unit.taken_back():
            self._media[network].withdraw(self.t_ns, module.name, frame)
        self._plan_module(module)
        self._media.reconsider()
        if not module.on:  # a tester has asked for a reset
            self._settle()

    def _take_batch(self, before_ns: int) -> bool:
        """Take the frames of healthy networks at once that end before an instant; whether there are any."""
        batch = self._media.take(before_ns)
        if batch is None:
            return False
        self.t_ns = int(batch.t_end_ns[-1])
        for one, total in batch.totals():
            self._watch.receptions.note(total.last_ns, one.network, str(one.message), one.listeners)
            for name in self._wakers[one.network].get(one.transmitter, ()):
                self._traffic_ns[name] = max(self._traffic_ns.get(name, 0), total.last_ns)
        self._listeners.batch(batch)
        return True

    def _runs_whole(self, network: str) -> tuple[bool, bool]:
        """Whether a network may send by itself, since its traffic wakes nobody; and whole frames: nobody floods it."""
        sleepers = {name for name, state in self.states.items() if state is ModuleState.ASLEEP}
        calm = not any(map(sleepers.intersection, self._wakers[network].values()))
        whole = not self._floods and not any(tap.told_of_losses for tap in self._listeners.taps)
        return calm and self._unattended, calm and whole and self._whole_frames

    def _changed(self, network: str, t_ns: int, node: str, status: str) -> None:
        """A controller has turned error active, error passive or bus off."""
        for tap in (one for one in self._listeners.taps if one.name == node):
            tap.changed(t_ns, status)
        for name in self._watch.changed(network, t_ns, node, status):
            self._plan_module(self.modules[name])
        self._listeners.changed(network, t_ns, node, status, self.counters(network, node))

    def _lot(self, network: str, lot: Lot) -> None:
        """Much has happened that nobody was told one by one."""
        for node, times in lot.attempts():
            for name in self._wakers[network].get(node, ()):
                self._traffic_ns[name] = max(self._traffic_ns.get(name, 0), times[-1])
        self._watch.lot(network, lot)
        self._listeners.lot(network, lot)

    def _attempted(self, network: str, attempt: Attempt) -> None:
        """An attempt has ended: record it, hand the frame to whom it reached."""
        for name in self._wakers[network].get(attempt.node, ()):
            # its bits call modules without a wake pin: they stay awake, or wake
            self._traffic_ns[name] = attempt.t_end_ns
            if self.states[name] is ModuleState.ASLEEP:
                self._plan(attempt.t_end_ns, _CHANGE, self._settle)
        if self._watch.heeds(network, attempt.frame.frame_id):
            self._media.hand_over(self.t_ns)  # who is asked to forget its codes forgets what was before
        touched = self._watch.attempted(network, attempt)
        for name in touched:
            self._plan_module(self.modules[name])
        if touched:
            self._media.reconsider()
        self._listeners.attempted(network, attempt)
