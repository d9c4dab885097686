"""The job in a terminal: a prompt on the standard library's ``cmd``. Also reads actions from a pipe."""

from __future__ import annotations

import cmd
import contextlib
import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import IO

from lab.case import INSTRUMENTS
from lab.cautions import caution
from lab.commands import COMMANDS
from lab.handback import final_record
from lab.hands import Answer
from lab.job import VERBS, Job
from lab.looks import LOOKS, OLD, TORN
from simulator.errors import SixtyohmError, nearest
from simulator.probes import probe_points
from simulator.quantities import SELECTOR

#: A terminal narrower than this is written to as if it had so many columns.
_NARROWEST = 40


#: What may follow a verb.
_NEXT = {
    "codes": ("read", "save", "clear", "misses"),
    "engine": ("start", "stop"),
    "brake": ("hold", "release"),
    "select": SELECTOR,
    "level": ("open", "look", "close"),
    "routine": ("start", "results", "stop"),
}


def _no_action(verb: str) -> str:
    """What to write instead of something that is no action; not everybody tells the commands of the program apart."""
    if verb in COMMANDS:
        return f"'{verb}' is no action of a job but a command: leave the job, then sixtyohm {verb} --help"
    return f"no action called '{verb}'; {nearest(verb, [*VERBS, *LOOKS, 'quit'])}; type help for all of them"


class Shell(cmd.Cmd):
    """The prompt of a job."""

    identchars = f"{cmd.Cmd.identchars}-"

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
        if self.job.journal.torn:
            self._lines([TORN])
        if self.job.slips or self.job.minute:
            count = len(self.job.slips)
            self._lines([f"Going on at minute {self.job.minute:g} with {count} slip{'s' * (count != 1)}."])
        if self.job.journal.format == 1:
            self._lines([OLD])
        if self.job.verdict is not None:
            self._lines(["The finding was handed in.", *self.job.verdict["lines"]])
        if self.job.handed_back is not None:
            self._lines([f"Handed back {self.job.handed_back['word']}.", *final_record(self.job)])

    def postcmd(self, stop: bool, line: str) -> bool:
        self._show_prompt()
        return stop

    def emptyline(self) -> bool:
        return False

    def default(self, line: str) -> bool | None:
        if line.strip() == "EOF":
            return self.do_quit("")
        if line.lstrip().startswith("#"):
            return None
        verb = line.split()[0]
        self._lines([_no_action(verb)])
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
        width = max(_NARROWEST, shutil.get_terminal_size().columns)
        for line in lines:
            indent = " " * (len(line) - len(line.lstrip()) + 2)
            folded = textwrap.wrap(
                line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
            ) or [""]
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
        if self.job.handed_back is None and answer.verdict is None:
            lines.append(f"  minute {self.job.minute:g} (+{answer.minutes:g})")
        return lines

    def do_finding(self, rest: str) -> bool | None:
        """finding FAULT: hand in what is wrong, as on the command line; several joined by ' + ', or healthy."""
        self.job.check_finding(rest)
        self._lines(["Holding your finding against every fault of the catalogue ..."])
        self._act("finding", rest)
        return None

    def do_drive(self, rest: str) -> None:
        """drive [NAME]: the road test, or a drive by name."""
        self._lines(["Driving; that takes this program up to a minute ..."])
        self._act("drive", rest)

    def do_quit(self, rest: str) -> bool:
        """quit: leave; the journal keeps the job."""
        self._lines([f"Left at minute {self.job.minute:g}. Go on with: sixtyohm job resume {self.job.journal.path}"])
        return True

    def completenames(self, text: str, *ignored: object) -> list[str]:
        """The words an action or a look may begin with."""
        return [name for name in [*VERBS, *LOOKS, "quit"] if name.startswith(text)]

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
            case ["read", _] | ["read", _, _] | ["lamp"] | ["lamp", _]:
                return probe_points(vehicle)
            case ["unplug" | "plug" | "pins" | "order" | "replace" | "config" | "proof"]:
                return list(vehicle.modules)
            case ["part" | "join"]:
                return [parting.at for network in vehicle.networks.values() for parting in network.parting]
            case ["shake"]:
                return [*places, "nothing"]
            case ["battery" | "ignition" | "supply" | "lamps"]:
                return ["on", "off"]
            case ["covers"]:
                return ["off"]
            case [("codes" | "engine" | "brake" | "select" | "level" | "routine") as verb]:
                return _NEXT[verb]
            case ["write"]:
                services = vehicle.road.service.values()
                return [item.title.replace(" ", "-") for each in services for item in each.configuration]
            case ["finding" | "repair"]:
                import faults

                return [*faults.kinds(), "healthy"]
        return []


def _look(name: str) -> object:
    def look(self: Shell, rest: str) -> None:
        self._lines(LOOKS[name](self.job, rest))

    look.__doc__ = f"{name}: see help."
    return look


for _name in LOOKS:
    setattr(Shell, f"do_{_name}", _look(_name))


def _verb(verb: str) -> object:
    def action(self: Shell, rest: str) -> None:
        self._act(verb, rest)

    action.__doc__ = f"{verb}: see help."
    return action


for _name in VERBS:
    if _name not in ("finding", "drive"):
        setattr(Shell, f"do_{_name}", _verb(_name))


def run_shell(job: Job, stdin: IO[str] | None = None, stdout: IO[str] | None = None) -> None:
    """Let a student work on a job until quit, the end of the input, or Ctrl-C; the journal is closed then."""
    with contextlib.closing(job.journal):
        shell = Shell(job, stdin, stdout)
        try:
            shell.cmdloop()
        except KeyboardInterrupt:
            shell.do_quit("")
