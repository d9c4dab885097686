"""A vehicle of many modules on one network whose cyclic messages load it to more than half, for tests of speed."""

from __future__ import annotations

from pathlib import Path

from simulator.reader import load_vehicle
from simulator.vehicle import Vehicle

#: Cycle times in ms of each module's messages: 24 modules load 500 kbit/s to 55 % or so.
CYCLES_MS = (20, 40, 50)


def loaded_vehicle(folder: Path, count: int = 24) -> Vehicle:
    """Modules M0, M1, ... on stubs of a trunk of S0, S1, ...; all their messages have a counter and a checksum."""
    names = [f"M{number}" for number in range(count)]
    text = ["format: 1", "vehicle: Loaded", "supply:", "  battery: {open_circuit_volt: 12.6, internal_ohm: 0.01}"]
    text += ["  fuses: {F1: {amp: 60, ohm: 0.001}}", "  grounds: {G1: {ohm: 0.0001}}", "modules:"]
    for number, name in enumerate(names):
        text += [f"  {name}:", "    feed: {fuse: F1, ohm: 0.05}", "    ground: {point: G1, ohm: 0.02}"]
        text += ["    draw_ohm: 50", f"    request_id: 0x{0x600 + number:X}", f"    response_id: 0x{0x700 + number:X}"]
        text += ["    lost_code: U0100"]
    text += ["networks:", "  LINE:", "    bit_rate: 500000", "    sample_point: 0.8", "    database: loaded.dbc"]
    text += ["    pair: {ohm_per_m: 0.052, impedance_ohm: 120, delay_ns_per_m: 5.0}", "    runs:"]
    text += [f"      - {{from: S{number}, to: {name}, length_m: 0.2}}" for number, name in enumerate(names)]
    text += [f"      - {{from: S{number - 1}, to: S{number}, length_m: 0.5}}" for number in range(1, count)]
    text += [f"    terminators: [{{at: M0, ohm: 120, inside: true}}, {{at: M{count - 1}, ohm: 120, inside: true}}]"]
    text += ["    socket: S5"]
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", f"BU_: {' '.join(names)}", ""]
    cycles = []
    for number, name in enumerate(names):
        for which, cycle_ms in enumerate(CYCLES_MS):
            message, frame_id = f"{name}Message{which}", 0x100 + 0x100 * which + number
            lines += [f"BO_ {frame_id} {message}: 8 {name}"]
            lines += [f' SG_ {message}_Value : 0|16@1+ (0.1,0) [0|6000] "" {names[number - 1]}']
            lines += [f' SG_ {message}_Other : 16|16@1- (0.5,0) [-200|600] "" {names[number - 1]}']
            lines += [f' SG_ {message}_Counter : 48|4@1+ (1,0) [0|15] "" {names[number - 1]}']
            lines += [f' SG_ {message}_Checksum : 56|8@1+ (1,0) [0|255] "" {names[number - 1]}', ""]
            cycles += [f'BA_ "GenMsgCycleTime" BO_ {frame_id} {cycle_ms};']
    lines += ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;', 'BA_DEF_DEF_ "GenMsgCycleTime" 0;', *cycles, ""]
    (folder / "loaded.dbc").write_text("\n".join(lines), encoding="ascii")
    (folder / "vehicle.yaml").write_text("\n".join(text) + "\n", encoding="ascii")
    return load_vehicle(folder / "vehicle.yaml")
