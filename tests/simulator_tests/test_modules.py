"""Control modules: payloads against cantools, counters and checksums, cycles, answers to the tester."""

from __future__ import annotations

import itertools

import cantools
import numpy as np
import pytest

from simulator.datalink.controller import NEVER_NS, Outgoing
from simulator.diagnostics.server import ANSWER_NS
from simulator.kernels.payload import crc_8
from simulator.modules.codec import Packer
from simulator.modules.control_module import ControlModule
from simulator.reader import find_vehicle, load_vehicle
from simulator.vehicle import Message

PIPKIN = load_vehicle(find_vehicle("pipkin"))
MESSAGES = [message for network in PIPKIN.networks.values() for message in network.messages]
SECOND_NS = 1_000_000_000

ODD = """VERSION ""
NS_ :
BS_:
BU_: ENG
BO_ 100 Muxed: 8 ENG
 SG_ Which M : 0|8@1+ (1,0) [0|0] "" ENG
 SG_ First m0 : 8|16@1+ (0.1,0) [0|6000] "V" ENG
 SG_ Second m1 : 8|12@1- (1,0) [-2000|2000] "" ENG
 SG_ Muxed_Counter : 48|4@1+ (1,0) [0|15] "" ENG
 SG_ Muxed_Checksum : 56|8@1+ (1,0) [0|255] "" ENG
BO_ 101 Floating: 8 ENG
 SG_ Float : 0|32@1- (1,0) [0|0] "" ENG
 SG_ Plain : 39|16@0- (0.5,-10) [-500|500] "degC" ENG
BO_ 102 Wide: 8 ENG
 SG_ Wide_Checksum : 7|8@0+ (1,0) [0|255] "" ENG
 SG_ Big : 15|40@0- (1,0) [0|0] "" ENG
 SG_ Little : 48|11@1- (-0.5,3) [0|0] "" ENG
SIG_VALTYPE_ 101 Float : 1;
"""


def odd_messages() -> list[Message]:
    database = cantools.database.load_string(ODD, "dbc")
    return [
        Message(m.name, m.frame_id, m.is_extended_frame, m.length, 10, "ENG", (), (), codec=m)
        for m in database.messages
    ]


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        ("00 00 00 00", 0x59),  # AUTOSAR Specification of CRC Routines, examples for CRC8 SAE J1850 (from memory)
        ("F2 01 83", 0x37),
        ("0F AA 00 55", 0x79),
        ("00 FF 55 11", 0xB8),
        ("33 22 55 AA BB CC DD EE FF", 0xCB),
        ("92 6B 55", 0x8C),
        ("FF FF FF FF", 0x74),
        ("31 32 33 34 35 36 37 38 39", 0x4B),  # catalogue of parametrised CRC algorithms: CRC-8/SAE-J1850
    ],
)
def test_crc_8(data: str, crc: int) -> None:
    octets = np.frombuffer(bytes.fromhex(data), np.uint8)
    assert crc_8(octets, len(octets), -1) == crc


@pytest.mark.parametrize("message", [*MESSAGES, *odd_messages()], ids=lambda message: message.name)
@pytest.mark.parametrize("seed", [0, 7])
def test_payload_equals_cantools(message: Message, seed: int) -> None:
    """Source: cantools, an independent codec; it decodes our bytes and encodes them to the same."""
    packer, codec = Packer(message, seed), message.codec
    for count in range(40):
        t_ns = count * 733_123_457
        data = packer.payload(t_ns, count)
        assert len(data) == message.length
        decoded = codec.decode(data, scaling=False, decode_choices=False)
        assert bytes(codec.encode(decoded, scaling=False, strict=False)) == data
        for signal in codec.signals:
            if signal.name in decoded and not signal.is_float and signal.minimum != signal.maximum:
                physical = decoded[signal.name] * signal.scale + signal.offset
                if signal.minimum is not None and not signal.name.endswith("_Checksum"):
                    assert signal.minimum <= physical <= signal.maximum
            if signal.name.endswith("_Counter"):
                assert decoded[signal.name] == count % (1 << signal.length)
            if signal.name.endswith("_Checksum") and signal.start // 8 in (0, 7):
                byte = signal.start // 8
                assert data[byte] == crc_8(np.frombuffer(data, np.uint8), len(data), byte)


def test_values_move_and_depend_on_the_seed() -> None:
    """Own rule: no two seconds alike, and another seed another drive."""
    speed = next(message for message in MESSAGES if message.name == "EngSpeed")
    packer, other = Packer(speed, 0), Packer(speed, 1)
    values = {packer.payload(second * SECOND_NS, 0) for second in range(10)}
    assert len(values) >= 8
    assert packer.payload(3 * SECOND_NS, 0) == Packer(speed, 0).payload(3 * SECOND_NS, 0)
    assert other.payload(3 * SECOND_NS, 0) != packer.payload(3 * SECOND_NS, 0)


def test_quantities_of_a_kind_move_together() -> None:
    """Own rule: wheels of a car that drives straight turn alike."""
    front = next(message for message in MESSAGES if message.name == "BrkWheelFront")
    for second in range(10):
        decoded = front.codec.decode(Packer(front).payload(second * SECOND_NS, 0))
        assert decoded["BrkWheelFront_Left"] == decoded["BrkWheelFront_Right"] > 0


def test_cycles_start_apart_and_keep_their_time() -> None:
    """Cycle times of the database; offsets are an own rule: within the first cycle, not all at once."""
    starts = set()
    for name in PIPKIN.modules:
        module = ControlModule(PIPKIN, name)
        module.switch(SECOND_NS, True)
        sent: dict[str, list[int]] = {}
        while module.next_deadline_ns() <= 3 * SECOND_NS:
            t_ns = module.next_deadline_ns()
            for _, frame in module.due(t_ns):
                sent.setdefault(frame.name, []).append(t_ns)
        own = [message for message in MESSAGES if message.sender == name]
        assert set(sent) == {message.name for message in own}
        for message in own:
            cycle_ns = message.cycle_ms * 1_000_000
            times = sent[message.name]
            assert SECOND_NS <= times[0] < SECOND_NS + cycle_ns
            assert {b - a for a, b in itertools.pairwise(times)} == {cycle_ns}
            starts.add(times[0])
    assert len(starts) > len(MESSAGES) // 2


def awake(name: str = "GBX") -> ControlModule:
    """A module that is on and sends nothing by itself."""
    module = ControlModule(PIPKIN, name)
    module.configured = False
    module.switch(0, True)
    return module


def ask(module: ControlModule, request: str, **flags: bool) -> list[tuple[int, bytes]]:
    frame = Outgoing(module.description.request_id, bytes.fromhex(request), **flags)
    module.feed(0, module.networks[0], frame)
    answers = []
    for t_ns in range(0, 20_000_001, 1_000_000):
        answers += [(frame.frame_id, frame.data) for _, frame in module.due(t_ns)]
        if answers:
            assert t_ns == ANSWER_NS
            break
    return answers


@pytest.mark.parametrize(
    ("request_hex", "answer_hex"),
    [
        ("02 3E 00", "02 7E 00"),  # ISO 14229-1, TesterPresent
        ("02 3E 00 55 55 55 55 55", "02 7E 00"),
        ("02 3E 80 00 00 00 00 00", None),  # ISO 14229-1, suppressPosRspMsgIndicationBit
        ("02 3E 01", "03 7F 3E 12"),  # ISO 14229-1, subFunctionNotSupported
        ("02 3E 81", "03 7F 3E 12"),  # negative answers are not suppressed
        ("01 3E", "03 7F 3E 13"),  # ISO 14229-1, incorrectMessageLengthOrInvalidFormat
        ("02 23 03", "03 7F 23 11"),  # ISO 14229-1, serviceNotSupported
        ("00", None),  # ISO 15765-2: a single frame of length 0 is ignored
        ("08 3E 00 00 00 00 00 00", None),
        ("07 3E 00", None),
        ("30 00 00", None),
        ("", None),
    ],
)
def test_answers(request_hex: str, answer_hex: str | None) -> None:
    expected = [] if answer_hex is None else [(0x7E9, bytes.fromhex(answer_hex).ljust(8, b"\xcc"))]
    assert ask(awake(), request_hex) == expected


def test_other_frames_are_no_request() -> None:
    """Own rule: an extended or remote frame of the same number is another identifier."""
    assert ask(awake(), "02 3E 00", extended=True) == []
    assert ask(awake(), "02 3E 00", remote=True) == []


def test_asleep_it_neither_sends_nor_answers() -> None:
    """Own rule: only an awake module sends."""
    module = ControlModule(PIPKIN, "GBX")
    assert module.next_deadline_ns() == NEVER_NS
    assert ask(module, "02 3E 00") == []
    module.switch(0, True)
    assert module.next_deadline_ns() < NEVER_NS
    module.switch(1, False)
    assert module.next_deadline_ns() == NEVER_NS
    assert module.due(SECOND_NS) == []


def test_silent_message_is_left_out() -> None:
    """Own rule: one message only; its counter stands still."""
    module = ControlModule(PIPKIN, "GBX")
    module.silent = frozenset({("LINE-1", "GbxGear")})
    module.switch(0, True)
    names = {frame.name for t in range(0, SECOND_NS, 5_000_000) for _, frame in module.due(t)}
    assert names == {"GbxSpeed", "GbxClutch", "GbxFluid"}
