"""The wall clock: threads, event loops, periodic tasks and other people's transport layers, all unchanged.

Sources: python-can's documentation of Notifier, AsyncBufferedReader, send_periodic and ThreadSafeBus; can-isotp, whose
own state machine is the peer (ISO 15765-2).
"""

from __future__ import annotations

import asyncio
import logging
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

import can
import isotp
import pytest

import faults
from lab.canbus import Paced, WallClock
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation

REQUEST = can.Message(arbitration_id=0x7E1, is_extended_id=False, data=b"\x02\x3e\x00\xcc\xcc\xcc\xcc\xcc")
ANSWER = [{"can_id": 0x7E9, "can_mask": 0x7FF, "extended": False}]
TEST_FRAMES = [{"can_id": 0x550, "can_mask": 0x7F0, "extended": False}]


@pytest.fixture
def buses() -> Iterator[ExitStack]:
    """Buses that are shut down after the test."""
    with ExitStack() as stack:
        yield stack
    assert not [thread for thread in threading.enumerate() if "by the clock" in thread.name]


def opened(buses: ExitStack, **options: object) -> can.BusABC:
    chosen = {"channel": "pipkin/LINE-1", "clock": "wall"} | options
    return buses.enter_context(can.Bus(interface="sixtyohm", ignore_config=True, **chosen))  # type: ignore[arg-type]


def message(data: bytes = b"", identifier: int = 0x555) -> can.Message:
    return can.Message(arbitration_id=identifier, is_extended_id=False, data=data)


def soon(done: Callable[[], bool], seconds: float = 30.0) -> None:
    """Wait until something is so; the machine may be busy."""
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, "it never came to be so"
        time.sleep(0.005)


def test_the_wall_is_the_default_and_time_passes_by_itself(buses: ExitStack) -> None:
    """python-can, as with socketcan: timestamps are seconds since the epoch."""
    bus = opened(buses, clock=None)
    begin = time.time()
    time.sleep(0.2)
    stamps = [frame.timestamp for frame in iter(lambda: bus.recv(0), None)]
    assert len(stamps) > 50
    assert stamps == sorted(stamps)
    assert begin - 1.0 < stamps[0] < stamps[-1] <= time.time()


def test_request_and_answer(buses: ExitStack) -> None:
    """ISO 14229-1, TesterPresent, with somebody else's program in mind: send, wait, compare."""
    bus = opened(buses, can_filters=ANSWER)
    bus.send(REQUEST, timeout=1.0)
    answer = bus.recv(1.0)
    assert answer is not None
    assert bytes(answer.data[:3]) == b"\x02\x7e\x00"


def test_timeouts_are_kept(buses: ExitStack) -> None:
    bus = opened(buses, can_filters=ANSWER, error_frames="none", fault="short between=high-low at=DLC")
    begin = time.monotonic()
    assert bus.recv(0.2) is None
    assert time.monotonic() - begin >= 0.19
    with pytest.raises(can.CanOperationError, match=r"0x7E1 was not acknowledged on LINE-1 within 0\.1 s"):
        bus.send(REQUEST, timeout=0.1)


def test_notifier_with_threads(buses: ExitStack) -> None:
    """python-can: Notifier, listeners, BufferedReader; one thread for each bus."""
    first, second = opened(buses), opened(buses, tap="ENG", can_filters=TEST_FRAMES)
    seen: list[can.Message] = []
    reader = can.BufferedReader()
    notifier = can.Notifier([first, second], [seen.append, reader], timeout=0.1)
    first.send(message(b"\x07"))
    soon(lambda: any(frame.arbitration_id == 0x555 for frame in seen) and len(seen) > 50)
    notifier.stop()
    assert notifier.exception is None
    assert reader.get_message(0) is not None


def test_notifier_in_an_event_loop(buses: ExitStack) -> None:
    """python-can: with a loop the Notifier waits on ``fileno``; request and answer without a thread of its own."""
    bus = opened(buses)

    async def ask() -> can.Message:
        reader = can.AsyncBufferedReader()
        notifier = can.Notifier(bus, [reader], loop=asyncio.get_running_loop())
        assert not [thread for thread in threading.enumerate() if "Notifier" in thread.name]
        bus.send(REQUEST)
        try:
            while True:
                answer = await asyncio.wait_for(reader.get_message(), 2.0)
                if answer.arbitration_id == 0x7E9:
                    return answer
        finally:
            notifier.stop()

    assert bytes(asyncio.run(ask()).data[:3]) == b"\x02\x7e\x00"


def test_fileno_is_readable_exactly_while_something_is_there(buses: ExitStack) -> None:
    bus = opened(buses, ignition="off", error_frames="none")
    other = opened(buses, tap="ENG")
    assert select.select([bus], [], [], 0.02)[0] == []
    other.send(message(b"\x01"))
    other.send(message(b"\x02"))
    assert select.select([bus], [], [], 2.0)[0] == [bus]
    soon(lambda: bus.recv(1.0).data == b"\x02")  # type: ignore[union-attr]
    assert select.select([bus], [], [], 0)[0] == []


def test_stepped_time_has_no_fileno(buses: ExitStack) -> None:
    with pytest.raises(NotImplementedError, match="stepped clock"):
        opened(buses, clock="stepped").fileno()


def test_periodic_tasks(buses: ExitStack) -> None:
    """python-can: send_periodic, modify_data, stop, start, duration; the period is exact on the wire."""
    bus, other = opened(buses), opened(buses, tap="ENG", can_filters=TEST_FRAMES)
    task = bus.send_periodic(message(b"\x01"), 0.01)
    first = [other.recv(1.0) for _ in range(10)]
    gaps = [later.timestamp - earlier.timestamp for earlier, later in pairwise(first)]
    assert sum(gaps) == pytest.approx(0.09, abs=0.001)
    task.modify_data(message(b"\x02"))
    soon(lambda: other.recv(1.0).data == b"\x02")  # type: ignore[union-attr]
    task.stop()
    time.sleep(0.03)
    while other.recv(0) is not None:
        pass
    assert other.recv(0.05) is None
    task.start()
    assert other.recv(1.0) is not None
    task.stop()
    bus.send_periodic(message(b"\x03", 0x556), 0.01, duration=0.05)
    time.sleep(0.1)
    assert [frame.arbitration_id for frame in iter(lambda: other.recv(0.05), None)].count(0x556) == 5


def test_a_modifier_may_wait_for_what_the_program_holds(buses: ExitStack) -> None:
    """python-can runs a modifier in a thread; one that shares a lock with whoever sends must not stop everything."""
    bus, other = opened(buses), opened(buses, tap="ENG", can_filters=TEST_FRAMES)
    mine = threading.Lock()

    def count(sent: can.Message) -> None:
        with mine:
            sent.data[0] = (sent.data[0] + 1) % 256

    task = bus.send_periodic(message(b"\x00"), 0.01, modifier_callback=count)
    for _ in range(20):
        with mine:
            bus.send(message(b"\x00", 0x557), timeout=1.0)
    counted = [frame.data[0] for frame in (other.recv(1.0) for _ in range(25)) if frame.arbitration_id == 0x555]  # type: ignore[union-attr]
    assert counted == list(range(counted[0], counted[0] + len(counted)))
    task.stop()


def test_a_modified_task_outlives_bus_off(buses: ExitStack, caplog: pytest.LogCaptureFixture) -> None:
    """Own rule: the task in a thread leaves turns out too, where python-can's would end at the first error."""
    caplog.set_level(logging.CRITICAL, "can")
    bus, other = opened(buses, ignition="off"), opened(buses, tap="ENG", can_filters=TEST_FRAMES, ignition="off")
    short = faults.parse("short between=high-low at=DLC")
    task = bus.send_periodic(message(b"\x00"), 0.001, modifier_callback=lambda sent: None)
    assert other.recv(1.0) is not None
    with bus.hold() as simulation:  # type: ignore[attr-defined]
        simulation.inject(short)
    soon(lambda: bus.state is can.BusState.ERROR)
    with bus.hold() as simulation:  # type: ignore[attr-defined]
        simulation.clear(short)
        cleared = time.time()
    soon(lambda: (other.recv(1.0) or message()).timestamp > cleared)
    task.stop()


def test_speed(buses: ExitStack) -> None:
    """Own rule: all durations given to the bus are simulated, so ten times the speed is a tenth of the waiting."""
    bus = opened(buses, speed=20, ignition="off", fault="dead_module module=BDY", error_frames="none")
    begin = time.monotonic()
    assert bus.recv(4.0) is None
    assert 0.19 <= time.monotonic() - begin < 3.0


def test_advance_waits(buses: ExitStack) -> None:
    bus = opened(buses, ignition="off")
    begin = time.monotonic()
    bus.advance(0.1)  # type: ignore[attr-defined]
    assert time.monotonic() - begin >= 0.09


def test_a_fault_while_it_runs(buses: ExitStack) -> None:
    bus = opened(buses, error_frames="none")
    assert bus.recv(1.0) is not None
    with bus.hold() as simulation:  # type: ignore[attr-defined]
        simulation.inject(faults.parse("short between=high-low at=DLC"))
        while bus.recv(0) is not None:
            pass
    assert bus.recv(0.05) is None


def test_shutdown_wakes_who_waits(buses: ExitStack) -> None:
    bus = opened(buses, can_filters=ANSWER)
    raised: list[Exception] = []

    def wait() -> None:
        try:
            bus.recv()
        except can.CanOperationError as problem:
            raised.append(problem)

    waiting = threading.Thread(target=wait)
    waiting.start()
    time.sleep(0.05)
    bus.shutdown()
    waiting.join(2.0)
    assert not waiting.is_alive()
    assert "has been shut down" in str(raised[0])


def test_shutdown_by_whoever_holds_the_simulation(buses: ExitStack) -> None:
    """Own rule: the last bus ends the thread of the clock also where the caller holds what that thread waits for."""
    bus = opened(buses)

    def end() -> None:
        with bus.hold():
            bus.shutdown()

    ending = threading.Thread(target=end, daemon=True)
    ending.start()
    ending.join(10.0)
    assert not ending.is_alive()


CALM = """
import can, numba
with can.Bus(interface="sixtyohm", channel="pipkin/LINE-1", fault="open line=high at=GBX", ignore_config=True) as bus:
    numba.njit = None  # whoever begins to compile from here on breaks the run
    for _ in range(5):
        bus.send(can.Message(arbitration_id=0x7E0, is_extended_id=False, data=b"\\x02\\x3e\\0"))
        bus.advance(0.2)
    with bus.hold() as simulation:
        print(simulation.t_ns >= 1_000_000_000)
"""


def test_nothing_compiles_while_the_clock_runs() -> None:
    """Own rule: on the wall clock a kernel that compiles, or is loaded, would stop the vehicle for a second or more."""
    done = subprocess.run([sys.executable, "-c", CALM], capture_output=True, text=True, timeout=300)
    assert (done.stdout, done.returncode) == ("True\n", 0), done.stderr


def test_many_threads_shut_down_at_once(buses: ExitStack) -> None:
    """Own rule: it counts once, and the other bus stays."""
    bus, other = opened(buses), opened(buses)
    bus.fileno()
    threads = [threading.Thread(target=bus.shutdown) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert other.recv(1.0) is not None


def test_many_threads_lose_nothing(buses: ExitStack) -> None:
    """Own rule: any number of threads may send; every message arrives once, those of one thread in order."""
    bus, other = opened(buses), opened(buses, tap="ENG", can_filters=TEST_FRAMES)

    def send(number: int) -> None:
        for count in range(50):
            bus.send(message(bytes([count]), 0x550 + number), timeout=5.0)

    threads = [threading.Thread(target=send, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    got = [other.recv(5.0) for _ in range(200)]
    for thread in threads:
        thread.join()
    for number in range(4):
        counts = [frame.data[0] for frame in got if frame and frame.arbitration_id == 0x550 + number]
        assert counts == list(range(50))


def test_thread_safe_bus() -> None:
    """python-can: ThreadSafeBus wraps whatever can.Bus gives."""
    with can.ThreadSafeBus("pipkin/LINE-1", interface="sixtyohm", clock="wall", ignore_config=True) as bus:
        bus.set_filters(ANSWER)
        bus.send(REQUEST, timeout=1.0)
        assert bus.recv(1.0) is not None


def stacks(buses: ExitStack, build: Callable[[can.BusABC, isotp.Address], isotp.TransportLayer]) -> list:
    """Two ends of a connection, 0x641 and 0x642, at two places of one vehicle."""
    ends = []
    for tap, receives, sends in (("DLC", 0x641, 0x642), ("ENG", 0x642, 0x641)):
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=receives, txid=sends)
        end = build(opened(buses, tap=tap, error_frames="none"), address)
        end.start()
        buses.callback(end.stop)
        ends.append(end)
    return ends


def test_can_isotp_with_its_own_thread(buses: ExitStack) -> None:
    """can-isotp's CanStack, unchanged: 1000 bytes there and 200 back, with flow control."""
    one, two = stacks(buses, lambda bus, address: isotp.CanStack(bus, address=address))
    there, back = bytes(range(250)) * 4, bytes(200)
    one.send(there)
    two.send(back)
    assert two.recv(block=True, timeout=10) == there
    assert one.recv(block=True, timeout=10) == back


def test_can_isotp_on_a_notifier(buses: ExitStack) -> None:
    """can-isotp's NotifierBasedCanStack, unchanged, with block size and separation time."""

    def build(bus: can.BusABC, address: isotp.Address) -> isotp.TransportLayer:
        notifier = can.Notifier(bus, [], timeout=0.1)
        buses.callback(notifier.stop)
        return isotp.NotifierBasedCanStack(bus, notifier, address=address, params={"blocksize": 4, "stmin": 1})

    one, two = stacks(buses, build)
    one.send(bytes(range(200)))
    assert two.recv(block=True, timeout=10) == bytes(range(200))


def test_can_isotp_with_a_module(buses: ExitStack) -> None:
    """ISO 14229-1: a request of ours, the answer of a module."""
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=0x7E9, txid=0x7E1)
    stack = isotp.CanStack(opened(buses, error_frames="none"), address=address, params={"tx_padding": 0xCC})
    stack.start()
    buses.callback(stack.stop)
    stack.send(b"\x3e\x00")
    assert stack.recv(block=True, timeout=5) == b"\x7e\x00"


def test_a_run_that_breaks_off_is_told(buses: ExitStack) -> None:
    """Own rule: a callback that fails ends the run, and every use of the bus says so."""
    bus = opened(buses)

    def fail(record: object) -> None:
        raise ZeroDivisionError("mine")

    with bus.hold() as simulation:  # type: ignore[attr-defined]
        simulation.subscribe(fail)
    time.sleep(0.1)
    for _ in range(2):
        with pytest.raises(can.CanOperationError, match="the simulation broke off: mine"):
            bus.recv(1.0)
    with pytest.raises(can.CanOperationError, match="the simulation broke off: mine"):
        bus.send(REQUEST)


def test_a_simulation_that_cannot_keep_up_says_so(caplog: pytest.LogCaptureFixture) -> None:
    """Own rule: simulated time is late then, and nothing is left out."""
    simulation = Simulation(load_vehicle(find_vehicle("pipkin")))
    records: list[object] = []
    simulation.subscribe(records.append)
    pace = Paced(simulation, WallClock(speed=1e5))
    soon(lambda: "Pipkin is" in caplog.text)
    assert "s behind the clock" in caplog.text
    pace.close()
    assert records


PROGRAM = """
import can

with can.Bus() as bus:
    bus.send(can.Message(arbitration_id=0x7E1, data=bytes.fromhex("023E00CCCCCCCCCC"), is_extended_id=False))
    while True:
        message = bus.recv(5.0)
        if message is None or message.arbitration_id == 0x7E9:
            break
    print(message.data.hex(" "))
"""


def elsewhere(tmp_path: Path, *command: str, stop_after: str = "") -> str:
    """Run somebody else's program on the vehicle; end it as by Ctrl-C once it has said a word and written its log."""
    environment = {"CAN_INTERFACE": "sixtyohm", "CAN_CHANNEL": "pipkin/LINE-1", "PYTHONUNBUFFERED": "1", "TZ": "UTC"}
    environment |= {
        "PYTHONPATH": str(Path(__file__).resolve().parents[2]),
        "PATH": "/usr/bin:/bin",
        "HOME": str(tmp_path),
    }
    with subprocess.Popen(
        [sys.executable, *command],
        cwd=tmp_path,
        env=environment,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        # where the tests run in the background of a script, Ctrl-C is ignored and every child inherits that
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    ) as running:
        try:
            assert running.stdout is not None
            log, shown = tmp_path / "got.log", ""
            if stop_after:
                for line in running.stdout:
                    shown += line
                    if stop_after in line:
                        break
                soon(lambda: log.exists() and log.stat().st_size > 0)
                running.send_signal(signal.SIGINT)
            rest, _ = running.communicate(timeout=60)
        finally:
            running.kill()
        assert running.returncode == 0, shown + rest
    return shown + rest


def test_an_ordinary_program_by_its_environment(tmp_path: Path) -> None:
    (tmp_path / "program.py").write_text(PROGRAM, encoding="utf-8")
    # a busy machine may be told that it is behind the clock
    assert elsewhere(tmp_path, "program.py").splitlines()[-1] == "02 7e 00 cc cc cc cc cc"


@pytest.mark.slow
def test_the_command_lines_of_python_can(tmp_path: Path) -> None:
    """python-can's logger and player, by option and by environment; what the player sends is a log of the logger."""
    channel = ("-i", "sixtyohm", "-c", "pipkin/LINE-1")
    shown = elsewhere(tmp_path, "-m", "can.logger", *channel, "--active", "-f", "got.log", stop_after="Started on")
    assert "Connected to SixtyohmBus: pipkin/LINE-1 at DLC, simulated, wall clock" in shown
    recorded = list(can.LogReader(tmp_path / "got.log"))
    assert len(recorded) > 50
    assert {frame.channel for frame in recorded} == {"pipkin/LINE-1"}
    elsewhere(tmp_path, "-m", "can.player", "-i", "sixtyohm", "-c", "pipkin/LINE-1", "got.log")
