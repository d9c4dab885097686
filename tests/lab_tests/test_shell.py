"""The prompt: a whole job through a pipe, its words, its completion."""

from __future__ import annotations

import io
import os
import subprocess
import sys

import pytest

import faults
from lab.cautions import CAUTIONS
from lab.job import resume_job, start_job
from lab.shell import Shell, run_shell
from simulator.reader import find_vehicle

CASES = find_vehicle("pipkin").parent / "cases"
ROOT = find_vehicle("pipkin").parents[2]


def told(tmp_path, *lines, case="open_stub"):
    job = start_job(CASES / f"{case}.yaml", journal_path=tmp_path / "a.job")
    out = io.StringIO()
    run_shell(job, io.StringIO("\n".join(lines) + "\n"), out)
    return " ".join(out.getvalue().split()), job  # the prompt folds its lines


def test_it_begins_with_caution_1_and_the_job_card(tmp_path):
    """Own rule: the prompt is this project's own."""
    text, _ = told(tmp_path, "quit")
    assert text.startswith(f"Caution 1: {CAUTIONS[1]}")
    assert "Job card: The gearbox that says nothing" in text
    assert "Left at minute 0. Go on with: sixtyohm job resume" in text


def test_readings_minutes_and_refusals(tmp_path):
    """Own rule: the prompt is this project's own."""
    text, job = told(
        tmp_path, "call", "read ohms DLC.high DLC.low", "nonsense", "bits", "read ohms DLC.high",
        "# a remark", "", "slips",
        "state", "points", "kinds", "card", "cautions", "help",
    )  # fmt: skip
    for words in (
        "Slip 1 answering ENG, BRK, STA, BDY, CLU; silent GBX", "minute 3 (+3)", "VOID: the network is",
        "no action called 'nonsense'", "'bits' is no action of a job but a command",
        "write: read ohms RED BLACK", "2. min 4 ohms DLC.high DLC.low", "Minute 4 of",
        "battery.positive", "open line=high at=GBX", "Caution 18", "read volts RED BLACK",
    ):  # fmt: skip
        assert words in text, words
    assert job.minute == 4
    assert "Traceback" not in text


def test_time_is_up_is_said_once(tmp_path):
    """Own rule: the prompt is this project's own."""
    text, _ = told(tmp_path, "wait 59", "call", "call")
    assert text.count("Time is up: 60 minutes are over.") == 1


def test_the_map_of_the_student_shows_no_fault(tmp_path):
    """Own rule: the prompt is this project's own."""
    text, _ = told(tmp_path, "call", f"map {tmp_path / 'm.svg'}", f"map {tmp_path / 'm.gif'}", "map /nowhere/m.png")
    assert (tmp_path / "m.svg").exists()
    assert "no ending that says the format" in text
    assert "cannot be written" in text


@pytest.mark.parametrize(
    ("words", "some"),
    [
        ([], "read"), (["read"], "ohms"), (["read", "ohms"], "DLC.high"), (["unplug"], "GBX"), (["part"], "S2"),
        (["shake"], "nothing"), (["battery"], "off"), (["covers"], "off"), (["finding"], "open"),
    ],
)  # fmt: skip
def test_completion_knows_what_comes_next(tmp_path, words, some):
    """Own rule: the prompt is this project's own."""
    job = start_job(CASES / "open_stub.yaml", journal_path=tmp_path / "a.job")
    shell = Shell(job, io.StringIO(), io.StringIO())
    line = " ".join([*words, some[:2]])
    begin = len(line) - 2
    found = shell.completedefault(some[:2], line, begin, len(line)) if words else shell.completenames(some[:2])
    assert some in found


@pytest.mark.slow
def test_a_whole_job_through_a_pipe_of_a_real_process(tmp_path):
    """Own rule: the prompt is this project's own."""
    lines = "call\nignition off\nbattery off\nunplug GBX\nread ohms GBX.high GBX.low\nfinding healthy\n"
    code = (
        "import sys\nfrom lab.job import start_job\nfrom lab.shell import run_shell\n"
        f"run_shell(start_job({str(CASES / 'open_stub.yaml')!r}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], input=lines, capture_output=True, text=True, cwd=tmp_path, timeout=300,
        env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "WRONG: your own readings speak against it." in done.stdout
    assert 'The fault was: open line=both run="gearbox stub"' in done.stdout
    assert (tmp_path / "open_stub.job").exists()
    assert (tmp_path / "open_stub.png").exists()


def test_lines_fold_to_the_terminal_and_never_inside_a_word(tmp_path, monkeypatch):
    """Own rule: the prompt is this project's own."""
    monkeypatch.setenv("COLUMNS", "50")
    job = start_job(CASES / "open_stub.yaml", journal_path=tmp_path / "a.job")
    out = io.StringIO()
    run_shell(job, io.StringIO("cautions\nstate\n"), out)
    lines = out.getvalue().splitlines()
    journal = str(tmp_path / "a.job")
    assert all(len(line) <= 50 or journal in line for line in lines)
    assert any("battery negative off" in " ".join(lines[n : n + 2]) for n in range(len(lines)))


def test_the_end_of_a_pipe_says_how_to_go_on_and_a_wrong_finding_begins_nothing(tmp_path):
    """Own rule: the prompt is this project's own."""
    text, job = told(tmp_path, "call", "finding opne at=GBX")
    assert f"Left at minute 3. Go on with: sixtyohm job resume {job.journal.path}" in text
    assert "Holding your finding" not in text
    with job.journal.path.open("ab") as file:
        file.write(b'{"record":{"do":["ca')
    out = io.StringIO()
    run_shell(resume_job(job.journal.path), io.StringIO(""), out)
    assert "The last action was lost" in out.getvalue()


def test_looks_explain_themselves(tmp_path):
    """Own rule: the prompt is this project's own."""
    text, _ = told(tmp_path, "points", "kinds", "help finding", "slips")
    assert "battery.negative is the cable clamp on the body side" in text
    assert "An ohm left out of a finding means any value" in text
    for kind in faults.kinds().values():
        assert (kind.__doc__ or "").splitlines()[0].replace("``", "") in text
