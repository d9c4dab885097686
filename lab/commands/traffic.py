"""``frame`` and ``run``: one frame bit by bit, and the networks over simulated time."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import click

from lab.commands.common import console, fault_option, json_option, load, show_json, show_table, table, vehicle_argument

if TYPE_CHECKING:
    from rich.console import Console

    from lab.running import NetworkCount, Outcome
    from simulator.datalink.frame import Frame

_NUMBERS = ("TEC", "REC", "most TEC", "most REC")
_TIMES = ("every ms", "frames", "worst ms", "bound ms")
#: Kinds and places of errors that ``run`` prints for each controller; ``--json`` has all.
_KINDS_SHOWN = 4
#: Kinds of error that do not say themselves what they are.
_SAID = {"bit 0": "0 read as 1", "bit 1": "1 read as 0", "ack": "no ACK", "crc": "CRC"}
#: Changes of state that ``run`` prints for each network; ``--json`` has more.
_CHANGES_SHOWN = 12


class Number(click.ParamType):
    """A whole number, decimal or with 0x."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if isinstance(value, int):
            return value
        try:
            return int(value, 0)
        except ValueError:
            self.fail(f"'{value}' is no whole number: write it like 546 or 0x222", param, ctx)


class Octets(click.ParamType):
    """Bytes in hexadecimal, blanks between them or not."""

    name = "bytes"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> bytes:
        if isinstance(value, bytes):
            return value
        try:
            return bytes.fromhex(value)
        except ValueError:
            self.fail(f"'{value}' is not bytes in hexadecimal: write them like \"00 11 22\"", param, ctx)


@click.command()
@click.option("--id", "frame_id", type=Number(), required=True, help="Identifier, like 0x222.")
@click.option("--data", type=Octets(), default=b"", help='Payload in hexadecimal, like "00 11 22".')
@click.option("--extended", is_flag=True, help="29-bit identifier.")
@click.option("--remote", is_flag=True, help="A remote frame; --length is what it asks for.")
@click.option("--length", type=Number(), help="Length in byte that a remote frame asks for.")
@click.option("--fd", is_flag=True, help="ISO CAN FD.")
@click.option("--brs", is_flag=True, help="With --fd: switch the bit rate.")
@click.option("--esi", is_flag=True, help="With --fd: the sender is error-passive.")
@json_option
def frame(
    frame_id: int,
    data: bytes,
    extended: bool,
    remote: bool,
    length: int | None,
    fd: bool,
    brs: bool,
    esi: bool,
    as_json: bool,
) -> None:
    """A frame bit by bit, as on the wire: SOF to the end of EOF, acknowledged."""
    from simulator.datalink.frame import encode, frame_json
    from simulator.errors import BadRequest

    if length is not None and not remote:
        raise BadRequest("--length is what a remote frame asks for: add --remote, or leave it out")
    made = encode(frame_id, data, extended=extended, remote=remote, dlc=length, fd=fd, brs=brs, esi=esi)
    if as_json:
        show_json(frame_json(made))
    else:
        _show_frame(made)


def _show_frame(frame: Frame) -> None:
    """The bits under their fields, stuff bits in brackets."""
    rows = table("field", "from", "to", "bits")
    shown = 0
    for field in sorted(frame.fields, key=lambda field: field.start):
        if field.start > shown:  # stuff bits that belong to no field
            rows.add_row("", str(shown), str(field.start - 1), _bits(frame, range(shown, field.start)))
        rows.add_row(field.name, str(field.start), str(field.end), _bits(frame, range(field.start, field.end + 1)))
        shown = field.end + 1
    out = console()
    show_table(out, "The frame on the wire (0 dominant, 1 recessive, stuff bits in brackets)", rows)
    out.print(f"length {frame.length} bits, CRC 0x{frame.crc:X}, {len(frame.stuff_bits)} stuff bits", soft_wrap=True)
    if frame.stuff_bits:
        out.print(f"stuff bits at {', '.join(map(str, frame.stuff_bits))}", soft_wrap=True)


def _bits(frame: Frame, positions: Iterable[int]) -> str:
    stuffed = set(frame.stuff_bits)
    return "".join(f"[{frame.bits[at]}]" if at in stuffed else str(frame.bits[at]) for at in positions)


@click.command()
@vehicle_argument
@click.option(
    "--seconds", type=click.FloatRange(min=0, min_open=True, max=86_400), required=True, help="Simulated time."
)
@fault_option
@click.option(
    "--log",
    "logs",
    multiple=True,
    type=click.Path(dir_okay=False, writable=True),
    help="Log file, any number; its ending chooses the format: .asc .blf .csv .db .log .mf4 .trc .txt, .jsonl (events)",
)
@click.option(
    "--seed", type=int, default=0, show_default=True, help="Another seed, another payload; one seed, one run."
)
@click.option(
    "--counters",
    "counters",
    type=click.Path(dir_okay=False, writable=True),
    help="Picture of the error counters over time, faults above: .png .svg .pdf",
)
@click.option(
    "--bridge",
    "bridge_texts",
    multiple=True,
    metavar="OPTIONS",
    help='In real time, with a python-can bus: "interface=udp_multicast,channel=239.74.163.2"; at=PLACE taps there.',
)
@click.option("--allow-hardware", is_flag=True, help="A bridge may lead to a real wire.")
@click.option("--drive", metavar="SCRIPT", help="The vehicle moves: the name of a drive script, or a file with one.")
@click.option("--responses", is_flag=True, help="How long every cyclic message took at worst, and could take.")
@json_option
def run(
    vehicle: str, seconds: float, faults: tuple[str, ...], logs: tuple[str, ...], seed: int, counters: str | None,
    bridge_texts: tuple[str, ...], allow_hardware: bool, drive: str | None, responses: bool, as_json: bool,
) -> None:  # fmt: skip
    """Run the networks for a while, as fast as it goes; faults follow their timelines."""
    from lab.bridge import allowed, bridge_of
    from lab.cautions import caution
    from lab.running import run_networks

    drawn, _ = load(vehicle)
    bridges = [bridge_of(text) for text in bridge_texts]
    if allowed(bridges, allow_hardware):
        click.echo(caution(18), err=True)
    if counters is not None:
        from lab.pictures import check_ending

        check_ending(counters)
    script = _script(drive) if drive is not None else ""
    outcome = run_networks(drawn, seconds, fault_texts=faults, logs=logs, seed=seed, bridges=bridges, drive=script)
    if counters is not None:
        from lab.countercurves import draw_counters

        draw_counters(outcome, counters)
    if as_json:
        show_json(outcome.as_json())
    else:
        _show_run(outcome, responses)
        if counters is not None:
            console().print(f"picture: {counters}", soft_wrap=True)


def _script(name: str) -> str:
    """The text of a drive script by its name, or out of a file. Raises BadFile, UnknownName."""
    from simulator.drive import SCRIPTS, read_script
    from simulator.errors import UnknownName

    if name in SCRIPTS:
        return SCRIPTS[name]
    try:
        with open(name, encoding="utf-8") as file:
            text = file.read(1 << 20)
    except (OSError, UnicodeDecodeError) as error:
        raise UnknownName("drive script or file", name, SCRIPTS) from error
    read_script(text, name)
    return text


def _show_run(outcome: Outcome, responses: bool) -> None:
    rows = table("network", "frames", "errors", "load", right=("frames", "errors", "load"))
    for line in outcome.networks:
        rows.add_row(line.network, str(line.frames), str(line.errors), f"{line.load:.1%}")
    out = console()
    show_table(out, f"{outcome.vehicle}: {outcome.seconds:g} s of simulated time, seed {outcome.seed}", rows)
    for line in outcome.networks:
        senders = ", ".join(f"{name} {count}" for name, count in line.by_sender.items()) or "nobody"
        out.print(f"{line.network}: sent by {senders}", soft_wrap=True)
    for line in outcome.networks:
        _show_controllers(out, line)
        if responses and line.responses:
            _show_responses(out, line)
    for bridge in outcome.bridges:
        moved = f"{bridge.out} frames out, {bridge.into} in, {bridge.refused} refused"
        out.print(f"bridge from {bridge.at} to {bridge.interface}: {moved}", soft_wrap=True)
    for log in outcome.logs:
        out.print(f"log: {log}", soft_wrap=True)


def _show_responses(out: Console, line: NetworkCount) -> None:
    """From being due to the end of the frame, seen and computed."""
    rows = table("message", "sender", "every ms", "frames", "worst ms", "bound ms", right=_TIMES)
    for one in line.responses:
        worst = "-" if one.worst_ns is None else f"{one.worst_ns / 1e6:.3f}"
        bound = "none" if one.bound_ns is None else f"{one.bound_ns / 1e6:.3f}"
        rows.add_row(one.message, one.sender, str(one.cycle_ms), str(one.frames), worst, bound)
    out.print()
    show_table(out, f"{line.network}: from being due to the end of the frame; the bound is without errors", rows)


def _show_controllers(out: Console, line: NetworkCount) -> None:
    """Error counters and states, errors by kind and place, and who went passive or off when."""
    if not any(account.errors or account.overloads for account in line.controllers) and not line.changed:
        words = "no errors, all counters at 0" if line.frames else "not one frame, and no errors"
        out.print(f"{line.network}: {words}", soft_wrap=True)
        return
    rows = table("controller", "at the end", "TEC", "REC", "most TEC", "most REC", right=_NUMBERS)
    for account in line.controllers:
        numbers = (*account.counters, *account.most)
        rows.add_row(account.module, account.state, *map(str, numbers))
    out.print()
    show_table(out, f"{line.network}: error counters of transmission (TEC) and reception (REC)", rows)
    rows = table("noticed by", "as", "error", "in", "times", right=("times",))
    for account in line.controllers:
        noticed = account.errors.most_common()
        for (kind, place, sending), count in noticed[:_KINDS_SHOWN]:
            role, said = "transmitter" if sending else "receiver", _SAID.get(kind, kind)
            rows.add_row(account.module, role, said, place, str(count))
        if len(noticed) > _KINDS_SHOWN:
            rest = sum(count for _, count in noticed[_KINDS_SHOWN:])
            rows.add_row(account.module, "", f"{len(noticed) - _KINDS_SHOWN} others", "", str(rest))
        if account.overloads:
            rows.add_row(account.module, "", "overload", "", str(account.overloads))
    show_table(out, f"{line.network}: errors noticed", rows)
    for change in line.changes[:_CHANGES_SHOWN]:
        out.print(f"{change.t_ns / 1e9:.6f} s  {change.name} {change.what}", soft_wrap=True)
    if line.changed > _CHANGES_SHOWN:
        out.print(f"and {line.changed - _CHANGES_SHOWN} more changes of state", soft_wrap=True)
