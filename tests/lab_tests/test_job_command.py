"""``job`` and ``sheet`` on the command line. Source: DEVELOPERS.md, "Commands", this project's own contract."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from command_line import good, sixtyohm

from simulator.reader import find_vehicle

ROOT = Path(__file__).resolve().parents[2]
CASES = find_vehicle("pipkin").parent / "cases"


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_a_job_is_opened_carried_on_and_shown() -> None:
    opened = good("job", "start", "pipkin", "--seed", 3)
    assert list(opened) == [
        "journal", "vehicle", "card", "minute", "minutes_allowed", "slips", "verdict", "handed_back", "warnings",
    ]  # fmt: skip
    assert (opened["minute"], opened["slips"], opened["verdict"]) == (0, [], None)
    assert opened["warnings"][0].startswith("Caution 1")
    called = good("job", "do", "call")
    assert (called["minutes"], called["minute"]) == (3, 3)
    assert called["slip"]["kind"] == "call"
    shown = good("job", "resume")
    assert shown["minute"] == 3
    assert [slip["number"] for slip in shown["slips"]] == [1]


def test_ohms_on_a_live_network_bring_caution_4() -> None:
    good("job", "start", CASES / "open_stub.yaml", "--journal", "mine.job")
    answer = good("job", "do", "read ohms DLC.high DLC.low", "--journal", "mine.job")
    assert [warning.split(":")[0] for warning in answer["warnings"]] == ["Caution 4"]
    assert answer["slip"]["state"] == "void"
    said = sixtyohm("job", "do", "read ohms DLC.high DLC.low", "--journal", "mine.job")
    assert said.out.startswith("Caution 4: Ohms only on a dead circuit")


def test_a_wrong_action_is_one_line_and_costs_nothing() -> None:
    good("job", "start", "pipkin")
    assert sixtyohm("job", "do", "reed ohms")[0] == 2
    assert "did you mean 'read'" in sixtyohm("job", "do", "reed ohms").err
    assert good("job", "resume")["minute"] == 0
    assert sixtyohm("job", "start", CASES / "open_stub.yaml", "--seed", 3)[0] == 2
    assert sixtyohm("job", "resume", "nowhere.job")[0] == 2


def test_looking_needs_no_prompt_and_words_no_quotes() -> None:
    good("job", "start", CASES / "open_stub.yaml")
    for look in ("help", "slips", "card", "state", "points", "kinds", "cautions", "map"):
        answer = good("job", "do", look)
        assert (answer["minutes"], answer["slip"]) == (0, None)
        assert answer["lines"]
    assert good("job", "do", "read", "ohms", "DLC.high", "DLC.low")["slip"]["number"] == 1
    assert "1. min 1" in sixtyohm("job", "do", "slips").out
    assert sixtyohm("job", "do", "finding", "open", "line=both", "run=gearbox stob").status == 2
    lines = good("job", "do", "finding", "open", "line=both", "run=gearbox stub")["lines"]
    assert lines[0] == 'Finding: open line=both run="gearbox stub"'


def test_the_prompt_reads_from_a_pipe() -> None:
    code = "import sys; from pytest_sixtyohm import main; sys.exit(main())"
    done = subprocess.run(
        [sys.executable, "-c", code, "job", "start", "pipkin", "--seed", "3"],
        input="call\nquit\n",
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Caution 1: Simulation only")
    assert "Slip 1" in done.stdout


@pytest.mark.slow
def test_a_case_is_printed() -> None:
    found = good("sheet", CASES / "open_stub.yaml", "--out", "case.pdf")
    assert found["file"] == "case.pdf"
    assert found["pages"] > 3
    assert Path("case.pdf").read_bytes().startswith(b"%PDF")
    assert sixtyohm("sheet", CASES / "open_stub.yaml").out.startswith("open_stub.pdf: ")
    assert sixtyohm("sheet", CASES / "open_stub.yaml", "--out", "case.txt")[0] == 2
    assert sixtyohm("sheet", "nowhere.yaml")[0] == 2
