"""A waveform in files that general tools open: CSV, value change dump, sigrok session."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from simulator.circuit.link import levels

if TYPE_CHECKING:
    from simulator.circuit.waveform import Waveform

#: The range of receivers that the digital trace reads with, in volt to the body.
RANGE_VOLT = (-12.0, 12.0)


def write_csv(wave: Waveform, place: str, path: str | Path) -> None:
    """``t_s,high_volt,low_volt``, a row per step; seconds and volt."""
    trace = wave.places[place]
    rows = zip(wave.t_ns.tolist(), trace.high_volt.tolist(), trace.low_volt.tolist(), strict=True)
    with open(path, "w", encoding="ascii", newline="") as file:
        file.write("t_s,high_volt,low_volt\n")
        file.writelines(f"{round(t, 6) * 1e-9:.12g},{high:.6f},{low:.6f}\n" for t, high, low in rows)


def write_vcd(wave: Waveform, place: str, path: str | Path) -> None:
    """A value change dump (IEEE 1364-2005, clause 18) in ps: both lines as reals, what a receiver reads as a wire."""
    trace = wave.places[place]
    received = received_bits(wave, place)
    picoseconds = np.rint((wave.t_ns - wave.t_ns[0]) * 1000.0).astype(np.int64)
    with open(path, "w", encoding="ascii", newline="") as file:
        file.write(f"$comment {wave.network.name} at {place}, {wave.transmitter} sends $end\n")
        file.write("$timescale 1 ps $end\n$scope module bus $end\n")
        file.write("$var real 64 h high_volt $end\n$var real 64 l low_volt $end\n$var wire 1 r received $end\n")
        file.write("$upscope $end\n$enddefinitions $end\n")
        last: list[str] = ["", "", ""]
        lines = zip(
            picoseconds.tolist(), trace.high_volt.tolist(), trace.low_volt.tolist(), received.tolist(), strict=True
        )
        for t, high, low, bit in lines:
            now = [f"r{high:.4f} h", f"r{low:.4f} l", f"{bit}r"]
            changed = [text for text, before in zip(now, last, strict=True) if text != before]
            if changed:
                file.write(f"#{t}\n" + "\n".join(changed) + "\n")
            last = now
        file.write(f"#{int(picoseconds[-1])}\n")


def write_sigrok(wave: Waveform, place: str, path: str | Path) -> None:
    """A sigrok session, version 2: one logic channel RX (1 recessive), analogue channels HIGH and LOW in volt.

    Source: sigrok's wiki, "File format:Sigrok/v2".
    """
    trace = wave.places[place]
    rate_hz = round(1e9 / wave.step_ns)
    metadata = "\n".join(
        (
            "[global]", "sigrok version=0.5.2", "", "[device 1]", "capturefile=logic-1", "total probes=1",
            f"samplerate={rate_hz} Hz", "total analog=2", "probe1=RX", "analog2=HIGH", "analog3=LOW", "unitsize=1", "",
        )
    )  # fmt: skip
    parts = {
        "version": b"2",
        "metadata": metadata.encode("ascii"),
        "logic-1-1": received_bits(wave, place).tobytes(),
        "analog-1-2-1": trace.high_volt.astype("<f4").tobytes(),
        "analog-1-3-1": trace.low_volt.astype("<f4").tobytes(),
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            # A fixed date: the same waveform gives the same bytes.
            archive.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)


def received_bits(wave: Waveform, place: str) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    """(times,) what a receiver at the place with its ground on the body gives: 0 dominant, 1 recessive."""
    return (~levels(wave.places[place], 0.0, RANGE_VOLT)).astype(np.uint8)


def summary(wave: Waveform, place: str) -> dict[str, object]:
    """What a picture was made of, for JSON: who, where, how long, and the bits."""
    trace = wave.places[place]
    return {
        "network": wave.network.name,
        "transmitter": wave.transmitter,
        "acknowledged_by": list(wave.acknowledgers),
        "place": place,
        "step_ns": wave.step_ns,
        "from_s": round(float(wave.t_ns[0]) * 1e-9, 15),
        "until_s": round(float(wave.t_ns[-1]) * 1e-9, 15),
        "bits": "".join(map(str, wave.bits)),
        "high_volt": {"least": float(trace.high_volt.min()), "most": float(trace.high_volt.max())},
        "low_volt": {"least": float(trace.low_volt.min()), "most": float(trace.low_volt.max())},
        "difference_volt": {"least": float(trace.difference_volt.min()), "most": float(trace.difference_volt.max())},
    }
