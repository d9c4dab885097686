"""ISO 15765-2: frames byte by byte, timers, results, and can-isotp as a peer on the same simulated clock."""

from __future__ import annotations

from random import Random

import isotp.tools
import pytest
from isotp_link import Clock, Course, Ours, Peer, Settings, transfer

from simulator.datalink.controller import NEVER_NS
from simulator.diagnostics import Failed, Received, Result, Send, Sent, Started, TakeBack, Timers, Transport
from simulator.diagnostics.transport_frames import read_frame, st_min_ns

MS_NS = 1_000_000


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """can-isotp on simulated time."""
    clock = Clock()
    monkeypatch.setattr(isotp.tools, "time", clock)
    return clock


def sends(events: list) -> list[str]:
    return [event.data.hex(" ").upper() for event in events if isinstance(event, Send)]


def only(events: list) -> Send:
    (event,) = events
    assert isinstance(event, Send)
    return event


def test_a_response_of_thirty_bytes() -> None:
    """Frames as can-isotp produces them: block size 2, STmin 0, padding 55."""
    sender, receiver = Transport(padding=0x55), Transport(block_size=2, padding=0x55)
    frames, waiting = [], [(receiver, event) for event in sender.send(0, bytes(range(30)))]
    got = []
    while waiting:
        to, event = waiting.pop(0)
        if isinstance(event, Send):
            frames.append(event.data.hex(" ").upper())
            other = sender if to is receiver else receiver
            waiting += [(other, each) for each in to.feed(0, event.data)]
            waiting += [(to, each) for each in other.confirmed(0, event)]
        elif isinstance(event, Received):
            got.append(event.payload)
    assert frames == [
        "10 1E 00 01 02 03 04 05",
        "30 02 00 55 55 55 55 55",
        "21 06 07 08 09 0A 0B 0C",
        "22 0D 0E 0F 10 11 12 13",
        "30 02 00 55 55 55 55 55",
        "23 14 15 16 17 18 19 1A",
        "24 1B 1C 1D 55 55 55 55",
    ]
    assert got == [bytes(range(30))]


@pytest.mark.parametrize(
    ("coded", "expected_ns"),
    [(0x00, 0), (0x0A, 10 * MS_NS), (0x7F, 127 * MS_NS), (0xF1, 100_000), (0xF9, 900_000)]
    + [(code, 127 * MS_NS) for code in (0x80, 0xF0, 0xFA, 0xFF)],
)
def test_pause_between_frames(coded: int, expected_ns: int) -> None:
    """Linux, net/can/isotp.c ("fix wrong STmin values according spec"); ISO 15765-2:2016, 9.6.5."""
    assert st_min_ns(coded) == expected_ns


@pytest.mark.parametrize(
    "data",
    [
        "",
        "00",  # SF_DL 0
        "08 01 02 03 04 05 06 07",  # longer than a classic single frame
        "04 01 02",  # shorter than it says
        "00 07 01 02 03 04 05 06 07 CC CC CC",  # CAN FD: would have fitted the short form
        "03 01 02 03 00 00 00 00 00 00 00 00",  # CAN FD: no escape
        "10 07 01 02 03 04 05 06",  # FF_DL that fits a single frame
        "10 14 01 02 03 04 05",  # a first frame of less than 8 byte
        "10 00 00 00 0F FF 01 02",  # long form for a length of 4095
        "21",
        "30 00",
        "40 01 02 03",
    ],
)
def test_what_is_ignored(data: str) -> None:
    """ISO 15765-2:2016, 9.6.2 to 9.6.5 (read in public summaries)."""
    assert read_frame(bytes.fromhex(data)) is None
    assert Transport().feed(0, bytes.fromhex(data)) == []


def test_long_messages_and_long_frames() -> None:
    """ISO 15765-2:2016, 9.6.3: above 4095 byte the length takes 32 bit; CAN FD frames of up to 64 byte."""
    assert sends(Transport().send(0, bytes(4096)))[0] == "10 00 00 00 10 00 00 00"
    assert sends(Transport(frame_size=64).send(0, bytes(range(9))))[0] == "00 09 00 01 02 03 04 05 06 07 08 CC"
    assert sends(Transport(frame_size=64).send(0, bytes(7)))[0] == "07 00 00 00 00 00 00 00"
    first = only(Transport(frame_size=64).send(0, bytes(100)))
    assert (len(first.data), first.data[:2].hex()) == (64, "1064")


def started(block_size: int = 0, payload: bytes = bytes(40)) -> tuple[Transport, list]:
    """A sender whose first frame is on the bus, and what it sends after a flow control."""
    sender = Transport()
    first = only(sender.send(0, payload))
    assert sender.confirmed(0, first) == []
    return sender, sender.feed(0, bytes((0x30, block_size, 0)))


def test_timeouts_of_the_sender() -> None:
    """ISO 15765-2:2016, 9.8: N_As 1000 ms until the frame is out, N_Bs 1000 ms until a flow control comes."""
    sender = Transport()
    first = only(sender.send(0, bytes(40)))
    assert sender.next_deadline_ns() == 1000 * MS_NS
    back, failed = sender.due(1000 * MS_NS)
    assert isinstance(back, TakeBack)
    assert back.frame is first
    assert failed == Failed(Result.TIMEOUT_A, sending=True)
    sender = Transport(timers=Timers(bs_ns=75 * MS_NS))
    sender.confirmed(5, only(sender.send(0, bytes(40))))
    assert sender.due(75 * MS_NS + 5) == [Failed(Result.TIMEOUT_BS, sending=True)]
    assert sender.next_deadline_ns() == NEVER_NS


def test_timeouts_of_the_receiver() -> None:
    """The same table: N_Ar for the flow control, N_Cr 1000 ms for the next frame."""
    receiver = Transport()
    begun, control = receiver.feed(0, bytes.fromhex("1014000102030405"))
    assert begun == Started(20)
    assert receiver.confirmed(7, control) == []
    assert receiver.next_deadline_ns() == 1000 * MS_NS + 7
    receiver.feed(500 * MS_NS, bytes.fromhex("2106070809 0A0B0C"))
    assert receiver.due(1500 * MS_NS) == [Failed(Result.TIMEOUT_CR, sending=False)]
    assert not receiver.receiving
    receiver = Transport()
    receiver.feed(0, bytes.fromhex("1014000102030405"))
    assert receiver.due(1000 * MS_NS)[-1] == Failed(Result.TIMEOUT_A, sending=False)


def test_flow_status() -> None:
    """ISO 15765-2:2016, 9.6.5 and 9.7: WAIT restarts N_Bs, at most WFTmax times; overflow and nonsense end it."""
    sender = Transport(wait_limit=2)
    sender.confirmed(0, only(sender.send(0, bytes(40))))
    wait = bytes.fromhex("310000")
    assert sender.feed(900 * MS_NS, wait) == []
    assert sender.next_deadline_ns() == 1900 * MS_NS
    assert sender.feed(1800 * MS_NS, wait) == []
    assert sender.feed(2700 * MS_NS, wait) == [Failed(Result.WAIT_OVERRUN, sending=True)]
    for status, result in ((0x32, Result.BUFFER_OVERFLOW), (0x33, Result.INVALID_FS), (0x3F, Result.INVALID_FS)):
        sender = Transport()
        sender.confirmed(0, only(sender.send(0, bytes(40))))
        assert sender.feed(1, bytes((status, 0, 0))) == [Failed(result, sending=True)]


def test_what_does_not_belong() -> None:
    """ISO 15765-2:2016, 9.8: flow control out of turn ignored; a new message ends the one on its way."""
    assert Transport().feed(0, bytes.fromhex("300000")) == []
    assert Transport().feed(0, bytes.fromhex("2101")) == []
    receiver = Transport()
    receiver.feed(0, bytes.fromhex("1014000102030405"))
    events = receiver.feed(1, bytes.fromhex("023E00"))
    assert [event for event in events if not isinstance(event, TakeBack)] == [
        Failed(Result.UNEXPECTED_PDU, sending=False),
        Received(b"\x3e\x00"),
    ]
    receiver = Transport()
    receiver.feed(0, bytes.fromhex("1014000102030405"))
    assert Failed(Result.WRONG_SN, sending=False) in receiver.feed(1, bytes.fromhex("2206070809 0A0B0C"))


def test_a_message_longer_than_the_buffer() -> None:
    """ISO 15765-2:2016, 9.6.5: flow status overflow, and nothing is received."""
    receiver = Transport(buffer=100)
    assert sends(receiver.feed(0, bytes.fromhex("1065000102030405"))) == ["32 00 00 CC CC CC CC CC"]
    assert not receiver.receiving


def test_block_by_block() -> None:
    """ISO 15765-2:2016, 9.6.5: after BS frames the sender waits again."""
    sender, events = started(block_size=2)
    second = sender.confirmed(0, only(events))
    assert sends(second) == ["22 00 00 00 00 00 00 00"]
    assert sender.confirmed(0, only(second)) == []
    third = sender.feed(1, bytes.fromhex("300000"))
    for _ in range(2):
        third = sender.confirmed(1, only(third))
    assert sender.confirmed(1, only(third)) == [Sent()]


def settings_by_lot(lot: Random) -> Settings:
    """Any payload and flow control; a third of the transfers loses a frame, a third has a late one."""
    frame_size = lot.choice([8, 8, 8, 12, 16, 20, 24, 32, 48, 64])
    length = lot.choice([lot.randint(1, 12), lot.randint(1, 300), lot.randint(1, 4095)])
    st_min = lot.choice([0, 0, lot.randint(1, 10), lot.randint(0xF1, 0xF9), 127])
    frames = max(1, length // (frame_size - 1))
    lost: list[set[int]] = [set(), set()]
    late: list[dict[int, int]] = [{}, {}]
    what, way = lot.randrange(3), lot.randrange(2)
    number = lot.randrange(min(frames + 1, 40))
    if what == 1:
        lost[way].add(number if way == 0 else number % 3)
    elif what == 2:
        late[way][number if way == 0 else number % 3] = lot.choice([1, 30, 700, 1500, 2500]) * MS_NS
    return Settings(
        payload=lot.randbytes(length),
        block_size=lot.choice([0, 0, 1, 2, lot.randint(1, 20), 255]),
        st_min=st_min,
        frame_size=frame_size,
        buffer=lot.choice([4095, 4095, 4095, 500]),
        lost=(frozenset(lost[0]), frozenset(lost[1])),
        late=(late[0], late[1]),
    )


@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(2, 10))])
def test_fifty_transfers_with_can_isotp(seed: int, clock: Clock) -> None:
    """Source: can-isotp, an independent implementation. 500 transfers in all: whichever end is ours, the payload and
    what each end says are those of can-isotp with itself."""
    lot = Random(seed)
    courses: set[Course] = set()
    for _ in range(50):
        settings = settings_by_lot(lot)
        expected = transfer(clock, settings, Peer, Peer)
        for ends in ((Ours, Peer), (Peer, Ours), (Ours, Ours)):
            assert transfer(clock, settings, *ends) == expected, (ends, settings)
        courses.add(Course(expected.sender, expected.receiver, None))
    # the lot is not only of transfers that go well
    assert len(courses) >= 4
