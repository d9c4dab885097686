"""``read`` and ``call``: one reading with a meter, and the roll call."""

from __future__ import annotations

import click

from lab.commands.common import (
    battery_option,
    condition_of,
    console,
    fault_option,
    ignition_option,
    json_option,
    load,
    part_option,
    show_json,
    show_table,
    switch,
    table,
    unplug_option,
    vehicle_argument,
)


@click.command()
@vehicle_argument
@click.argument("what", type=click.Choice(["ohms", "volts"]), metavar="ohms/volts")
@click.argument("red", metavar="RED")
@click.argument("black", metavar="BLACK")
@battery_option
@ignition_option
@click.option("--zeroed", is_flag=True, help="Leads zeroed: their 0.2 ohm does not count.")
@click.option("--quiet", is_flag=True, help="Nobody sends: every module recessive.")
@fault_option
@unplug_option
@part_option
@json_option
def read(
    vehicle: str,
    what: str,
    red: str,
    black: str,
    battery: str | None,
    ignition: str | None,
    zeroed: bool,
    quiet: bool,
    faults: tuple[str, ...],
    unplug: tuple[str, ...],
    part: tuple[str, ...],
    as_json: bool,
) -> None:
    """One reading: ohms or volts, red lead on RED, black lead on BLACK.

    Probe points: PLACE.high, PLACE.low, MODULE.supply, MODULE.wake, MODULE.ground, battery.positive,
    battery.negative; PLACE.NETWORK.high where a place is on several networks, PLACE.off.high beyond a parted connector.
    The battery is off for ohms and on for volts unless --battery says otherwise.
    """
    from lab.instruments import read_ohms, read_volts
    from simulator.probes import parse_probe

    car, _ = load(vehicle, faults)
    battery_on = what == "volts" if battery is None else battery == "on"
    condition = condition_of(car, battery_on=battery_on, ignition_on=switch(ignition), unplug=unplug, part=part)
    leads = parse_probe(car, red), parse_probe(car, black)
    if what == "ohms":
        reading = read_ohms(car, condition, *leads, zeroed=zeroed, quiet=quiet)
    else:
        reading = read_volts(car, condition, *leads, quiet=quiet)
    if as_json:
        show_json(reading.as_json())
        return
    click.echo(reading.display)
    for warning in reading.warnings:
        click.echo(warning)


@click.command()
@vehicle_argument
@ignition_option
@fault_option
@unplug_option
@click.option("--truth", is_flag=True, help="Also what no tester sees: the supply state of every module.")
@json_option
def call(
    vehicle: str, ignition: str | None, faults: tuple[str, ...], unplug: tuple[str, ...], truth: bool, as_json: bool
) -> None:
    """The roll call: which modules answer at the diagnostic socket, and which are silent."""
    from simulator.rollcall import roll_call

    car, _ = load(vehicle, faults)
    roll = roll_call(car, condition_of(car, ignition_on=switch(ignition), unplug=unplug))
    if as_json:
        found: dict[str, object] = {"answering": list(roll.answering), "silent": list(roll.silent)}
        if truth:
            found["states"] = {name: str(state) for name, state in roll.states.items()}
        show_json(found)
        return
    rows = table("module", "title", "roll call", *(["supply"] if truth else []))
    for name, module in car.modules.items():
        word = "answering" if name in roll.answering else "silent"
        rows.add_row(name, module.title, word, *([str(roll.states[name])] if truth else []))
    show_table(console(), f"{car.name}: roll call", rows)
