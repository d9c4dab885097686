"""Vehicles in traffic while faults come and go by lot: what every controller must keep to, whatever happens.

Rules: Bosch CAN Specification 2.0 (1991), part B, 10.6 (validity of frames), 12.2 (counters, states, recovery).
"""

from __future__ import annotations

import contextlib
import random

import pytest
from small_vehicle import gateway_vehicle, three_modules

import faults
from simulator.datalink.trouble import Trouble
from simulator.errors import BadRequest
from simulator.reader import find_vehicle, load_vehicle
from simulator.record import Event, FrameRecord
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle

VEHICLES = [load_vehicle(find_vehicle("pipkin")), three_modules(), gateway_vehicle()]
CATALOGUES = [faults.catalogue(vehicle) for vehicle in VEHICLES]
SECONDS = 0.06
#: 128 times 11 recessive bits (rule 12).
RECOVERY_BITS = 128 * 11
#: An error there comes after the last but one bit of EOF has made the frame valid for receivers; and an error passive
#: transmitter shows nothing of one it finds in the recessive end of a frame (ISO 11898-1:2015).
LATE, RECESSIVE_END = {"EOF"}, {"CRC delimiter", "ACK slot", "ACK delimiter"}


class Traffic:
    """A vehicle with one to three faults that come and go every few milliseconds, and all it tells."""

    def __init__(self, seed: int) -> None:
        draw = random.Random(seed)
        which = draw.randrange(len(VEHICLES))
        self.vehicle: Vehicle = VEHICLES[which]
        self.simulation = Simulation(self.vehicle, seed=seed)
        self.troubles: list[tuple[str, Trouble]] = []
        self.records: list[FrameRecord] = []
        self.events: list[Event] = []
        self.simulation.overhear(lambda network, trouble: self.troubles.append((network, trouble)))
        self.simulation.subscribe(self.records.append)
        self.simulation.notice(self.events.append)
        for _ in range(draw.randrange(1, 4)):
            times = draw.uniform(0, 0.03), draw.uniform(0.0005, 0.01), draw.uniform(0.0005, 0.01)
            text = f"{draw.choice(CATALOGUES[which])} from_s={times[0]:.6f} on_s={times[1]:.6f} off_s={times[2]:.6f}"
            with contextlib.suppress(BadRequest):
                self.simulation.inject(faults.parse(text))
        with contextlib.suppress(BadRequest):  # two that contradict each other, at the moment they meet
            self.simulation.advance(SECONDS)

    def check_counters(self) -> None:
        """In their ranges after every error, and at the end; a state is what the counters make it (rules 9 to 11)."""
        for _, one in self.troubles:
            if one.kind not in ("lost arbitration", "overload"):
                assert 0 <= one.transmit_errors < 256 + 8
                assert 0 <= one.receive_errors < 256
        for network in self.vehicle.networks:
            for name in self.vehicle.modules:
                sent, received = self.simulation.counters(network, name)
                status = self.simulation.status(network, name)
                assert (status == "bus off") == (sent >= 256)
                assert (status == "error passive") == (sent < 256 and max(sent, received) >= 128)

    def fastest(self, event: Event) -> int:
        """The bit rate by which a controller counts, at most: a fault may give it one of its own."""
        own = [fault.bit_rate for fault in self.simulation.faults if isinstance(fault, faults.WrongBitRate)]
        return max(self.vehicle.network(event.network).bit_rate, *own, 0)

    def check_recovery(self) -> int:
        """Who was bus-off is not back before the rule allows; how many came back."""
        off: dict[tuple[str | None, str], int] = {}
        back = 0
        for event in self.events:
            key = event.network, event.name
            if event.kind == "controller" and event.what == "bus off":
                off[key] = event.t_ns
            elif event.kind == "controller" and event.what == "error active" and key in off:
                assert event.network is not None
                assert event.t_ns - off.pop(key) >= RECOVERY_BITS * 1e9 / self.fastest(event) - 1
                back += 1
            elif event.kind == "state" and event.what != "awake":
                off = {one: t_ns for one, t_ns in off.items() if one[1] != event.name}
        for (network, name), t_ns in off.items():  # and nobody stays off on a bus that has been free for long enough
            assert network is not None
            quiet = not any(record.network == network and record.t_end_ns > t_ns for record in self.records)
            waited = (self.simulation.t_ns - t_ns) * self.vehicle.networks[network].bit_rate / 1e9
            held = self.simulation.faults_in_force
            assert not quiet or held or waited < RECOVERY_BITS + 20, name
        return back

    def check_frames(self) -> int:
        """No frame with wrong data; one whose transmitter failed is nobody's, but in the cases the standard names."""
        assert not [one for _, one in self.troubles if one.kind == "undetected"]
        split = 0
        for record in self.records:
            if record.outcome == "ok" or not record.received_by:
                continue
            own = [
                one
                for network, one in self.troubles
                if (network, one.node) == (record.network, record.transmitter)
                and record.t_start_ns < one.t_ns <= record.t_end_ns
                and one.kind not in ("overload", "lost arbitration")
            ]
            first = own[0]
            passive = max(first.transmit_errors, first.receive_errors) >= 128
            # parted from the others after the CRC: they acknowledge among themselves, and it hears nobody
            parted = first.kind == "ack" and any(
                event.kind == "fault" and record.t_start_ns < event.t_ns <= first.t_ns for event in self.events
            )
            assert first.place in LATE or (passive and first.place in RECESSIVE_END) or parted, (record, first)
            split += 1
        return split


def check(seeds: range) -> tuple[int, int]:
    """All rules over some seeds: how many controllers came back, how many frames were not agreed on."""
    back = split = 0
    for seed in seeds:
        traffic = Traffic(seed)
        traffic.check_counters()
        back += traffic.check_recovery()
        split += traffic.check_frames()
    return back, split


@pytest.mark.parametrize("block", [0, 1, *(pytest.param(block, marks=pytest.mark.slow) for block in (2, 3))])
def test_rules_hold_while_faults_come_and_go(block: int) -> None:
    check(range(10 * block, 10 * block + 10))


def test_controllers_go_off_and_come_back_in_these_runs() -> None:
    """The runs above are worth something: bus-off and recovery do occur in them."""
    back, _ = check(range(40, 60))
    assert back > 5


@pytest.mark.slow
@pytest.mark.parametrize("block", range(40))
def test_rules_hold_for_long(block: int) -> None:
    """The same over 1,000 more seeds."""
    check(range(1000 + 25 * block, 1025 + 25 * block))
