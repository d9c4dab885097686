"""Messages, databases and vehicles full of traffic, drawn by lot: the same seed gives the same for ever."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace
from typing import Any

from cantools.database.can import Message as Codec
from cantools.database.can import Signal as CodecSignal
from cantools.database.conversion import BaseConversion
from small_vehicle import small_module

from simulator.vehicle import (
    Battery,
    Fuse,
    GroundPoint,
    Message,
    Module,
    Network,
    Pair,
    Run,
    Terminator,
    Vehicle,
)

_UNITS = ("", "V", "degC", "km/h", "1/min", "deg/s")
_FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)


def bits_of(start: int, length: int, little: bool) -> set[int]:
    """The bits that a signal takes, numbered as in a DBC file."""
    if little:
        return set(range(start, start + length))
    found, bit = set(), start
    for _ in range(length):
        found.add(bit)
        bit = bit - 1 if bit % 8 else bit + 15
    return found


def _signal(draw: random.Random, name: str, start: int, length: int, little: bool, **more: Any) -> CodecSignal:
    is_float = length in (32, 64) and draw.random() < 0.3
    is_signed = draw.random() < 0.4
    scale = 1 if is_float else draw.choice([1, 1, 0.5, 0.1, 0.01, 3, -0.25])
    offset = 0 if is_float else draw.choice([0, 0, -40, 12.5, 1000])
    minimum = maximum = None
    if not is_float and length <= 40 and draw.random() < 0.6:
        low, high = (-(1 << length - 1), (1 << length - 1) - 1) if is_signed else (0, (1 << length) - 1)
        ends = sorted(draw.randint(low, high) * scale + offset for _ in range(2))
        if ends[0] < ends[1]:
            minimum, maximum = ends
    return CodecSignal(
        name,
        start,
        length,
        "little_endian" if little else "big_endian",
        is_signed,
        conversion=BaseConversion.factory(scale=scale, offset=offset, is_float=is_float),
        minimum=minimum,
        maximum=maximum,
        unit=draw.choice(_UNITS),
        **more,
    )


def _place(draw: random.Random, length: int, taken: set[int]) -> tuple[int, int, bool] | None:
    """(start, length, little endian) of a signal among free bits, or None."""
    width = min(draw.choice([1, 2, 3, 4, 7, 8, 8, 12, 16, 16, 24, 32, 32, 40, 53, 63, 64]), 8 * length)
    little = draw.random() < 0.5
    start = draw.randrange(8 * length)
    bits = bits_of(start, width, little)
    if bits & taken or max(bits) >= 8 * length:
        return None
    taken |= bits
    return start, width, little


def random_codec(draw: random.Random, name: str, frame_id: int, extended: bool, length: int) -> Codec:
    """A message of the database with signals by lot: plain and multiplexed, a counter and a checksum in most."""
    taken: set[int] = set()
    signals: list[CodecSignal] = []
    if length and draw.random() < 0.8:
        byte = draw.choice([0, length - 1])
        little = draw.random() < 0.5
        taken |= set(range(8 * byte, 8 * byte + 8))
        start = 8 * byte if little else 8 * byte + 7
        signals.append(CodecSignal(f"{name}_Checksum", start, 8, "little_endian" if little else "big_endian"))
    multiplexed = length > 3 and draw.random() < 0.2
    for number in range(draw.randrange(9)):
        place = _place(draw, length, taken) if length else None
        if place is None:
            continue
        start, width, little = place
        if not any(signal.name.endswith("_Counter") for signal in signals) and draw.random() < 0.3 and width < 17:
            order = "little_endian" if little else "big_endian"
            signals.append(CodecSignal(f"{name}_Counter", start, width, order))
        else:
            signals.append(_signal(draw, f"{name}_S{number}", start, width, little))
    if multiplexed:
        signals += _multiplexed(draw, name, length, taken)
    return Codec(frame_id, name, length, signals, is_extended_frame=extended, strict=False, is_fd=length > 8)


def _multiplexed(draw: random.Random, name: str, length: int, taken: set[int]) -> list[CodecSignal]:
    """A multiplexer and signals that share bits."""
    free = [byte for byte in range(length) if not taken & set(range(8 * byte, 8 * byte + 8))]
    if len(free) < 2:
        return []
    which = f"{name}_Which"
    signals = [CodecSignal(which, 8 * free[0], 8, is_multiplexer=True)]
    for value in draw.sample(range(9), draw.randrange(1, 4)):
        signals.append(
            _signal(draw, f"{name}_M{value}", 8 * free[1], 8, True, multiplexer_ids=[value], multiplexer_signal=which)
        )
    return signals


def random_messages(
    draw: random.Random, names: list[str], network: str, *, fd: bool, load: float, bit_rate: int
) -> tuple[Message, ...]:
    """Cyclic messages of these modules that load a network about so much."""
    found: list[Message] = []
    ids: set[tuple[int, bool]] = set()
    while load > 0 and len(found) < 60:
        extended = draw.random() < 0.25
        frame_id = draw.getrandbits(29) if extended else draw.randrange(0x10, 0x5F0)
        if extended and draw.random() < 0.5:
            frame_id = draw.randrange(0x10, 0x5F0) << 18 | draw.getrandbits(6)
        if (frame_id, extended) in ids:
            continue
        ids.add((frame_id, extended))
        is_fd = fd and draw.random() < 0.7
        length = draw.choice(_FD_LENGTHS) if is_fd else draw.choice([0, 1, 4, 7, 8, 8, 8])
        if is_fd and draw.random() < 0.2:
            length = max(0, length - draw.randrange(4))
        cycle_ms = draw.choice([2, 5, 10, 10, 20, 25, 50, 100])
        load -= (55 + 25 * extended + (4 if is_fd else 9) * length) / bit_rate / (cycle_ms / 1000)
        name, sender = f"{network}_{len(found)}", draw.choice(names)
        codec = random_codec(draw, name, frame_id, extended, length)
        found.append(Message(name, frame_id, extended, length, cycle_ms, sender, (), (), is_fd, codec))
    return tuple(found)


def random_network(draw: random.Random, name: str, modules: list[str], load: float) -> Network:
    """A star of short stubs at a trunk, terminated at both ends."""
    fd = draw.random() < 0.4
    bit_rate = 500_000 if fd else draw.choice([83_333, 125_000, 250_000, 500_000, 1_000_000])
    places = [f"{name}{number}" for number in range(len(modules))]
    runs = [Run(f"{a}-{b}", a, b, 0.5) for a, b in itertools.pairwise(places)]
    runs += [Run(f"{place}-{one}", place, one, 0.1) for place, one in zip(places, modules, strict=True)]
    return Network(
        name,
        bit_rate,
        draw.choice([0.75, 0.8, 0.875]),
        f"{name}.dbc",
        Pair(0.05, 120.0, 5.0),
        tuple(runs),
        (Terminator(places[0], 120.0), Terminator(places[-1], 120.0)),
        socket=places[0],
        data_bit_rate=draw.choice([1_000_000, 2_000_000, 4_000_000]) if fd else None,
        data_sample_point=draw.choice([0.7, 0.75, 0.8]) if fd else None,
        messages=random_messages(draw, modules, name, fd=fd, load=load, bit_rate=bit_rate),
    )


def random_vehicle(seed: int) -> Vehicle:
    """One or two networks of 2 to 12 modules; the second shares one of them with the first."""
    draw = random.Random(seed)
    names = [f"N{number}" for number in range(draw.randrange(2, 13))]
    more = [names[-1], *(f"P{number}" for number in range(draw.randrange(1, 4)))] if draw.random() < 0.35 else []
    networks = [random_network(draw, "LINE", names, draw.choice([0.1, 0.3, 0.6, 0.9, 1.4]))]
    if more:
        networks.append(random_network(draw, "SIDE", more, draw.choice([0.1, 0.5])))
    modules: dict[str, Module] = {}
    for number, name in enumerate(dict.fromkeys([*names, *more])):
        small = small_module(name, number, wake=draw.choice(["K1", "K1", None]))
        modules[name] = replace(small, request_id=0x600 + number, response_id=0x700 + number, draw_ohm=100.0)
    return Vehicle(
        f"By lot {seed}",
        Battery(12.6, 0.01),
        {"F1": Fuse("F1", 0.008, 10), "K1": Fuse("K1", 0.018, 5, switched=True)},
        {"G1": GroundPoint("G1", 0.001)},
        modules,
        {network.name: network for network in networks},
    )


def busy_vehicle(count: int = 12, *, fd: bool = False) -> Vehicle:
    """Modules N0, N1, ... on one network of 500 kbit/s, or 500 kbit/s and 2 Mbit/s, loaded to 60 % or more.

    Every message has signals that move, a counter and a checksum.
    """
    names = [f"N{number}" for number in range(count)]
    messages = []
    for number in range(4 * count):
        length = (8, 8, 8, 8) if not fd else (64, 48, 24, 8)
        name, cycle_ms = f"Message{number}", ((10, 20, 20, 40) if not fd else (10, 20, 20, 25))[number % 4]
        size = length[number % 4]
        signals = [
            CodecSignal(f"{name}_Speed", 7, 16, conversion=BaseConversion.factory(0.01, 0), byte_order="big_endian"),
            CodecSignal(f"{name}_Torque", 16, 12, is_signed=True, minimum=-500, maximum=1500),
            CodecSignal(f"{name}_Counter", 28, 4),
            CodecSignal(f"{name}_Checksum", 8 * size - 8, 8),
            *(CodecSignal(f"{name}_More{byte}", 8 * byte, 16) for byte in range(4, size - 2, 2)),
        ]
        codec = Codec(0x100 + 7 * number, name, size, signals, is_fd=fd)
        sender = names[number % count]
        messages.append(Message(name, codec.frame_id, False, size, cycle_ms, sender, (), (), fd, codec))
    places = [f"S{number}" for number in range(count)]
    network = Network(
        "LINE",
        500_000,
        0.8,
        "busy.dbc",
        Pair(0.05, 120.0, 5.0),
        (
            *(Run(f"{a}-{b}", a, b, 0.5) for a, b in itertools.pairwise(places)),
            *(Run(f"{place}-{one}", place, one, 0.1) for place, one in zip(places, names, strict=True)),
        ),
        (Terminator(places[0], 120.0), Terminator(places[-1], 120.0)),
        socket=places[0],
        data_bit_rate=2_000_000 if fd else None,
        data_sample_point=0.75 if fd else None,
        messages=tuple(messages),
    )
    modules = {
        name: replace(small_module(name, 0), request_id=0x600 + k, response_id=0x700 + k, draw_ohm=100.0)
        for k, name in enumerate(names)
    }
    return Vehicle(
        "Busy",
        Battery(12.6, 0.01),
        {"F1": Fuse("F1", 0.008, 10), "K1": Fuse("K1", 0.018, 5, switched=True)},
        {"G1": GroundPoint("G1", 0.001)},
        modules,
        {"LINE": network},
    )
