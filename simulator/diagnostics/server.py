"""The diagnostic server of one module: which requests it takes, when it answers, what it remembers between them.

A state machine on simulated time behind the transport: payloads in, payloads out. General rules of answering:
ISO 14229-1:2020, 8.7 and its figures; timing: ISO 14229-2:2013, 7; each service is in a file of ``services``.
"""

from __future__ import annotations

from collections.abc import Callable

from simulator.datalink.controller import NEVER_NS
from simulator.diagnostics.data import DataIdentifier, Routine
from simulator.diagnostics.memory import FaultMemory
from simulator.diagnostics.refusal import NEGATIVE, SILENT_IF_FUNCTIONAL, Refusal, Refused
from simulator.diagnostics.security import Lock
from simulator.diagnostics.service import POSITIVE, SUPPRESS, Later, Outcome, Reply, Request, Session
from simulator.diagnostics.services import SERVICES

_MS_NS = 1_000_000
#: From a request to its answer in ns. ISO 14229-2 allows P2; 5 ms is an own choice.
ANSWER_NS = 5 * _MS_NS
#: P2server_max and P2*server_max. ISO 14229-2:2013, clause 7 (read in ISO 15765-3).
P2_NS, P2_STAR_NS = 50 * _MS_NS, 5_000 * _MS_NS
#: S3server: without requests for so long, back to the default session. ISO 14229-2:2013, clause 7.
S3_NS = 5_000 * _MS_NS
#: "Response pending" goes out when so much of P2 or P2* is over (own choice).
_EARLY = 4, 5
_TESTER_PRESENT_SILENT = bytes((0x3E, SUPPRESS))


class Server:
    """One module's server. ``request`` it, take answers from ``due``, tell it of the fate of answers (``finished``).

    ``data`` and ``routines`` may be added to. ``restart`` and ``cleared`` are called when a request asks for a reset
    and when codes have been cleared; ``refuse_session`` may give a Refusal code for a session that must not be entered.
    ``emissions``: it has one of the addresses of SAE J1979 and so its services.
    """

    def __init__(self, memory: FaultMemory, lock: Lock, *, emissions: bool = False) -> None:
        self.memory, self.lock, self.emissions = memory, lock, emissions
        self.session = Session.DEFAULT
        self.data: dict[int, DataIdentifier] = {}
        self.routines: dict[int, Routine] = {}
        #: Values of SAE J1979 by identifier: service 01, service 09.
        self.current_data: dict[int, Callable[[int], bytes]] = {}
        self.information: dict[int, Callable[[int], bytes]] = {}
        #: (network, receive or send) of normal messages that service 28 has switched off; network "" is all of them.
        self.switched_off: set[tuple[str, str]] = set()
        self.restart: Callable[[int], None] = lambda t_ns: None
        self.cleared: Callable[[int], None] = lambda t_ns: None
        self.refuse_session: Callable[[int, Session], int | None] = lambda t_ns, session: None
        self._request: Request | None = None  # the one that is worked on or answered
        self._answer: tuple[int, bytes | None] | None = None
        self._then: Callable[[int], None] | None = None
        self._work: tuple[int, Later] | None = None
        self._pending_ns = NEVER_NS
        self._pending_sent = False
        self._refused: list[tuple[int, str, bytes]] = []  # requests that came meanwhile: when, where, what is said
        self._s3_ns = NEVER_NS

    def add_data(self, *items: DataIdentifier) -> None:
        """Give it more data identifiers, or others in the place of those of the same number."""
        self.data.update((item.number, item) for item in items)

    def add_routine(self, routine: Routine) -> None:
        """Give it a routine, or another in the place of that of the same number."""
        self.routines[routine.number] = routine

    @property
    def busy(self) -> bool:
        """Whether a request is being worked on, or its answer is not out yet."""
        return self._request is not None

    def sends(self, network: str) -> bool:
        """Whether normal messages are sent on a network (service 28)."""
        return not {("", "send"), (network, "send")} & self.switched_off

    def receives(self, network: str) -> bool:
        """Whether normal messages are received from a network (service 28)."""
        return not {("", "receive"), (network, "receive")} & self.switched_off

    # -- time

    def next_deadline_ns(self) -> int:
        """When ``due`` has to be called next; NEVER_NS if nothing is planned."""
        deadline = min(self._s3_ns, self._pending_ns)
        if self._answer is not None:
            deadline = min(deadline, self._answer[0])
        if self._work is not None:
            deadline = min(deadline, self._work[0])
        if self._refused:
            deadline = min(deadline, self._refused[0][0])
        for routine in self.routines.values():
            deadline = min(deadline, routine.next_deadline_ns())
        return deadline

    def due(self, t_ns: int) -> list[tuple[str, bytes]]:
        """Go on; what is to be sent now, oldest first, each on the network from which its request came."""
        out: list[tuple[str, bytes]] = []
        here = "" if self._request is None else self._request.network
        for routine in self.routines.values():
            if routine.next_deadline_ns() <= t_ns:
                routine.due(t_ns)
        if self._work is not None and self._work[0] <= t_ns:
            self._finish_work(t_ns)
        if self._pending_ns <= t_ns:
            out.append((here, self._pending(t_ns)))
        if self._answer is not None and self._answer[0] <= t_ns:
            data = self._answer[1]
            self._answer = None
            if data is None:
                self.finished(t_ns)
            else:
                out.append((here, data))
        while self._refused and self._refused[0][0] <= t_ns:
            out.append(self._refused.pop(0)[1:])
        if self._s3_ns <= t_ns:
            self.enter(t_ns, Session.DEFAULT)
        return out

    def started(self, t_ns: int) -> None:
        """A request of several frames has begun to come: the session does not end meanwhile (ISO 14229-2:2013)."""
        self._s3_ns = NEVER_NS

    def finished(self, t_ns: int) -> None:
        """An answer is out, or has failed, or a request that had begun never came whole."""
        if self._work is not None or self._answer is not None:
            return  # that was a "response pending", or a refusal of another request
        then, self._then, self._request = self._then, None, None
        self._restart_s3(t_ns)
        if then is not None:
            then(t_ns)

    def reset(self, t_ns: int) -> None:
        """The module has lost its supply or restarts: default session, locked, nothing pending."""
        self._request = self._answer = self._work = self._then = None
        self._refused = []
        self._pending_ns = NEVER_NS
        self.enter(t_ns, Session.DEFAULT)
        self.lock.restart(t_ns)
        for routine in self.routines.values():
            routine.reset(t_ns)

    def enter(self, t_ns: int, session: Session) -> None:
        """Change the session: locked again; into the default one also all switched on again (10.2)."""
        self.session = session
        self.lock.close()
        if session is Session.DEFAULT:
            self.switched_off.clear()
            self.memory.frozen = False
        self._restart_s3(t_ns)

    def _restart_s3(self, t_ns: int) -> None:
        self._s3_ns = NEVER_NS if self.session is Session.DEFAULT else t_ns + S3_NS

    # -- requests

    def request(self, request: Request) -> None:
        """A request has come whole. What becomes of it is told by ``due``."""
        if self._request is not None:
            self._while_busy(request)
            return
        self._request, self._pending_sent = request, False
        self._s3_ns = NEVER_NS
        try:
            outcome = self._outcome(request)
        except Refused as refused:
            self._refuse(request.t_ns, refused)
            return
        if isinstance(outcome, Later):
            self._work = request.t_ns + outcome.duration_ns, outcome
            self._pending_ns = request.t_ns + P2_NS * _EARLY[0] // _EARLY[1]
            if self._work[0] <= self._pending_ns:
                self._pending_ns = NEVER_NS
            return
        if isinstance(outcome, Reply):
            self._then, outcome = outcome.then, outcome.data
        self._answer = request.t_ns + ANSWER_NS, None if self._suppressed(request) else outcome

    def _outcome(self, request: Request) -> Outcome:
        """By the figures of 8.7: service, session, length, sub-function, that in this session; then the service."""
        number, length = request.payload[0], len(request.payload)
        if number & POSITIVE:
            return None  # an answer is no request
        service = SERVICES.get(number)
        if service is None or (service.emissions and not self.emissions):
            raise Refused(Refusal.SERVICE_NOT_SUPPORTED)
        if self.session not in service.sessions:
            raise Refused(Refusal.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION)
        if service.sub_functions is not None:
            if length < 2:
                raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
            if request.sub_function not in service.sub_functions:
                raise Refused(Refusal.SUB_FUNCTION_NOT_SUPPORTED)
            if self.session not in service.sub_functions[request.sub_function]:
                raise Refused(Refusal.SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION)
        if length < service.shortest:
            raise Refused(Refusal.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
        return service.answer(self, request)

    def _suppressed(self, request: Request) -> bool:
        """Whether the tester wants no positive response; after a "response pending" it gets one all the same."""
        service = SERVICES.get(request.payload[0])
        if service is None or service.sub_functions is None or self._pending_sent:
            return False
        return bool(request.payload[1] & SUPPRESS)

    def _refuse(self, t_ns: int, refused: Refused) -> None:
        request = self._request
        assert request is not None
        silent = request.functional and refused.code in SILENT_IF_FUNCTIONAL and not self._pending_sent
        data = None if silent else bytes((NEGATIVE, request.payload[0], refused.code))
        self._answer = max(t_ns, request.t_ns + ANSWER_NS), data

    def _while_busy(self, request: Request) -> None:
        """Only the request that keeps the session is taken meanwhile (ISO 14229-2:2013)."""
        if request.payload == _TESTER_PRESENT_SILENT or request.payload[0] & POSITIVE:
            return
        if self._work is not None:
            refusal = bytes((NEGATIVE, request.payload[0], Refusal.BUSY_REPEAT_REQUEST))
            self._refused.append((request.t_ns + ANSWER_NS, request.network, refusal))

    def _finish_work(self, t_ns: int) -> None:
        assert self._work is not None
        assert self._request is not None
        later, self._work, self._pending_ns = self._work[1], None, NEVER_NS
        try:
            data = later.finish(t_ns)
        except Refused as refused:
            self._refuse(t_ns, refused)
            return
        self._answer = t_ns, None if self._suppressed(self._request) else data

    def _pending(self, t_ns: int) -> bytes:
        assert self._request is not None
        self._pending_ns = t_ns + P2_STAR_NS * _EARLY[0] // _EARLY[1]
        self._pending_sent = True
        pending = Refusal.REQUEST_CORRECTLY_RECEIVED_RESPONSE_PENDING
        return bytes((NEGATIVE, self._request.payload[0], pending))
