"""A tap that only listens and one that comes back on request, through can.Bus on both clocks; what waits and is undone.

Sources: python-can, ``BusABC.state`` (PASSIVE switches listen-only on with other interfaces), ``send``,
``ThreadSafeBus`` and can_logger; ISO 11898-1:2015, bus monitoring; Bosch CAN Specification 2.0 (1991), 12.2; own rules.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import can
import pytest

import faults
from lab.canbus import session

SHORT = faults.parse("short between=high-low at=DLC")
#: The lowest identifier, so that it is the first to go.
FRAME = can.Message(arbitration_id=0x001, is_extended_id=False, data=b"\x11\x22")
CLOCKS = pytest.mark.parametrize("clock", ["stepped", "wall"])


@pytest.fixture
def buses() -> Iterator[ExitStack]:
    """Buses that are shut down after the test."""
    with ExitStack() as stack:
        yield stack
    assert session._open == {}


def opened(buses: ExitStack, clock: str, **options: object) -> can.BusABC:
    chosen = {"channel": "pipkin/LINE-1", "clock": clock} | options
    return buses.enter_context(can.Bus(interface="sixtyohm", ignore_config=True, **chosen))  # type: ignore[arg-type]


def until(bus: can.BusABC, done: Callable[[], bool], seconds: float = 60.0) -> None:
    """Let time pass until something is so; simulated seconds."""
    for _ in range(round(seconds / 0.01)):
        if done():
            return
        bus.advance(0.01)  # type: ignore[attr-defined]
    raise AssertionError("it never came to be so")


def silence_the_modules(bus: can.BusABC) -> None:
    """Every module without supply: only taps are left on the network, terminated as before."""
    with bus.hold() as simulation:  # type: ignore[attr-defined]
        for name in simulation.modules:
            simulation.inject(faults.parse(f"dead_module module={name}"))


@CLOCKS
def test_a_lone_sender_beside_a_listener(buses: ExitStack, clock: str) -> None:
    """ISO 11898-1:2015, bus monitoring: no acknowledgement from the listener; one as soon as it takes part."""
    sender, listener = opened(buses, clock), opened(buses, clock, tap="ENG", listen_only="true")
    silence_the_modules(sender)
    with pytest.raises(can.CanOperationError, match="was not acknowledged"):
        sender.send(FRAME, timeout=0.2)
    assert sender.state is can.BusState.PASSIVE
    assert listener.state is can.BusState.PASSIVE
    with pytest.raises(can.CanOperationError, match="only listens and sends nothing"):
        listener.send(FRAME)
    listener.state = can.BusState.ACTIVE
    listener.advance(0.01)  # type: ignore[attr-defined]
    sender.send(FRAME, timeout=10.0)
    assert listener.state is can.BusState.ACTIVE


@CLOCKS
def test_a_listener_hears_healthy_traffic(buses: ExitStack, clock: str) -> None:
    """ISO 11898-1:2015, bus monitoring: it receives valid frames; nobody else has an error for it."""
    listener = opened(buses, clock, listen_only=True, error_frames="all")
    heard = [listener.recv(5.0) for _ in range(50)]
    assert not any(one is None or one.is_error_frame for one in heard)
    with listener.hold() as simulation:  # type: ignore[attr-defined]
        assert {simulation.counters("LINE-1", name) for name in simulation.modules} == {(0, 0)}


@CLOCKS
def test_recovery_by_request(buses: ExitStack, clock: str) -> None:
    """Bosch 12.2, rule 12: off until asked, then 128 times 11 recessive bits; python-can: state is set to ACTIVE."""
    bus, other = opened(buses, clock, recovery="request"), opened(buses, clock, tap="ENG")
    silence_the_modules(bus)
    with bus.hold() as simulation:  # type: ignore[attr-defined]
        simulation.inject(SHORT)
    for one in (bus, other):
        one.send(FRAME)
        until(one, lambda one=one: one.state is can.BusState.ERROR)  # type: ignore[misc]
    with bus.hold() as simulation:  # type: ignore[attr-defined]
        simulation.clear(SHORT)
    until(other, lambda: other.state is not can.BusState.ERROR)
    bus.advance(0.2)  # type: ignore[attr-defined]
    assert bus.state is can.BusState.ERROR
    with pytest.raises(can.CanOperationError, match=r"once it is asked to come back \(set bus.state"):
        bus.send(FRAME)
    bus.state = can.BusState.ACTIVE
    until(bus, lambda: bus.state is can.BusState.ACTIVE)
    restarted = [one.arbitration_id for one in iter(lambda: bus.recv(0), None) if one.is_error_frame]
    assert restarted[-1] & 0x100, "the last error frame says restarted"


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"listen_only": "perhaps"}, "listen_only='perhaps': write on or off"),
        ({"recovery": "never"}, "recovery='never': write automatic, or request"),
        ({"recovery": True}, "recovery=True: write automatic, or request"),
        ({"recover": "request"}, "no option called 'recover'; did you mean 'recovery'"),
        ({"can_filters": [{"can_id": 1}]}, r"can_filters=\[\{'can_id': 1\}\]: write \[\{\"can_id\": 2025"),
        ({"can_filters": [{"can_id": "1", "can_mask": 1}]}, "can_filters="),
        ({"can_filters": 5}, "can_filters=5: write"),
    ],
)
def test_bad_values(options: dict[str, object], text: str) -> None:
    """Own rule: what is wrong, and what to write instead."""
    with pytest.raises(can.CanInitializationError, match=text):
        can.Bus("pipkin/LINE-1", interface="sixtyohm", ignore_config=True, clock="stepped", **options)  # type: ignore[arg-type]
    assert session._open == {}


@pytest.mark.parametrize(
    ("text", "some"), [("true", True), ("on", True), ("all", True), ("false", False), ("No", False)]
)
def test_error_frames_as_text(buses: ExitStack, text: str, some: bool) -> None:
    """python-can: a configuration file gives text, where a program writes True or False."""
    bus = opened(buses, "stepped", error_frames=text, fault="crossed at=GBX")
    bus.advance(0.05)  # type: ignore[attr-defined]
    assert any(one.is_error_frame for one in iter(lambda: bus.recv(0), None)) is some


@CLOCKS
def test_a_thread_safe_bus_can_be_set(clock: str) -> None:
    """python-can: ThreadSafeBus passes state on."""
    with can.ThreadSafeBus("pipkin/LINE-1", interface="sixtyohm", clock=clock, ignore_config=True) as bus:
        bus.state = can.BusState.PASSIVE
        with pytest.raises(can.CanOperationError, match="only listens"):
            bus.send(FRAME, timeout=1.0)
        assert bus.recv(5.0) is not None
        bus.state = can.BusState.ACTIVE
        bus.advance(0.01)
        bus.send(FRAME, timeout=5.0)


@pytest.mark.parametrize(
    ("undo", "text"),
    [
        (lambda bus: bus.flush_tx_buffer(), "0x1 was not acknowledged on LINE-1: it was taken back meanwhile"),
        (lambda bus: setattr(bus, "state", can.BusState.PASSIVE), "0x1 was not .*: it was taken back meanwhile"),
        (lambda bus: bus.shutdown(), "has been shut down"),
    ],
)
def test_who_waits_for_an_acknowledgement_is_told_that_there_will_be_none(
    buses: ExitStack, undo: Callable[[can.BusABC], None], text: str
) -> None:
    """python-can: send raises where the message was not sent, also when another thread has taken it back."""
    bus = opened(buses, "wall", error_frames="none")
    silence_the_modules(bus)
    told: list[str] = []

    def send() -> None:
        with pytest.raises(can.CanOperationError, match=text) as raised:
            bus.send(FRAME, timeout=1000.0)
        told.append(str(raised.value))

    thread = threading.Thread(target=send)
    thread.start()
    until(bus, lambda: bus.state is can.BusState.PASSIVE)  # it has tried often by now
    assert thread.is_alive()
    undo(bus)
    thread.join(30.0)
    assert len(told) == 1


@CLOCKS
def test_what_a_bus_that_was_shut_down_refuses(buses: ExitStack, clock: str) -> None:
    """Own rule: no task that never sends, no descriptor that nobody closes."""
    bus = opened(buses, clock)
    bus.shutdown()
    asked: list[Callable[[], object]] = [lambda: bus.send_periodic(FRAME, 0.1)]
    asked += [lambda: bus.send_periodic(FRAME, 0.1, modifier_callback=lambda message: None)]
    asked += [bus.fileno] if clock == "wall" else []
    for ask in asked:
        with pytest.raises(can.CanOperationError, match="has been shut down"):
            ask()


def test_the_logger_of_python_can_may_only_listen(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """python-can's can_logger --passive sets the state of the bus it opens, as here; a notifier goes on meanwhile."""
    caplog.set_level(logging.WARNING)
    log = tmp_path / "kept.asc"
    with can.Bus("pipkin/LINE-1", interface="sixtyohm", ignore_config=True) as bus:
        bus.state = can.BusState.PASSIVE
        with can.Logger(log) as logger, can.Notifier(bus, [logger]):
            end = time.monotonic() + 30.0
            while log.stat().st_size < 2000 and time.monotonic() < end:
                time.sleep(0.01)
    with can.LogReader(log) as kept:
        assert len(list(kept)) > 20
    assert not caplog.records
