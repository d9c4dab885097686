"""Vehicles, faults, conditions and probe points drawn by lot: the same seed gives the same case for ever."""

from __future__ import annotations

import itertools
import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from reference_circuit import ReferenceCircuit

Fault = dict[str, Any]


@dataclass
class RandomVehicle:
    """The text of a vehicle file, the texts of its databases, and the names in it."""

    text: str
    databases: dict[str, str]
    modules: list[str]
    networks: dict[str, list[str]]  # network -> places
    runs: list[tuple[str, str]]  # (network, run name)
    terminators: list[tuple[str, str]]  # (network, place)
    partings: list[tuple[str, str]]  # (network, place)
    wakes: list[str]
    fuses: list[str] = field(default_factory=list)
    grounds: list[str] = field(default_factory=list)

    def write(self, folder: Path) -> Path:
        """Write the files into a folder; the path of the vehicle file."""
        for name, text in self.databases.items():
            (folder / name).write_text(text, encoding="ascii")
        path = folder / "vehicle.yaml"
        path.write_text(self.text, encoding="ascii")
        return path


@dataclass
class RandomCase:
    """A vehicle, faults as mappings and as typed, a condition of the bench, and pairs of probe points."""

    seed: int
    vehicle: RandomVehicle
    faults: list[Fault]
    battery: bool
    ignition: bool
    unplugged: list[str]
    parted: list[tuple[str, str]]
    pairs: list[tuple[str, str]]

    @property
    def fault_texts(self) -> list[str]:
        """The faults as one would type them."""
        return [command_line(fault) for fault in self.faults]

    def reference(self, *, battery: bool | None = None, ignition: bool | None = None) -> ReferenceCircuit:
        """The independent solution of this case, optionally with the switches set otherwise."""
        return ReferenceCircuit(
            self.vehicle.text,
            self.faults,
            battery=self.battery if battery is None else battery,
            ignition=self.ignition if ignition is None else ignition,
            unplugged=self.unplugged,
            parted=self.parted,
        )


def command_line(fault: Fault) -> str:
    """A fault's mapping as one command-line string."""
    rest = (f"{key}='{value}'" if " " in str(value) else f"{key}={value}" for key, value in fault.items())
    return " ".join([str(fault["kind"]), *(part for part in rest if not part.startswith("kind="))])


def random_case(seed: int, *, most_modules: int = 40) -> RandomCase:
    """The case of that number."""
    rng = random.Random(seed)
    vehicle = random_vehicle(rng, most_modules)
    faults = random_faults(rng, vehicle)
    battery = rng.random() < 0.6
    unplugged = rng.sample(vehicle.modules, rng.choice([0, 0, 0, 1, 1, 2]))
    parted = [parting for parting in vehicle.partings if rng.random() < 0.4]
    ignition = rng.random() < (0.75 if battery else 0.2)
    case = RandomCase(seed, vehicle, faults, battery, ignition, sorted(unplugged), parted, [])
    probes = ReferenceCircuit(vehicle.text, parted=parted, battery=False, ignition=False).probes()
    case.pairs = [(rng.choice(probes), rng.choice(probes)) for _ in range(8)]
    for network, places in vehicle.networks.items():
        place = rng.choice(places)
        stem = place if sum(place in other for other in vehicle.networks.values()) == 1 else f"{place}.{network}"
        case.pairs.append((f"{stem}.high", f"{stem}.low"))
    return case


def random_vehicle(rng: random.Random, most_modules: int) -> RandomVehicle:
    """A vehicle file that is right: one to three networks, two to forty modules, trees and loops."""
    count = rng.choice([2, 3, 4, 6, 8, 10, 14, 20, 30, 40])
    count = min(count, most_modules)
    modules = [f"M{i:02d}" for i in range(count)]
    names = [f"{rng.choice(['DRIVE', 'BODY', 'Spur', 'LINE'])}-{i}" for i in range(rng.choice([1, 1, 1, 2, 2, 3]))]
    names = names[: max(1, count // 2)]
    members: dict[str, list[str]] = {name: [] for name in names}
    for i, module in enumerate(modules):
        members[names[i % len(names)]].append(module)
    for before, after in itertools.pairwise(names):
        if rng.random() < 0.75:  # a gateway: one module of the first network sits on the next as well
            members[after].append(rng.choice([m for m in members[before] if m not in members[after]]))
    vehicle = RandomVehicle("", {}, modules, {}, [], [], [], [])
    lines = ["format: 1", f"vehicle: Lot {rng.randrange(10**6)}", "maker: Drawn by lot", "supply:"]
    lines += _supply(rng, vehicle)
    lines += ["modules:"] + [line for i, module in enumerate(modules) for line in _module(rng, vehicle, module, i)]
    lines += ["networks:"]
    for number, name in enumerate(names):
        lines += _network(rng, vehicle, name, members[name], number)
        vehicle.databases[f"net{number}.dbc"] = _database(name, members[name], number)
    vehicle.text = "\n".join(lines) + "\n"
    return vehicle


def _ohm(rng: random.Random, low: float, high: float) -> float:
    """A resistance, evenly spread over its logarithm, to four digits."""
    return float(f"{low * (high / low) ** rng.random():.4g}")


def _supply(rng: random.Random, vehicle: RandomVehicle) -> list[str]:
    volt, ohm = round(rng.uniform(11.8, 13.8), 2), _ohm(rng, 0.004, 0.03)
    lines = [f"  battery: {{open_circuit_volt: {volt}, internal_ohm: {ohm}}}", "  fuses:"]
    for i in range(rng.randint(2, 6)):
        switched = ", switched: ignition" if rng.random() < 0.4 else ""
        lines.append(f"    F{i}: {{amp: {rng.choice([5, 10, 25])}, ohm: {_ohm(rng, 0.002, 0.02)}{switched}}}")
        vehicle.fuses.append(f"F{i}")
    lines.append("  grounds:")
    for i in range(rng.randint(1, 4)):
        lines.append(f"    G{i}: {{ohm: {_ohm(rng, 0.0005, 0.01)}, about: point {i}}}")
        vehicle.grounds.append(f"G{i}")
    return lines


def _module(rng: random.Random, vehicle: RandomVehicle, name: str, number: int) -> list[str]:
    lines = [
        f"  {name}:",
        f"    title: Module {number}",
        f"    feed: {{fuse: {rng.choice(vehicle.fuses)}, ohm: {_ohm(rng, 0.02, 0.3)}}}",
        f"    ground: {{point: {rng.choice(vehicle.grounds)}, ohm: {_ohm(rng, 0.01, 0.2)}}}",
        f"    draw_ohm: {_ohm(rng, 6, 200)}",
        f"    request_id: 0x{0x600 + number:X}",
        f"    response_id: 0x{0x700 + number:X}",
        f"    lost_code: U01{number:02d}",
    ]
    if rng.random() < 0.7:
        lines.append(f"    wake: {{fuse: {rng.choice(vehicle.fuses)}, ohm: {_ohm(rng, 0.05, 0.5)}}}")
        vehicle.wakes.append(name)
    if rng.random() < 0.3:
        lines.append(f"    sleep_ohm: {_ohm(rng, 1e4, 5e6)}")
    if rng.random() < 0.2:
        lines.append(f"    sleep_s: {rng.randint(1, 60)}")
    if rng.random() < 0.3:
        lines.append(f"    reach_minutes: {rng.randint(2, 45)}")
    keys = []
    if rng.random() < 0.4:
        keys.append(f"bias_ohm: {rng.choice([5000, 15000, 30000, 40000])}")
    if rng.random() < 0.3:
        keys.append(f"unpowered_ohm: {rng.choice([29000, 500000, 2000000])}")
    if rng.random() < 0.2:
        keys.append(f"on_ohm: {_ohm(rng, 12, 35)}, drop_volt: {round(rng.uniform(0.5, 1.0), 2)}")
    if rng.random() < 0.2:
        keys.append(f"limit_amp: {_ohm(rng, 0.04, 0.1)}, vcc_volt: {round(rng.uniform(4.75, 5.25), 2)}")
    if rng.random() < 0.2:
        keys.append("common_mode_volt: [-2, 7]")
    if keys:
        lines.append(f"    transceiver: {{{', '.join(keys)}}}")
    return lines


def _network(rng: random.Random, vehicle: RandomVehicle, name: str, members: list[str], number: int) -> list[str]:
    splices = [f"S{number}{rng.choice(['-', '_', ''])}{i}" for i in range(rng.randint(0, max(1, len(members) // 3)))]
    socket = f"DLC{number}" if rng.random() < 0.8 else None
    places = [*splices, *([socket] if socket else []), *members]
    rng.shuffle(places)
    joints = [(rng.choice(places[:i]), place) for i, place in enumerate(places) if i]
    for _ in range(rng.choice([0, 0, 1, 2])):  # loops
        pair = tuple(rng.sample(places, 2))
        if not any(set(pair) == set(joint) for joint in joints):
            joints.append(pair)
    lines = [f"  {name}:", f"    bit_rate: {rng.choice([125000, 250000, 500000])}", "    sample_point: 0.8"]
    if rng.random() < 0.2:
        lines += ["    data_bit_rate: 2000000", "    data_sample_point: 0.75"]
    lines += [f"    database: net{number}.dbc"]
    lines += [f"    pair: {{ohm_per_m: {_ohm(rng, 0.02, 0.1)}, impedance_ohm: 120, delay_ns_per_m: 5.0}}", "    runs:"]
    ends: dict[str, list[str]] = {place: [] for place in places}
    for i, (start, end) in enumerate(joints):
        own = f"leg {number} {i}" if rng.random() < 0.3 else None
        run = own or f"{start}-{end}"
        tail = f", name: {own}" if own else ""
        lines.append(f"      - {{from: {start}, to: {end}, length_m: {_ohm(rng, 0.1, 12)}{tail}}}")
        vehicle.runs.append((name, run))
        ends[start].append(run)
        ends[end].append(run)
    lines += _terminators(rng, vehicle, name, places, members)
    candidates = [place for place in places if len(ends[place]) > 1]
    if candidates and rng.random() < 0.5:
        at = rng.choice(candidates)
        off = rng.sample(ends[at], rng.randint(1, len(ends[at]) - 1))
        lines.append(f"    parting: [{{at: {at}, off: [{', '.join(off)}]}}]")
        vehicle.partings.append((name, at))
    if socket:
        lines.append(f"    socket: {socket}")
    vehicle.networks[name] = places
    return lines


def _terminators(
    rng: random.Random, vehicle: RandomVehicle, network: str, places: list[str], members: list[str]
) -> list[str]:
    count = rng.choice([0, 1, 2, 2, 2, 2, 3])
    if not count:
        return []
    lines = ["    terminators:"]
    for place in rng.sample(places, min(count, len(places))):
        inside = ", inside: true" if place in members and rng.random() < 0.7 else ""
        lines.append(f"      - {{at: {place}, ohm: {rng.choice([120, 120, 120, 118, 121, 180])}{inside}}}")
        vehicle.terminators.append((network, place))
    return lines


def _database(network: str, members: list[str], number: int) -> str:
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", f"BU_: {' '.join(members)}", ""]
    for i, module in enumerate(members):
        receiver = members[(i + 1) % len(members)]
        lines += [f"BO_ {0x100 + 0x40 * number + i} {module}_Status: 8 {module}"]
        lines += [f' SG_ {module}_Counter : 0|8@1+ (1,0) [0|255] "" {receiver}', ""]
    lines += ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;', 'BA_DEF_DEF_ "GenMsgCycleTime" 0;']
    lines += [f'BA_ "GenMsgCycleTime" BO_ {0x100 + 0x40 * number + i} 100;' for i in range(len(members))]
    return "\n".join(lines) + "\n"


def random_faults(rng: random.Random, vehicle: RandomVehicle) -> list[Fault]:
    """None to three faults of wiring, termination and supply that can act together."""
    faults: list[Fault] = []
    for _ in range(rng.choice([0, 1, 1, 2, 2, 3])):
        fault = rng.choice(KINDS)(rng, vehicle)
        if fault and not any(_conflict(fault, other) for other in faults):
            faults.append(fault)
    return faults


def _conflict(one: Fault, other: Fault) -> bool:
    """Whether two faults could set one value to different numbers."""
    if one["kind"] != other["kind"] or one["kind"] not in ("wrong_terminator", "weak_battery"):
        return False
    return one.get("at") == other.get("at")


def _at(rng: random.Random, vehicle: RandomVehicle, places: list[tuple[str, str]]) -> Fault:
    """``at`` with ``network`` where it is needed (and sometimes where it is not)."""
    network, place = rng.choice(places)
    several = sum(place in other for other in vehicle.networks.values()) > 1
    return {"at": place, "network": network} if several or rng.random() < 0.2 else {"at": place}


def _plugs(vehicle: RandomVehicle) -> list[tuple[str, str]]:
    return [(network, p) for network, places in vehicle.networks.items() for p in places if p in vehicle.modules]


def _places(vehicle: RandomVehicle) -> list[tuple[str, str]]:
    return [(network, place) for network, places in vehicle.networks.items() for place in places]


def _run(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    network, run = rng.choice(vehicle.runs)
    several = sum(name == run for _, name in vehicle.runs) > 1
    return {"run": run, "network": network} if several else {"run": run}


def _series(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    fault: Fault = {"kind": "open", "line": rng.choice(["high", "low", "both"])}
    if rng.random() < 0.5:
        fault |= _at(rng, vehicle, _plugs(vehicle))
    else:
        fault |= _run(rng, vehicle)
        if rng.random() < 0.5:
            fault["along"] = round(rng.random(), 3)
    if rng.random() < 0.5:
        fault |= {"kind": "resistance", "ohm": _ohm(rng, 0.5, 20_000)}
    return fault


def _short(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    between = rng.choice(["high-low", "high-ground", "low-ground", "high-supply", "low-supply"])
    fault = {"kind": "short", "between": between, **_at(rng, vehicle, _places(vehicle))}
    if rng.random() < 0.6:
        fault["ohm"] = _ohm(rng, 0.1, 5000)
    if between.endswith("supply") and rng.random() < 0.5:
        fault["fuse"] = rng.choice(vehicle.fuses)
    return fault


def _crossed(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    return {"kind": "crossed", **(_at(rng, vehicle, _plugs(vehicle)) if rng.random() < 0.5 else _run(rng, vehicle))}


def _terminator(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    if rng.random() < 0.4 or not vehicle.terminators:
        fault = {"kind": "extra_terminator", **_at(rng, vehicle, _places(vehicle))}
        return fault | ({"ohm": _ohm(rng, 30, 1000)} if rng.random() < 0.4 else {})
    at = _at(rng, vehicle, vehicle.terminators)
    if rng.random() < 0.5:
        return {"kind": "missing_terminator", **at}
    return {"kind": "wrong_terminator", **at, "ohm": _ohm(rng, 30, 1000)}


def _long_stub(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    plugs = [plug for plug in _plugs(vehicle) if plug not in vehicle.partings]
    return {"kind": "long_stub", **_at(rng, vehicle, plugs), "length_m": _ohm(rng, 0.5, 20)} if plugs else {}


def _dropout(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    kind = rng.choice(["power_dropout", "ground_dropout", "wake_dropout"])
    fault: Fault = {"kind": kind, "module": rng.choice(vehicle.modules)}
    if kind == "wake_dropout":
        if not vehicle.wakes:
            return {}
        fault["module"] = rng.choice(vehicle.wakes)
    elif rng.random() < 0.4:
        del fault["module"]
        named = ("fuse", vehicle.fuses) if kind == "power_dropout" else ("ground", vehicle.grounds)
        fault[named[0]] = rng.choice(named[1])
    return fault | ({"ohm": _ohm(rng, 0.5, 2000)} if rng.random() < 0.6 else {})


def _weak_battery(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    return {
        "kind": "weak_battery",
        "open_circuit_volt": round(rng.uniform(5, 12.5), 2),
        "internal_ohm": _ohm(rng, 0.01, 2),
    }


def _back_feed(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    module, fuse = rng.choice(vehicle.modules), rng.choice(vehicle.fuses)
    return {"kind": "back_feed", "module": module, "fuse": fuse, "ohm": _ohm(rng, 1, 2000)}


def _ground_shift(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    return {"kind": "ground_shift", "module": rng.choice(vehicle.modules), "volt": round(rng.uniform(-3, 5), 2)}


def _dead_module(rng: random.Random, vehicle: RandomVehicle) -> Fault:
    return {"kind": "dead_module", "module": rng.choice(vehicle.modules)}


KINDS = [
    _series,
    _series,
    _series,
    _short,
    _short,
    _crossed,
    _terminator,
    _terminator,
    _long_stub,
    _dropout,
    _dropout,
    _dropout,
    _weak_battery,
    _back_feed,
    _ground_shift,
    _dead_module,
]
