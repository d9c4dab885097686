"""The diagnostic server on a bench: published exchanges, refusals in the standard's order, timers, silence.

Sources: exchanges read in the documentation and tests of udsoncan and in public examples; the order of checks is that
of ISO 14229-1, 8.7, and the figure of each service, from memory where no public text repeats it.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
import udsoncan
from diagnostic_bench import MS_NS, SECOND_NS, Bench, store
from udsoncan import services

from simulator.diagnostics import (
    DataIdentifier,
    Later,
    Refusal,
    Refused,
    Request,
    Routine,
    Session,
    Snapshot,
    code_number,
    key_of,
)


def parsed(kind: type, answer: str, **options: object) -> udsoncan.Response:
    """An answer as udsoncan reads it."""
    response = udsoncan.Response.from_payload(bytes.fromhex(answer))
    assert response.positive, answer
    kind.interpret_response(response, **options)
    return response


# --- published exchanges


def test_session_control() -> None:
    """udsoncan: 50 03 00 32 01 F4 is P2 50 ms, P2* 5000 ms."""
    bench = Bench()
    assert bench.ask("10 03") == ["50 03 00 32 01 F4"]
    data = parsed(services.DiagnosticSessionControl, "50 03 00 32 01 F4", standard_version=2020).service_data
    assert (data.p2_server_max, data.p2_star_server_max) == (0.05, 5.0)
    assert bench.ask("22 F1 86") == ["62 F1 86 03"]


def test_number_of_codes() -> None:
    """udsoncan's test of reportNumberOfDTCByStatusMask: 59 01 mask format count; mask FF, format 1 (ISO 14229-1)."""
    bench = Bench()
    store(bench, "U0100-87", "U0121-87")
    (answer,) = bench.ask("19 01 08")
    assert answer == "59 01 FF 01 00 02"
    data = parsed(services.ReadDTCInformation, "59 01 FB 01 12 34", subfunction=1).service_data
    assert (data.status_availability.get_byte_as_int(), data.dtc_count) == (0xFB, 0x1234)


def test_codes_by_status() -> None:
    """udsoncan reads 59 02 FF C1 00 87 2F C0 73 00 28 as U0100-87 status 2F and U0073-00 status 28."""
    published = "59 02 FF C1 00 87 2F C0 73 00 28"
    bench = Bench("ENG")
    memory = bench.unit.memory
    for text in ("U0073-00", "U0100-87"):
        memory.support(code_number(text))
    store(bench, "U0073-00")
    old = memory.entries[code_number("U0073-00")]
    memory.end_cycle()
    old.begin_cycle()
    old.passed()
    old.end_cycle()
    memory.begin_cycle()
    old.passed()
    store(bench, "U0100-87")
    (answer,) = bench.ask("19 02 09")
    assert answer == "59 02 FF C0 73 00 28 C1 00 87 2F"
    options = {"subfunction": 2, "dtc_snapshot_did_size": 2}
    rows = [
        {(code.id_iso(), code.status.get_byte_as_int()) for code in parsed(
            services.ReadDTCInformation, text, **options
        ).service_data.dtcs}
        for text in (published, answer)
    ]  # fmt: skip
    assert rows[0] == rows[1] == {("U0100-87", 0x2F), ("U0073-00", 0x28)}


def test_an_identifier_nobody_knows() -> None:
    """ISO 14229-1: 7F 22 31 to a physical request, silence to a functional one."""
    bench = Bench()
    assert bench.ask("22 12 34") == ["7F 22 31"]
    assert bench.ask("22 12 34", functional=True) == []


def test_tester_present() -> None:
    """ISO 14229-1: 3E 80 has no answer and keeps the session; 3E 00 is answered."""
    bench = Bench()
    assert bench.ask("3E 00") == ["7E 00"]
    bench.ask("10 03")
    for _ in range(4):
        bench.advance(4 * SECOND_NS)
        assert bench.ask("3E 80") == []
    assert bench.server.session is Session.EXTENDED
    bench.advance(4900 * MS_NS)
    assert bench.server.session is Session.EXTENDED
    bench.advance(200 * MS_NS)
    assert bench.server.session is Session.DEFAULT


# --- each service


def test_snapshots_and_extended_data() -> None:
    """ISO 14229-1, 12.3: records as udsoncan takes them apart; identifier, time in 0.1 s, supply in 10 mV."""
    bench = Bench()
    bench.advance(25 * SECOND_NS)
    store(bench, "U0100-87")
    memory = bench.unit.memory
    number = code_number("U0100-87")
    memory.entries[number].passed()
    memory.report(number, True, Snapshot(70 * SECOND_NS, 11.0, 0x0A0))
    assert bench.ask("19 03") == ["59 03 C1 00 87 01 C1 00 87 02"]
    (answer,) = bench.ask("19 04 C1 00 87 FF")
    first = "01 03 D1 00 00 00 00 FA D1 01 04 EC D1 02 00 00 01 23"
    latest = "02 03 D1 00 00 00 02 BC D1 01 04 4C D1 02 00 00 00 A0"
    assert answer == f"59 04 C1 00 87 2F {first} {latest}"
    codecs = {0xD100: ">L", 0xD101: ">H", 0xD102: ">L"}
    data = parsed(services.ReadDTCInformation, answer, subfunction=4, didconfig=codecs).service_data
    kept = [(one.record_number, one.did, one.data) for one in data.dtcs[0].snapshots]
    assert kept[0][:2] == (1, 0xD100)
    assert kept[0][2] == (250,)
    assert bench.ask("19 04 C1 00 87 02") == [f"59 04 C1 00 87 2F {latest}"]
    assert bench.ask("19 06 C1 00 87 FF") == ["59 06 C1 00 87 2F 01 02 02 00"]
    assert bench.ask("19 06 C1 00 87 01") == ["59 06 C1 00 87 2F 01 02"]
    (listed,) = bench.ask("19 0A")
    data = parsed(services.ReadDTCInformation, listed, subfunction=10).service_data
    assert len(data.dtcs) == len(memory.entries)


def test_clearing() -> None:
    """ISO 14229-1, 12.2: response pending first, since it takes longer than P2; what is cleared is 50."""
    bench = Bench()
    store(bench, "U0100-87", "U0121-87")
    assert bench.ask("14 C1 00 87") == ["7F 14 78", "54"]
    assert bench.ask("19 02 08") == ["59 02 FF C1 21 87 2F"]
    assert bench.ask("14 FF FF FF") == ["7F 14 78", "54"]
    assert bench.ask("19 02 FF")[0].startswith("59 02 FF 07 20 00 50 08 68 00 50 C0 73 88 50 C1 00 87 50")


def test_reading_several_values() -> None:
    """ISO 14229-1, 11.2: each identifier with its data; one that is known is enough."""
    bench = Bench()
    (answer,) = bench.ask("22 F1 86 D1 01 12 34")
    assert answer == "62 F1 86 01 D1 01 04 EC"
    (answer,) = bench.ask("22 F1 90")
    assert bytes.fromhex(answer)[3:].decode() == bench.unit.identity.vehicle_number


def test_writing() -> None:
    """ISO 14229-1, 11.7: in a session of its own, unlocked; slow enough for response pending."""
    bench = Bench()
    record = bytes([0x2E, 0xF1, 0x98]) + b"WORKSHOP 7"
    assert bench.ask(record) == ["7F 2E 7F"]
    bench.ask("10 03")
    assert bench.ask(record) == ["7F 2E 33"]
    bench.unlock()
    assert bench.ask(record) == ["7F 2E 78", "6E F1 98"]
    assert bench.ask("22 F1 98") == ["62 F1 98 " + b"WORKSHOP 7".hex(" ").upper()]


def test_security_access() -> None:
    """ISO 14229-1, 10.4: seed, key, zeros where it is open; three wrong keys, the delay, and again."""
    bench = Bench()
    assert bench.ask("27 01") == ["7F 27 7F"]
    bench.ask("10 03")
    assert bench.ask("27 02 00 00 00 00") == ["7F 27 24"]
    seeds = []
    for refusal in ("35", "35", "36"):
        (seed,) = bench.ask("27 01")
        seeds.append(seed)
        assert bench.ask("27 02 00 00 00 00") == [f"7F 27 {refusal}"]
    assert len(set(seeds)) == 3
    assert bench.ask("27 01") == ["7F 27 37"]
    for _ in range(3):
        bench.advance(4 * SECOND_NS)
        bench.ask("3E 00")
    bench.unlock()
    assert bench.ask("27 01") == ["67 01 00 00 00 00"]
    bench.ask("10 03")
    assert bench.server.lock.level is None
    assert bench.ask("27 11") == ["7F 27 7E"]
    bench.unlock(0x11)
    assert bench.server.lock.level == 0x11


def test_the_delay_survives_a_restart() -> None:
    """ISO 14229-1, 10.4: attempts are remembered, so a reset does not help; own rule: the delay begins anew."""
    bench = Bench()
    bench.ask("10 03")
    for _ in range(3):
        bench.ask("27 01")
        bench.ask("27 02 00 00 00 00")
    bench.unit.switch(bench.t_ns, False)
    bench.advance(SECOND_NS)
    bench.unit.switch(bench.t_ns, True)
    bench.ask("10 03")
    assert bench.ask("27 01") == ["7F 27 37"]


def test_keys_differ_by_constant_and_level() -> None:
    """Own rule: a demonstration, but not one key for everything."""
    keys = {key_of(b"\x12\x34\x56\x78", constant, level) for constant in (1, 2, 0xFFFFFFFF) for level in (1, 0x11)}
    assert len(keys) == 6


def test_communication_control() -> None:
    """ISO 14229-1, 10.5 and 9.2: normal messages off; on again with the default session."""
    bench = Bench()
    bench.ask("10 03")
    assert bench.ask("28 01 01") == ["68 01"]
    assert (bench.server.sends("LINE-1"), bench.server.receives("LINE-1")) == (False, True)
    assert bench.ask("28 03 F1") == ["68 03"]
    assert (bench.server.sends("LINE-1"), bench.server.receives("LINE-1")) == (False, False)
    assert bench.ask("28 00 01") == ["68 00"]
    assert bench.server.sends("LINE-1")
    bench.ask("28 03 03")
    bench.advance(6 * SECOND_NS)
    assert bench.server.sends("LINE-1")


def test_code_setting() -> None:
    """ISO 14229-1, 10.8: no status changes while it is off; on again with the default session."""
    bench = Bench()
    bench.ask("10 03")
    assert bench.ask("85 02") == ["C5 02"]
    store(bench, "U0100-87")
    assert bench.ask("19 02 08") == ["59 02 FF"]
    bench.ask("10 01")
    store(bench, "U0100-87")
    assert bench.ask("19 02 08") == ["59 02 FF C1 00 87 2F"]


def test_reset() -> None:
    """ISO 14229-1, 10.3: the answer first, then the restart."""
    bench = Bench()
    assert bench.ask("11 01") == ["51 01"]
    assert len(bench.restarts) == 1
    assert bench.ask("11 83") == []
    assert len(bench.restarts) == 2


def test_routine() -> None:
    """ISO 14229-1, 14.2: start, results, stop, and what comes out of order."""
    bench = Bench()
    assert bench.ask("31 01 02 01") == ["7F 31 7F"]
    bench.ask("10 03")
    assert bench.ask("31 03 02 01") == ["7F 31 24"]
    assert bench.ask("31 02 02 01") == ["7F 31 24"]
    assert bench.ask("31 01 02 01") == ["71 01 02 01 01"]
    assert bench.ask("31 01 02 01") == ["7F 31 24"]
    assert bench.ask("31 03 02 01") == ["71 03 02 01 01"]
    bench.advance(2 * SECOND_NS)
    assert bench.ask("31 03 02 01") == ["71 03 02 01 00"]
    bench.ask("31 01 02 01")
    assert bench.ask("31 02 02 01") == ["71 02 02 01 03"]


class Guarded(Routine):
    """A routine behind everything that can be asked for."""

    number, name = 0x0300, "guarded"
    option_lengths = (1, 2)
    controls = frozenset({1, 3})

    def start(self, t_ns: int, option: bytes) -> bytes:
        if option[0] > 9:
            raise Refused(Refusal.REQUEST_OUT_OF_RANGE)
        raise Refused(Refusal.BRAKE_SWITCH_NOT_CLOSED)


EXTENDED, UNLOCKED = "extended", "unlocked"


@pytest.mark.parametrize(
    ("before", "request_hex", "refusal"),
    [
        # service, then session, then length, sub-function, sub-function in this session
        ("", "BA", 0x11),
        ("", "BA 00 00", 0x11),
        ("", "27", 0x7F),
        ("", "27 99", 0x7F),
        ("", "10", 0x13),
        ("", "10 07", 0x12),
        ("", "10 07 00", 0x12),
        ("", "10 03 00", 0x13),
        ("", "11 04", 0x12),
        ("", "11 01 00", 0x13),
        ("", "3E", 0x13),
        ("", "3E 01", 0x12),
        ("", "3E 00 00", 0x13),
        (EXTENDED, "27 03", 0x12),
        (EXTENDED, "27 11", 0x7E),
        (EXTENDED, "27 01 00", 0x13),
        # clearing and reading codes
        ("", "14 FF FF", 0x13),
        ("", "14 FF FF FF 00", 0x13),
        ("", "14 12 34 56", 0x31),
        ("", "19", 0x13),
        ("", "19 55", 0x12),
        ("", "19 02", 0x13),
        ("", "19 02 FF 00", 0x13),
        ("", "19 04 C1 00 87", 0x13),
        ("", "19 04 12 34 56 FF", 0x31),
        ("", "19 04 C1 00 87 07", 0x31),
        ("", "19 06 C1 00 87 07", 0x31),
        ("", "19 0A 00", 0x13),
        # reading and writing
        ("", "22", 0x13),
        ("", "22 F1", 0x13),
        ("", "22 F1 90 F1", 0x13),
        ("", "22" + " F1 86" * 17, 0x13),
        ("", "22 01 00", 0x31),
        (EXTENDED, "22 01 00", 0x33),
        (EXTENDED, "2E F1 98", 0x13),
        (EXTENDED, "2E 12 34 00", 0x31),
        (EXTENDED, "2E F1 90 00", 0x31),
        (EXTENDED, "2E F1 98 00", 0x33),
        (UNLOCKED, "2E F1 98 00", 0x13),
        (UNLOCKED, "2E 01 00 FF", 0x72),
        # communication and settings
        ("", "28 00 01", 0x7F),
        (EXTENDED, "28 09 01", 0x12),
        (EXTENDED, "28 00", 0x13),
        (EXTENDED, "28 00 01 00", 0x13),
        (EXTENDED, "28 00 00", 0x31),
        (EXTENDED, "28 00 51", 0x31),
        (EXTENDED, "85 03", 0x12),
        (EXTENDED, "85 01 00", 0x13),
        # routines: number, security, control, length, options, conditions
        (EXTENDED, "31 01 03", 0x13),
        (EXTENDED, "31 05 03 00", 0x12),
        (EXTENDED, "31 01 77 77", 0x31),
        (EXTENDED, "31 01 03 00", 0x33),
        (UNLOCKED, "31 02 03 00", 0x12),
        (UNLOCKED, "31 01 03 00", 0x13),
        (UNLOCKED, "31 03 03 00 01", 0x13),
        (UNLOCKED, "31 01 03 00 0A", 0x31),
        (UNLOCKED, "31 01 03 00 05", 0x8F),
        # the bit that suppresses a positive response suppresses no refusal
        ("", "3E 81", 0x12),
        ("", "10 83 00", 0x13),
    ],
)
def test_refusals_in_the_order_of_the_standard(before: str, request_hex: str, refusal: int) -> None:
    """ISO 14229-1, 8.7, and the figure of each service; codes by annex A.1."""
    bench = Bench()
    bench.server.add_routine(Guarded())

    def broken(t_ns: int, data: bytes) -> None:
        raise Refused(Refusal.GENERAL_PROGRAMMING_FAILURE)

    bench.server.add_data(
        DataIdentifier(
            0x0100,
            "secret",
            lambda t_ns: b"\x01",
            broken,
            1,
            read_sessions=frozenset({Session.EXTENDED}),
            read_level=1,
        )
    )
    if before == UNLOCKED:
        bench.unlock()
    elif before:
        bench.ask("10 03")
    service = bytes.fromhex(request_hex)[0]
    assert bench.ask(request_hex) == [f"7F {service:02X} {refusal:02X}"]
    silent = refusal in (0x11, 0x12, 0x31, 0x7E, 0x7F)
    if len(bytes.fromhex(request_hex)) <= 7:
        again = bench.ask(request_hex, functional=True)
        assert again == ([] if silent else [f"7F {service:02X} {refusal:02X}"])


def test_names_of_refusals() -> None:
    """udsoncan's names of the negative response codes, ISO 14229-1 annex A.1."""
    theirs = {
        value: name for name, value in vars(udsoncan.Response.Code).items() if isinstance(value, int) and name[0] != "_"
    }
    for code in Refusal:
        if code in theirs:
            assert theirs[code].lower()[:6] == code.words.lower()[:6], (code, theirs[code])


# --- timing


def test_answers_come_after_five_milliseconds_and_pending_before_p2() -> None:
    """ISO 14229-2: the first answer within P2 (50 ms), whatever it is; then within P2* (5 s)."""
    bench = Bench()
    waits: list[int] = []

    def slow(t_ns: int, data: bytes) -> None:
        waits.append(t_ns)

    bench.server.add_data(DataIdentifier(0x0101, "slow", None, slow, 1, level=None, write_ns=12 * SECOND_NS))
    bench.ask("10 03")
    t_ns = bench.t_ns
    bench.ask("3E 00")
    assert bench.t_ns - t_ns == 5 * MS_NS
    t_ns = bench.t_ns
    assert bench.ask("2E 01 01 00") == ["7F 2E 78"] * 3 + ["6E 01 01"]
    assert waits == [t_ns + 12 * SECOND_NS]
    assert bench.server.session is Session.EXTENDED


def test_suppressed_answer_after_pending_is_sent() -> None:
    """ISO 14229-1, 8.7: after 0x78 the final response is sent even if the tester wanted none."""
    bench = Bench()

    class Slow(Routine):
        number, level = 0x0302, None

        def start(self, t_ns: int, option: bytes) -> Later:
            return Later(100 * MS_NS, lambda then_ns: b"\x07")

    bench.server.add_routine(Slow())
    bench.ask("10 03")
    assert bench.ask("31 81 02 01") == []
    assert bench.ask("31 81 03 02") == ["7F 31 78", "71 01 03 02 07"]


def test_busy() -> None:
    """ISO 14229-1 annex A.1: 0x21 while another request is worked on; 3E 80 is taken all the same.

    Each answer goes where its request came from, also when that is another network (own rule).
    """
    bench = Bench()
    finish: Callable[[int, bytes], None] = lambda t_ns, data: None  # noqa: E731
    bench.server.add_data(DataIdentifier(0x0101, "slow", None, finish, 1, level=None, write_ns=SECOND_NS))
    bench.ask("10 03")
    bench.server.request(Request(bench.t_ns, bytes.fromhex("2E010100"), network="LINE-1"))
    bench.server.request(Request(bench.t_ns, bytes.fromhex("3E80"), network="LINE-1"))
    bench.server.request(Request(bench.t_ns, bytes.fromhex("22F186"), network="LINE-2"))
    out = [bench.server.due(bench.t_ns + 5 * MS_NS), bench.server.due(bench.t_ns + 40 * MS_NS)]
    answers = [[(network, data.hex()) for network, data in each] for each in out]
    assert answers == [[("LINE-2", "7f2221")], [("LINE-1", "7f2e78")]]


def test_a_session_does_not_end_while_a_request_comes() -> None:
    """ISO 14229-2: S3 stands still from the first frame of a request on."""
    bench = Bench()
    bench.ask("10 03")
    bench.advance(4900 * MS_NS)
    assert len(bench.ask(bytes([0x22]) + b"\xf1\x86" * 8)[0].split()) == 25
    bench.advance(4900 * MS_NS)
    assert bench.server.session is Session.EXTENDED
