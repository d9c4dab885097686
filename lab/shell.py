"""The job in a terminal: a prompt on the standard library's ``cmd``. Also reads actions from a pipe."""

from __future__ import annotations

import cmd
import contextlib
import sys
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import IO

from lab.case import INSTRUMENTS
from lab.cautions import caution
from lab.hands import HANDS, Answer
from lab.job import VERBS, Job
from lab.pictures import wire_map
from simulator.errors import BadRequest, SixtyohmError
from simulator.probes import probe_points

_WIDTH = 100

_HELP = """Actions (each costs minutes):
  call                       roll call at the socket
  read ohms RED BLACK        for example: read ohms DLC.high DLC.low
  read volts RED BLACK       for example: read volts GBX.supply battery.negative
  zero                       zero the leads of the ohmmeter
  battery off|on             battery negative
  ignition off|on            the key
  unplug M, plug M           a module at its plug; the way there counts once
  part PLACE, join PLACE     an in-line connector
  covers off                 trim off: splices and connectors can be reached
  shake PLACE                a helper shakes the loom there, until: shake nothing
  wait MINUTES
  finding FAULT              hand in; several faults joined by ' + ', or: finding healthy
Looking (costs nothing):
  card, slips, state, points, kinds, map FILE.png, cautions, quit"""


class Shell(cmd.Cmd):
    """The prompt of a job."""

    def __init__(self, job: Job, stdin: IO[str] | None = None, stdout: IO[str] | None = None) -> None:
        super().__init__(stdin=stdin, stdout=stdout)
        self.job = job
        self.use_rawinput = stdin is None and sys.stdin.isatty()
        self._show_prompt()

    # ------------------------------------------------------------------ the frame

    def preloop(self) -> None:
        """Caution 1 and those of the case, then the job card."""
        numbers = (1, *(self.job.case.cautions if self.job.case else ()))
        self._lines(caution(number) for number in numbers)
        self._lines(["", *self.job.card(), "", "Type help for the actions. Journal: " + str(self.job.journal.path)])
        if self.job.slips or self.job.minute:
            self._lines([f"Going on at minute {self.job.minute:g} with {len(self.job.slips)} slips."])
        if self.job.verdict is not None:
            self._lines(["The finding was handed in.", *self.job.verdict["lines"]])

    def postcmd(self, stop: bool, line: str) -> bool:
        self._show_prompt()
        return stop

    def emptyline(self) -> bool:
        return False

    def default(self, line: str) -> bool | None:
        if line.strip() == "EOF":
            self._lines([""])
            return True
        if line.lstrip().startswith("#"):
            return None
        verb = line.split()[0]
        from simulator.errors import nearest

        self._lines([f"no action called '{verb}'; {nearest(verb, [*VERBS, *_LOOKS])}; type help for all of them"])
        return None

    def onecmd(self, line: str) -> bool:
        """One line; a wrong one is told and changes nothing."""
        try:
            return bool(super().onecmd(line))
        except SixtyohmError as problem:
            self._lines([str(problem)])
            return False

    def _show_prompt(self) -> None:
        self.prompt = f"[{self.job.minute:g} min] > " if self.use_rawinput else ""

    def _lines(self, lines: Iterable[str]) -> None:
        for line in lines:
            indent = " " * (len(line) - len(line.lstrip()) + 2)
            folded = textwrap.wrap(line, _WIDTH, subsequent_indent=indent, break_long_words=False) or [""]
            for piece in folded:
                print(piece, file=self.stdout)
        self.stdout.flush()

    # ------------------------------------------------------------------ actions

    def _act(self, verb: str, rest: str) -> None:
        over = self.job.minute > self.job.minutes_allowed
        answer = self.job.do(f"{verb} {rest}")
        self._lines(self._told(answer))
        if not over and self.job.minute > self.job.minutes_allowed:
            self._lines([f"Time is up: {self.job.minutes_allowed:g} minutes are over. Hand in your finding."])

    def _told(self, answer: Answer) -> list[str]:
        lines = [caution(number) for number in answer.cautions]
        if answer.slip is not None:
            slip = answer.slip
            lines += [f"Slip {slip.number}   {slip.display}", f"  {slip.where} ({slip.situation()})"]
            if slip.state != "valid":
                lines.append(f"  {slip.state.upper()}: {slip.why}")
        lines += answer.lines
        if answer.verdict is None:
            lines.append(f"  minute {self.job.minute:g} (+{answer.minutes:g})")
        return lines

    def do_finding(self, rest: str) -> bool | None:
        """finding FAULT: hand in what is wrong, as on the command line; several joined by ' + ', or healthy."""
        self._lines(["Holding your finding against every fault of the catalogue ..."] if rest.strip() else [])
        self._act("finding", rest)
        return None

    # ------------------------------------------------------------------ looking

    def do_help(self, arg: str) -> bool | None:
        """help: what can be done."""
        self._lines([])
        print(_HELP, file=self.stdout)
        return None

    def do_card(self, rest: str) -> bool | None:
        """card: the job card."""
        self._lines(self.job.card())
        return None

    def do_slips(self, rest: str) -> bool | None:
        """slips: the reading slips so far."""
        if not self.job.slips:
            self._lines(["No slip yet."])
        self._lines(f"{slip.number:3d}. min {slip.minute:g}  {slip.line()}" for slip in self.job.slips)
        return None

    def do_state(self, rest: str) -> bool | None:
        """state: minutes, battery, ignition, what is unplugged and parted."""
        condition = self.job.condition
        unplugged = ", ".join(sorted(condition.unplugged)) or "nothing"
        parted = ", ".join(place for _, place in sorted(condition.parted)) or "nothing"
        self._lines(
            [
                f"Minute {self.job.minute:g} of {self.job.minutes_allowed:g}. "
                f"Battery {'on' if condition.battery_on else 'off'}, "
                f"ignition {'on' if condition.ignition_on else 'off'}. "
                f"Unplugged: {unplugged}. Parted: {parted}. Leads {'' if self.job.zeroed else 'not '}zeroed. "
                f"Plugs reached: {', '.join(sorted(self.job.torn_open)) or 'none'}."
            ]
        )
        return None

    def do_points(self, rest: str) -> bool | None:
        """points: the probe points of the vehicle."""
        self._lines([" ".join(probe_points(self.job.vehicle))])
        return None

    def do_kinds(self, rest: str) -> bool | None:
        """kinds: the kinds of fault, each with an example of how it is written."""
        import faults

        self._lines(f"  {kind.example}" for kind in faults.kinds().values())
        return None

    def do_map(self, rest: str) -> bool | None:
        """map FILE.png: draw the wire map with your slips."""
        path = Path(rest.strip() or "wire_map.png")
        slips = [slip.taken(self.job.vehicle) for slip in self.job.slips]
        try:
            wire_map(self.job.vehicle, path, readings=slips, torn_open=self.job.torn_open)
        except OSError as error:
            raise BadRequest(f"{path} cannot be written ({error.strerror}); name another file") from None
        self._lines([f"Wire map: {path}"])
        return None

    def do_cautions(self, rest: str) -> bool | None:
        """cautions: all of them."""
        from lab.cautions import CAUTIONS

        self._lines(caution(number) for number in CAUTIONS)
        return None

    def do_quit(self, rest: str) -> bool:
        """quit: leave; the journal keeps the job."""
        self._lines([f"Left at minute {self.job.minute:g}. Go on with: sixtyohm job resume {self.job.journal.path}"])
        return True

    def completenames(self, text: str, *ignored: object) -> list[str]:
        return [name for name in [*VERBS, *_LOOKS] if name.startswith(text)]

    def completedefault(self, text: str, line: str, begin: int, end: int) -> list[str]:  # type: ignore[override]
        """What may stand at this place of an action."""
        words = line[:begin].split()
        return [name for name in self._choices(words) if name.startswith(text)]

    def _choices(self, words: Sequence[str]) -> Sequence[str]:
        vehicle = self.job.vehicle
        places = [place for network in vehicle.networks.values() for place in network.places]
        match words:
            case ["read"]:
                return [kind for kind in INSTRUMENTS if kind != "call"]
            case ["read", _] | ["read", _, _]:
                return probe_points(vehicle)
            case ["unplug" | "plug"]:
                return list(vehicle.modules)
            case ["part" | "join"]:
                return [parting.at for network in vehicle.networks.values() for parting in network.parting]
            case ["shake"]:
                return [*places, "nothing"]
            case ["battery" | "ignition"]:
                return ["on", "off"]
            case ["covers"]:
                return ["off"]
            case ["finding"]:
                import faults

                return [*faults.kinds(), "healthy"]
        return []


_LOOKS = ("card", "slips", "state", "points", "kinds", "map", "cautions", "help", "quit")


def _verb(verb: str) -> object:
    def action(self: Shell, rest: str) -> None:
        self._act(verb, rest)

    action.__doc__ = f"{verb}: see help."
    return action


for _name in ("call", "read", *HANDS):
    setattr(Shell, f"do_{_name}", _verb(_name))


def run_shell(job: Job, stdin: IO[str] | None = None, stdout: IO[str] | None = None) -> None:
    """Let a student work on a job until quit, the end of the input, or Ctrl-C; the journal is closed then."""
    with contextlib.closing(job.journal):
        shell = Shell(job, stdin, stdout)
        try:
            shell.cmdloop()
        except KeyboardInterrupt:
            shell.do_quit("")
