"""A replaced unit: what it has been told, what breaks off while it is told, and what it does until all is there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from simulator.diagnostics import Configuration, DataIdentifier, Refusal, Refused, Session
from simulator.diagnostics.data import PROGRAMMING, WORKSHOP
from simulator.diagnostics.identity import PART_NUMBER, SOFTWARE_NUMBER
from simulator.diagnostics.service import EVERY_SESSION, NOT_DEFAULT
from simulator.errors import BadRequest, UnknownName
from simulator.loaded import AS_DRAWN, loaded_in
from simulator.record import Event
from simulator.road import ConfigurationItem, Service
from simulator.vehicle import Vehicle
from simulator.world.must_hold import Broken, for_writing
from simulator.world.world import World

_SECOND_NS = 1_000_000_000
_ONLY_PROGRAMMING = frozenset({Session.PROGRAMMING})
#: What the identity of a fitted unit may differ in, with its data identifier.
_TEXTS = {"part_number": PART_NUMBER, "software_number": SOFTWARE_NUMBER}


@dataclass(frozen=True)
class AsFound:
    """How a unit stands in the vehicle when the work begins; without anything it comes out of its box.

    ``fitted``: where its part_number or software_number is another than the vehicle file says. ``told``: what it knows
    already, by the title of each item; all of them count as in force, and it counts as calibrated. ``broke_off``: at
    what part a writing broke off before. ``blank``: it was in the vehicle all the time, and knows nothing: it
    has lost all it was told, or there is nothing to tell it.
    """

    fitted: Mapping[str, str] = field(default_factory=dict)
    told: Mapping[str, float] = field(default_factory=dict)
    broke_off: float | None = None
    blank: bool = False


def as_found(vehicle: Vehicle, unit: str) -> AsFound:
    """How a unit on which nobody has worked stands in a vehicle, faults included. Raises UnknownName."""
    services = vehicle.road.service
    if unit not in services:
        raise UnknownName("unit with a way back into service", unit, services)
    loaded = loaded_in(vehicle).get(unit, AS_DRAWN)
    fitted = dict(loaded.fitted)
    if not loaded.works:
        return AsFound(fitted=fitted, broke_off=loaded.broke_off, blank=True)
    items = services[unit].configuration
    return AsFound(fitted=fitted, told={item.title: loaded.value(item) for item in items}, blank=not items)


@dataclass
class Writing:
    """A value on its way into the unit."""

    item: ConfigurationItem
    begun_ns: int
    broken_at: float | None = None


@dataclass
class Told:
    """What a unit has been told: the values stored, those that have been read back since, and whether it has restarted.

    ``known``: what it works with, once it has restarted with all values there.
    """

    stored: dict[int, bytes] = field(default_factory=dict)
    read_back: set[int] = field(default_factory=set)
    known: dict[int, bytes] = field(default_factory=dict)


class ReplacedUnit:
    """A unit that is not, or not only, what the vehicle had before, in a vehicle that runs.

    Until it has been told everything and has restarted, none of its messages is sent. ``broke_off``: at what part of a
    writing it broke off, until all has been written anew; it is in start-up mode then: it answers its name and takes
    its values again in the programming session, and nothing else.
    """

    def __init__(self, world: World, service: Service, found: AsFound | None = None) -> None:
        found = found or AsFound()
        self.world, self.service = world, service
        self.name = service.unit
        self.module = world.simulation.modules[service.unit]
        self.told = self._already(found.told)
        self.broke_off = found.broke_off
        self.writing: Writing | None = None
        self.identified: set[int] = set()
        self.started: Callable[[int], None] = lambda t_ns: None
        self._misfit: dict[str, tuple[str, str]] = {}
        for each, text in found.fitted.items():
            if each not in _TEXTS:
                raise UnknownName("number of a fitted unit", each, _TEXTS)
            wanted = str(getattr(self.module.unit.identity, each))
            if text != wanted:
                self._misfit[each] = (text, wanted)
        for each, number in _TEXTS.items():
            text = found.fitted.get(each, str(getattr(self.module.unit.identity, each)))
            self._name(number, each, text)
        self.in_vehicle = True
        if service.calibration is not None:
            world.calibration = "done" if found.told or (found.blank and not service.configuration) else "never done"
        if not found.told and found.broke_off is None and not found.blank:
            self.module.unit.memory.clear()
            world.exchange(self.name)
        world.taken_over(self.name)
        self._offer()
        self._awake = world.is_awake(self.name)
        self._restart = self.module.unit.restart
        self.module.unit.restart = self._reset
        world.simulation.notice(self._noticed, in_lots=True)
        self.settle()

    def _already(self, told: Mapping[str, float]) -> Told:
        """What it has been told before the work begins. Raises UnknownName."""
        items = {item.title: item for item in self.service.configuration}
        for title in told:
            if title not in items:
                raise UnknownName("item of the configuration", title, items)
        stored = {items[title].number: replace(items[title], value=value).data for title, value in told.items()}
        return Told(stored, set(), dict(stored))

    # -- what it is ---------------------------------------------------------------------------------------------

    @property
    def misfit(self) -> str:
        """How the fitted unit differs from the one that belongs here, in words; "" if it is the right one."""
        return "; ".join(
            f"{each.replace('_', ' ')} {text}, the vehicle needs {wanted}"
            for each, (text, wanted) in self._misfit.items()
        )

    @property
    def complete(self) -> bool:
        """Whether it works with all that it has to know."""
        return self.told.known.keys() >= {item.number for item in self.service.configuration}

    @property
    def in_force(self) -> bool:
        """Whether it works with all that it has to know, and with the values written last."""
        return self.complete and self.told.stored == self.told.known

    @property
    def works(self) -> bool:
        """Whether it works at all, and is not in start-up mode."""
        return self.complete and self.broke_off is None

    def wrong_values(self) -> list[str]:
        """What it has been told that is not what the vehicle needs, in words."""
        found = []
        for item in self.service.configuration:
            data = self.told.stored.get(item.number)
            if data is not None and data != item.data:
                unit = f" {item.unit}" if item.unit else ""
                found.append(f"{item.title} reads {item.physical(data):g}{unit}, the vehicle has {item.value:g}{unit}")
        return found

    def believes(self, means: str) -> float | None:
        """What it takes the axle or the tyre for; None where it does not know, or does not need to."""
        for item in self.service.configuration:
            if item.means == means and item.number in self.told.known:
                return item.physical(self.told.known[item.number])
        return None

    @property
    def volt(self) -> float:
        """Its supply, in volt."""
        return self.world.supply_volt(self.name)

    def fit(self, found: AsFound | None = None) -> ReplacedUnit:
        """Another unit in its place, ignition off. Raises BadRequest."""
        if self.world.simulation.condition.ignition_on:
            raise BadRequest("a unit is not changed with the ignition on: turn the key off first")
        self.in_vehicle = False
        self.module.unit.restart = self._restart
        return ReplacedUnit(self.world, self.service, found)

    # -- what it offers to a tester -----------------------------------------------------------------------------

    def _name(self, number: int, title: str, text: str) -> None:
        def read(t_ns: int) -> bytes:
            self.identified.add(number)
            return text.encode("latin-1", "replace")

        self.module.unit.server.add_data(DataIdentifier(number, title.replace("_", " "), read))

    def _offer(self) -> None:
        """Its values as data identifiers: in start-up mode they can only be written, and only by who may programme."""
        broken = self.broke_off is not None
        for item in self.service.configuration:
            self.module.unit.server.add_data(
                DataIdentifier(
                    item.number,
                    item.title,
                    self._reader(item),
                    self._writer(item),
                    item.length,
                    read_sessions=frozenset() if broken else EVERY_SESSION,
                    write_sessions=_ONLY_PROGRAMMING if broken else NOT_DEFAULT,
                    level=PROGRAMMING if broken else WORKSHOP,
                    write_ns=round(self.service.writing.seconds * _SECOND_NS),
                    begin=self._beginner(item),
                )
            )

    def _reader(self, item: ConfigurationItem) -> Callable[[int], bytes]:
        def read(t_ns: int) -> bytes:
            self.told.read_back.add(item.number)
            # a value it never had reads as all ones: an erased memory (common practice)
            return self.told.stored.get(item.number, b"\xff" * item.length)

        return read

    def _beginner(self, item: ConfigurationItem) -> Callable[[int, bytes], None]:
        def begin(t_ns: int, data: bytes) -> None:
            broken = next(for_writing(self.service.writing, self.world.state, self.volt), None)
            if broken is not None:
                raise Refused(broken.refusal)
            if not any(data) and item.length > 1:
                raise Refused(Refusal.REQUEST_OUT_OF_RANGE)  # a ratio or a size of nothing
            self.writing = Writing(item, t_ns)

        return begin

    def _writer(self, item: ConfigurationItem) -> Callable[[int, bytes], None]:
        def write(t_ns: int, data: bytes) -> None:
            writing, self.writing = self.writing, None
            if writing is None or writing.broken_at is not None:
                raise Refused(Refusal.GENERAL_PROGRAMMING_FAILURE)
            self.told.stored[item.number] = data
            self.told.read_back.discard(item.number)
            self._settle()

        return write

    # -- what happens to it -------------------------------------------------------------------------------------

    def _noticed(self, event: Event) -> None:
        """Its supply has changed, or its state."""
        if event.name != self.name or not self.in_vehicle:
            return
        if event.kind == "supply" and float(event.what) < self.service.writing.breaks_off_volt:
            self._break_off(event.t_ns)
        elif event.kind == "state":
            awake = event.what == "awake"
            if not awake:
                self._break_off(event.t_ns)
            elif not self._awake:
                self.restarted(event.t_ns)
            self._awake = awake

    def _break_off(self, t_ns: int) -> None:
        """A writing breaks off: everything it knew is gone."""
        writing = self.writing
        if writing is None or writing.broken_at is not None:
            return
        writing.broken_at = min(1.0, (t_ns - writing.begun_ns) / _SECOND_NS / self.service.writing.seconds)
        self.broke_off = writing.broken_at
        self.told = Told()
        self._offer()
        self._settle()

    def _reset(self, t_ns: int) -> None:
        """A tester has asked for a reset."""
        self._restart(t_ns)
        self._break_off(t_ns)
        self.restarted(t_ns)

    def restarted(self, t_ns: int) -> None:
        """It begins anew, by the key or by a reset: what has been written all is in force now."""
        self.writing = None
        if self.told.stored.keys() >= {item.number for item in self.service.configuration}:
            self.told.known = dict(self.told.stored)
            self.broke_off = None
            self._offer()
        self._settle()
        self.started(t_ns)

    def _settle(self) -> None:
        """What its self-check says of it, and whether it sends."""
        check = self.module.unit.check
        if self.broke_off is not None:
            check.configuration = Configuration.NOT_PROGRAMMED
        elif self._misfit:
            check.configuration = Configuration.MISMATCH
        elif not self.complete:
            check.configuration = Configuration.NOT_CONFIGURED
        elif self.service.calibration is not None and self.world.calibration != "done":
            check.configuration = Configuration.NO_CALIBRATION
        else:
            check.configuration = Configuration.COMPLETE
        self.module.withheld = not self.works

    def settle(self) -> None:
        """Something that its self-check looks at has changed."""
        self._settle()
        self.module.unit.check.look(self.world.simulation.t_ns, everything=True)

    def broken_for_writing(self) -> Broken | None:
        """What keeps it from being written to now."""
        return next(for_writing(self.service.writing, self.world.state, self.volt), None)
