"""A module's self-check: which tests it has by its place in the vehicle, when they are enabled, what they report."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import Protocol

from simulator.datalink.controller import NEVER_NS
from simulator.diagnostics import codes
from simulator.diagnostics.memory import FaultMemory
from simulator.diagnostics.monitors import EVENTS_NS, Counted, Expected, Level, Missing, OwnBus, Test, timeout_ns
from simulator.diagnostics.reception import Checker
from simulator.diagnostics.status import Snapshot
from simulator.loaded import AS_DRAWN, Loaded
from simulator.vehicle import Module, Vehicle

_MS_NS = 1_000_000
#: Communication is judged with the ignition on for so long, and the supply in its range for so long (common practice).
ENABLE_NS, SUPPLY_ENABLE_NS = 3_000 * _MS_NS, 1_000 * _MS_NS
#: The range of the supply, and how far it has to come back, in volt (common practice: 9 to 16 V).
LOW_VOLT, HIGH_VOLT, BACK_VOLT = 9.0, 16.0, 0.5
#: Tests of communication look at multiples of this.
GRID_NS = 500 * _MS_NS
_SUPPLY_FAIL_NS, _SUPPLY_PASS_NS = 500 * _MS_NS, 1_000 * _MS_NS
_STATE_FAIL_NS = 500 * _MS_NS


#: In the place of a message's name: frames that are in no database, like answers to a tester.
ANY_OTHER = ""


class Configuration(StrEnum):
    """Whether a module has been given what it needs; all but the last are failures of U0300."""

    NOT_PROGRAMMED = "not programmed"
    NO_CALIBRATION = "no calibration"
    NOT_CONFIGURED = "not configured"
    MISMATCH = "mismatch"
    COMPLETE = "complete"


_TYPE_OF = {
    Configuration.NOT_PROGRAMMED: codes.NOT_PROGRAMMED,
    Configuration.NO_CALIBRATION: codes.NO_CALIBRATION,
    Configuration.NOT_CONFIGURED: codes.NOT_CONFIGURED,
    Configuration.MISMATCH: codes.NO_TYPE,
}


class Heard(Protocol):
    """When messages went through, in ns; -1 for never."""

    def heard_ns(self, network: str, message: str) -> int:
        """When the module last received a message."""

    def sent_ns(self, network: str, message: str) -> int:
        """When a message last reached anybody."""


class Unheard:
    """Nothing has ever gone through: what a module knows until a simulation tells it more."""

    def heard_ns(self, network: str, message: str) -> int:
        """Never."""
        return -1

    def sent_ns(self, network: str, message: str) -> int:
        """Never."""
        return -1


@dataclass(frozen=True)
class World:
    """What a module notices of its own state; ``loaded``: what faults have left of what it was told."""

    awake: bool = False
    ignition_on: bool = False
    supply_volt: float = 0.0
    loaded: Loaded = AS_DRAWN


def _on_grid(t_ns: int, grid_ns: int) -> int:
    return NEVER_NS if t_ns >= NEVER_NS else -(-t_ns // grid_ns) * grid_ns


def _next_ns(tests: Mapping[int, Test], grid_ns: int) -> int:
    return _on_grid(min((test.deadline_ns for test in tests.values()), default=NEVER_NS), grid_ns)


def origin_of(vehicle: Vehicle, network: str, message: str) -> str | None:
    """Whose a message is: its sender, or the module from which gateways have it."""
    passed_on = {
        (route.end, name): route.start
        for module in vehicle.modules.values()
        for route in module.routes
        for name in route.messages
    }
    seen = set()
    while (network, message) in passed_on and network not in seen:
        seen.add(network)
        network = passed_on[network, message]
    return next((one.sender for one in vehicle.networks[network].messages if one.name == message), None)


class SelfCheck:
    """The tests of one module. ``settle`` it when its world changes, let it look when ``deadline_ns`` has come.

    ``heard`` knows what went through, ``told(t_ns, code, status)`` is called when the status byte of a code changes.
    Tests of communication look at whole half seconds only, all modules at once: so a simulation stops less often.
    """

    def __init__(self, vehicle: Vehicle, module: Module, memory: FaultMemory) -> None:
        self.memory = memory
        self.world = World()
        self.configuration = Configuration.COMPLETE
        #: Something inside it is broken that it can notice.
        self.broken = False
        self.deadline_ns = NEVER_NS
        self.heard: Heard = Unheard()
        self.told: Callable[[int, int, int], None] = lambda t_ns, code, status: None
        self._module = module
        self._networks = [name for name in vehicle.networks if module.name in vehicle.networks[name].places]
        self._receives: Callable[[str], bool] = lambda network: True
        self._running_ns = self._in_range_ns = NEVER_NS
        self._cleared_ns = 0
        self._seen: tuple[object, ...] = ()
        self._own: dict[int, Test] = {}
        self._talk: dict[int, Test] = {}
        self._bus: dict[str, OwnBus] = {}
        self._checkers: dict[tuple[str, int, bool], Checker] = {}
        self._lost_base: dict[tuple[str, int, bool], int] = {}
        self._last_counter: dict[tuple[str, int, bool], int] = {}
        self._set_up_own()
        self._set_up_talk(vehicle)
        further = {*map(codes.code_number, module.diagnostics.codes)}
        for number in sorted({*self._own, *self._talk, *further}):
            tested = number in self._own or number in self._talk
            memory.support(number, warns=module.diagnostics.lamp, tested=tested)

    # -- what it has

    def _set_up_own(self) -> None:
        self._own[codes.with_type(codes.SUPPLY, codes.VOLTAGE_LOW)] = Level(
            lambda was: self.world.supply_volt < LOW_VOLT + BACK_VOLT * was, _SUPPLY_FAIL_NS, _SUPPLY_PASS_NS
        )
        self._own[codes.with_type(codes.SUPPLY, codes.VOLTAGE_HIGH)] = Level(
            lambda was: self.world.supply_volt > HIGH_VOLT - BACK_VOLT * was, _SUPPLY_FAIL_NS, _SUPPLY_PASS_NS
        )
        self._own[codes.with_type(codes.MODULE, codes.INTERNAL)] = Level(lambda was: self.broken, _STATE_FAIL_NS)
        for kind, failure_type in _TYPE_OF.items():
            self._own[codes.with_type(codes.SOFTWARE, failure_type)] = Level(self._is_in(kind), _STATE_FAIL_NS)

    def _set_up_talk(self, vehicle: Vehicle) -> None:
        order = list(vehicle.networks)
        for name in self._networks:
            network = vehicle.networks[name]
            base = min(codes.FIRST_BUS_OFF + order.index(name), codes.LAST_BUS_OFF)
            own = [one.name for one in network.messages if one.sender == self._module.name and one.cycle_ms]
            others = [one.name for one in network.messages if self._module.name in one.receivers and one.cycle_ms]
            if own or others:
                bus = OwnBus(partial(self._latest_ns, name, own, [*others, ANY_OTHER]))
                self._bus[name] = bus
                self._talk[codes.with_type(base, codes.BUS_OFF)] = bus
            for message in network.messages:
                origin = origin_of(vehicle, name, message.name)
                if self._module.name not in message.receivers or origin is None or origin not in vehicle.modules:
                    continue
                lost = codes.base_number(vehicle.modules[origin].lost_code)
                key = name, message.frame_id, message.extended
                checker = self._checkers[key] = Checker(message)
                self._lost_base[key] = lost
                for kind in checker.kinds:
                    self._talk.setdefault(codes.with_type(codes.invalid_data_base(lost), kind), Counted())
                if message.cycle_ms and origin != self._module.name:
                    number = codes.with_type(lost, codes.MISSING_MESSAGE)
                    missing = self._talk.setdefault(number, Missing(self._heard_ns))
                    assert isinstance(missing, Missing)
                    missing.expected.append(
                        Expected(name, message.name, message.frame_id, timeout_ns(message.cycle_ms))
                    )

    @property
    def is_stale(self) -> bool:
        """Whether something has changed since the last look that no test waits for."""
        return self._seen != self._settings()

    def _settings(self) -> tuple[object, ...]:
        return self.configuration, self.broken, self.memory.frozen, *map(self._receives, self._networks)

    def _is_in(self, kind: Configuration) -> Callable[[bool], bool]:
        return lambda was: self.state is kind

    def _heard_ns(self, network: str, message: str) -> int:
        return self.heard.heard_ns(network, message)

    def _latest_ns(self, network: str, own: Sequence[str], others: Sequence[str]) -> int:
        """When a message of another last came, or one of its own last went out; -1 for never."""
        came = max((self.heard.heard_ns(network, name) for name in others), default=-1)
        return max((came, *(self.heard.sent_ns(network, name) for name in own)))

    @property
    def state(self) -> Configuration:
        """Its configuration as it is, a fault included."""
        loaded = self.world.loaded
        if loaded.broke_off is not None:
            return Configuration.NOT_PROGRAMMED
        if loaded.fitted:
            return Configuration.MISMATCH
        return self.configuration if loaded.configured else Configuration.NOT_CONFIGURED

    # -- what happens

    def listen_to(self, receives: Callable[[str], bool]) -> None:
        """Whether normal messages of a network are received at all (service 28)."""
        self._receives = receives

    def settle(self, t_ns: int, world: World) -> None:
        """Something around it may have changed."""
        if world == self.world and not self.is_stale:
            return
        self.world = world
        running = world.awake and world.ignition_on
        if not running:
            self._running_ns = self._in_range_ns = NEVER_NS
        elif self._running_ns == NEVER_NS:
            self._running_ns = t_ns
        in_range = running and LOW_VOLT <= world.supply_volt <= HIGH_VOLT
        if not in_range:
            self._in_range_ns = NEVER_NS
        elif self._in_range_ns == NEVER_NS:
            self._in_range_ns = t_ns
        if running:
            self.memory.begin_cycle()
        elif world.ignition_on:
            self.memory.break_cycle()
        else:
            self.memory.end_cycle()
        self.look(t_ns, everything=True)

    def counts_bus_off(self, network: str) -> bool:
        """Whether one more time that the own controller goes bus off could be what makes its test fail."""
        test = self._bus.get(network)
        return test is not None and not test.failed

    def bus_off(self, network: str, times_ns: Iterable[int]) -> None:
        """The own controller on a network has gone bus off at these instants."""
        test = self._bus.get(network)
        if test is not None:
            for t_ns in times_ns:
                test.happened(t_ns)
            self._hurry(test)

    def unanswered(self, t_ns: int, network: str) -> None:
        """A frame of its own was not acknowledged on a network."""
        if network in self._bus:
            self._bus[network].unanswered(t_ns)

    def odd_frame(
        self, t_ns: int, network: str, frame_id: int, extended: bool, data: bytes, last: bytes | None
    ) -> None:
        """A message of the database has come from somebody else; ``last`` is what its sender sent last."""
        key = network, frame_id, extended
        checker = self._checkers.get(key)
        if checker is None or t_ns < self._enabled_ns() or not self._receives(network):
            return
        before = self._last_counter.pop(key, None) if last is None else checker.counter(last)
        for kind in checker.faults(data, before):
            test = self._talk[codes.with_type(codes.invalid_data_base(self._lost_base[key]), kind)]
            assert isinstance(test, Counted)
            test.happened(t_ns, frame_id)
            self._hurry(test)
        counter = checker.counter(data)
        if counter is not None:
            self._last_counter[key] = counter

    def cleared(self, t_ns: int) -> None:
        """Codes have been cleared: every test begins anew."""
        self._cleared_ns = t_ns
        for test in (*self._own.values(), *self._talk.values()):
            test.forget()
        self.look(t_ns, everything=True)

    def look(self, t_ns: int, *, everything: bool = False) -> None:
        """Let every test look that is due; all of them where something has changed that none of them waits for."""
        everything = everything or self.is_stale
        self._seen = self._settings()
        enabled_ns = NEVER_NS if self.memory.frozen else self._running_ns
        self._look(t_ns, self._own, enabled_ns, everything)
        self._look(t_ns, self._talk, NEVER_NS if self.memory.frozen else self._enabled_ns(), everything)
        self.deadline_ns = min(_next_ns(self._own, 1), _next_ns(self._talk, GRID_NS))

    def _hurry(self, test: Test) -> None:
        self.deadline_ns = min(self.deadline_ns, _on_grid(test.deadline_ns, GRID_NS))

    def report(self, t_ns: int, number: int, failed: bool, detail: int = 0) -> None:
        """A test of a code has completed; also for tests that somebody else makes in this module."""
        entry = self.memory.support(number, warns=self._module.diagnostics.lamp)
        if self.memory.report(number, failed, Snapshot(t_ns, self.world.supply_volt, detail)):
            self.told(t_ns, number, entry.status)

    def _enabled_ns(self) -> int:
        """From when on communication is judged."""
        if NEVER_NS in (self._running_ns, self._in_range_ns):
            return NEVER_NS
        return max(self._running_ns + ENABLE_NS, self._in_range_ns + SUPPLY_ENABLE_NS, self._cleared_ns)

    def _look(self, t_ns: int, tests: dict[int, Test], enabled_ns: int, everything: bool) -> None:
        for number, test in tests.items():
            if enabled_ns == NEVER_NS:
                test.forget()
                continue
            if not everything and test.deadline_ns > t_ns:
                continue
            since_ns = enabled_ns
            if isinstance(test, Missing):
                since_ns = self._heard_from_ns(t_ns, test, enabled_ns)
            if since_ns > t_ns:
                test.forget()
            failed = test.look(t_ns, since_ns)
            if failed is not None:
                self.report(t_ns, number, failed, test.detail)

    def _heard_from_ns(self, t_ns: int, test: Missing, enabled_ns: int) -> int:
        """From when on others can be missed: not while the own bus is to blame, or normal messages are switched off."""
        since_ns = enabled_ns
        for network in {item.network for item in test.expected}:
            if not self._receives(network):
                return NEVER_NS
            if self._bus[network].is_to_blame(t_ns):
                since_ns = t_ns + EVENTS_NS
        return since_ns
