"""Payloads packed from the layout of the database, against cantools and crccheck, over layouts drawn by lot."""

from __future__ import annotations

import math
import random

import cantools
import numpy as np
import pytest
from cantools.database.can import Message as Codec
from cantools.database.can import Signal
from cantools.database.conversion import BaseConversion
from crccheck.crc import Crc8SaeJ1850
from random_traffic import random_codec

from simulator.kernels import payload
from simulator.modules.codec import Packer, Track
from simulator.vehicle import Message


def message_of(codec: Codec) -> Message:
    return Message(codec.name, codec.frame_id, False, codec.length, 10, "N0", (), (), codec.length > 8, codec)


def drawn(draw: random.Random, number: int) -> Message:
    length = draw.choice([*range(9), 8, 8, 8, 12, 24, 48, 64])
    return message_of(random_codec(draw, f"M{number}", 0x100, False, length))


def some_raw(draw: random.Random, signal: object) -> int | float:
    """A raw value that the signal can have, of up to 40 bits so that floating point tells it from its neighbours."""
    if signal.is_float:
        return float(np.float32(draw.uniform(0, 100)))
    bits = min(signal.length, 40)
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signal.is_signed else (0, (1 << bits) - 1)
    if signal.minimum is not None:
        ends = sorted(
            ((signal.minimum - signal.offset) / signal.scale, (signal.maximum - signal.offset) / signal.scale)
        )
        low, high = max(low, math.ceil(ends[0] - 1e-6)), min(high, math.floor(ends[1] + 1e-6))
    return draw.randint(low, high)


def checksummed(codec: Codec, data: bytes) -> bytes:
    """The checksum over all other bytes in its place."""
    for signal in codec.signals:
        if signal.name.endswith("_Checksum"):
            byte = signal.start // 8
            crc = Crc8SaeJ1850.calc(data[:byte] + data[byte + 1 :])
            data = data[:byte] + bytes([crc]) + data[byte + 1 :]
    return data


def check_against_cantools(seed: int) -> None:
    draw = random.Random(seed)
    message = drawn(draw, seed)
    codec = message.codec
    raws = {signal.name: some_raw(draw, signal) for signal in codec.signals}
    tracks = {
        signal.name: Track(0, 1, [raws[signal.name] * signal.scale + signal.offset])
        for signal in codec.signals
        if not signal.name.endswith(("_Counter", "_Checksum", "_Which"))
    }
    packer = Packer(message, 0, tracks)
    shown = sorted({one for signal in codec.signals for one in signal.multiplexer_ids or ()})
    for count in range(4):
        sent = dict(raws)
        for signal in codec.signals:
            if signal.name.endswith("_Counter"):
                sent[signal.name] = count % (1 << signal.length)
            elif signal.name.endswith("_Checksum"):
                sent[signal.name] = 0
            elif signal.is_multiplexer:
                sent[signal.name] = shown[count % len(shown)]
        expected = checksummed(codec, bytes(codec.encode(sent, scaling=False, strict=False)))
        assert packer.payload(count * 10**9, count) == expected


@pytest.mark.parametrize("first", range(0, 300, 100))
def test_packing_equals_cantools(first: int) -> None:
    """Source: cantools' own encoder, fed with raw values; the CRC by crccheck."""
    for seed in range(first, first + 100):
        check_against_cantools(seed)


@pytest.mark.slow
@pytest.mark.parametrize("first", range(10_000, 20_000, 1000))
def test_packing_equals_cantools_many_times(first: int) -> None:
    for seed in range(first, first + 1000):
        check_against_cantools(seed)


ODD = """VERSION ""
BU_: N0
BO_ 100 Nested: 8 N0
 SG_ Outer M : 0|4@1+ (1,0) [0|0] "" N0
 SG_ Inner m0M : 4|4@1+ (1,0) [0|0] "" N0
 SG_ Other m2 : 8|16@1+ (1,0) [0|0] "" N0
 SG_ Deep m1 : 8|16@1+ (1,0) [0|0] "" N0
 SG_ Deeper m3 : 8|32@1+ (1,0) [0|0] "" N0
BO_ 101 Half: 8 N0
 SG_ Half_Counter : 20|4@1+ (1,0) [0|15] "" N0
 SG_ Half_Value : 0|16@1- (1,0) [0|0] "" N0
 SG_ Half_Checksum : 63|8@0+ (1,0) [0|255] "" N0
SG_MUL_VAL_ 100 Inner Outer 0-0;
SG_MUL_VAL_ 100 Other Outer 2-2;
SG_MUL_VAL_ 100 Deep Inner 1-1;
SG_MUL_VAL_ 100 Deeper Inner 3-3;
SIG_VALTYPE_ 101 Half_Value : 1;
"""


def test_nested_multiplexers_stand_in_every_way_in_turn() -> None:
    """Source: cantools reads them. Own rule: each way they can stand is sent in turn."""
    nested = message_of(cantools.database.load_string(ODD, "dbc").get_message_by_name("Nested"))
    packer = Packer(nested)
    assert packer.layout is not None
    shown = []
    for count in range(6):
        data = packer.payload(count * 10**9, count)
        decoded = nested.codec.decode(data, scaling=False)
        assert bytes(nested.codec.encode(decoded, scaling=False, strict=False)) == data
        shown.append(sorted(decoded))
    assert shown[:3] == [["Deep", "Inner", "Outer"], ["Deeper", "Inner", "Outer"], ["Other", "Outer"]]
    assert shown[3:] == shown[:3]


def test_what_only_the_codec_can_pack_goes_through_it() -> None:
    """Source: cantools reads it and packs it to the same bytes; half-precision floats are beyond the kernel."""
    half = message_of(cantools.database.load_string(ODD, "dbc").get_message_by_name("Half"))
    packer = Packer(half, 0, {"Half_Value": Track(0, 1, [12.5])})
    assert packer.layout is None
    for count in range(3):
        decoded = half.codec.decode(packer.payload(0, count), scaling=False)
        assert (decoded["Half_Value"], decoded["Half_Counter"]) == (12.5, count)
        expected = bytes(half.codec.encode({**decoded, "Half_Checksum": 0}, scaling=False, strict=False))
        assert packer.payload(0, count) == checksummed(half.codec, expected)


@pytest.mark.parametrize("seed", range(20))
def test_joined_layouts_pack_as_single_ones(seed: int) -> None:
    """Own rule: the arrays of a whole network are those of its messages; compiled or not."""
    draw = random.Random(seed)
    tracks = Track(10**9, 10**7, [draw.uniform(-100, 100) for _ in range(50)])
    packers = []
    for number in range(12):
        message = drawn(draw, number)
        followed = {one.name: tracks for one in message.codec.signals if draw.random() < 0.2}
        packers.append(Packer(message, seed, followed))
    joined = payload.join([packer.layout for packer in packers], 64)
    data = np.zeros(64, np.uint8)
    for number, packer in enumerate(packers):
        for count in range(5):
            t_ns = draw.randrange(3 * 10**9)
            for pack in (payload.pack.plain, payload.pack.compiled):
                pack(data, joined.messages, number, t_ns, count, *joined.arrays)
                assert data[: packer.message.length].tobytes() == packer.payload(t_ns, count)


def test_a_track_is_followed() -> None:
    """Source: numpy.interp between the samples and beyond both ends, to half a step of the signal."""
    signal = Signal("Speed", 7, 16, "big_endian", False, conversion=BaseConversion.factory(scale=0.01, offset=-10))
    codec = Codec(1, "Moving", 2, [signal])
    draw = random.Random(2)
    values = [draw.uniform(0, 200) for _ in range(30)]
    packer = Packer(message_of(codec), 0, {"Speed": Track(5 * 10**8, 2 * 10**7, values)})
    for _ in range(200):
        t_ns = draw.randrange(2 * 10**9)
        shown = codec.decode(packer.payload(t_ns, 0))["Speed"]
        expected = np.interp(t_ns, [5 * 10**8 + 2 * 10**7 * k for k in range(30)], values)
        assert abs(shown - expected) <= 0.005 + 1e-6
