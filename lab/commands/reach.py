"""``reach``: delays and bit timing of a network, and how long it may be."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lab.commands.common import (
    chosen_networks,
    console,
    fault_option,
    json_option,
    load,
    show_json,
    show_table,
    table,
    vehicle_argument,
)

if TYPE_CHECKING:
    from simulator.reach import Reach


@click.command()
@vehicle_argument
@click.option("--network", metavar="NAME/all", help="This network (default: the first of the file), or all.")
@fault_option
@json_option
def reach(vehicle: str, network: str | None, faults: tuple[str, ...], as_json: bool) -> None:
    """The timing budget: delays against the sample point, the longest bus at this bit rate, clock tolerance.

    Each line with its formula and where it is published.
    """
    from dataclasses import asdict

    from simulator.reach import reach as reach_of

    car, _ = load(vehicle, faults)
    budgets = [reach_of(car, item) for item in chosen_networks(car, network)]
    if as_json:
        values: list[dict[str, Any]] = [asdict(budget) for budget in budgets]
        show_json(values if network == "all" else values[0])
        return
    for budget in budgets:
        _show(budget)


def _show(budget: Reach) -> None:
    from simulator.reach import EDGE_NS, LOOP_DELAY_MOST_NS, LOOP_DELAY_NS

    first, second = budget.farthest
    percent = f"{budget.sample_point * 100:g} %"
    rows = [
        ("farthest apart", f"{first} to {second}, {budget.distance_m:g} m", "along the wire, shortest way"),
        ("time to the sample point", f"{budget.budget_ns:.0f} ns", f"{percent} of a bit at {budget.bit_rate} bit/s"),
        (
            "there and back",
            f"{budget.propagation_ns:.0f} ns",
            f"2 x ({LOOP_DELAY_NS:g} ns loop + length x delay): Bosch CAN 2.0, 13.4",
        ),
        ("left over", f"{budget.margin_ns:.0f} ns", "enough" if budget.margin_ns >= 0 else "too little: bit errors"),
        (
            "longest bus",
            f"{budget.longest_m:.0f} m",
            "(sample point / (2 x bit rate) - loop) / delay: Philips AN96116, eq. 5",
        ),
        (
            "longest bus, slowest part",
            f"{budget.longest_worst_m:.0f} m",
            f"the same with the {LOOP_DELAY_MOST_NS:g} ns that ISO 11898-2 allows",
        ),
        (
            "stubs up to",
            f"{budget.stub_most_m:.2f} m",
            f"a third of the length whose round trip takes a {EDGE_NS:g} ns edge: CiA 301",
        ),
        (
            "clock tolerance",
            f"{budget.oscillator_percent:.2f} %",
            "least of the conditions of ISO 11898-1, segments for an 80 MHz clock",
        ),
    ]
    wrong = budget.data_phase_wrong
    if wrong is not None:
        first_wrong = f"read wrong by {len(wrong)}, first {wrong[0][0]} by {wrong[0][1]}" if wrong else "read by all"
        rows.append(("data phase", first_wrong, "waveform at its sample points, each sender and receiver"))
    rows += [
        ("stub", f"{name}, {length:g} m", "within" if length <= budget.stub_most_m else "longer than the rule of thumb")
        for name, length in budget.stubs
    ]
    shown = table("what", "value", "from")
    for row in rows:
        shown.add_row(*row)
    show_table(console(), f"Timing budget of {budget.network}", shown)
