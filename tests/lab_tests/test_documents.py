"""README.md and DEVELOPERS.md are programs: every code block runs, and what stands in them is true.

Source: the documents themselves.
"""

from __future__ import annotations

import os
import re
import runpy
import shlex
import subprocess
import sys
from importlib.metadata import entry_points
from pathlib import Path
from typing import NamedTuple

import pytest
from command_line import sixtyohm

import faults
from lab.cautions import CAUTIONS
from lab.checking import check_file
from lab.commands import COMMANDS

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md")


class Block(NamedTuple):
    """A code block: its language, its text, and where it begins."""

    language: str
    text: str
    where: str


def text_of(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def blocks(language: str) -> list[Block]:
    found = []
    for name in DOCUMENTS:
        for match in re.finditer(r"^```(\w+)\n(.*?)^```$", text_of(name), re.MULTILINE | re.DOTALL):
            line = text_of(name)[: match.start()].count("\n") + 1
            found.append(Block(match[1], match[2], f"{name}:{line}"))
    return [block for block in found if block.language == language]


def test_every_block_has_a_language_that_is_run() -> None:
    for name in DOCUMENTS:
        fences = re.findall(r"^```(\w*)$", text_of(name), re.MULTILINE)
        assert fences[1::2] == [""] * (len(fences) // 2)
        assert set(fences[::2]) <= {"sh", "console", "python", "yaml"}


@pytest.mark.parametrize("block", blocks("sh"), ids=lambda block: block.where)
def test_a_command_of_the_set_up_is_what_ci_runs(block: Block) -> None:
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for line in block.text.splitlines():
        stem = line.replace("pip install", "pip install -q").replace(".venv/bin/sixtyohm", "venv/bin/sixtyohm")
        assert any(ran.strip().lstrip("(").startswith((line, stem)) or stem in ran for ran in ci.splitlines()), line


def as_pattern(expected: str) -> re.Pattern[str]:
    """Output as written down; ``...`` stands for anything, blanks at the end of a line do not count."""
    lines = [re.escape(line.rstrip()).replace(r"\.\.\.", ".*") for line in expected.splitlines()]
    return re.compile("\n".join(lines), re.DOTALL)


@pytest.mark.parametrize("block", blocks("console"), ids=lambda block: block.where)
def test_a_session_prints_what_is_written(block: Block, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for part in block.text.split("$ ")[1:]:
        typed, _, expected = part.partition("\n")
        program, *arguments = shlex.split(typed)
        assert program == "sixtyohm"
        answer = sixtyohm(*arguments)
        shown = "\n".join(line.rstrip() for line in (answer.out + answer.err).splitlines())
        assert as_pattern(expected).fullmatch(shown), f"{typed}\n{shown}"


#: What leaves something behind in the process, or wants pytest.
APART = ("def test_", "@register", "os.environ")


@pytest.mark.parametrize("block", blocks("python"), ids=lambda block: block.where)
def test_python_runs(block: Block, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "test_block.py"
    file.write_text(block.text, encoding="utf-8")
    if not any(words in block.text for words in APART):
        monkeypatch.chdir(tmp_path)
        runpy.run_path(str(file), run_name="__main__")
        return
    command = [sys.executable, str(file)]
    if "def test_" in block.text:
        known = any(found.value == "pytest_sixtyohm" for found in entry_points(group="pytest11"))
        plugin = [] if known else ["-p", "pytest_sixtyohm"]
        command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *plugin, str(file)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, env=environment)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("block", blocks("yaml"), ids=lambda block: block.where)
def test_yaml_is_a_file_without_mistakes(block: Block, tmp_path: Path) -> None:
    file = tmp_path / "block.yaml"
    file.write_text(block.text, encoding="utf-8")
    database = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: ENG GBX TESTER\n'
    (tmp_path / "pipkin.dbc").write_text(database, encoding="ascii")
    assert check_file(file) == ([], [])


def test_the_table_of_faults_is_fresh() -> None:
    table = text_of("DEVELOPERS.md").split("<!-- faults: begin -->\n")[1].split("<!-- faults: end -->")[0]
    assert table.strip() == faults.reference_table().strip(), "renew it: see 'Add a fault'"


def test_every_command_stands_in_the_table_of_commands() -> None:
    commands = text_of("DEVELOPERS.md").split("## Commands")[1]
    for name, command in COMMANDS.items():
        assert re.search(rf"`{name}\b", commands), name
        for option in command.params:
            for word in option.opts:
                if word.startswith("--") and word not in ("--json", "--help"):
                    assert word in commands, f"{name} {word}"


def test_every_test_named_in_the_rules_is_there() -> None:
    file = ""
    for path, name in re.findall(r"`(?:tests/lab_tests/)?(test_\w+\.py)?::(test_\w+)`", text_of("DEVELOPERS.md")):
        file = path or file
        assert f"def {name}(" in (ROOT / "tests" / "lab_tests" / file).read_text(encoding="utf-8")
    for path in re.findall(r"`((?:tests|simulator|faults|lab|dbc_demo)/[\w/.]+)`", "".join(map(text_of, DOCUMENTS))):
        assert (ROOT / path).exists(), path


def test_links_and_pictures_of_the_documents_are_there() -> None:
    for name in DOCUMENTS:
        for target in re.findall(r"\]\(([^)#:]+)\)", text_of(name)):
            assert (ROOT / target).is_file(), target


def test_the_first_caution_stands_in_the_readme() -> None:
    assert CAUTIONS[1] in text_of("README.md")
    assert CAUTIONS[4] in text_of("README.md")


def test_the_version_stands_in_the_changelog() -> None:
    version = re.search(r'^version = "(.*)"$', text_of("pyproject.toml"), re.MULTILINE)
    assert version is not None
    assert f"## {version[1]}" in text_of("CHANGELOG.md")
