"""Lines so long beside the bit that edges arrive too late: there and back must be before the sample point."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from bit_bench import BitBench
from datalink_traffic import Driven, submissions
from small_vehicle import three_modules

from simulator.circuit.waveform import LOOP_DELAY_NS
from simulator.datalink.bitwise import Bitwise
from simulator.datalink.controller import Outcome, Wiring
from simulator.distance import delays_ns
from simulator.kernels import quanta
from simulator.reach import longest_bus_m, reach
from simulator.record import FrameRecord
from simulator.simulation import Simulation
from simulator.vehicle import Fixed, Run, Vehicle

DELAY_NS_PER_M = 5.0


class Afar(Bitwise):
    """The bit-level medium with edges under way, although they arrive at once."""

    def rewire(self, t_ns: int, wiring: Wiring) -> None:
        nodes = tuple(wiring.hearers)
        super().rewire(t_ns, replace(wiring, delays_ns={(one, other): 0.0 for one in nodes for other in nodes}))


@pytest.mark.parametrize("seed", range(4))
def test_edges_that_arrive_at_once_are_no_edges_under_way(seed: int) -> None:
    """Own proof, no source: with delays of 0 the log is that of controllers in step, CAN FD too."""
    names = [f"N{number}" for number in range(2 + seed)]
    fd = seed % 2 == 1
    frames = submissions(seed, names, 0.05, 0.6, 500_000, fd=fd)
    options = {"data_bit_rate": 2_000_000, "data_sample_point": 0.8} if fd else {}
    runs = [Driven(make, names, 500_000, **options) for make in (Bitwise, Afar)]
    for run in runs:
        run.feed(frames, 100_000_000)
    assert len(runs[0].log) > 10
    assert runs[0].log == runs[1].log


def line_bench(
    bit_rate: int, length_m: float, *, sample_point: float = 0.8, middle: bool = True, **wiring: object
) -> BitBench:
    """A and B at the ends of a line, C in its middle."""
    places = {"A": 0.0, "B": length_m} | ({"C": length_m / 2} if middle else {})
    bench = BitBench(*places, bit_rate=bit_rate, sample_point=sample_point, settled=False)
    delays = {
        (one, other): LOOP_DELAY_NS + abs(here - there) * DELAY_NS_PER_M if one != other else 0.0
        for one, here in places.items()
        for other, there in places.items()
    }
    bench.wire(*places, delays_ns=delays, **wiring)
    bench.run(100 * bench.bit_ns)
    return bench


def far_kinds(length_m: float) -> set[tuple[str, str]]:
    """What is noticed at both ends of a line that is much too long."""
    bench = line_bench(500_000, length_m, sample_point=0.75)
    talk(bench)
    return {*bench.kinds("A"), *bench.kinds("B")}


def talk(bench: BitBench) -> Counter[Outcome]:
    """Both ends begin together, twenty times: arbitration over the line, then acknowledgements over the line."""
    for number in range(20):
        bench.send("A", 0x100 + 2 * number, bytes([number] * 8))
        bench.send("B", 0x127 - 2 * number, b"\x55" * 8)
        bench.run(bench.t_ns + 400 * bench.bit_ns)
    return Counter(one.outcome for one in bench.attempts)


@pytest.mark.parametrize(("bit_rate", "length_m"), [(1_000_000, 40), (500_000, 100), (250_000, 250), (125_000, 500)])
def test_published_lengths_work(bit_rate: int, length_m: float) -> None:
    """CiA 301 and ISO 11898-2: 40 m at 1 Mbit/s; up to 100 m at 500 kbit/s, 250 at 250, 500 at 125 (common tables)."""
    assert talk(line_bench(bit_rate, length_m)) == {Outcome.OK: 40}


@pytest.mark.parametrize("bit_rate", [500_000, 1_000_000])
@pytest.mark.parametrize("sample_point", [0.75, 0.8, 0.875])
def test_the_longest_bus_is_where_it_is_computed(bit_rate: int, sample_point: float) -> None:
    """Philips AN96116 eq. 5: the bit must be there and back by the sample point; ACK comes too late else."""
    longest_m = longest_bus_m(bit_rate, sample_point, LOOP_DELAY_NS, DELAY_NS_PER_M)
    within = line_bench(bit_rate, 0.98 * longest_m, sample_point=sample_point, middle=False)
    assert talk(within) == {Outcome.OK: 40}
    bench = line_bench(bit_rate, 1.02 * longest_m, sample_point=sample_point, middle=False)
    assert talk(bench)[Outcome.NOT_ACKNOWLEDGED] > 20
    assert ("ack", "ACK slot") in {*bench.kinds("A"), *bench.kinds("B")}


def test_an_acknowledgement_from_nearer_helps_by_the_jump_width() -> None:
    """Bosch CAN 2.0, 13.9.4: a transmitter gives way to late edges of others while it sends recessive itself."""
    longest_m = longest_bus_m(500_000, 0.75, LOOP_DELAY_NS, DELAY_NS_PER_M)
    assert talk(line_bench(500_000, 1.02 * longest_m, sample_point=0.75)) == {Outcome.OK: 40}
    assert ("form", "ACK delimiter") in far_kinds(1.3 * longest_m)


@pytest.mark.parametrize(("per_mille", "works"), [(4, True), (30, False)])
def test_soft_synchronisation_works_over_a_long_line(per_mille: int, works: bool) -> None:
    """Bosch CAN 2.0, 13.9 and 13.11: what a node gives way to is the edge that has come to it."""
    bench = line_bench(500_000, 100, rates={"B": 500_000 + 500 * per_mille})
    assert (talk(bench) == {Outcome.OK: 40}) == works


def with_length(length_m: float, bit_rate: int) -> Vehicle:
    """The small vehicle with a last run so long; from GBX to CLU it is 4.3 m more than that."""
    vehicle = three_modules()
    network = vehicle.networks["LINE-1"]
    runs = (*network.runs[:-1], Run("DLC-CLU", "DLC", "CLU", length_m))
    network = replace(network, runs=runs, bit_rate=bit_rate)
    return replace(vehicle, networks=Fixed({"LINE-1": network}))


@pytest.mark.parametrize(("bit_rate", "works_m", "fails_m"), [(500_000, 120, 132), (1_000_000, 42, 52)])
def test_a_vehicle_with_a_long_line(bit_rate: int, works_m: float, fails_m: float) -> None:
    """``reach`` and the run agree: a margin, and all frames arrive; none, and acknowledgements come too late."""
    for length_m, works in ((works_m, True), (fails_m, False)):
        vehicle = with_length(length_m, bit_rate)
        assert (reach(vehicle, vehicle.network()).margin_ns > 0) == works
        simulation = Simulation(vehicle)
        records: list[FrameRecord] = []
        simulation.subscribe(records.append)
        simulation.advance(0.3)
        assert len(records) > 30
        assert ({one.outcome for one in records} == {"ok"}) == works


def test_ordinary_vehicles_have_no_delays() -> None:
    """Own rule: where every round trip ends long before the sample point, no bit is read otherwise."""
    vehicle = three_modules()
    places = {name: name for name in vehicle.modules} | {"tester": "DLC"}
    assert delays_ns(vehicle, vehicle.network(), places) == {}
    longer = with_length(110, 500_000)
    found = delays_ns(longer, longer.network(), places)
    assert found["ENG", "CLU"] == found["CLU", "ENG"] == pytest.approx(150 + 5 * 113)
    assert found["tester", "GBX"] == pytest.approx(150 + 5 * 1.3)


def test_compiled_or_not_it_is_the_same() -> None:
    """Own proof, no source: the kernel in plain Python and compiled give one log."""
    logs = []
    kernel = quanta.run_quanta
    for run in (kernel.plain, kernel.compiled):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(quanta, "run_quanta", run)
            bench = line_bench(500_000, 128.0)
            talk(bench)
            attempts = [(*one[:3], one.frame.frame_id, *one[4:]) for one in bench.attempts]
            logs.append((attempts, bench.troubles, bench.changes))
    assert len(logs[0][0]) > 30
    assert logs[0] == logs[1]
