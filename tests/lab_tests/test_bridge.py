"""Bridges between a running vehicle and other python-can buses, and what keeps frames off a real wire.

Sources: python-can's interfaces ``virtual`` and ``udp_multicast`` as the other side; own rules.
"""

from __future__ import annotations

import json
import threading
from pathlib import Path

import can
import pytest
from command_line import sixtyohm

from lab.bridge import Bridge, allowed, bridge_of, run_bridged
from lab.cautions import caution
from simulator.errors import BadRequest
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation

REQUEST = can.Message(arbitration_id=0x7E1, is_extended_id=False, data=b"\x02\x3e\x00\xcc\xcc\xcc\xcc\xcc")
PIPKIN = load_vehicle(find_vehicle("pipkin"))


def multicast_works() -> bool:
    """Whether this machine lets a multicast message come back."""
    try:
        with can.Bus(interface="udp_multicast", channel="239.74.163.2", port=43114, ignore_config=True) as bus:
            bus.send(REQUEST)
            return bus.recv(1.0) is not None
    except (can.CanError, OSError):
        return False


class Elsewhere(threading.Thread):
    """Somebody else's program on the other side: it asks until it is answered, and keeps what it hears."""

    def __init__(self, **options: object) -> None:
        super().__init__(daemon=True)
        self.bus = can.Bus(ignore_config=True, **options)  # type: ignore[arg-type]
        self.heard: list[can.Message] = []
        self.end = threading.Event()
        self.start()

    def run(self) -> None:
        asked = 0
        while not self.end.is_set():
            message = self.bus.recv(0.02)
            if message is not None:
                self.heard.append(message)
            if len(self.heard) > 5 and asked < 3:
                self.bus.send(REQUEST)
                asked += 1

    def stop(self) -> list[can.Message]:
        self.end.set()
        self.join()
        self.bus.shutdown()
        return self.heard


def bridged(bridge: Bridge, seconds: float, **options: object) -> tuple[list[can.Message], list]:
    simulation = Simulation(PIPKIN)
    records: list = []
    simulation.subscribe(records.append)
    elsewhere = Elsewhere(**options)
    run_bridged(simulation, [bridge], seconds)
    heard = elsewhere.stop()
    assert not [thread for thread in threading.enumerate() if "by the clock" in thread.name]
    return heard, records


def test_both_ways_over_virtual() -> None:
    bridge = bridge_of("interface=virtual,channel=test_bridge")
    heard, records = bridged(bridge, 0.6, interface="virtual", channel="test_bridge")
    assert bridge.at == "DLC"
    assert {0x0A0, 0x7E9} <= {message.arbitration_id for message in heard}
    asked = [record for record in records if record.transmitter == "tester"]
    assert [record.frame_id for record in asked] == [0x7E1] * bridge.into
    assert bridge.into == 3
    assert len(heard) <= bridge.out <= len(records)
    assert bridge.refused == 0


@pytest.mark.skipif(not multicast_works(), reason="no multicast on this machine")
def test_both_ways_over_multicast() -> None:
    """Own messages come back on this interface; they must not go into the vehicle a second time."""
    options = {"interface": "udp_multicast", "channel": "239.74.163.2", "port": 43115}
    bridge = bridge_of("interface=udp_multicast,channel=239.74.163.2,port=43115,at=ENG.LINE-1")
    heard, records = bridged(bridge, 0.6, **options)
    assert {0x0A0, 0x7E9} <= {message.arbitration_id for message in heard}
    assert {record.frame_id for record in records if record.transmitter == "tester"} == {0x7E1}
    assert bridge.into == 3


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("channel=lab", "say to what, like interface=virtual,channel=lab"),
        ("virtual", "'virtual' is no name=value"),
        ("interface=virtual,channel=a,channel=b", "channel stands there twice"),
        ("interface=virtul", "no python-can interface called 'virtul'; did you mean 'virtual'"),
    ],
)
def test_bridges_that_are_refused(text: str, message: str) -> None:
    with pytest.raises(BadRequest, match=message):
        bridge_of(text)


@pytest.mark.parametrize(
    ("text", "physical"),
    [
        ("interface=virtual,channel=lab", False),
        ("interface=udp_multicast", False),
        ("interface=sixtyohm,channel=pipkin/LINE-1", False),
        ("interface=socketcan,channel=can0", True),
        ("interface=socketcan,channel=lo", True),
        ("interface=socketcan,channel=vcan_not_there", True),
        ("interface=socketcan,channel=../../class/net/lo", True),
        ("interface=socketcan", True),
        ("interface=slcan,channel=/dev/ttyUSB0", True),
        ("interface=socketcand,channel=can0", True),
    ],
)
def test_a_real_wire_needs_leave(text: str, physical: bool) -> None:
    """Own rule: whatever is not known to have no wire is taken for one."""
    bridge = bridge_of(text)
    if not physical:
        assert not allowed([bridge], False)
        return
    assert allowed([bridge], True)
    with pytest.raises(BadRequest, match=r"may be a real wire: write --allow-hardware .*Caution 18"):
        allowed([bridge], False)


def test_a_network_device_without_wire(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Linux: /sys/class/net/vcan0 leads to /sys/devices/virtual/net/vcan0; of a card renamed vcan1 it does not."""
    for name, place in (("vcan0", "devices/virtual/net/vcan0"), ("vcan1", "devices/pci0/net/vcan1")):
        (tmp_path / place).mkdir(parents=True)
        (tmp_path / name).symlink_to(tmp_path / place)
    monkeypatch.setattr("lab.bridge._DEVICES", tmp_path)
    assert not bridge_of("interface=socketcan,channel=vcan0").physical
    assert bridge_of("interface=socketcan,channel=vcan1").physical


def test_the_command() -> None:
    line = "run", "pipkin", "--seconds", "0.2", "--bridge", "interface=virtual,channel=test_command"
    answer = sixtyohm(*line)
    assert answer.status == 0
    assert "bridge from DLC to virtual: " in answer.out
    assert caution(18) not in answer.err
    told = json.loads(sixtyohm(*line, "--json").out)["bridges"]
    assert [(one["interface"], one["channel"], one["at"]) for one in told] == [("virtual", "test_command", "DLC")]
    assert told[0]["out"] > 50


def test_the_command_refuses_a_real_wire() -> None:
    line = "run", "pipkin", "--seconds", "1", "--bridge", "interface=socketcan,channel=not_there"
    answer = sixtyohm(*line)
    assert (answer.status, answer.out) == (2, "")
    assert "--allow-hardware" in answer.err
    assert caution(18) in answer.err
    answer = sixtyohm(*line, "--allow-hardware")
    assert answer.status == 2
    assert answer.err.splitlines()[0] == caution(18)
    assert "interface=socketcan cannot be opened" in answer.err


def test_several_logs_by_command(tmp_path: Path) -> None:
    names = [str(tmp_path / f"run{ending}") for ending in (".jsonl", ".blf", ".trc", ".db", ".txt")]
    logs = [word for name in names for word in ("--log", name)]
    told = json.loads(sixtyohm("run", "pipkin", "--seconds", "0.2", *logs, "--json").out)
    assert (told["log"], told["logs"]) == (names[0], names)
    for name in names:
        assert Path(name).stat().st_size > 1000
    twice = sixtyohm("run", "pipkin", "--seconds", "0.2", "--log", names[0], "--log", names[0])
    assert (twice.status, twice.out) == (2, "")
    assert "two logs in one file" in twice.err


def test_another_side_that_breaks_off_ends_the_run_and_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Own rule; python-can's interfaces raise can.CanOperationError when their device goes away."""

    class Gone(can.BusABC):
        def __init__(self, channel: str) -> None:
            super().__init__(channel=channel)

        def send(self, msg: can.Message, timeout: float | None = None) -> None:
            """It goes nowhere."""

        def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
            raise can.CanOperationError("the device is gone")

    monkeypatch.setattr(can, "Bus", lambda **options: Gone(channel=options["channel"]))
    simulation = Simulation(PIPKIN)
    with pytest.raises(BadRequest, match="interface=virtual broke off: the device is gone"):
        run_bridged(simulation, [bridge_of("interface=virtual,channel=lab")], 60.0)
    assert simulation.t_ns < 30e9
    assert not [thread for thread in threading.enumerate() if "by the clock" in thread.name]
