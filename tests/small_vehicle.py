"""Two vehicles small enough to work out by hand, made without any file: one network, and two with a gateway."""

from __future__ import annotations

from simulator.road import ConfigurationItem, Road, Service
from simulator.vehicle import (
    Battery,
    Feed,
    Fuse,
    GroundPoint,
    GroundWire,
    Message,
    Module,
    Network,
    Pair,
    Parting,
    Run,
    Terminator,
    Vehicle,
)  # fmt: skip

#: What one module of each is told: a ratio in thousandths, and whether something is there.
CONFIGURATION = (
    ConfigurationItem(0x2101, "axle ratio", 3.92, length=2, scale=0.001, means="axle"),
    ConfigurationItem(0x2102, "tow bar", 1.0),
)


def small_module(
    name: str, number: int, *, fuse: str = "F1", wake: str | None = "K1", ground: str = "G1", lost_code: str = "U0100"
) -> Module:
    """A module with round numbers; ``number`` counts its diagnostic addresses."""
    return Module(
        name,
        Feed(fuse, 0.05),
        GroundWire(ground, 0.02),
        draw_ohm=24.0,
        request_id=0x7E0 + number,
        response_id=0x7E8 + number,
        lost_code=lost_code,
        wake=None if wake is None else Feed(wake, 0.1),
    )


def small_message(name: str, frame_id: int, sender: str, *receivers: str, cycle_ms: int = 20) -> Message:
    """A message of eight byte without signals."""
    return Message(name, frame_id, False, 8, cycle_ms, sender, receivers, ())


def three_modules() -> Vehicle:
    """One network: ENG (120) - S1 - DLC - CLU (120), and GBX on a stub at S1 called ``gearbox stub``.

    CLU has no wake pin. S1 parts: the run to DLC comes off there.
    """
    network = Network(
        "LINE-1",
        500_000,
        0.8,
        "small.dbc",
        Pair(0.05, 120.0, 5.0),
        (
            Run("ENG-S1", "ENG", "S1", 2.0),
            Run("gearbox stub", "S1", "GBX", 0.3),
            Run("S1-DLC", "S1", "DLC", 1.0),
            Run("DLC-CLU", "DLC", "CLU", 3.0),
        ),
        (Terminator("ENG", 120.0, True), Terminator("CLU", 120.0, True)),
        (Parting("S1", ("S1-DLC",)),),
        socket="DLC",
        messages=(
            small_message("EngTorque", 0x0A0, "ENG", "GBX", cycle_ms=10),
            small_message("GbxGear", 0x0C0, "GBX", "ENG", "CLU"),
            small_message("CluSpeed", 0x260, "CLU", "ENG", cycle_ms=100),
        ),
    )
    return Vehicle(
        "Three modules",
        Battery(12.6, 0.01),
        {"F1": Fuse("F1", 0.008, 10), "F2": Fuse("F2", 0.008, 10), "K1": Fuse("K1", 0.018, 5, switched=True)},
        {"G1": GroundPoint("G1", 0.001), "G2": GroundPoint("G2", 0.001)},
        {
            "ENG": small_module("ENG", 0),
            "GBX": small_module("GBX", 1, fuse="F2", ground="G2", lost_code="U0101"),
            "CLU": small_module("CLU", 2, wake=None, lost_code="U0155"),
        },
        {"LINE-1": network},
        road=Road(service={"GBX": Service("GBX", CONFIGURATION)}),
    )


def gateway_vehicle() -> Vehicle:
    """Two networks joined by GWY: DRIVE (ENG, GWY) with the socket, CABIN (GWY, DRL); S1, the run ``link`` and the
    message ``Heartbeat`` exist on both."""
    pair = Pair(0.05, 120.0, 5.0)
    drive = Network(
        "DRIVE",
        500_000,
        0.8,
        "drive.dbc",
        pair,
        (Run("ENG-S1", "ENG", "S1", 2.0), Run("link", "S1", "GWY", 1.0)),
        (Terminator("ENG", 120.0, True), Terminator("GWY", 120.0, True)),
        socket="S1",
        messages=(small_message("EngTorque", 0x0A0, "ENG", "GWY"), small_message("Heartbeat", 0x100, "GWY", "ENG")),
    )
    cabin = Network(
        "CABIN",
        125_000,
        0.8,
        "cabin.dbc",
        pair,
        (Run("link", "GWY", "S1", 1.5), Run("S1-DRL", "S1", "DRL", 2.0)),
        (Terminator("GWY", 120.0, True), Terminator("DRL", 120.0)),
        messages=(small_message("Heartbeat", 0x100, "GWY", "DRL"), small_message("DoorState", 0x320, "DRL", "GWY")),
    )
    return Vehicle(
        "Gateway",
        Battery(12.6, 0.01),
        {"F1": Fuse("F1", 0.008, 10), "K1": Fuse("K1", 0.018, 5, switched=True)},
        {"G1": GroundPoint("G1", 0.001)},
        {name: small_module(name, number) for number, name in enumerate(("ENG", "GWY", "DRL"))},
        {"DRIVE": drive, "CABIN": cabin},
        road=Road(service={"DRL": Service("DRL", CONFIGURATION)}),
    )
