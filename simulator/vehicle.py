"""The description of a vehicle: frozen, knows no solver; what the vehicle file says, with every default filled in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, NoReturn, TypeVar

from simulator.deviations import Deviation, merge
from simulator.errors import BadRequest, UnknownName
from simulator.road import Road

if TYPE_CHECKING:
    from cantools.database.can import Message as Codec

T = TypeVar("T")


class Fixed(dict[str, T]):
    """A mapping by name that nobody changes: circuits worked out from a vehicle are kept, and must stay true."""

    def _refuse(self, *_: object, **__: object) -> NoReturn:
        raise TypeError("a vehicle is never changed in place: make another one with dataclasses.replace")

    __setitem__ = __delitem__ = __ior__ = clear = pop = popitem = setdefault = update = _refuse

    def __reduce__(self) -> tuple[type[Fixed[T]], tuple[dict[str, T]]]:
        return Fixed, (dict(self),)


@dataclass(frozen=True)
class Battery:
    """The battery between its clamps: open-circuit voltage in volt, internal resistance in ohm."""

    open_circuit_volt: float
    internal_ohm: float


@dataclass(frozen=True)
class Fuse:
    """A fuse or relay contact fed from battery positive, or from the load side of the one it is ``behind``.

    ``switched`` ones carry current only with the ignition on.
    """

    name: str
    ohm: float
    amp: float
    switched: bool = False
    behind: str | None = None


@dataclass(frozen=True)
class GroundPoint:
    """A ground point: the joint between ground wires and battery negative, in ohm."""

    name: str
    ohm: float
    about: str = ""


@dataclass(frozen=True)
class Feed:
    """A wire from the load side of a fuse to a supply or wake pin, in ohm."""

    fuse: str
    ohm: float


@dataclass(frozen=True)
class GroundWire:
    """A wire from a module's ground pin to a ground point, in ohm."""

    point: str
    ohm: float


@dataclass(frozen=True)
class Transceiver:
    """The static model of a high-speed transceiver, voltages to its module's own ground pin.

    Defaults: a fit to published data-sheet windows (ISO 11898-2 output and input ranges). ``dominant_timeout_ms``: a
    transmitter that is held dominant for longer is switched off until it is let go, None: never.
    """

    vcc_volt: float = 5.0
    drop_volt: float = 0.8
    on_ohm: float = 21.0
    limit_amp: float = 0.070
    bias_ohm: float = 25_000.0
    unpowered_ohm: float = 1_000_000.0
    common_mode_volt: tuple[float, float] = (-12.0, 12.0)
    dominant_timeout_ms: float | None = None


@dataclass(frozen=True)
class Diagnostics:
    """What a module says of itself to a tester; what is empty or None here is made up from its name.

    ``security_constant`` goes into its (demonstration) key algorithm. ``lamp``: its confirmed codes ask for a warning.
    ``codes``: further fault codes it can store, like P0711-00, with what they say.
    """

    part_number: str = ""
    software_number: str = ""
    software_version: str = ""
    hardware_number: str = ""
    serial_number: str = ""
    security_constant: int | None = None
    lamp: bool = False
    codes: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Route:
    """What a gateway passes on from one of its networks to another.

    ``messages`` by name, as they come; ``diagnostics``: requests to the modules there, and their answers back.
    """

    start: str
    end: str
    messages: tuple[str, ...] = ()
    diagnostics: bool = False


@dataclass(frozen=True)
class Module:
    """A control module: its pins' wires, its load in ohm, its transceiver, its diagnostic addresses (11 bit)."""

    name: str
    feed: Feed
    ground: GroundWire
    draw_ohm: float
    request_id: int
    response_id: int
    lost_code: str
    wake: Feed | None = None
    sleep_ohm: float = 1_000_000.0
    sleep_s: float = 30.0
    transceiver: Transceiver = Transceiver()
    title: str = ""
    reach_minutes: float = 10.0
    routes: tuple[Route, ...] = ()
    startup_s: float = 0.03
    diagnostics: Diagnostics = Diagnostics()


@dataclass(frozen=True)
class Pair:
    """The twisted pair of a network: resistance of one conductor per metre, wave impedances, delays per metre."""

    ohm_per_m: float
    impedance_ohm: float
    delay_ns_per_m: float
    common_impedance_ohm: float = 45.0
    common_delay_ns_per_m: float = 5.0


@dataclass(frozen=True)
class Run:
    """A length of twisted pair between two places; ``name`` is ``FROM-TO`` unless the file gives one."""

    name: str
    start: str
    end: str
    length_m: float


@dataclass(frozen=True)
class Terminator:
    """A resistor across the pair at a place; ``inside`` ones are part of the module there and leave with it."""

    at: str
    ohm: float
    inside: bool = False


@dataclass(frozen=True)
class Parting:
    """An in-line connector at a place; parted, the ends there of the runs in ``off`` come off together."""

    at: str
    off: tuple[str, ...]


@dataclass(frozen=True)
class Signal:
    """A signal of a message: physical range (None where the database has none) and unit."""

    name: str
    unit: str
    minimum: float | None
    maximum: float | None
    receivers: tuple[str, ...]


@dataclass(frozen=True)
class Message:
    """A message of the database: identifier, payload length in byte, cycle time in ms (None: sent on request only)."""

    name: str
    frame_id: int
    extended: bool
    length: int
    cycle_ms: int | None
    sender: str | None
    receivers: tuple[str, ...]
    signals: tuple[Signal, ...]
    is_fd: bool = False
    codec: Codec | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True)
class Network:
    """One network: bit timing, pair, runs, terminators, connectors, and the messages of its database.

    ``quantities``: (signal, quantity) of those signals that show something of a vehicle that moves.
    """

    name: str
    bit_rate: int
    sample_point: float
    database: str
    pair: Pair
    runs: tuple[Run, ...]
    terminators: tuple[Terminator, ...] = ()
    parting: tuple[Parting, ...] = ()
    socket: str | None = None
    testers: tuple[str, ...] = ()
    data_bit_rate: int | None = None
    data_sample_point: float | None = None
    messages: tuple[Message, ...] = ()
    quantities: tuple[tuple[str, str], ...] = ()

    @cached_property
    def places(self) -> tuple[str, ...]:
        """Every place of the runs, in the order the file names them."""
        return tuple(dict.fromkeys(place for run in self.runs for place in (run.start, run.end)))

    def run(self, name: str) -> Run:
        """The run of that name; ``TO-FROM`` is accepted for a run without a name of its own. Raises UnknownName."""
        for run in self.runs:
            if run.name == name:
                return run
        for run in self.runs:
            if run.name == f"{run.start}-{run.end}" and name == f"{run.end}-{run.start}":
                return run
        raise UnknownName("run", name, (run.name for run in self.runs))

    def parting_at(self, place: str) -> Parting | None:
        """The in-line connector at a place, or None."""
        return next((parting for parting in self.parting if parting.at == place), None)


#: Minutes of the actions that are not a walk to a plug; a vehicle file may give its own under ``minutes:``.
ACTION_MINUTES: Mapping[str, float] = {
    "call": 3.0,
    "read": 1.0,
    "zero": 0.5,
    "unplug": 1.0,
    "plug": 1.0,
    "part": 2.0,
    "join": 2.0,
    "battery": 3.0,
    "ignition": 0.5,
    "covers": 10.0,
    "shake": 1.0,
    "lamp": 2.0,
    "pins": 2.0,
    "codes": 4.0,
    "values": 2.0,
    "config": 3.0,
    "order": 2.0,
    "repair": 15.0,
    "replace": 30.0,
    "supply": 3.0,
    "level": 1.0,
    "fill": 2.0,
}


@dataclass(frozen=True)
class Vehicle:
    """A vehicle as drawn, plus the deviations that faults put into it.

    Every mapping is keyed by name. ``deviations`` is in canonical order, so that the order in which faults are
    applied never matters; ``applied`` are the same before they were merged, since a sum of sums would depend on it.
    """

    name: str
    battery: Battery
    fuses: Mapping[str, Fuse]
    grounds: Mapping[str, GroundPoint]
    modules: Mapping[str, Module]
    networks: Mapping[str, Network]
    maker: str = ""
    about: str = ""
    vin: str = ""
    minutes: Mapping[str, float] = field(default_factory=dict)
    path: str = ""
    road: Road = field(default_factory=Road)
    deviations: tuple[Deviation, ...] = ()
    applied: tuple[Deviation, ...] = field(default=(), compare=False, repr=False)

    def __post_init__(self) -> None:
        for name in ("fuses", "grounds", "modules", "networks", "minutes"):
            given = getattr(self, name)
            if not isinstance(given, Fixed):
                object.__setattr__(self, name, Fixed(given))

    def deviating(self, *deviations: Deviation) -> Vehicle:
        """The same vehicle with these deviations as well. Raises BadRequest where two set one value differently."""
        applied = self.applied + deviations
        return replace(self, deviations=merge(applied), applied=applied)

    def as_drawn(self) -> Vehicle:
        """The same vehicle without any deviation."""
        return replace(self, deviations=(), applied=()) if self.applied else self

    def module(self, name: str) -> Module:
        """The module of that name. Raises UnknownName."""
        if name not in self.modules:
            raise UnknownName("module", name, self.modules)
        return self.modules[name]

    def network(self, name: str | None = None) -> Network:
        """The network of that name, or the first one of the file. Raises UnknownName."""
        if name is None:
            return next(iter(self.networks.values()))
        if name not in self.networks:
            raise UnknownName("network", name, self.networks)
        return self.networks[name]

    def networks_at(self, place: str) -> tuple[str, ...]:
        """The names of the networks that have a place of that name."""
        return tuple(name for name, network in self.networks.items() if place in network.places)

    def network_of_place(self, place: str, network: str | None = None) -> Network:
        """The one network that has the place. Raises UnknownName, or BadRequest where several have it."""
        if network is not None:
            found = self.network(network)
            if place not in found.places:
                raise UnknownName(f"place on network {network}", place, found.places)
            return found
        names = self.networks_at(place)
        if not names:
            raise UnknownName("place", place, {p for n in self.networks.values() for p in n.places})
        if len(names) > 1:
            raise BadRequest(f"'{place}' is on several networks ({', '.join(names)}): add network=")
        return self.networks[names[0]]

    def network_of_run(self, run: str, network: str | None = None) -> Network:
        """The one network that has the run. Raises UnknownName, or BadRequest where several have it."""
        if network is not None:
            self.network(network).run(run)
            return self.network(network)
        names = [name for name, candidate in self.networks.items() if _has_run(candidate, run)]
        if not names:
            raise UnknownName("run", run, {r.name for n in self.networks.values() for r in n.runs})
        if len(names) > 1:
            raise BadRequest(f"run '{run}' is on several networks ({', '.join(names)}): add network=")
        return self.networks[names[0]]

    def action_minutes(self, action: str) -> float:
        """What an action costs on this vehicle, in minutes."""
        return self.minutes.get(action, ACTION_MINUTES[action])

    @property
    def drawing_key(self) -> tuple[int, ...]:
        """The same for all copies that differ in their deviations only, while one of them lives.

        Whoever keeps an answer by it keeps the vehicle beside it. The parts never change, so the answer stays true.
        """
        return tuple(id(part) for part in (self.battery, self.fuses, self.grounds, self.modules, self.networks))

    @property
    def sockets(self) -> tuple[tuple[str, str], ...]:
        """(network, place) of every diagnostic socket."""
        return tuple((name, network.socket) for name, network in self.networks.items() if network.socket)


def _has_run(network: Network, name: str) -> bool:
    try:
        network.run(name)
    except UnknownName:
        return False
    return True
