"""``should`` and ``spice``: what should it read, and the same circuit for another solver."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lab.commands.common import (
    battery_option,
    chosen_networks,
    condition_of,
    console,
    fault_option,
    finite,
    ignition_option,
    json_option,
    load,
    ohm_text,
    part_option,
    show_json,
    show_table,
    switch,
    table,
    unplug_option,
    vehicle_argument,
)

if TYPE_CHECKING:
    from rich.console import Console

    from lab.should import Expectation
    from simulator.calculator import Level


@click.command()
@vehicle_argument
@click.option("--network", metavar="N", help="A network, or all; default: the first of the file.")
@fault_option
@unplug_option
@part_option
@click.option(
    "--got",
    multiple=True,
    metavar='"PLACE OHM"',
    help='A reading between high and low, like "DLC 58", "DLC 60.2 ohm" or "DLC OL"; any number.',
)
@json_option
def should(
    vehicle: str,
    network: str | None,
    faults: tuple[str, ...],
    unplug: tuple[str, ...],
    part: tuple[str, ...],
    got: tuple[str, ...],
    as_json: bool,
) -> None:
    """What should it read? Resistance with battery and ignition off, levels with both on.

    min and max are the worst case: terminators off by 2 %, wires by 5 %, then the meter's 1 % and 0.2 ohm.
    """
    from lab.should import expectations

    car, parsed = load(vehicle, faults)
    condition = condition_of(car, unplug=unplug, part=part)
    answers = expectations(car, parsed, chosen_networks(car, network), condition, got)
    if as_json:
        shown = [_as_json(answer) for answer in answers]
        show_json(shown if network == "all" else shown[0])
        return
    out = console()
    for answer in answers:
        _show(out, answer)


def _as_json(answer: Expectation) -> dict[str, Any]:
    """The mapping of one network; ``word`` and ``reason`` of the reading farthest off where there is one."""
    found: dict[str, Any] = {
        "vehicle": answer.vehicle,
        "network": answer.network,
        "faults": list(answer.faults),
        "resistance": [
            {"place": row.place, "ohm": finite(row.ohm), "min_ohm": finite(row.min_ohm), "max_ohm": finite(row.max_ohm)}
            for row in answer.resistance
        ],
        "levels": [
            {
                "transmitter": level.transmitter,
                "place": level.place,
                "dominant": _volts(level.dominant),
                "recessive": _volts(level.recessive),
                "reads": level.reads,
            }
            for level in answer.levels
        ],
    }
    if answer.got:
        found |= {"word": answer.worst.word, "reason": answer.worst.reason}
    if len(answer.got) > 1:
        found["got"] = [
            {"place": i.place, "ohm": finite(i.ohm), "word": i.word, "reason": i.reason} for i in answer.got
        ]
    return found


def _volts(three: Any) -> dict[str, float]:
    return {name: getattr(three, name) for name in ("high_volt", "low_volt", "difference_volt")}


def _show(out: Console, answer: Expectation) -> None:
    """One network for people: resistance, levels, and the judgement of the readings given."""
    resistance = table("place", "should read", "from", "to", right=("should read", "from", "to"))
    for row in answer.resistance:
        resistance.add_row(row.place, *(ohm_text(value) for value in (row.ohm, row.min_ohm, row.max_ohm)))
    title = f"{answer.vehicle}, {answer.network}: what should it read? Ohms, high to low, battery and ignition off"
    show_table(out, title, resistance)
    for fault in answer.faults:
        out.print(f"with fault: {fault}", soft_wrap=True)
    for item in answer.got:
        out.print(f"{item.place} {ohm_text(item.ohm)}: {item.word}. {item.reason}", soft_wrap=True)
    if not answer.levels:
        out.print(f"{answer.network}: no module can send here, so there are no levels to expect.", soft_wrap=True)
        return
    _show_differences(out, answer)
    _show_lines(out, answer)


def _show_differences(out: Console, answer: Expectation) -> None:
    """High minus low while each module sends, by place; what a receiver cannot rely on is marked."""
    transmitters = list(dict.fromkeys(level.transmitter for level in answer.levels))
    grid = table("at", *transmitters, right=transmitters)
    by_place: dict[str, dict[str, Level]] = {}
    for level in answer.levels:
        by_place.setdefault(level.place, {})[level.transmitter] = level
    for place, row in by_place.items():
        cells = [_cell(row[name]) if name in row else "" for name in transmitters]
        grid.add_row(place, *cells)
    show_table(out, "Volts, high minus low, while a module sends a dominant bit; battery and ignition on", grid)
    if all(level.within for level in answer.levels):
        out.print("Every level: read as sent, all limits of ISO 11898-2 kept.", soft_wrap=True)
        return
    out.print("!: read as sent, but outside a limit; ?: not read as sent.")
    for transmitter in transmitters:
        off = [level for level in answer.levels if level.transmitter == transmitter and not level.within]
        if off:
            worst = min(off, key=lambda level: (level.reads == "dominant", level.dominant.difference_volt))
            out.print(f"{transmitter} at {_listed(off)}; worst at {worst.place}: {worst.verdict}", soft_wrap=True)


def _cell(level: Level) -> str:
    mark = "?" if level.reads != "dominant" else "" if level.within else "!"
    return f"{level.dominant.difference_volt:.2f}{mark}"


def _listed(levels: list[Level]) -> str:
    """The places of some levels, short: the first four, then how many more."""
    more = len(levels) - 4
    return ", ".join(level.place for level in levels[:4]) + (f" and {more} more" if more > 0 else "")


def _show_lines(out: Console, answer: Expectation) -> None:
    """Each line by itself, at one place: the socket, or the first place of the network."""
    numbers = ("high dominant", "low dominant", "high recessive", "low recessive", "sum dominant")
    rows = table("sends", *numbers, right=numbers)
    for level in answer.levels:
        if level.place == answer.near:
            pair = level.dominant, level.recessive
            volts = [f"{volt:.2f}" for three in pair for volt in (three.high_volt, three.low_volt)]
            rows.add_row(level.transmitter, *volts, f"{level.dominant.high_volt + level.dominant.low_volt:.2f}")
    show_table(out, f"Volts to battery negative at {answer.near}", rows)


@click.command()
@vehicle_argument
@battery_option
@ignition_option
@click.option(
    "--dominant", multiple=True, metavar="MODULE", help="This module sends dominant on its networks; any number."
)
@fault_option
@unplug_option
@part_option
@json_option
def spice(
    vehicle: str,
    battery: str | None,
    ignition: str | None,
    dominant: tuple[str, ...],
    faults: tuple[str, ...],
    unplug: tuple[str, ...],
    part: tuple[str, ...],
    as_json: bool,
) -> None:
    """The circuit as a netlist that ngspice runs as it is; nodes are the probe points in lower case.

    --dominant MODULE means every network the module is on; MODULE.NETWORK means that one.
    """
    from simulator.circuit import spice_netlist

    car, _ = load(vehicle, faults)
    condition = condition_of(car, battery_on=battery != "off", ignition_on=switch(ignition), unplug=unplug, part=part)
    netlist = spice_netlist(car, condition, dominant=[pair for text in dominant for pair in _sending(car, text)])
    if as_json:
        show_json({"vehicle": car.name, "netlist": netlist})
    else:
        click.echo(netlist.rstrip("\n"))


def _sending(car: Any, text: str) -> list[tuple[str, str]]:
    """(module, network) of MODULE on all its networks, or of MODULE.NETWORK on that one."""
    from simulator.errors import UnknownName

    name, _, network = text.partition(".")
    networks = car.networks_at(car.module(name).name)
    if not network:
        return [(name, found) for found in networks]
    if network not in networks:
        raise UnknownName(f"network of {name}", network, networks)
    return [(name, network)]
