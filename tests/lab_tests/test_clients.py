"""Other people's diagnostic clients, unchanged, against simulated modules over the simulated bus on the wall clock.

Sources: udsoncan over can-isotp (each with its own threads and clock), and scapy's ISO-TP socket and UDS layer. They
are written against the standards, not against this project.
"""

from __future__ import annotations

import time
from collections.abc import Iterator

import can
import isotp
import pytest
import udsoncan
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection
from udsoncan.exceptions import NegativeResponseException, TimeoutException

from simulator.diagnostics import key_of
from simulator.loaded import identity_of
from simulator.reader import find_vehicle, load_vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))


@pytest.fixture
def bus() -> Iterator[can.BusABC]:
    """The gearbox is dead: a code to read in the engine."""
    with can.Bus(interface="sixtyohm", channel="pipkin/LINE-1", clock="wall", fault="dead_module module=GBX") as bus:
        yield bus


def keys(level: int, seed: bytes, params: int) -> bytes:
    """The key algorithm, as udsoncan asks for it."""
    return key_of(seed, params, level)


CONFIG = {
    **udsoncan.configs.default_client_config,
    "data_identifiers": {0xF190: udsoncan.AsciiCodec(17), 0xF198: udsoncan.AsciiCodec(10), 0xD101: ">H"},
    "security_algo": keys,
    "security_algo_params": identity_of(PIPKIN, "ENG").security_constant,
    "exception_on_unexpected_response": True,
    "request_timeout": 5,
    "p2_timeout": 4,
    # 50 ms of the wall clock are too short for a test machine that does other things as well
    "use_server_timing": False,
}


@pytest.fixture
def client(bus: can.BusABC) -> Iterator[Client]:
    """udsoncan's client to the engine, through can-isotp."""
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
    notifier = can.Notifier(bus, [], timeout=0.05)
    stack = isotp.NotifierBasedCanStack(bus, notifier, address=address, params={"tx_padding": 0xCC, "blocksize": 3})
    try:
        with Client(PythonIsoTpConnection(stack), config=CONFIG) as client:
            yield client
    finally:
        notifier.stop()


def test_udsoncan_session_security_and_writing(client: Client) -> None:
    """Sessions, seed and key, several frames both ways, a value written and read back."""
    response = client.change_session(3)
    assert response.service_data.p2_server_max == 0.05
    assert client.read_data_by_identifier_first([0xF190]) == identity_of(PIPKIN, "ENG").vehicle_number
    with pytest.raises(NegativeResponseException) as refused:
        client.write_data_by_identifier(0xF198, "BENCH-0007")
    assert refused.value.response.code_name == "SecurityAccessDenied"
    client.unlock_security_access(1)
    client.write_data_by_identifier(0xF198, "BENCH-0007")
    assert client.read_data_by_identifier_first([0xF198]) == "BENCH-0007"
    client.tester_present()


def test_udsoncan_codes(client: Client, bus: can.BusABC) -> None:
    """Codes by status, their snapshot, clearing with response pending, and the code that comes again."""
    end = time.monotonic() + 20
    codes: list[str] = []
    while not codes and time.monotonic() < end:
        codes = [dtc.id_iso() for dtc in client.get_dtc_by_status_mask(0x08).service_data.dtcs]
        time.sleep(0.1)
    assert codes == ["U0101-87"]
    config = {0xD100: ">L", 0xD101: ">H", 0xD102: ">L"}
    client.set_config("data_identifiers", config)
    (snapshot, *_) = client.get_dtc_snapshot_by_dtc_number(0xC10187, 1).service_data.dtcs[0].snapshots
    assert (snapshot.record_number, snapshot.did) == (1, 0xD100)
    client.clear_dtc(0xFFFFFF)
    assert client.get_dtc_by_status_mask(0x08).service_data.dtcs == []


def test_udsoncan_routine_and_settings(client: Client) -> None:
    """Routine control, normal messages off and on, code setting, a reset; refusals by their names."""
    with pytest.raises(NegativeResponseException) as refused:
        client.start_routine(0x0201)
    assert refused.value.response.code_name == "ServiceNotSupportedInActiveSession"
    client.change_session(3)
    assert client.start_routine(0x0201).service_data.routine_status_record == b"\x01"
    assert client.get_routine_result(0x0201).service_data.routine_status_record in (b"\x00", b"\x01")
    client.communication_control(1, 1)
    client.communication_control(0, 1)
    client.control_dtc_setting(2)
    client.control_dtc_setting(1)
    with pytest.raises(NegativeResponseException) as refused:
        client.start_routine(0x7777)
    assert refused.value.response.code_name == "RequestOutOfRange"
    client.ecu_reset(1)


def test_a_silent_module_times_out_in_udsoncan(bus: can.BusABC) -> None:
    """The gearbox cannot be heard: udsoncan's own exception for that."""
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E1, rxid=0x7E9)
    with can.Notifier(bus, [], timeout=0.05) as notifier:
        stack = isotp.NotifierBasedCanStack(bus, notifier, address=address, params={"tx_padding": 0xCC})
        config = {**CONFIG, "request_timeout": 0.5, "p2_timeout": 0.5}
        with Client(PythonIsoTpConnection(stack), config=config) as client, pytest.raises(TimeoutException):
            client.tester_present()


@pytest.mark.slow
def test_scapy_over_the_bus(bus: can.BusABC) -> None:
    """scapy's ISO-TP state machines and UDS packets, over its python-can socket on our interface."""
    from scapy.config import conf

    conf.contribs["CANSocket"] = {"use-python-can": True}
    conf.contribs["ISOTP"] = {"use-can-isotp-kernel-module": False}
    from scapy.contrib.automotive.uds import UDS, UDS_DSC, UDS_RDBI, UDS_RDTCI, UDS_TP
    from scapy.contrib.cansocket_python_can import PythonCANSocket
    from scapy.contrib.isotp import ISOTPSoftSocket

    channel = PythonCANSocket(
        interface="sixtyohm", channel="pipkin/LINE-1", can_filters=[{"can_id": 0x7E8, "can_mask": 0x7FF}]
    )
    with channel as wire, ISOTPSoftSocket(wire, tx_id=0x7E0, rx_id=0x7E8, basecls=UDS, padding=True) as socket:
        answer = socket.sr1(UDS() / UDS_TP(), timeout=5, verbose=False)
        assert answer is not None
        assert (answer.service, answer.sprintf("%UDS.service%")) == (0x7E, "TesterPresentPositiveResponse")
        answer = socket.sr1(UDS() / UDS_DSC(diagnosticSessionType=3), timeout=5, verbose=False)
        assert answer.diagnosticSessionType == 3
        answer = socket.sr1(UDS() / UDS_RDBI(identifiers=[0xF190]), timeout=5, verbose=False)
        assert answer.dataIdentifier == 0xF190
        assert identity_of(PIPKIN, "ENG").vehicle_number.encode() in bytes(answer)
        answer = socket.sr1(UDS() / UDS_RDTCI(reportType=2, DTCStatusMask=0xFF), timeout=5, verbose=False)
        assert answer.service == 0x59
        answer = socket.sr1(UDS(b"\x10\x55"), timeout=5, verbose=False)
        assert (answer.service, answer.negativeResponseCode) == (0x7F, 0x12)
