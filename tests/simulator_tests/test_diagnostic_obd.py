"""What a server answers to SAE J1979: stored codes, services, readiness of its monitors.

Sources: beside each check; from memory where no public text repeats it.
"""

from __future__ import annotations

import pytest
from diagnostic_bench import SECOND_NS, Bench, store
from scapy.contrib.automotive.obd.pid.pids_00_1F import OBD_PID01

from simulator.diagnostics import (
    Status,
    World,
    code_number,
)


@pytest.mark.parametrize(("codes", "answer"), [(["P0143-00"], "43 01 01 43"), ([], "43 00")])
def test_codes_of_sae_j1979(codes: list[str], answer: str) -> None:
    """Public example: service 03 with P0143 is 43 01 01 43 (frame 04 43 01 01 43), without a code 43 00."""
    bench = Bench("ENG")
    store(bench, *codes)
    assert bench.ask("03") == [answer]
    assert bench.ask("03", functional=True) == [answer]


def test_services_of_sae_j1979() -> None:
    """SAE J1979: masks of what is there, vehicle number in one response, clearing, no answer to what is not there."""
    bench = Bench("ENG")
    store(bench, "U0101-87", "U0101-83", "P0143-00")
    assert bench.ask("07") == ["47 02 01 43 C1 01"]
    assert bench.ask("01 00") == ["41 00 80 00 00 11"]
    assert bench.ask("01 20 40") == ["41 20 00 00 00 01 40 C0 00 00 00"]
    assert bench.ask("01 01") == ["41 01 03 44 00 00"]
    assert bench.ask("01 42 1C") == ["41 42 31 38 1C 06"]
    assert bench.ask("09 00") == ["49 00 50 40 00 00"]
    (number,) = bench.ask("09 02")
    assert bytes.fromhex(number)[:3] == b"\x49\x02\x01"
    assert bytes.fromhex(number)[3:].decode() == bench.unit.identity.vehicle_number
    assert len(bytes.fromhex(number)) == 20
    assert bench.ask("01 0C") == []
    assert bench.ask("09 55") == []
    assert bench.ask("04") == ["7F 04 78", "44"]
    assert bench.ask("07") == ["47 00"]
    assert bench.ask("0A") == ["4A 00"]
    # a module with another address has none of these services
    assert Bench("BRK").ask("03") == ["7F 03 11"]
    assert Bench("BRK").ask("03", functional=True) == []


def monitors(bench: Bench, identifier: str = "01") -> tuple[bool, int, set[str], set[str]]:
    """Lamp, number of codes, which continuous monitors there are and which have not completed, as scapy reads them."""
    (answer,) = bench.ask(f"01 {identifier}")
    read = OBD_PID01(bytes.fromhex(answer)[2:])
    assert int(read.once_per_trip_tests_supported) == int(read.once_per_trip_tests_ready) == 0
    supported, unready = (
        set(str(flags).split("+")) - {""} for flags in (read.continuous_tests_supported, read.continuous_tests_ready)
    )
    return bool(read.mil), read.dtc_count, supported, unready


def test_readiness_says_whether_the_monitors_have_run() -> None:
    """SAE J1979, service 01, 0x01 and 0x41: byte A the lamp and the number of codes (reserved in 0x41).

    Byte B: bit 2 the monitor of components, bit 6 that it has not completed; read in scapy's layer and in public lists
    of identifiers. Completed: as the status bits of ISO 14229-1, annex D.2, say, 4 since the clear, 6 in this cycle.
    """
    bench = Bench("ENG")
    components = {"components"}
    assert monitors(bench) == (False, 0, components, components)
    assert monitors(bench, "41") == (False, 0, components, components)
    bench.advance(8 * SECOND_NS)
    memory = bench.unit.memory
    open_bits = Status.NOT_COMPLETED_SINCE_CLEAR | Status.NOT_COMPLETED_THIS_CYCLE
    assert not any(entry.status & open_bits for entry in memory.entries.values() if entry.tested)
    assert monitors(bench) == monitors(bench, "41") == (False, 0, components, set())
    # the next cycle: not yet in this one, but since the clear
    for on in (False, True):
        bench.unit.settle(bench.t_ns, World(on, on, 12.6))
    assert monitors(bench) == (False, 0, components, set())
    assert monitors(bench, "41") == (False, 0, components, components)
    bench.advance(8 * SECOND_NS)
    store(bench, "U0101-87")
    lamp = bench.unit.description.diagnostics.lamp
    assert monitors(bench) == (lamp, 1, components, set())
    assert monitors(bench, "41")[:2] == (False, 0)
    bench.ask("04")
    assert monitors(bench) == (False, 0, components, components)


def test_monitors_of_the_road_are_among_them_and_codes_without_a_test_are_not() -> None:
    """After a clear the gearbox's have not run before the road test; a code that is only reported waits for none.

    Which tests the monitor of components stands for: own choice, all whose codes the module has.
    """
    bench = Bench("GBX")
    bench.unit.memory.support(code_number("P0700-00"), tested=False)
    bench.advance(8 * SECOND_NS)
    assert monitors(bench)[3] == set()
    assert monitors(bench, "41")[3] == {"components"}
    bench.ask("14 FF FF FF")
    bench.advance(8 * SECOND_NS)
    assert monitors(bench)[3] == {"components"}
    for text in ("P0720-00", "P0868-00"):
        bench.unit.check.report(bench.t_ns, code_number(text), failed=False)
    assert monitors(bench)[3] == monitors(bench, "41")[3] == set()
