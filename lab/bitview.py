"""One moment of a network bit by bit: who drove, who read what, and where in the frame each controller was.

The run is done twice: once to find the moment, once more, the same to the bit, to keep what happened around it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import faults
from simulator.datalink.island import TracedBit
from simulator.datalink.trouble import FIELDS, Trouble
from simulator.errors import BadRequest
from simulator.logs import record_json
from simulator.record import Event, FrameRecord
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle

#: How far before a moment its frame may have begun, in bits: the longest frame and its errors.
_BEFORE_BITS = 800
#: Bits shown before SOF and at least after the moment.
_AHEAD, _BEHIND = 2, 12
_OUT_OF_FRAME = frozenset(("idle", "integrating", "bus off", "bus off, waiting", "suspend"))


@dataclass(frozen=True)
class Part:
    """Controllers that share a wire, and the bits of the moment; ``start`` is the number of the bit of the SOF.

    ``noticed``: (number of the bit in ``bits``, what a controller noticed in it).
    """

    modules: tuple[str, ...]
    bits: tuple[TracedBit, ...]
    start: int
    noticed: tuple[tuple[int, Trouble], ...]

    def groups(self) -> list[tuple[str, ...]]:
        """Controllers that drove, read and thought the same in every bit; those first that drove most."""
        found: dict[tuple[Any, ...], list[str]] = {}
        for name in self.modules:
            course = tuple((name in bit.driving, name in bit.dominant, bit.places[name]) for bit in self.bits)
            found.setdefault(course, []).append(name)
        return sorted(map(tuple, found.values()), key=lambda names: -sum(names[0] in bit.driving for bit in self.bits))


@dataclass(frozen=True)
class Moment:
    """What a network looked like around an instant of a run, part by part.

    ``frames``: the attempts to send that were going on then; ``quiet``: modules where nothing went on.
    ``out_of_step``: controllers had bits of different length then; shown are those of the network's bit rate.
    """

    vehicle: str
    network: str
    t_ns: int
    bit_ns: float
    faults: tuple[str, ...]
    frames: tuple[FrameRecord, ...]
    parts: tuple[Part, ...]
    quiet: tuple[str, ...]
    out_of_step: bool = False

    def as_json(self) -> dict[str, Any]:
        """The mapping of the command ``bits``."""
        return {
            "vehicle": self.vehicle,
            "network": self.network,
            "t_ns": self.t_ns,
            "faults": list(self.faults),
            "frames": [record_json(record) for record in self.frames],
            "quiet": list(self.quiet),
            "out_of_step": self.out_of_step,
            "parts": [
                {
                    "modules": list(part.modules),
                    "bits": [
                        {
                            "bit": number - part.start,
                            "t_ns": bit.t_start_ns,
                            "until_ns": bit.t_end_ns,
                            "driving": list(bit.driving),
                            "dominant": list(bit.dominant),
                            "places": bit.places,
                        }
                        for number, bit in enumerate(part.bits)
                    ],
                    "noticed": [
                        {
                            "bit": number - part.start,
                            "module": trouble.node,
                            "kind": trouble.kind,
                            "place": trouble.place,
                            "transmitting": trouble.transmitting,
                            "transmit_errors": trouble.transmit_errors,
                            "receive_errors": trouble.receive_errors,
                        }
                        for number, trouble in part.noticed
                    ],
                }
                for part in self.parts
            ],
        }


def look(
    vehicle: Vehicle,
    *,
    network: str | None = None,
    at_ns: int | None = None,
    first: str | None = None,
    within_s: float = 10.0,
    fault_texts: Iterable[str] = (),
    seed: int = 0,
) -> Moment:
    """The bits around an instant, or around the first frame, error, error-passive or bus-off controller of a run.

    At an instant at which nothing goes on: the next bits, if there are any within a few frames.
    Raises BadRequest where nothing of the kind happens within ``within_s``, and for faults the vehicle cannot have.
    """
    net = vehicle.network(network)
    parsed = tuple(faults.parse(text).canonical(vehicle) for text in fault_texts)
    if at_ns is None:
        found = _first_ns(Simulation(vehicle, faults=parsed, seed=seed), net.name, first or "frame", within_s)
        if found is None:
            raise BadRequest(
                f"no {first} on {net.name} within {within_s:g} s: try a longer --within, or another --first"
            )
        at_ns = found
    bit_ns = 1e9 / net.bit_rate
    simulation = Simulation(vehicle, faults=parsed, seed=seed)
    troubles: list[Trouble] = []
    simulation.overhear(lambda name, trouble: troubles.append(trouble) if name == net.name else None)
    frames: list[FrameRecord] = []
    simulation.subscribe(lambda record: frames.append(record) if record.network == net.name else None)
    until_ns = at_ns + round(_BEFORE_BITS * bit_ns)
    begin_ns = max(0, at_ns - round(_BEFORE_BITS * bit_ns))
    simulation.watch(net.name, begin_ns, until_ns)
    simulation.run_until_ns(until_ns + round(_BEFORE_BITS * bit_ns))
    bits = simulation.watched(net.name)
    if not any(bit.t_start_ns <= at_ns < bit.t_end_ns for bit in bits):
        at_ns = min((bit.t_start_ns for bit in bits if bit.t_start_ns > at_ns), default=at_ns)
    parts = _parts(bits, troubles, (at_ns, bit_ns), list(vehicle.modules))
    met = tuple(record for record in frames if record.t_start_ns <= at_ns < record.t_end_ns)
    awake = {name for part in parts for name in part.modules}
    quiet = tuple(name for name in vehicle.modules if name in net.places and name not in awake)
    return Moment(
        vehicle.name, net.name, at_ns, bit_ns, tuple(map(str, parsed)), met, tuple(parts), quiet,
        out_of_step=any(not bit.whole for bit in bits),
    )  # fmt: skip


def _first_ns(simulation: Simulation, network: str, first: str, within_s: float) -> int | None:
    """When the first of something happens: the start of a frame, or the last instant of the bit with the error."""
    found: list[int] = []

    def ended(record: FrameRecord) -> None:
        if record.network == network and first == "frame":
            found.append(record.t_start_ns)

    def noticed(event: Event) -> None:
        if event.network == network and event.kind == "controller" and str(event.what).endswith(first):
            found.append(event.t_ns - 1)

    def troubled(name: str, trouble: Trouble) -> None:
        if name == network and first == "error" and trouble.kind not in ("lost arbitration", "overload"):
            found.append(trouble.t_ns - 1)

    simulation.subscribe(ended)
    simulation.notice(noticed)
    simulation.overhear(troubled)
    limit_ns = round(within_s * 1e9)
    while not found and simulation.step(limit_ns):
        pass
    if not found:
        return None
    # what began before may end, and be told, after it
    bit_ns = 1e9 / simulation.drawn.networks[network].bit_rate
    simulation.run_until_ns(simulation.t_ns + round(_BEFORE_BITS * bit_ns))
    return min(found)


def _parts(
    bits: Iterable[TracedBit], troubles: Sequence[Trouble], moment: tuple[int, float], order: list[str]
) -> list[Part]:
    at_ns, bit_ns = moment
    by_members: dict[tuple[str, ...], list[TracedBit]] = {}
    for bit in bits:
        members = sorted(bit.places, key=lambda name: order.index(name) if name in order else len(order))
        by_members.setdefault(tuple(members), []).append(bit)
    parts = []
    for members, own in sorted(by_members.items(), key=lambda item: order.index(item[0][0])):
        own.sort(key=lambda bit: bit.t_start_ns)
        if not all(bit.whole for bit in own):
            own = _on_a_grid(own, at_ns, bit_ns)
        if not any(bit.t_start_ns <= at_ns < bit.t_end_ns for bit in own):
            continue
        first, start, end = _cut(own, at_ns)
        shown = own[first:end]
        ends = [bit.t_end_ns for bit in shown]
        noticed = [
            (bisect_left(ends, trouble.t_ns), trouble)
            for trouble in troubles
            if trouble.node in members and shown and shown[0].t_start_ns < trouble.t_ns <= ends[-1]
        ]
        parts.append(Part(members, tuple(shown), start - first, tuple(noticed)))
    return parts


def _on_a_grid(stretches: Sequence[TracedBit], at_ns: int, bit_ns: float) -> list[TracedBit]:
    """Bits of the network's rate, counted from the SOF before an instant, from stretches of any length.

    What holds in the middle of a bit is what the bit shows: levels have settled there, and nobody has sampled.
    """
    starts = [one.t_start_ns for one in stretches]
    begun = [k for k, one in enumerate(stretches) if "SOF" in one.places.values() and one.t_start_ns <= at_ns]
    while len(begun) > 1 and begun[-2] == begun[-1] - 1:
        begun.pop()
    anchor = starts[begun[-1]] if begun else at_ns
    first = -int((anchor - starts[0]) / bit_ns)
    found = []
    for number in range(first, int((stretches[-1].t_start_ns - anchor) / bit_ns) + 1):
        begin, end = (anchor + round(number * bit_ns), anchor + round((number + 1) * bit_ns))
        inside = stretches[max(0, bisect_right(starts, (begin + end) // 2) - 1)]
        found.append(inside._replace(t_start_ns=begin, t_end_ns=end))
    return found


def _cut(bits: Sequence[TracedBit], at_ns: int) -> tuple[int, int, int]:
    """First bit shown, SOF and the end, by number: from the SOF before the moment to the rest or the SOF after it."""
    at = next(number for number, bit in enumerate(bits) if bit.t_end_ns > at_ns)
    start = at
    while start > 0 and not _is_start(bits, start):
        start -= 1
    first = start
    while first > max(0, start - _AHEAD) and bits[first - 1].t_end_ns == bits[first].t_start_ns:
        first -= 1
    end = at + 1
    while end < len(bits) and bits[end].t_start_ns == bits[end - 1].t_end_ns:
        if _is_start(bits, end):
            return first, start, end
        if _at_rest(bits[end]) and end - at >= _BEHIND:
            break
        end += 1
    return first, start, end


def _is_start(bits: Sequence[TracedBit], number: int) -> bool:
    """Whether a frame begins here: somebody sends SOF, or reads it, after a bit in which nobody was in a frame."""
    busy = any(place in FIELDS for place in bits[number].places.values())
    sof = any(bits[number].places[name] == "SOF" for name in bits[number].places)
    before = number > 0 and any(place == "SOF" for place in bits[number - 1].places.values())
    return busy and sof and not before


def _at_rest(bit: TracedBit) -> bool:
    return not bit.driving and all(place in _OUT_OF_FRAME for place in bit.places.values())
