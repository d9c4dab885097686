"""What a vehicle file says about driving and about coming back into service: checked, and as a description."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from simulator.drive import SCRIPTS, script_text
from simulator.drive import read_script as read_drive
from simulator.errors import BadFile
from simulator.quantities import QUANTITIES, Quantity
from simulator.reader.findings import Findings, instead
from simulator.reader.scalars import number_of, tell
from simulator.reader.textfile import Branch, Leaf, Node, Row, branch_at, items_at, leaf_at
from simulator.road import (
    Calibration,
    ConfigurationItem,
    Drivetrain,
    Level,
    Road,
    RoadTest,
    Service,
    Writing,
)
from simulator.vehicle import Message

if TYPE_CHECKING:
    from simulator.reader.schema import Part, ServicePart, VehiclePart


def check_service(tree: Node, modules: Branch | None, findings: Findings) -> None:
    """Add the mistakes of meaning in ``drivetrain`` and ``service``."""
    for unit, service in (branch_at(tree, "service") or Branch(1)).items.items():
        if modules is not None and unit not in modules.items:
            line = branch_lines(tree, "service").get(unit, 1)
            findings.error(line, f"service: no module called '{unit}'; {instead(unit, modules.items)}")
        for window in _windows(service):
            _check_window(window, findings)
        numbers: dict[int, int] = {}
        for item in items_at(service, "configuration"):
            _check_item(item, numbers, findings)
        script = leaf_at(service, "road_test", "script")
        if script is not None and script.text:
            _check_script(script, findings)


def branch_lines(tree: Node, *keys: str) -> Mapping[str, int]:
    """The lines of the keys of a mapping; none where it is no mapping."""
    branch = branch_at(tree, *keys)
    return branch.lines if branch is not None else {}


def _windows(service: Node) -> Iterator[Row]:
    for part in ("supply", "writing", "level", "calibration"):
        branch = branch_at(service, part)
        for key in ("volt", "fluid_celsius", "window_celsius"):
            row = branch.items.get(key) if branch is not None else None
            if isinstance(row, Row):
                yield row


def _check_window(row: Row, findings: Findings) -> None:
    ends = [number_of(each) if isinstance(each, Leaf) else None for each in row.items]
    if len(ends) == 2 and None not in ends and ends[0] >= ends[1]:  # type: ignore[operator]
        findings.error(row.line, f"{tell(ends[0])} is not below {tell(ends[1])}; write the lower one first")  # type: ignore[arg-type]


def _check_item(item: Node, numbers: dict[int, int], findings: Findings) -> None:
    """One value of the configuration: an identifier of its own, and room for its value."""
    leaf = leaf_at(item, "id")
    number = number_of(leaf)
    if leaf is not None and number is not None:
        if int(number) in numbers:
            said = f"configuration: 0x{int(number):04X} is taken on line {numbers[int(number)]} already"
            findings.error(leaf.line, f"{said}; write an identifier of its own")
        numbers.setdefault(int(number), leaf.line)
    leaf, value, scale = leaf_at(item, "value"), number_of(leaf_at(item, "value")), number_of(leaf_at(item, "scale"))
    length = number_of(leaf_at(item, "bytes"))
    if leaf is None or value is None or scale == 0.0:
        return
    most = (256 ** int(length or 1) - 1) * (scale or 1.0)
    if value > most:
        said = f"value: {leaf.text} does not fit into {int(length or 1)} byte, whose most is {tell(most)}"
        findings.error(leaf.line, f"{said}; write more bytes, or a larger scale")


def _check_script(leaf: Leaf, findings: Findings) -> None:
    """A drive script in the file, or the name of one."""
    if "\n" not in leaf.text.strip() and leaf.text.strip() not in SCRIPTS:
        said = f"script: no drive script is called '{leaf.text.strip()[:40]}'"
        findings.error(leaf.line, f"{said}; {instead(leaf.text.strip(), SCRIPTS)}, or a script of several lines")
        return
    try:
        read_drive(script_text(leaf.text))
    except BadFile as bad:
        for mistake in bad.mistakes:
            findings.error(leaf.line + mistake.line, f"script: {mistake.text}")


def check_quantities(tree: Node, messages: Mapping[str, tuple[Message, ...]], findings: Findings) -> None:
    """Add the mistakes in what signals are said to show: signal, quantity, unit, words."""
    for name, network in (branch_at(tree, "networks") or Branch(1)).items.items():
        mapping = branch_at(network, "quantities")
        if mapping is None or name not in messages:
            continue
        signals = {signal.name: signal for message in messages[name] for signal in _signals(message)}
        for signal, leaf in mapping.items.items():
            if not isinstance(leaf, Leaf) or not leaf.text:
                continue
            line = mapping.lines[signal]
            quantity = QUANTITIES.get(leaf.text)
            if quantity is None:
                findings.error(line, f"quantities: no quantity called '{leaf.text}'; {instead(leaf.text, QUANTITIES)}")
            if signal not in signals:
                said = f"quantities: the database of {name} has no signal '{signal}'"
                findings.error(line, f"{said}; {instead(signal, signals)}")
            elif quantity is not None:
                _check_signal(signals[signal], quantity, line, findings)


def _signals(message: Message) -> list[Any]:
    return list(message.codec.signals) if message.codec is not None else []


def _check_signal(signal: Any, quantity: Quantity, line: int, findings: Findings) -> None:
    """A signal can show a quantity: the same unit, or a word of the database for every state."""
    known = {str(word) for word in (signal.choices or {}).values()}
    missing = [word for word in quantity.words if word not in known]
    if missing:
        words = ", ".join(missing)
        said = f"quantities: {signal.name} has in the database no value called {words}, which {quantity.name} needs"
        findings.error(line, f"{said}; write them there (VAL_)")
    elif not quantity.words and (signal.unit or "") != quantity.unit:
        said = f"quantities: {signal.name} is in '{signal.unit or ''}', {quantity.name} in '{quantity.unit}'"
        fitting = [each.name for each in QUANTITIES.values() if not each.words and each.unit == (signal.unit or "")]
        offer = f"write one of {', '.join(sorted(fitting))}" if fitting else "leave it out"
        findings.error(line, f"{said}; {offer}")


def road_of(part: VehiclePart) -> Road:
    """The description of what the file says."""
    drivetrain = None
    if part.drivetrain is not None:
        given = _plain(part.drivetrain)
        drivetrain = Drivetrain(**{**given, "gears": tuple(given["gears"])})
    return Road(drivetrain, {unit: _service(unit, each) for unit, each in part.service.items()})


def _service(unit: str, part: ServicePart) -> Service:
    return Service(
        unit=unit,
        configuration=tuple(ConfigurationItem(**_plain(item)) for item in part.configuration),
        supply_volt=(part.supply.volt[0], part.supply.volt[1]),
        supply_amp=part.supply.amp,
        writing=Writing(**_plain(part.writing)),
        level=Level(**_plain(part.level)) if part.level is not None else None,
        calibration=Calibration(**_plain(part.calibration)) if part.calibration is not None else None,
        road_test=RoadTest(part.road_test.minutes, part.road_test.fluid_celsius, part.road_test.script),
        ratio_code=part.ratio_code,
        level_code=part.level_code,
    )


def _plain(part: Part) -> dict[str, Any]:
    """The values of a part by the names of the description, windows as pairs."""
    return {
        key: tuple(value) if isinstance(value, list) else value
        for key, value in ((name, getattr(part, name)) for name in type(part).model_fields)
    }
