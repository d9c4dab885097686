"""A server under requests by lot, valid ones among them: those are served, the rest refused as the standard says.

Own rule, no source: what a valid request gets is checked elsewhere; here nothing else may disturb it.
"""

from __future__ import annotations

from random import Random

import pytest
from diagnostic_bench import MS_NS, SECOND_NS, Bench, store

from simulator.datalink.controller import Outgoing
from simulator.diagnostics import (
    SERVICES,
    Refusal,
)
from simulator.diagnostics.refusal import NEGATIVE

VALID: list[tuple[str, str]] = [
    ("3E00", "7E 00"),
    ("22F186", "62 F1 86"),
    ("22F190", "62 F1 90"),
    ("1902FF", "59 02 FF"),
    ("190A", "59 0A FF"),
    ("1001", "50 01"),
    ("1003", "50 03"),
    ("14FFFFFF", "7F 14 78"),
    ("0100", "41 00"),
]


def by_lot(lot: Random) -> bytes:
    """A request that may be anything: random bytes, or a good one with a byte changed, cut off or added."""
    if lot.random() < 0.4:
        return lot.randbytes(lot.choice([1, 2, 3, 4, 5, 6, 7, 8, 20, 100]))
    data = bytearray(bytes.fromhex(lot.choice(["2701", "2702", "3101", "2EF198", "28", "85", "11", "19"] + [
        request for request, _ in VALID
    ])) + lot.randbytes(lot.choice([0, 0, 1, 2, 5, 12])))  # fmt: skip
    if lot.random() < 0.5:
        data[lot.randrange(len(data))] = lot.randrange(256)
    if lot.random() < 0.2:
        del data[lot.randrange(len(data)) :]
    return bytes(data) or b"\x00"


def fuzz(count: int, seed: int) -> None:
    """So many requests, every fifth a valid one; the module must serve those and lose nothing."""
    lot, bench = Random(seed), Bench()
    store(bench, "U0100-87")
    supported = list(bench.unit.memory.entries)
    identity = bench.ask("22 F1 90 F1 8C")
    for number in range(count):
        if number % 5 == 0:
            request, expected = VALID[number // 5 % len(VALID)]
            bench.ask("10 01" if request[:2] != "14" else "10 03")
            (answer, *_) = bench.ask(request)
            assert answer.startswith(expected), (number, request, answer)
            continue
        payload, functional = by_lot(lot), lot.random() < 0.2
        functional = functional and len(payload) <= 7
        service = payload[0]
        for answer in bench.ask(payload, functional=functional):
            data = bytes.fromhex(answer)
            assert data[0] == service + 0x40 or (data[0] == NEGATIVE and data[1] == service), (payload.hex(), answer)
            if data[0] == NEGATIVE:
                assert data[2] in set(Refusal), answer
                if functional and len(bench.ask("3E 00")) == 1:
                    assert data[2] not in (0x11, 0x12, 0x31, 0x7E, 0x7F)
            else:
                assert service in SERVICES
    bench.advance(20 * SECOND_NS)
    assert bench.ask("22 F1 90 F1 8C") == identity
    assert list(bench.unit.memory.entries) == supported
    assert bench.ask("10 03") == ["50 03 00 32 01 F4"]


def test_frames_by_lot() -> None:
    """Own rule: whatever frames come, in whatever order and time, two seconds later a question is answered."""
    lot, bench = Random(5), Bench()
    for number in range(5_000):
        size = lot.choice([0, 1, 2, 3, 8, 8, 8, 8, 12, 64])
        data = bytearray(lot.randbytes(size))
        if data and lot.random() < 0.7:
            data[0] = lot.choice([0x02, 0x07, 0x10, 0x1F, 0x21, 0x22, 0x30, 0x31, 0x32])
        frame_id = lot.choice([0x7E1, 0x7E1, 0x7DF])
        bench.unit.feed(bench.t_ns, "LINE-1", Outgoing(frame_id, bytes(data), fd=size > 8))
        bench.advance(lot.choice([0, 1_000, 300_000, 20 * MS_NS]))
        if number % 500 == 499:
            bench.advance(2 * SECOND_NS)
            assert bench.ask("3E 00") == ["7E 00"], number


def test_two_thousand_requests_by_lot() -> None:
    fuzz(2_000, seed=1)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 3])
def test_fifty_thousand_requests_by_lot(seed: int) -> None:
    fuzz(50_000, seed)
