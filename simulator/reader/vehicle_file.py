"""The vehicle file from text to description: read, checked, its databases read beside it, then frozen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from simulator.errors import BadFile, Mistake
from simulator.reader.checking import check_tree
from simulator.reader.database import read_databases
from simulator.reader.findings import Findings
from simulator.reader.meaning import check_meaning
from simulator.reader.road_file import check_quantities, road_of
from simulator.reader.routes import check_passed_on
from simulator.reader.schema import DiagnosticsPart, FeedPart, ModulePart, NetworkPart, TransceiverPart, VehiclePart
from simulator.reader.textfile import read_tree
from simulator.vehicle import (
    Battery,
    Diagnostics,
    Feed,
    Fuse,
    GroundPoint,
    GroundWire,
    Message,
    Module,
    Network,
    Pair,
    Parting,
    Route,
    Run,
    Terminator,
    Transceiver,
    Vehicle,
)


def load_vehicle(path: str | Path) -> Vehicle:
    """The vehicle of a file, its databases included. Raises BadFile with every mistake of them all."""
    vehicle, errors, _ = _read(path)
    if errors or vehicle is None:
        raise BadFile(errors)
    return vehicle


def check_vehicle(path: str | Path) -> tuple[list[Mistake], list[Mistake]]:
    """Every error and every warning in a vehicle file and its databases, each in order of file and line."""
    _, errors, warnings = _read(path)
    return sorted(set(errors)), sorted(set(warnings))


def _read(path: str | Path) -> tuple[Vehicle | None, list[Mistake], list[Mistake]]:
    """The vehicle unless it has errors, its errors, its warnings."""
    tree, errors = read_tree(path)
    if tree is None:
        return None, errors, []
    findings = Findings(str(path), errors)
    part, wrong = check_tree(VehiclePart, tree, str(path))
    findings.errors += wrong
    check_meaning(tree, findings)
    messages = read_databases(tree, Path(path).parent, findings)
    check_passed_on(tree, messages, findings)
    check_quantities(tree, messages, findings)
    if part is None or findings.errors:
        return None, findings.errors, findings.warnings
    return _vehicle(part, messages, str(path)), [], findings.warnings


def _vehicle(part: VehiclePart, messages: Mapping[str, tuple[Message, ...]], path: str) -> Vehicle:
    supply = part.supply
    return Vehicle(
        name=part.vehicle,
        battery=Battery(supply.battery.open_circuit_volt, supply.battery.internal_ohm),
        fuses={name: Fuse(name, each.ohm, each.amp, each.switched, each.behind) for name, each in supply.fuses.items()},
        grounds={name: GroundPoint(name, point.ohm, point.about) for name, point in supply.grounds.items()},
        modules={name: _module(name, module) for name, module in part.modules.items()},
        networks={name: _network(name, network, messages.get(name, ())) for name, network in part.networks.items()},
        maker=part.maker,
        about=part.about,
        vin=part.vin or "",
        minutes=dict(part.minutes),
        path=path,
        road=road_of(part),
    )


def _module(name: str, part: ModulePart) -> Module:
    return Module(
        name=name,
        feed=_feed(part.feed),
        ground=GroundWire(part.ground.point, part.ground.ohm),
        draw_ohm=part.draw_ohm,
        request_id=part.request_id,
        response_id=part.response_id,
        lost_code=part.lost_code,
        wake=_feed(part.wake) if part.wake else None,
        sleep_ohm=part.sleep_ohm,
        sleep_s=part.sleep_s,
        transceiver=_transceiver(part.transceiver) if part.transceiver else Transceiver(),
        title=part.title,
        reach_minutes=part.reach_minutes,
        startup_s=part.startup_s,
        diagnostics=_diagnostics(part.diagnostics) if part.diagnostics else Diagnostics(),
        routes=tuple(Route(each.start, each.end, tuple(each.messages), each.diagnostics) for each in part.routes),
    )


def _diagnostics(part: DiagnosticsPart) -> Diagnostics:
    return Diagnostics(
        part_number=part.part_number or "",
        software_number=part.software_number or "",
        software_version=part.software_version or "",
        hardware_number=part.hardware_number or "",
        serial_number=part.serial_number or "",
        security_constant=part.security_constant,
        lamp=part.lamp,
        codes=dict(part.codes),
    )


def _feed(part: FeedPart) -> Feed:
    return Feed(part.fuse, part.ohm)


def _transceiver(part: TransceiverPart) -> Transceiver:
    low, high = part.common_mode_volt
    return Transceiver(
        vcc_volt=part.vcc_volt,
        drop_volt=part.drop_volt,
        on_ohm=part.on_ohm,
        limit_amp=part.limit_amp,
        bias_ohm=part.bias_ohm,
        unpowered_ohm=part.unpowered_ohm,
        common_mode_volt=(low, high),
        dominant_timeout_ms=part.dominant_timeout_ms,
    )


def _network(name: str, part: NetworkPart, messages: tuple[Message, ...]) -> Network:
    pair = part.pair
    runs = tuple(Run(run.name or f"{run.start}-{run.end}", run.start, run.end, run.length_m) for run in part.runs)
    network = Network(
        name=name,
        bit_rate=part.bit_rate,
        sample_point=part.sample_point,
        database=part.database,
        pair=Pair(
            pair.ohm_per_m,
            pair.impedance_ohm,
            pair.delay_ns_per_m,
            pair.common_impedance_ohm,
            pair.common_delay_ns_per_m,
        ),
        runs=runs,
        terminators=tuple(Terminator(each.at, each.ohm, each.inside) for each in part.terminators),
        socket=part.socket,
        testers=tuple(part.testers),
        data_bit_rate=part.data_bit_rate,
        data_sample_point=part.data_sample_point,
        messages=messages,
        quantities=tuple(part.quantities.items()),
    )
    parting = tuple(Parting(each.at, tuple(network.run(run).name for run in each.off)) for each in part.parting)
    return replace(network, parting=parting)
