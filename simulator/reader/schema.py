"""The vehicle file as models: which keys it has, what each holds, and the JSON Schema that follows from them."""

from __future__ import annotations

import re
from typing import Annotated, Any, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, model_validator

from simulator.reader.scalars import SMALLEST_OHM, Choice, Number, Scalar, Text, own_words, tell
from simulator.reader.textfile import Leaf
from simulator.road import Calibration, Drivetrain, Level, RoadTest, Service, Writing
from simulator.vehicle import ACTION_MINUTES, Transceiver

NAME_PATTERN = "[A-Za-z][A-Za-z0-9_-]*"
_NAME_SHAPE = "a letter, then letters, digits, '-' or '_'"
_BATTERY = {"battery": "the probe points of the battery"}
_MODULE = _BATTERY | {"tester": "the tester at the socket"}
_NETWORK = _BATTERY | {"off": "the parted side of a connector", "all": "all networks together"}

Name: TypeAlias = Annotated[str, Text(NAME_PATTERN, _NAME_SHAPE, _BATTERY, wanted="a name")]
ModuleName: TypeAlias = Annotated[str, Text(NAME_PATTERN, _NAME_SHAPE, _MODULE, wanted="a name")]
NetworkName: TypeAlias = Annotated[str, Text(NAME_PATTERN, _NAME_SHAPE, _NETWORK, wanted="a name")]
RunName: TypeAlias = Annotated[str, Text(r"\S(?:[^\r\n\t\"']*\S)?", "one line without quotes", wanted="a run name")]
Words: TypeAlias = Annotated[str, Text()]
FreeText: TypeAlias = Annotated[str, Text(may_be_empty=True)]
FileName: TypeAlias = Annotated[str, Text(wanted="a file name beside this file")]
Code: TypeAlias = Annotated[str, Text("[PCBU][0-3][0-9A-F]{3}", "a code like U0101", wanted="a fault code")]
FullCode: TypeAlias = Annotated[
    str, Text("[PCBU][0-3][0-9A-F]{3}-[0-9A-F]{2}", "a code like P0711-00", wanted="a fault code with its failure type")
]
VehicleNumber: TypeAlias = Annotated[
    str, Text("[A-HJ-NPR-Z0-9]{17}", "17 capital letters and digits, no I, O or Q", wanted="a vehicle number")
]
Label: TypeAlias = Annotated[str, Text("[ -~]{1,32}", "1 to 32 plain characters", wanted="a number or name")]
Word32: TypeAlias = Annotated[int, Number(0, 0xFFFFFFFF, whole=True, hexadecimal=True)]
Ohm: TypeAlias = Annotated[float, Number(SMALLEST_OHM, unit="ohm")]
OhmPerMetre: TypeAlias = Annotated[float, Number(SMALLEST_OHM, unit="ohm per metre")]
Metre: TypeAlias = Annotated[float, Number(0, unit="m", above=True)]
Volt: TypeAlias = Annotated[float, Number(0, 60, unit="volt")]
CommonVolt: TypeAlias = Annotated[float, Number(-60, 60, unit="volt")]
#: The shortest and the longest that ISO 11898-2:2016 allows (from memory).
TimeoutMs: TypeAlias = Annotated[float, Number(0.3, 10, unit="ms")]
Amp: TypeAlias = Annotated[float, Number(0, unit="amp", above=True)]
NsPerMetre: TypeAlias = Annotated[float, Number(0, unit="ns per metre", above=True)]
Seconds: TypeAlias = Annotated[float, Number(0, unit="s")]
Minutes: TypeAlias = Annotated[float, Number(0, unit="minutes")]
BitRate: TypeAlias = Annotated[int, Number(5_000, 8_000_000, unit="bit/s", whole=True)]
SamplePoint: TypeAlias = Annotated[float, Number(0.5, 0.95)]
Identifier: TypeAlias = Annotated[int, Number(0, 0x7FF, whole=True, hexadecimal=True)]
Flag: TypeAlias = Annotated[bool, Choice({"true": True, "false": False}, unquoted=True)]
Action: TypeAlias = Annotated[str, Choice({action: action for action in ACTION_MINUTES})]
Switched: TypeAlias = Annotated[bool, Choice({"ignition": True})]


Signal: TypeAlias = Annotated[str, Text("[A-Za-z_][A-Za-z0-9_]*", "the name of a signal", wanted="a signal")]
Ratio: TypeAlias = Annotated[float, Number(0, 10_000, above=True)]
PlainNumber: TypeAlias = Annotated[float, Number(0)]
Rpm: TypeAlias = Annotated[float, Number(0, 20_000, unit="turns per minute", above=True)]
Litre: TypeAlias = Annotated[float, Number(0, 100, unit="litre")]
Celsius: TypeAlias = Annotated[float, Number(-60, 300, unit="Celsius")]
Expansion: TypeAlias = Annotated[float, Number(0, 0.01, unit="per kelvin")]
Means: TypeAlias = Annotated[str, Choice({"axle": "axle", "tyre": "tyre"})]
Bytes: TypeAlias = Annotated[int, Number(1, 4, whole=True)]
DataNumber: TypeAlias = Annotated[int, Number(0x0100, 0xA5FF, whole=True, hexadecimal=True)]
RoutineNumber: TypeAlias = Annotated[int, Number(0x0200, 0xDFFF, whole=True, hexadecimal=True)]
_LOW_HIGH = "Lowest and highest"


class _Format(Scalar):
    """The number of the format: 1."""

    wanted = "1"

    def read(self, leaf: Leaf) -> int:
        if leaf.text == "1" and not leaf.quoted:
            return 1
        if re.fullmatch(r"\d+", leaf.text) and not leaf.quoted:
            raise own_words(f"format {leaf.text[:20]} is not known to this version; write 1")
        raise own_words(f"'{leaf.text[:20]}' is no format; write 1" if leaf.text else "no value; write 1")

    def json(self) -> dict[str, Any]:
        return {"const": 1}


class Part(BaseModel):
    """Base of every mapping of a file: no key but the known ones."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class BatteryPart(Part):
    """The battery between its clamps."""

    open_circuit_volt: Volt = Field(description="Open-circuit voltage, in volt")
    internal_ohm: Ohm = Field(description="Internal resistance, in ohm")


class FusePart(Part):
    """A fuse, fed from battery positive or from another fuse or relay contact."""

    amp: Amp = Field(description="Rating in ampere, for the drawing; fuses blow only by a fault")
    ohm: Ohm = Field(description="Resistance of the fuse, in ohm")
    switched: Switched = Field(default=False, description="ignition: closed only with the ignition on")
    behind: Words | None = Field(default=None, description="The fuse or relay contact that feeds it; else the battery")


class GroundPart(Part):
    """A ground point, the joint to battery negative."""

    ohm: Ohm = Field(description="Resistance from the ground point to battery negative, in ohm")
    about: FreeText = Field(default="", description="Where it is")


class SupplyPart(Part):
    """What feeds the modules."""

    battery: BatteryPart
    fuses: dict[Name, FusePart] = Field(min_length=1, description="Fuses by name")
    grounds: dict[Name, GroundPart] = Field(min_length=1, description="Ground points by name")


class FeedPart(Part):
    """A wire from a fuse to a supply or wake pin."""

    fuse: Words = Field(description="A fuse of supply.fuses")
    ohm: Ohm = Field(description="Resistance of the wire, in ohm; the fuse's comes on top")


class GroundWirePart(Part):
    """A wire from a ground pin to a ground point."""

    point: Words = Field(description="A ground point of supply.grounds")
    ohm: Ohm = Field(description="Resistance of the wire, in ohm; the ground point's comes on top")


class TransceiverPart(Part):
    """The transceiver of a module, where it is not the usual one."""

    vcc_volt: Volt = Field(default=Transceiver.vcc_volt, description="Its own supply, in volt")
    drop_volt: Volt = Field(default=Transceiver.drop_volt, description="Drop of each driver leg, in volt")
    on_ohm: Ohm = Field(default=Transceiver.on_ohm, description="Slope of each driver leg, in ohm")
    limit_amp: Amp = Field(default=Transceiver.limit_amp, description="Current limit of each leg, in ampere")
    bias_ohm: Ohm = Field(default=Transceiver.bias_ohm, description="Each line to vcc / 2 (standby: to ground), in ohm")
    unpowered_ohm: Ohm = Field(default=Transceiver.unpowered_ohm, description="Each line to ground, unpowered, in ohm")
    common_mode_volt: list[CommonVolt] = Field(
        default=list(Transceiver.common_mode_volt),
        min_length=2,
        max_length=2,
        description="Lowest and highest mean of the two lines that the receiver can read, in volt",
    )
    dominant_timeout_ms: TimeoutMs | None = Field(
        default=None, description="A transmitter held dominant for longer is switched off, in ms; never without"
    )

    @model_validator(mode="after")
    def _in_order(self) -> TransceiverPart:
        low, high = self.common_mode_volt
        if low >= high:
            raise own_words(f"common_mode_volt: {tell(low)} is not below {tell(high)}; write the lower one first")
        return self


class RoutePart(Part):
    """What a gateway passes on from one of its networks to another."""

    start: Words = Field(alias="from", description="A network the module is on")
    end: Words = Field(alias="to", description="Another one")
    messages: list[Words] = Field(
        default=[],
        description="Messages passed on as they come; the database of 'to' has them with this module as sender",
    )
    diagnostics: Flag = Field(default=False, description="Requests to modules behind 'to' go there, answers come back")


class DiagnosticsPart(Part):
    """What a module says of itself to a tester; what is left out is made up from its name."""

    part_number: Label | None = Field(default=None, description="Data identifier F187")
    software_number: Label | None = Field(default=None, description="Data identifier F188")
    software_version: Label | None = Field(default=None, description="Data identifier F189")
    hardware_number: Label | None = Field(default=None, description="Data identifier F191")
    serial_number: Label | None = Field(default=None, description="Data identifier F18C")
    security_constant: Word32 | None = Field(default=None, description="Goes into its key algorithm, 32 bit")
    lamp: Flag = Field(default=False, description="Its confirmed codes ask for a warning to the driver")
    codes: dict[FullCode, FreeText] = Field(default={}, description="Further codes it can store, and what they say")


class ModulePart(Part):
    """A control module."""

    title: FreeText = Field(default="", description="What people call it")
    feed: FeedPart = Field(description="The wire to its supply pin")
    wake: FeedPart | None = Field(default=None, description="The wire to its wake pin, if it has one")
    ground: GroundWirePart = Field(description="The wire from its ground pin")
    draw_ohm: Ohm = Field(description="Load between supply and ground while awake, in ohm")
    sleep_ohm: Ohm = Field(default=1_000_000, description="Load otherwise, in ohm")
    sleep_s: Seconds = Field(default=30, description="Seconds from the last traffic to sleep, without a wake pin")
    transceiver: TransceiverPart | None = Field(default=None, description="Its transceiver, where not the usual one")
    request_id: Identifier = Field(description="Identifier of diagnostic requests to it, 11 bit")
    response_id: Identifier = Field(description="Identifier of its diagnostic responses, 11 bit")
    lost_code: Code = Field(description="Fault code the others store when it is gone")
    reach_minutes: Minutes = Field(default=10, description="Minutes to get a probe to its plug")
    startup_s: Seconds = Field(default=0.03, description="Seconds from waking or a reset until it sends and answers")
    diagnostics: DiagnosticsPart | None = Field(default=None, description="What it says of itself to a tester")
    routes: list[RoutePart] = Field(default=[], description="What it passes on between its networks: a gateway")


class PairPart(Part):
    """The twisted pair of a network."""

    ohm_per_m: OhmPerMetre = Field(description="Resistance of one conductor, in ohm per metre")
    impedance_ohm: Ohm = Field(description="Wave impedance between the conductors, in ohm")
    delay_ns_per_m: NsPerMetre = Field(description="Delay between the conductors, in ns per metre")
    common_impedance_ohm: Ohm = Field(default=45, description="Wave impedance of both together against ground, in ohm")
    common_delay_ns_per_m: NsPerMetre = Field(default=5, description="Delay of both together, in ns per metre")


class RunPart(Part):
    """A length of twisted pair between two places."""

    start: Name = Field(alias="from", description="A place: a module, a splice, a connector, the socket")
    end: Name = Field(alias="to", description="Another place")
    length_m: Metre = Field(description="Length, in metre")
    name: RunName | None = Field(default=None, description="Its own name; FROM-TO without")


class TerminatorPart(Part):
    """A resistor across the pair."""

    at: Words = Field(description="A place of the runs")
    ohm: Ohm = Field(description="Resistance, in ohm")
    inside: Flag = Field(default=False, description="Part of the module there; leaves with it when unplugged")


class PartingPart(Part):
    """An in-line connector that can be parted."""

    at: Words = Field(description="A place of the runs")
    off: list[Words] = Field(min_length=1, description="Names of the runs whose ends there come off")


class NetworkPart(Part):
    """A network."""

    bit_rate: BitRate = Field(description="Bit rate, in bit/s")
    sample_point: SamplePoint = Field(description="Sample point, as a part of the bit")
    data_bit_rate: BitRate | None = Field(default=None, description="Bit rate of the data phase, in bit/s: CAN FD")
    data_sample_point: SamplePoint | None = Field(default=None, description="Sample point of the data phase: CAN FD")
    database: FileName = Field(description="Database of its messages, a DBC file beside this file")
    pair: PairPart
    runs: list[RunPart] = Field(min_length=1, description="The twisted pair from place to place")
    terminators: list[TerminatorPart] = Field(default=[], description="Resistors across the pair")
    parting: list[PartingPart] = Field(default=[], description="In-line connectors that can be parted")
    socket: Words | None = Field(default=None, description="The place of the diagnostic connector")
    testers: list[Name] = Field(default=[], description="Senders and receivers of the database that are no modules")
    quantities: dict[Signal, Words] = Field(default={}, description="What signals of the database show, by signal")


class DrivetrainPart(Part):
    """Engine, gears and wheels, where the vehicle is to move."""

    gears: list[Ratio] = Field(default=list(Drivetrain.gears), min_length=1, description="Ratios, first gear first")
    reverse: Ratio = Field(default=Drivetrain.reverse, description="Ratio of reverse")
    axle: Ratio = Field(default=Drivetrain.axle, description="Ratio of the axle")
    tyre_m: Metre = Field(default=Drivetrain.tyre_m, description="What a tyre rolls in one turn, in metre")
    idle_rpm: Rpm = Field(default=Drivetrain.idle_rpm, description="Idle of the warm engine, in turns per minute")
    starter_ohm: Ohm = Field(default=Drivetrain.starter_ohm, description="Load of the starter, in ohm")
    alternator_volt: Volt = Field(default=Drivetrain.alternator_volt, description="What the alternator holds, in volt")


class ConfigurationPart(Part):
    """A value that the vehicle needs the unit to know."""

    number: DataNumber = Field(alias="id", description="Data identifier, 0x0100 to 0xA5FF (ISO 14229-1, table C.1)")
    title: Words = Field(description="What people call it")
    value: PlainNumber = Field(description="The value this vehicle needs")
    length: Bytes = Field(default=1, alias="bytes", description="Length in byte, 1 to 4")
    scale: Ratio = Field(default=1, description="Physical value of one count")
    unit: FreeText = Field(default="", description="Unit of the value")
    means: Means = Field(default="", description="axle or tyre, where the unit works out its speed from it")


class SupportPart(Part):
    """The support supply that the work needs."""

    volt: list[Volt] = Field(default=list(Service.supply_volt), min_length=2, max_length=2, description=_LOW_HIGH)
    amp: Amp = Field(default=Service.supply_amp, description="What it must be able to give, in ampere")


class WritingPart(Part):
    """Writing one value."""

    seconds: Seconds = Field(default=Writing.seconds, description="How long it takes")
    volt: list[Volt] = Field(default=list(Writing.volt), min_length=2, max_length=2, description=_LOW_HIGH)
    breaks_off_volt: Volt = Field(default=Writing.breaks_off_volt, description="Below this it breaks off, in volt")


class LevelPart(Part):
    """Fluid level by overflow."""

    litre: Litre = Field(default=Level.litre, description="What is right at reference_celsius, engine idling")
    fresh_litre: Litre = Field(default=Level.fresh_litre, description="What is in after the exchange, in litre")
    reference_celsius: Celsius = Field(default=Level.reference_celsius, description="Temperature of the volumes given")
    window_celsius: list[Celsius] = Field(
        default=list(Level.window_celsius), min_length=2, max_length=2, description="When the plug is to be closed"
    )
    per_kelvin: Expansion = Field(default=Level.per_kelvin, description="Volume expansion of the fluid, per kelvin")
    circuits_litre: Litre = Field(
        default=Level.circuits_litre, description="What clutches and converter take, in litre"
    )
    position_s: Seconds = Field(default=Level.position_s, description="How long in each position of the selector")
    flow_s: Ratio = Field(default=Level.flow_s, description="Time constant of the overflow, in s")
    drops_litre_per_s: Litre = Field(default=Level.drops_litre_per_s, description="Below this flow it only drips")
    tolerance_litre: Litre = Field(default=Level.tolerance_litre, description="A level this far off is still right")


class CalibrationPart(Part):
    """The calibration routine, and what must hold to its end."""

    number: RoutineNumber = Field(alias="id", description="Routine identifier (ISO 14229-1, table F.1)")
    seconds: Seconds = Field(default=Calibration.seconds, description="How long it takes")
    fluid_celsius: list[Celsius] = Field(
        default=list(Calibration.fluid_celsius), min_length=2, max_length=2, description=_LOW_HIGH
    )
    volt: list[Volt] = Field(default=list(Calibration.volt), min_length=2, max_length=2, description=_LOW_HIGH)
    engine_s: Seconds = Field(default=Calibration.engine_s, description="The engine has been running so long")
    most_rpm: Rpm = Field(default=Calibration.most_rpm, description="The engine turns no faster")
    keeps_old: Flag = Field(default=False, description="A run that breaks off leaves the values of the run before")


class RoadTestPart(Part):
    """What is driven until the unit's monitors have run."""

    minutes: Minutes = Field(default=RoadTest.minutes, description="On the road, in minutes")
    fluid_celsius: Celsius = Field(default=RoadTest.fluid_celsius, description="With the fluid at least this warm")
    script: FreeText = Field(default="", description="The route: a drive script of several lines, or the name of one")


class ServicePart(Part):
    """The way of one replaced unit back into service."""

    supply: SupportPart = Field(default=SupportPart(), description="The support supply")
    configuration: list[ConfigurationPart] = Field(default=[], description="What has to be written")
    writing: WritingPart = Field(default=WritingPart(), description="Writing one value")
    level: LevelPart | None = Field(default=None, description="Fluid level by overflow, if it has fluid")
    calibration: CalibrationPart | None = Field(default=None, description="Its calibration routine, if it has one")
    road_test: RoadTestPart = Field(default=RoadTestPart(), description="What is driven in the end")
    ratio_code: Code = Field(default=Service.ratio_code, description="Stored when speeds do not fit its configuration")
    level_code: Code = Field(default=Service.level_code, description="Stored when the pressure fails for want of fluid")


class VehiclePart(Part):
    """A vehicle and its networks."""

    format: Annotated[int, _Format()] = Field(description="The version of this format: 1")
    vehicle: Words = Field(description="The name of the vehicle")
    maker: FreeText = Field(default="", description="Who makes it")
    about: FreeText = Field(default="", description="What it is")
    vin: VehicleNumber | None = Field(default=None, description="Vehicle identification number, invented; F190")
    supply: SupplyPart
    modules: dict[ModuleName, ModulePart] = Field(min_length=1, description="Control modules by name")
    networks: dict[NetworkName, NetworkPart] = Field(min_length=1, description="Networks by name")
    minutes: dict[Action, Minutes] = Field(default={}, description="Minutes of actions, where not the usual ones")
    drivetrain: DrivetrainPart | None = Field(default=None, description="Engine, gears and wheels")
    service: dict[ModuleName, ServicePart] = Field(default={}, description="Back into service, by replaced unit")


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of the vehicle file, for editors."""
    schema = tidy_schema(VehiclePart.model_json_schema(by_alias=True))
    schema["properties"]["minutes"]["propertyNames"] = {"enum": sorted(ACTION_MINUTES)}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": "Vehicle file, format 1"}


def tidy_schema(node: Any) -> Any:
    """A schema without null, which no key may hold, without titles, and closed to names of the wrong shape."""
    if isinstance(node, list):
        return [tidy_schema(item) for item in node]
    if not isinstance(node, dict):
        return node
    kept = {
        key: tidy_schema(value)
        for key, value in node.items()
        if not (key == "default" and value is None) and not (key == "title" and isinstance(value, str))
    }
    if "patternProperties" in kept:
        kept["additionalProperties"] = False
    choices = kept.get("anyOf")
    if choices and {"type": "null"} in choices:
        rest = [choice for choice in choices if choice != {"type": "null"}]
        del kept["anyOf"]
        kept = {**rest[0], **kept} if len(rest) == 1 else {**kept, "anyOf": rest}
    return kept
