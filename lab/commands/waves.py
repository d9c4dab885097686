"""``picture``: the waveform of a frame at a place, as a picture and as files for other tools."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lab.commands.common import (
    condition_of,
    console,
    fault_option,
    json_option,
    load,
    part_option,
    show_json,
    show_table,
    table,
    unplug_option,
    vehicle_argument,
)
from lab.commands.traffic import Number, Octets

if TYPE_CHECKING:
    from simulator.circuit.link import Reception
    from simulator.circuit.waveform import Waveform
    from simulator.datalink.frame import Frame
    from simulator.vehicle import Network

#: Sent where nothing else is asked for and the database has no message of the module.
PLAIN_ID = 0x555


@click.command()
@vehicle_argument
@click.option("--at", "place", required=True, metavar="PLACE", help="Where the two channels are clipped on.")
@click.option("--from", "transmitter", required=True, metavar="MODULE", help="Who sends; tester: at the socket.")
@click.option("--network", metavar="N", help="The network, where the place is on several.")
@click.option("--id", "frame_id", type=Number(), help="Identifier; default: the module's first message.")
@click.option("--data", type=Octets(), help='Payload in hexadecimal, like "00 11 22".')
@click.option("--extended", is_flag=True, help="29-bit identifier.")
@click.option("--remote", is_flag=True, help="A remote frame; --length is what it asks for.")
@click.option("--length", type=Number(), help="Length in byte that a remote frame asks for.")
@click.option("--fd", is_flag=True, help="ISO CAN FD.")
@click.option("--brs", is_flag=True, help="With --fd: switch the bit rate.")
@click.option("--esi", is_flag=True, help="With --fd: the sender is error-passive.")
@click.option("--bit-rate", type=Number(), metavar="BIT/S", help="Another bit rate, 5000 to 8000000.")
@click.option("--data-bit-rate", type=Number(), metavar="BIT/S", help="With --brs: another rate of the data phase.")
@fault_option
@unplug_option
@part_option
@click.option("--step-ns", type=float, default=1.0, show_default=True, help="Step of the calculation, 0.01 to 100.")
@click.option("--csv", metavar="FILE", help="t_s,high_volt,low_volt, a row per step.")
@click.option("--png", metavar="FILE", help="The picture; an ending .svg or .pdf gives that format.")
@click.option("--vcd", metavar="FILE", help="A value change dump.")
@click.option("--sigrok", metavar="FILE", help="A sigrok session (.sr): both lines and what a receiver reads.")
@json_option
def picture(vehicle: str, place: str, transmitter: str, as_json: bool, **options: Any) -> None:
    """The waveform of a frame at a place: two channels, their difference, the frame underneath.

    The other awake modules acknowledge. With a fault, the vehicle as drawn is the ghost behind. Without a file it
    says what every receiver makes of the frame.
    """
    from simulator.circuit import Circuit
    from simulator.circuit.link import Timing, receptions
    from simulator.circuit.waveform import waveform

    car, parsed = load(vehicle, options["faults"])
    net = car.network_of_place(place, options["network"])
    frame = _frame(net, transmitter, options)
    condition = condition_of(car, unplug=options["unplug"], part=options["part"])
    rates = {"bit_rate": options["bit_rate"], "data_bit_rate": options["data_bit_rate"]}
    circuit = Circuit(car, condition)

    def wave_of(of: Circuit) -> Waveform:
        listening = dict.fromkeys((*of.senders(net.name), transmitter)) if of is circuit else ()
        return waveform(
            of.vehicle, condition, net.name, transmitter=transmitter, frame=frame, places=[place], pins=listening,
            step_ns=options["step_ns"], circuit=of, **rates,
        )  # fmt: skip

    wave = wave_of(circuit)
    read = receptions(wave, circuit, Timing.of(net, **rates))
    written = _write_files(wave, place, options)
    if options["png"]:
        ghost = wave_of(Circuit(car.as_drawn(), condition)) if parsed else None
        title = f"{car.maker} {car.name}, {net.name} at {place}: {transmitter} sends 0x{frame.frame_id:X}"
        _draw(wave, place, ghost, "; ".join([title, *map(str, parsed)]), options["png"])
        written.append(options["png"])
    if as_json:
        _show_json(wave, place, read, written, [str(fault) for fault in parsed], car.name)
    else:
        _show(wave, place, read, written)


def _frame(net: Network, transmitter: str, options: dict[str, Any]) -> Frame:
    """The frame the options describe; without --id the transmitter's first message, all zero."""
    from simulator.datalink.frame import encode
    from simulator.errors import BadRequest

    if options["length"] is not None and not options["remote"]:
        raise BadRequest("--length is what a remote frame asks for: add --remote, or leave it out")
    frame_id, data, extended = options["frame_id"], options["data"], options["extended"]
    if frame_id is None:
        own = next((m for m in net.messages if m.sender == transmitter and not m.is_fd), None)
        frame_id = own.frame_id if own else PLAIN_ID
        extended = extended or (own is not None and own.extended)
        if data is None and own is not None and not options["remote"]:
            data = bytes(own.length)
    kinds = {name: options[name] for name in ("remote", "fd", "brs", "esi")}
    return encode(frame_id, data or b"", extended=extended, dlc=options["length"], **kinds)


def _write_files(wave: Waveform, place: str, options: dict[str, Any]) -> list[str]:
    from lab.waveform_files import write_csv, write_sigrok, write_vcd

    written = []
    for option, writer in (("csv", write_csv), ("vcd", write_vcd), ("sigrok", write_sigrok)):
        if options[option]:
            writer(wave, place, options[option])
            written.append(options[option])
    return written


def _draw(wave: Waveform, place: str, ghost: Waveform | None, title: str, path: str) -> None:
    from lab.pictures import save
    from lab.waveform_picture import waveform_figure

    save(waveform_figure(wave, place, ghost=ghost, title=title), path)


def _show_json(
    wave: Waveform, place: str, read: tuple[Reception, ...], written: list[str], faults: list[str], vehicle: str
) -> None:
    from lab.waveform_files import summary
    from simulator.circuit.link import Link

    receivers = [
        {
            "receiver": item.receiver,
            "verdict": item.verdict,
            "reason": item.reason,
            "wrong_bits": list(item.wrong_bits),
            "lingering_bits": item.lingering_bits,
            "margin_volt": item.margin_volt,
            "settling_ns": item.settling_ns,
            "ringing_volt": item.ringing_volt,
            "width_change_ns": item.width_change_ns,
        }
        for item in read
    ]
    whole = {"verdict": Link(read).verdict, "wrong_bits": list(Link(read).wrong_bits)}
    show_json(
        {
            "vehicle": vehicle,
            "faults": faults,
            **summary(wave, place),
            **whole,
            "receivers": receivers,
            "files": written,
        }
    )


def _show(wave: Waveform, place: str, read: tuple[Reception, ...], written: list[str]) -> None:
    from simulator.circuit.link import Link

    out = console()
    trace = wave.places[place]
    lines = {"high": trace.high_volt, "low": trace.low_volt, "difference": trace.difference_volt}
    spans = (f"{name} {volts.min():.2f} to {volts.max():.2f} V" for name, volts in lines.items())
    who = f"{wave.network.name} at {place}: {wave.transmitter} sends {len(wave.bits)} bits"
    out.print(f"{who}; {', '.join(spans)}", soft_wrap=True)
    columns = ("margin", "settles in", "rings by", "dominant bit")
    rows = table("receiver", "verdict", *columns, right=columns)
    for item in read:
        rows.add_row(
            item.receiver, item.verdict, f"{item.margin_volt:.2f} V", f"{item.settling_ns:.0f} ns",
            f"{item.ringing_volt:.2f} V", f"{item.width_change_ns:+.0f} ns",
        )  # fmt: skip
    show_table(out, "What each receiver makes of it", rows)
    out.print(f"The link is {Link(read).verdict}.", soft_wrap=True)
    for item in read:
        if item.verdict != "sound":
            out.print(f"{item.receiver} is {item.verdict}: {item.reason}", soft_wrap=True)
    for path in written:
        out.print(f"written: {path}", soft_wrap=True)
