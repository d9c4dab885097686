"""The calibration routine of a replaced unit: what must hold must hold to its end."""

from __future__ import annotations

from simulator.datalink.controller import NEVER_NS
from simulator.diagnostics import Refusal, Refused, Routine, Session
from simulator.diagnostics.service import NOT_DEFAULT
from simulator.road import Calibration
from simulator.world.must_hold import Broken, for_calibration
from simulator.world.replaced import ReplacedUnit

_SECOND_NS = 1_000_000_000
#: How often the unit looks whether all holds.
_LOOK_NS = 100_000_000
#: What the results say first.
DONE, RUNNING, NOT_COMPLETE, NEVER_RUN = 0x00, 0x01, 0x02, 0x03
#: Where in its run the unit needs full pressure, and how much too little fluid it bears, in litre (own choices).
PRESSURE_AT, PRESSURE_SHORT_LITRE = 0.6, 0.15


class CalibrationRoutine(Routine):
    """Routine control for the calibration. Results: state, percent done, and the refusal code of what was lost.

    ``word`` is what the unit's messages say of it. ``lost``: what did not hold, and at what percent.
    """

    name = "calibration"
    sessions = NOT_DEFAULT - {Session.PROGRAMMING}

    def __init__(self, unit: ReplacedUnit, calibration: Calibration, *, done: bool = False) -> None:
        self.number = calibration.number
        self.unit, self.calibration = unit, calibration
        self.lost: Broken | None = None
        self.percent = 0
        self._state = DONE if done else NEVER_RUN
        self._begun_ns = self._next_ns = NEVER_NS
        self._had_values = done

    @property
    def running(self) -> bool:
        """Whether it runs."""
        return self._state == RUNNING

    @property
    def word(self) -> str:
        """What the unit says of its calibration."""
        if self.running:
            return "running"
        if self._state == DONE or self._had_values:
            return "done"
        return "never done" if self._state == NEVER_RUN else "failed"

    def not_held(self) -> Broken | None:
        """The first thing that does not hold now, or None."""
        unit = self.unit
        if not unit.complete:
            return Broken(
                Refusal.REQUEST_SEQUENCE_ERROR, "it has no configuration in force", "write all values, cycle the key"
            )
        if unit.misfit:
            words = f"it stores U0300: {unit.misfit}"
            return Broken(Refusal.FAILURE_PREVENTS_EXECUTION_OF_REQUESTED_ACTION, words, "fit the right unit")
        return next(for_calibration(self.calibration, unit.world.state, unit.volt), None)

    def start(self, t_ns: int, option: bytes) -> bytes:
        """Begin, if all holds that must."""
        if self.running:
            raise Refused(Refusal.BUSY_REPEAT_REQUEST)
        broken = self.not_held()
        if broken is not None:
            raise Refused(broken.refusal)
        if not self.calibration.keeps_old:
            self._had_values = False
        self._state, self.percent, self.lost = RUNNING, 0, None
        self._begun_ns, self._next_ns = t_ns, t_ns + _LOOK_NS
        self._tell()
        return bytes((RUNNING,))

    def stop(self, t_ns: int) -> bytes:
        """Break it off."""
        if not self.running:
            raise Refused(Refusal.REQUEST_SEQUENCE_ERROR)
        self._lose(t_ns, Broken(Refusal.REQUEST_SEQUENCE_ERROR, "the tester has stopped it", "start it again"))
        return self._record()

    def results(self, t_ns: int) -> bytes:
        """How it went, or goes."""
        if self._state == NEVER_RUN:
            raise Refused(Refusal.REQUEST_SEQUENCE_ERROR)
        return self._record()

    def _record(self) -> bytes:
        return bytes((self._state, self.percent, self.lost.refusal if self.lost is not None else 0))

    def next_deadline_ns(self) -> int:
        """When it looks again."""
        return self._next_ns

    def due(self, t_ns: int) -> None:
        """Look whether all still holds; end."""
        part = min(1.0, (t_ns - self._begun_ns) / _SECOND_NS / self.calibration.seconds)
        self.percent = int(part * 100)
        self._next_ns = t_ns + _LOOK_NS
        broken = (
            self._without_session() or self.not_held() or (self._without_pressure() if part >= PRESSURE_AT else None)
        )
        if broken is not None:
            self._lose(t_ns, broken)
        elif part >= 1.0:
            self._state, self._next_ns, self._had_values = DONE, NEVER_NS, True
            self._tell()

    def reset(self, t_ns: int) -> None:
        """The unit restarts or loses its supply."""
        if self.running:
            self._lose(t_ns, Broken(Refusal.CONDITIONS_NOT_CORRECT, "the unit has restarted", "leave the key on"))

    def _without_session(self) -> Broken | None:
        if self.unit.module.unit.server.session in self.sessions:
            return None
        words = "the diagnostic session has ended"
        return Broken(
            Refusal.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION,
            words,
            "send tester-present at least every 5 s (S3, ISO 14229-2)",
        )

    def _without_pressure(self) -> Broken | None:
        fluid = self.unit.world.fluids.get(self.unit.name)
        if fluid is None or fluid.error_litre > -PRESSURE_SHORT_LITRE:
            return None
        words = "a clutch does not reach its pressure"
        return Broken(Refusal.FAILURE_PREVENTS_EXECUTION_OF_REQUESTED_ACTION, words, "put the fluid level right")

    def _lose(self, t_ns: int, broken: Broken) -> None:
        self._state, self._next_ns, self.lost = NOT_COMPLETE, NEVER_NS, broken
        self._tell()

    def _tell(self) -> None:
        world = self.unit.world
        # messages and self-check take it up in a turn of their own: the server is in the middle of a request
        world.simulation.at(world.simulation.t_ns, lambda: self._told(self.word))

    def _told(self, word: str) -> None:
        if self.unit.in_vehicle:
            self.unit.world.recalibrated(word)
            self.unit.settle()
