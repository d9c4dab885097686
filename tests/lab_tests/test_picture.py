"""``picture`` and its files: CSV as the contract says, VCD and sigrok session as sigrok reads them, the figure.

sigrok's own decoder for CAN is the peer: it has the frame from our voltages alone.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from command_line import good, sixtyohm

import faults
from lab.pictures import save
from lab.waveform_files import write_sigrok, write_vcd
from lab.waveform_picture import field_texts, waveform_figure
from simulator.circuit.waveform import Waveform, waveform
from simulator.datalink.frame import Frame, encode
from simulator.reader import find_vehicle, load_vehicle

PIPKIN = load_vehicle(find_vehicle("pipkin"))
MISSING = faults.apply(PIPKIN, [faults.parse("missing_terminator at=CLU")])
FRAMES = {
    "classic": encode(0x222, bytes([0x00, 0x11, 0x22])),
    "classic, eight bytes": encode(0x000, bytes(8)),
    "classic, empty": encode(0x7FF, b""),
    # That decoder waits for data after the length of a remote frame, so this one asks for none.
    "classic, remote": encode(0x123, b"", remote=True, dlc=0),
    "extended": encode(0x18DAF110, bytes([0x02, 0x3E, 0x80]), extended=True),
    "extended, eight bytes": encode(0x1FFFFFFF, bytes.fromhex("00FF00FF55AA55AA"), extended=True),
    "flexible": encode(0x0F0, bytes(range(8)), fd=True),
    "flexible, switched": encode(0x321, bytes(range(12)), fd=True, brs=True),
    "flexible, long": encode(0x456, bytes(range(20)), fd=True, brs=True),
    "flexible, extended": encode(0x18DAF110, bytes(range(6)), extended=True, fd=True, brs=True),
}  # fmt: skip


def wave_of(frame: Frame, missing: bool = False, step_ns: float = 2.0) -> Waveform:
    car = MISSING if missing else PIPKIN
    return waveform(car, transmitter="GBX", frame=frame, places=["DLC"], data_bit_rate=2_000_000, step_ns=step_ns)


def decoded(path: Path, channel: str, kind: str = "") -> str:
    """The fields that sigrok's CAN decoder finds."""
    if shutil.which("sigrok-cli") is None:
        pytest.fail("sigrok-cli is not on this machine, and this test needs it: apt-get install sigrok-cli")
    options = f"can:can_rx={channel}:nominal_bitrate=500000:fast_bitrate=2000000:sample_point=80"
    reader = ["-I", kind] if kind else []
    command = ["sigrok-cli", *reader, "-i", str(path), "-P", options, "-A", "can=fields:warnings"]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout


def check(text: str, frame: Frame) -> None:
    """Identifier and data, and the CRC of a classic frame: its FD field holds stuff count and fixed bits as well."""
    label = r"Full Identifier: \d+ \(0x([0-9a-f]+)\)" if frame.extended else r"Identifier: \d+ \(0x([0-9a-f]+)\)"
    found = re.search(label, text)
    assert found is not None, text
    assert int(found[1], 16) == frame.frame_id
    assert [int(octet, 16) for octet in re.findall(r"Data byte \d+: 0x([0-9a-f]{2})", text)] == list(frame.data)
    if not frame.fd:
        crc = re.search(r"CRC-15 sequence: 0x([0-9a-f]+)", text)
        assert crc is not None
        assert int(crc[1], 16) == frame.crc
    assert "ACK slot: ACK" in text
    assert "End of frame" in text
    assert "error" not in text.lower().replace("error state indicator", "")


@pytest.mark.parametrize("name", ["classic", "flexible, switched"])
def test_sigrok_reads_the_session(name: str, tmp_path: Path) -> None:
    """Peer: sigrok-cli reads the session file (sigrok's own format)."""
    path = tmp_path / "wave.sr"
    write_sigrok(wave_of(FRAMES[name]), "DLC", path)
    check(decoded(path, "RX"), FRAMES[name])


@pytest.mark.slow
@pytest.mark.parametrize("missing", [False, True], ids=["healthy", "one terminator missing"])
@pytest.mark.parametrize("name", FRAMES)
def test_ten_frames_decoded(name: str, missing: bool, tmp_path: Path) -> None:
    """Peer: sigrok's CAN decoder, from voltages alone; frames by Bosch CAN 2.0 and CAN FD 1.0."""
    wave = wave_of(FRAMES[name], missing, 1.0)
    write_sigrok(wave, "DLC", tmp_path / "wave.sr")
    check(decoded(tmp_path / "wave.sr", "RX"), FRAMES[name])
    write_vcd(wave, "DLC", tmp_path / "wave.vcd")
    check(decoded(tmp_path / "wave.vcd", "received", "vcd"), FRAMES[name])


def test_csv(tmp_path: Path) -> None:
    """Own format of columns (README.md)."""
    frame = encode(1, b"")
    answer = good(
        "picture", "pipkin", "--at", "DLC", "--from", "GBX", "--id", "1", "--step-ns", "1", "--csv", tmp_path / "w.csv"
    )
    rows = (tmp_path / "w.csv").read_text().splitlines()
    assert rows[0] == "t_s,high_volt,low_volt"
    table = np.array([[float(cell) for cell in row.split(",")] for row in rows[1:]])
    assert table[0, 0] == -1e-6
    assert table[-1, 0] == pytest.approx(frame.length * 2e-6 + 2e-6, abs=1e-12)
    assert np.diff(table[:, 0]) == pytest.approx(1e-9, rel=1e-3)
    assert rows[1001].startswith("0,")
    assert np.ptp(table[:1001, 1]) == 0.0
    assert table[1001:1100, 1].max() > 3.0
    assert answer["verdict"] == "sound"
    assert answer["files"] == [str(tmp_path / "w.csv")]


def test_picture_writes_every_format(tmp_path: Path) -> None:
    """Own rule: what the command writes and says."""
    names = {"--png": "w.png", "--vcd": "w.vcd", "--sigrok": "w.sr"}
    paths = [part for option, name in names.items() for part in (option, tmp_path / name)]
    fault = "missing_terminator at=CLU"
    answer = sixtyohm("picture", "pipkin", "--at", "S1", "--from", "tester", "--step-ns", 5, "--fault", fault, *paths)
    assert (answer.status, answer.err) == (0, ""), answer
    assert "The link is" in answer.out
    assert (tmp_path / "w.png").read_bytes()[:4] == b"\x89PNG"
    assert (tmp_path / "w.vcd").read_text().startswith("$comment LINE-1 at S1, tester sends")


def test_figure_shows_frame_limits_and_ghost(tmp_path: Path) -> None:
    """Own rule: what the command writes and says."""
    frame = FRAMES["classic"]
    figure = waveform_figure(wave_of(frame, True, 5.0), "DLC", ghost=wave_of(frame, False, 5.0))
    save(figure, tmp_path / "w.svg")
    assert "without a fault" in [text.get_text() for text in figure.legends[0].get_texts()][2]
    words = [text.get_text() for axes in figure.axes for text in axes.texts]
    assert any("0x222" in word for word in words)
    assert any("undefined" in word for word in words)
    assert field_texts(wave_of(frame, False, 5.0))[-1] == "EOF"
    save(waveform_figure(wave_of(frame, True, 5.0), "DLC", ghost=wave_of(frame, False, 5.0)), tmp_path / "v.svg")
    assert (tmp_path / "w.svg").read_bytes() == (tmp_path / "v.svg").read_bytes()


def test_session_is_the_same_each_time(tmp_path: Path) -> None:
    """Own rule: what the command writes and says."""
    wave = wave_of(FRAMES["classic, empty"], step_ns=10.0)
    for name in ("a.sr", "b.sr"):
        write_sigrok(wave, "DLC", tmp_path / name)
    assert (tmp_path / "a.sr").read_bytes() == (tmp_path / "b.sr").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--at", "NOWHERE", "--from", "GBX"], "no place called 'NOWHERE'"),
        (["--at", "DLC", "--from", "GBY"], "no module called 'GBY'; did you mean 'GBX'?"),
        (["--at", "DLC", "--from", "GBX", "--step-ns", "-1"], "a step of -1 ns is out of reach: write 0.01 to 100"),
        (["--at", "DLC", "--from", "GBX", "--unplug", "GBX"], "GBX is unplugged and sends nothing"),
        (["--at", "DLC", "--from", "GBX", "--length", "2"], "add --remote"),
        (["--at", "DLC", "--from", "GBX", "--bit-rate", "1"], "a bit rate of 1 bit/s is out of reach"),
        (["--at", "DLC", "--from", "GBX", "--png", "x.gif"], "write one of .png, .svg, .pdf"),
    ],
)
def test_bad_input(arguments: list[str], message: str) -> None:
    """Own rule: what the command writes and says."""
    answer = sixtyohm("picture", "pipkin", *arguments)
    assert answer.status == 2
    assert message in answer.err
    assert answer.err.count("\n") == 1
