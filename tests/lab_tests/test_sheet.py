"""Worksheet and answer key: the answer stands on the key's pages only, every page is A4."""

from __future__ import annotations

from pathlib import Path

import pytest
from pypdf import PdfReader

from lab.case import load_case
from lab.sheet import write_sheet
from simulator.errors import BadRequest
from simulator.reader import find_vehicle

CASES = sorted((find_vehicle("pipkin").parent / "cases").glob("*.yaml"))
#: Width and height of A4 in mm: ISO 216.
A4 = (210.0, 297.0)


def pages_of(path: Path) -> list[str]:
    return [page.extract_text() for page in PdfReader(path).pages]


@pytest.mark.slow
@pytest.mark.parametrize("path", CASES, ids=lambda path: path.stem)
def test_the_answer_is_not_on_the_students_pages(path, tmp_path):
    case = load_case(path)
    out = tmp_path / "sheet.pdf"
    count = write_sheet(case, out)
    texts = pages_of(out)
    assert len(texts) == count
    key = [text for text in texts if "Answer key" in text]
    student = [text for text in texts if "Answer key" not in text]
    assert texts[: len(student)] == student  # the key is at the end, to be left out of the copies
    for fault in case.faults:
        assert str(fault) in " ".join(key[0].split())
        for text in student:
            assert f"{fault.kind} {next(iter(fault.given()))}=" not in " ".join(text.split())
            assert "Faults" not in text
            assert str(fault) not in text
            assert path.stem not in text
    meta = PdfReader(out).metadata or {}
    assert all(fault.kind not in str(value) for value in meta.values() for fault in case.faults)


@pytest.fixture(scope="module")
def sheet(tmp_path_factory):
    out = tmp_path_factory.mktemp("sheet") / "sheet.pdf"
    write_sheet(CASES[0], out)
    return out


def test_what_the_pages_hold(sheet):
    texts = pages_of(sheet)
    student = "\n".join(text for text in texts if "Answer key" not in text)
    for word in ("Job card", "Caution 1", "Caution 4", "wire map", "expected if good", "crossed out", "F7 10 A"):
        assert word in student
    key = "\n".join(text for text in texts if "Answer key" in text)
    for word in ("Roll call", "DLC.high  DLC.low", "GBX unplugged", "GBX.supply  battery.negative", "kohm"):
        assert word in key
    for page in PdfReader(sheet).pages:
        sides = sorted(float(side) / 72 * 25.4 for side in (page.mediabox.width, page.mediabox.height))
        assert sides == pytest.approx(A4, abs=0.5)


@pytest.mark.slow
def test_the_key_says_what_no_meter_shows(tmp_path):
    out = tmp_path / "sheet.pdf"
    for name, said in (("winter_tyres", "GBX tyre size 2.08 m"), ("open_stub", "as it should be")):
        write_sheet(find_vehicle("pipkin").parent / "cases" / f"{name}.yaml", out)
        key = next(" ".join(text.split()) for text in pages_of(out) if "Answer key" in text)
        assert f"say of themselves (config), with the fault: {said}" in key


def test_the_same_case_gives_the_same_file(sheet, tmp_path):
    write_sheet(CASES[0], tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == sheet.read_bytes()


def test_bad_requests_are_told(tmp_path):
    with pytest.raises(BadRequest, match=r"no PDF file; write a name that ends in \.pdf"):
        write_sheet(CASES[0], tmp_path / "sheet.doc")
    with pytest.raises(BadRequest, match="cannot be written"):
        write_sheet(CASES[0], tmp_path / "nowhere" / "sheet.pdf")
