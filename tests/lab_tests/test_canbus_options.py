"""``can.Bus(interface="sixtyohm")``: options as values and as text, what is refused, one simulation for all buses.

Sources: python-can's documentation of ``can.Bus``, its configuration files and environment variables; own rules.
"""

from __future__ import annotations

import gc
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import can
import pytest

import faults
from lab.canbus import SixtyohmBus, session
from lab.canbus.options import switch
from simulator.reader import demo_names, find_vehicle, load_vehicle

LINE = "pipkin/LINE-1"
GEARBOX_DEAD = "dead_module module=GBX"


def opened(channel: object = LINE, **options: object) -> can.BusABC:
    chosen = {"clock": "stepped"} | options
    return can.Bus(channel, interface="sixtyohm", ignore_config=True, **chosen)  # type: ignore[arg-type]


@pytest.fixture(autouse=True)
def nothing_left_open(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    """No configuration of the machine; every bus of a test is shut down by it."""
    monkeypatch.setattr(can.util, "CONFIG_FILES", [str(tmp_path / "can.conf")])
    for name in ("CAN_INTERFACE", "CAN_CHANNEL", "CAN_CONFIG", "CAN_BITRATE"):
        monkeypatch.delenv(name, raising=False)
    yield
    assert session._open == {}


def senders(bus: can.BusABC, seconds: float = 2.0) -> set[str]:
    """Who is heard in so much simulated time."""
    by_id = {message.frame_id: message.sender for message in load_vehicle(find_vehicle("pipkin")).network().messages}
    bus.advance(seconds)  # type: ignore[attr-defined]
    return {by_id[message.arbitration_id] for message in iter(lambda: bus.recv(0), None)}


def test_the_interface_is_known() -> None:
    """python-can, "Plugin interfaces": the entry point group can.interface."""
    assert "sixtyohm" in can.VALID_INTERFACES
    with opened(tap="DLC", fault="open line=high at=GBX") as bus:
        assert isinstance(bus, SixtyohmBus)
        assert str(bus) == "pipkin/LINE-1 at DLC, simulated, stepped clock"
        assert bus.protocol is can.CanProtocol.CAN_20
        message = bus.recv(1.0)
        assert message is not None
        assert message.channel == LINE


def test_what_can_be_detected() -> None:
    """python-can: detect_available_configs gives what can.Bus takes."""
    found = can.detect_available_configs("sixtyohm")
    assert {"interface": "sixtyohm", "channel": LINE} in found
    assert {config["channel"].partition("/")[0] for config in found} == set(demo_names())
    for config in found:
        with can.Bus(**config, clock="stepped", ignore_config=True) as bus:
            assert bus.state is can.BusState.ACTIVE


@pytest.mark.parametrize(
    "fault",
    [
        "dead_module module=GBX; dead_module module=ENG",
        "dead_module module=GBX;dead_module module=ENG;",
        [GEARBOX_DEAD, "dead_module module=ENG"],
        (faults.DeadModule(module="GBX"), "dead_module module=ENG"),
    ],
    ids=["text", "text, no blank", "list", "objects"],
)
def test_several_faults(fault: object) -> None:
    with opened(fault=fault) as bus:
        assert not {"GBX", "ENG"} & senders(bus)


def test_a_fault_as_an_object_and_none() -> None:
    with opened(fault=faults.DeadModule(module="GBX")) as bus:
        assert "GBX" not in senders(bus)
    with opened(fault="") as bus:
        assert "GBX" in senders(bus)


def test_a_vehicle_file_is_a_channel(tmp_path: Path) -> None:
    """With its network or without; a folder too."""
    shutil.copytree(find_vehicle("pipkin").parent, tmp_path / "own")
    for channel in (tmp_path / "own" / "vehicle.yaml", f"{tmp_path}/own/vehicle.yaml/LINE-1", f"{tmp_path}/own/LINE-1"):
        with opened(channel) as bus:
            assert bus.recv(1.0) is not None


def test_the_configuration_file(tmp_path: Path) -> None:
    """python-can, "Configuration": everything is text there."""
    lines = [
        "[default]", "interface = sixtyohm", f"channel = {LINE}", "clock = stepped", "tap = DLC", "seed = 7",
        f"fault = {GEARBOX_DEAD}; open line=high at=CLU", "receive_own_messages = True", "bitrate = 500000",
        "ignition = on", "error_frames = none", "fd = False", "rx_queue_size = 3",
        'can_filters = [{"can_id": 1365, "can_mask": 2047, "extended": false}]',
    ]  # fmt: skip
    (tmp_path / "can.conf").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with can.Bus() as bus:
        with bus.hold() as simulation:  # type: ignore[attr-defined]
            assert simulation.seed == 7
            assert [str(fault) for fault in simulation.faults] == [GEARBOX_DEAD, "open line=high at=CLU"]
        bus.send(can.Message(arbitration_id=0x555, is_extended_id=False), timeout=0.1)
        assert not bus.recv(0.1).is_rx
        assert bus.recv(0.5) is None


def test_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """python-can, "Environment variables": CAN_INTERFACE, CAN_CHANNEL, CAN_BITRATE, CAN_CONFIG."""
    monkeypatch.setenv("CAN_INTERFACE", "sixtyohm")
    monkeypatch.setenv("CAN_CHANNEL", LINE)
    monkeypatch.setenv("CAN_BITRATE", "500000")
    config = {
        "clock": "stepped",
        "fault": GEARBOX_DEAD,
        "seed": "0x10",
        "ignition": False,
        "receive_own_messages": "yes",
    }
    monkeypatch.setenv("CAN_CONFIG", json.dumps(config))
    with can.Bus() as bus, bus.hold() as simulation:  # type: ignore[attr-defined]
        assert simulation.seed == 16
        assert not simulation.condition.ignition_on
        assert bus.receive_own_messages is True  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"channel": "pipkn/LINE-1"}, r"channel 'pipkn/LINE-1': no vehicle file or demo \(.*pipkin\) of that name"),
        ({"channel": "pipkin/LINE-2"}, "no network called 'LINE-2'; did you mean 'LINE-1'"),
        ({"channel": 0}, 'channel=0 is no vehicle: write channel="pipkin/LINE-1"'),
        ({"channel": ""}, "channel='' is no vehicle"),
        ({"tap": "DLD"}, "no place on network LINE-1 called 'DLD'; did you mean 'DLC'"),
        ({"tap": 3}, "tap=3 is no place"),
        ({"fault": "opn line=high at=GBX"}, "did you mean 'open'"),
        ({"fault": 3}, 'fault=3 is no fault: write it like fault="open line=high at=GBX"'),
        ({"fault": [3]}, "fault=3 is no fault"),
        ({"fault": "missing_terminator at=GBX"}, "GBX"),
        ({"clock": "fast"}, "clock='fast': write stepped .* or wall"),
        ({"clock": "wall", "speed": "0"}, "speed='0': write a number above 0"),
        ({"clock": "wall", "speed": "quick"}, "speed='quick': write a number"),
        ({"speed": 2}, "speed is of the wall clock"),
        ({"seed": "one"}, "seed='one': write a whole number"),
        ({"seed": 1.5}, "seed=1.5: write a whole number"),
        ({"ignition": "maybe"}, "ignition='maybe': write on or off"),
        ({"bitrate": 250000}, "LINE-1 runs at 500000 bit/s, not 250000: leave bitrate out, or write 500000"),
        ({"bitrate": "fast"}, "bitrate='fast': write a number"),
        ({"data_bitrate": 2000000}, "LINE-1 is no CAN FD network: leave data_bitrate out"),
        ({"fd": True}, "LINE-1 is no CAN FD network: leave fd out"),
        ({"timing": can.BitTiming(8_000_000, brp=2, tseg1=13, tseg2=2, sjw=1)}, "runs at 500000 bit/s, not 250000"),
        ({"timing": "quick"}, "timing='quick': write a can.BitTiming"),
        ({"error_frames": "some"}, "error_frames='some': write none, states"),
        ({"can_filters": "0x7E9"}, "can_filters='0x7E9': write JSON like"),
        ({"can_filters": "3"}, "can_filters='3': write JSON like"),
        ({"rx_queue_size": "many"}, "rx_queue_size='many': write a whole number"),
        ({"rx_queue_size": -1}, "rx_queue_size=-1: write 0 .*or more"),
        ({"falt": "healthy"}, "no option called 'falt'; did you mean 'fault'"),
    ],
    ids=str,
)  # fmt: skip
def test_what_is_refused(options: dict[str, object], text: str) -> None:
    """python-can: CanInitializationError; and what to write instead."""
    with pytest.raises(can.CanInitializationError, match=text):
        opened(**options)


def test_no_channel_is_refused() -> None:
    with pytest.raises(can.CanInitializationError, match="channel=None is no vehicle"):
        can.Bus(interface="sixtyohm", ignore_config=True)


def test_the_networks_own_rates_are_taken() -> None:
    timing = can.BitTiming(8_000_000, brp=1, tseg1=13, tseg2=2, sjw=1)
    with opened(bitrate="500000"), opened(bitrate=500_000, timing=timing), opened(fd=False):
        pass


def test_mistakes_in_a_vehicle_file_are_told(tmp_path: Path) -> None:
    shutil.copytree(find_vehicle("pipkin").parent, tmp_path / "own")
    file = tmp_path / "own" / "vehicle.yaml"
    file.write_text(file.read_text(encoding="utf-8").replace("bit_rate", "bitrate"), encoding="utf-8")
    with pytest.raises(can.CanInitializationError, match=r"vehicle.yaml:\d+: .*bit_rate"):
        opened(file)


def test_buses_on_one_channel_share_one_simulation() -> None:
    """Own rule: and the vehicle is one, whatever tap; own messages reach the other bus."""
    with opened(seed=5) as first, opened() as second, opened(tap="ENG", seed=5, clock="stepped") as third:
        first.advance(0.5)
        heard = [message.timestamp for message in iter(lambda: second.recv(0), None)]
        assert heard
        assert heard == [message.timestamp for message in iter(lambda: third.recv(0), None)]
        third.set_filters([{"can_id": 0x555, "can_mask": 0x7FF}])
        first.send(can.Message(arbitration_id=0x555, is_extended_id=False), timeout=0.1)
        assert third.recv(0.1) is not None


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (
            {"seed": 6},
            "Pipkin is already open in this program with seed=5: shut that bus down first, or leave seed out",
        ),
        ({"fault": "open line=high at=GBX"}, "with fault=dead_module module=GBX"),
        ({"fault": ""}, "with fault=dead_module module=GBX"),
        ({"clock": "wall"}, "with clock=stepped"),
        ({"ignition": "off"}, "with ignition=True"),
    ],
    ids=str,
)
def test_options_that_contradict_an_open_bus(options: dict[str, object], text: str) -> None:
    with opened(seed=5, fault=GEARBOX_DEAD) as bus:
        with pytest.raises(can.CanInitializationError, match=text):
            opened(**options)
        assert bus.recv(1.0) is not None


def test_the_last_shutdown_ends_the_simulation() -> None:
    first, second = opened(), opened()
    first.advance(1.0)
    first.shutdown()
    with second.hold() as simulation:
        assert simulation.t_ns == 1_000_000_000
    second.shutdown()
    with opened(seed=9) as anew, anew.hold() as simulation:
        assert simulation.t_ns == 0


def test_a_bus_that_is_dropped_is_shut_down(caplog: pytest.LogCaptureFixture) -> None:
    """python-can: "was not properly shut down", and done all the same; a periodic task ends with its bus."""
    bus = opened(seed=1)
    bus.send_periodic(can.Message(arbitration_id=0x555, is_extended_id=False), 0.1)
    bus.recv(0.01)
    del bus
    gc.collect()
    assert "SixtyohmBus was not properly shut down" in caplog.text
    with opened(seed=2) as bus:
        assert bus.recv(1.0) is not None


def test_after_shutdown() -> None:
    bus = opened()
    bus.shutdown()
    bus.shutdown()
    for use in (lambda: bus.recv(0), lambda: bus.send(can.Message())):
        with pytest.raises(can.CanOperationError, match="has been shut down"):
            use()


def test_the_stepped_clock_waits_for_nobody() -> None:
    """Twenty seconds in milliseconds; the same seed gives the same messages."""
    runs = []
    for _ in range(2):
        with opened(seed=3, fault="dead_module module=GBX from_s=10") as bus:
            bus.advance(20.0)
            runs.append([(m.timestamp, m.arbitration_id, bytes(m.data)) for m in iter(lambda: bus.recv(0), None)])
            assert bus.recv() is not None
    assert runs[0] == runs[1]
    assert len(runs[0]) > 3_000


def test_a_program_with_a_package_called_lab_is_told(tmp_path: Path) -> None:
    """Own rule: which package is in the way, and the remedy, in python-can's own error."""
    (tmp_path / "lab").mkdir()
    (tmp_path / "lab" / "__init__.py").write_text("", encoding="utf-8")
    program = f"import can; can.Bus({LINE!r}, interface='sixtyohm', ignore_config=True)"
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=tmp_path, env=environment, capture_output=True, text=True
    )
    last = done.stderr.splitlines()[-1]
    assert last.startswith("can.exceptions.CanInterfaceNotImplementedError: ")
    assert f"sixtyohm: another 'lab' ({tmp_path / 'lab'}) hides the one of sixtyohm" in last


def test_switches() -> None:
    assert all(switch("x", text) for text in (True, "True", "on", "YES", 1, "1"))
    assert not any(switch("x", text) for text in (False, "false", "off", "No", 0, "0"))
