"""Simulated time tied to another clock: a thread that lets the simulation run up to what the clock shows.

Whoever touches the simulation enters the pace first; that is one lock, and the simulation has caught up by then. All
waiting goes through a clock object with ``now_ns`` and ``sleep_until``, so another clock than the wall's fits in.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Protocol

import can

from simulator.interface import Stepped
from simulator.simulation import Simulation

_SECOND_NS = 1_000_000_000
#: Steps between two looks at the clock, and so the longest time that others wait for the lock.
_SLICE = 200
#: How long the lock is left to others where the simulation is behind, in second of the machine.
_BREATH_S = 0.0002
#: Behind by more than this, it is told once.
_BEHIND_NS = _SECOND_NS

log = logging.getLogger(__name__)


class Clock(Protocol):
    """What a simulation can be tied to."""

    def now_ns(self) -> int:
        """The simulated time that ought to have passed by now."""

    def sleep_until(self, wake: threading.Condition, t_ns: int) -> None:
        """Wait on a condition, whose lock is held, until the clock shows that time or the condition is notified."""


class WallClock:
    """The wall's time, ``speed`` times as fast; 0 at the moment it is made."""

    def __init__(self, speed: float = 1.0) -> None:
        self._speed = speed
        self._begin_ns = time.monotonic_ns()

    def now_ns(self) -> int:
        """Nanoseconds since the clock was made, times the speed."""
        return round((time.monotonic_ns() - self._begin_ns) * self._speed)

    def sleep_until(self, wake: threading.Condition, t_ns: int) -> None:
        """Wait on the condition until then."""
        seconds = (t_ns - self.now_ns()) / _SECOND_NS / self._speed
        wake.wait(min(max(seconds, 0.0), threading.TIMEOUT_MAX))


class LockedStepped(Stepped):
    """Time passes only while somebody waits; one thread at a time."""

    def __init__(self, simulation: Simulation) -> None:
        super().__init__(simulation)
        self._lock = threading.RLock()

    def __enter__(self) -> LockedStepped:
        self._lock.acquire()
        return self

    def __exit__(self, *_: object) -> None:
        self._lock.release()

    def close(self) -> None:
        """There is nothing to end."""


class Paced:
    """Drives a simulation by a clock in a thread of its own, until it is closed.

    Waiting is measured in simulated time: where the simulation cannot keep up with the clock, timeouts are as late as
    everything else. One warning says so.
    """

    def __init__(self, simulation: Simulation, clock: Clock) -> None:
        self._simulation, self._clock = simulation, clock
        self._lock = threading.RLock()
        self._news = threading.Condition(self._lock)
        self._work = threading.Condition(self._lock)
        self._closing = self._ended = self._stepping = self._told = False
        self._broken: Exception | None = None
        self._thread = threading.Thread(target=self._drive, name=f"{simulation.drawn.name} by the clock", daemon=True)
        self._thread.start()

    def __enter__(self) -> Paced:
        self._lock.acquire()
        try:
            self._catch_up()
        except BaseException:
            self._lock.release()
            raise
        return self

    def check(self) -> None:
        """Raise can.CanOperationError where the run has broken off."""
        if self._broken is not None:
            raise can.CanOperationError(f"the simulation broke off: {self._broken}") from self._broken

    def __exit__(self, *_: object) -> None:
        self._work.notify()
        self._news.notify_all()
        self._lock.release()

    def wait(self, done: Callable[[], bool], seconds: float | None) -> None:
        """Sleep until something is done, for that many seconds of simulated time at most; None: as long as it takes."""
        begin_ns = self._simulation.t_ns
        limit_ns = 1 << 62 if seconds is None else begin_ns + round(seconds * _SECOND_NS)
        self._work.notify()
        while not done() and self._simulation.t_ns < limit_ns and not self._closing:
            self.check()
            self._clock.sleep_until(self._news, limit_ns)
            self._catch_up()

    def close(self) -> None:
        """End the thread; simulated time stands still from here on."""
        with self._lock:
            self._closing = True
            self._work.notify()
            self._news.notify_all()
            if threading.current_thread() is not self._thread:
                # a wait gives the lock to the thread even where the caller has entered more than once
                self._news.wait_for(lambda: self._ended)
                self._thread.join()

    def _drive(self) -> None:
        with self._lock:
            try:
                while not self._closing and self._broken is None:
                    if self._catch_up():
                        self._clock.sleep_until(self._work, self._simulation.next_ns)
                    else:
                        self._warn()
                        self._work.wait(_BREATH_S)
            finally:
                self._ended = True
                self._news.notify_all()

    def _catch_up(self) -> bool:
        """Run up to what the clock shows, or a slice of it; whether that was all."""
        if self._stepping or self._closing or self._broken is not None:
            return True
        self._stepping = True
        try:
            return self._slice()
        except Exception as problem:
            self._broken = problem
            self._news.notify_all()
            return True
        finally:
            self._stepping = False

    def _slice(self) -> bool:
        now_ns, simulation = self._clock.now_ns(), self._simulation
        if not simulation.step(now_ns):
            return True
        self._news.notify_all()
        return not all(simulation.step(now_ns) for _ in range(_SLICE))

    def _warn(self) -> None:
        behind_ns = self._clock.now_ns() - self._simulation.t_ns
        if behind_ns > _BEHIND_NS and not self._told:
            self._told = True
            log.warning("%s is %.1f s behind the clock", self._simulation.drawn.name, behind_ns / _SECOND_NS)
