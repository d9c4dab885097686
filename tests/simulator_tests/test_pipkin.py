"""The Pipkin, the demo vehicle of the first level: its file, its database, and what a good meter should read on it."""

from __future__ import annotations

from pathlib import Path

import cantools
import pytest
from cantools.database.can import Database, Message

import dbc_demo
import faults
from simulator.calculator import expected_resistance
from simulator.circuit import Circuit
from simulator.condition import DEAD, Condition, ModuleState
from simulator.datalink.frame import encode
from simulator.reader import load_vehicle
from simulator.vehicle import Vehicle

FOLDER = Path(next(iter(dbc_demo.__path__))) / "pipkin"


@pytest.fixture(scope="module")
def pipkin() -> Vehicle:
    return load_vehicle(FOLDER / "vehicle.yaml")


@pytest.fixture(scope="module")
def database() -> Database:
    loaded = cantools.database.load_file(FOLDER / "pipkin.dbc", strict=True)
    assert isinstance(loaded, Database)
    return loaded


def ohm_at(vehicle: Vehicle, place: str, condition: Condition = DEAD) -> float:
    """High to low at a place, everything off."""
    rows = expected_resistance(vehicle, vehicle.network(), condition)
    ohm = next(row.ohm for row in rows if row.place == place)
    assert ohm is not None
    return ohm


def test_what_the_socket_reads(pipkin: Vehicle) -> None:
    # By hand: two terminators of 120 ohm behind about 6.65 m of pair each, in parallel with six inputs of 30 kohm.
    side = 120 + 2 * 6.65 * 0.052
    by_hand = 1 / (2 / side + 6 / 30_000)
    assert ohm_at(pipkin, "DLC") == pytest.approx(by_hand, abs=0.02)
    assert f"{ohm_at(pipkin, 'DLC'):.1f}" == "59.6"


def test_known_faults_read_as_a_workshop_expects(pipkin: Vehicle) -> None:
    # Common practice, no source: one terminator lost 118-120 ohm, a third one 40, a leak of 60 ohm 30.
    def read(text: str) -> float:
        return ohm_at(faults.parse(text).apply(pipkin), "DLC")

    assert 116 < read("missing_terminator at=ENG") < 120
    assert 39 < read("extra_terminator at=DLC") < 41
    assert 29 < read("short between=high-low at=DLC ohm=60") < 31
    assert read("open line=both at=GBX") == pytest.approx(ohm_at(pipkin, "DLC"), abs=0.2)


def test_the_bulkhead_connector_halves_the_line(pipkin: Vehicle) -> None:
    parted = Condition(battery_on=False, ignition_on=False, parted=frozenset({("LINE-1", "S2")}))
    for place in ("ENG", "S2", "S2.off", "DLC", "CLU"):
        assert 118 < ohm_at(pipkin, place, parted) < 120


def test_who_is_awake(pipkin: Vehicle) -> None:
    assert set(Circuit(pipkin, Condition()).states.values()) == {ModuleState.AWAKE}
    assert set(Circuit(pipkin, Condition(ignition_on=False)).states.values()) == {ModuleState.ASLEEP}
    # Without the fuse that wakes most, the brakes (their own fuse) and the body (no wake pin) are left.
    states = Circuit(faults.parse("power_dropout fuse=R1").apply(pipkin), Condition()).states
    assert {name for name, state in states.items() if state is ModuleState.AWAKE} == {"BRK", "BDY"}


def test_cycle_times_and_senders(pipkin: Vehicle) -> None:
    cycles = {"ENG": 10, "GBX": 20, "BRK": 20, "STA": 50, "BDY": 100, "CLU": 100}
    for message in pipkin.network().messages:
        assert message.sender is not None
        assert message.cycle_ms == cycles[message.sender]
    assert {message.sender for message in pipkin.network().messages} == set(pipkin.modules)


def test_the_load_of_the_line_is_that_of_a_real_one(database: Database) -> None:
    # From memory: networks in cars are laid out for a quarter to under a half of their bit rate.
    def load(byte: int) -> float:
        lengths = (
            (encode(message.frame_id, bytes([byte]) * message.length).length + 3) / (message.cycle_time / 1000)
            for message in database.messages
            if message.cycle_time
        )
        return sum(lengths) / 500_000

    assert 0.24 < load(0x35) < load(0x00) < 0.40


def crc8(data: bytes) -> int:
    """CRC-8 of SAE J1850, bit by bit."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1) ^ (0x1D if crc & 0x80 else 0)
            crc &= 0xFF
    return crc ^ 0xFF


def test_the_checksum_the_database_describes() -> None:
    # The published check value of CRC-8/SAE-J1850 (polynomial 0x1D): 0x4B for the text 123456789.
    assert crc8(b"123456789") == 0x4B


def guarded(database: Database) -> list[Message]:
    return [message for message in database.messages if any(s.name.endswith("_Checksum") for s in message.signals)]


def test_guarded_messages_have_counter_and_checksum_in_their_last_bytes(database: Database) -> None:
    assert len(guarded(database)) >= 10
    for message in guarded(database):
        counter = message.get_signal_by_name(f"{message.name}_Counter")
        checksum = message.get_signal_by_name(f"{message.name}_Checksum")
        assert (counter.start, counter.length) == (48, 4)
        assert (checksum.start, checksum.length) == (56, 8)
        assert "J1850" in str(checksum.comment)


def test_the_database_uses_what_databases_can(database: Database) -> None:
    signals = [signal for message in database.messages for signal in message.signals]
    assert {signal.byte_order for signal in signals} == {"little_endian", "big_endian"}
    assert any(signal.is_signed for signal in signals)
    assert any(signal.offset for signal in signals)
    assert any(signal.choices for signal in signals)
    for signal in signals:
        assert signal.minimum is not None
        assert signal.maximum is not None


def test_every_signal_survives_being_sent(database: Database) -> None:
    for message in database.messages:
        for pick in ("minimum", "maximum"):
            values = {signal.name: getattr(signal, pick) for signal in message.signals}
            data = message.encode(values, strict=True)
            back = message.decode(data, decode_choices=False)
            for signal in message.signals:
                assert back[signal.name] == pytest.approx(values[signal.name], abs=signal.scale), signal.name
