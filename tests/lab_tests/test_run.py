"""What ``run`` tells of the controllers: errors, counters, states; and the picture of the counters over time.

Rules of counters and states: Bosch CAN Specification 2.0 (1991), part B, 12.2. The rest are rules of this project.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_line import good, sixtyohm
from random_traffic import busy_vehicle
from writing import misplaced, writing_of

from faults import parse
from lab.controllers import Change, Observer
from lab.countercurves import counter_figure, fault_bars, joined
from lab.responses import Responses
from lab.running import Outcome, run_networks
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation

OTHERS = ("GBX", "BRK", "STA", "BDY", "CLU")
#: 128 times 11 recessive bits at 500 kbit/s (rule 12).
RECOVERY_NS = 128 * 11 * 2000
SHORTED = "short between=high-low at=S1 ohm=0.05"


def finished(seconds: float, *faults: str) -> Outcome:
    return run_networks(load_vehicle(find_vehicle("pipkin")), seconds, fault_texts=faults)


def test_a_healthy_run_has_nothing_to_tell() -> None:
    network = good("run", "pipkin", "--seconds", "0.1")["networks"][0]
    assert [one["module"] for one in network["controllers"]] == ["ENG", *OTHERS]
    for one in network["controllers"]:
        assert one["state"] == "error active"
        assert one["transmit_errors"] == one["receive_errors"] == one["most_transmit_errors"] == 0
        assert one["errors"] == []
    assert network["changes"] == []
    assert "LINE-1: no errors, all counters at 0" in sixtyohm("run", "pipkin", "--seconds", "0.1").out


def test_the_lone_node_never_goes_off() -> None:
    """Rule 3, exception 1: 16 missing acknowledgements make 128, and there it stays."""
    faults = [word for name in OTHERS for word in ("--fault", f"dead_module module={name}")]
    network = good("run", "pipkin", "--seconds", "0.5", *faults)["networks"][0]
    alone = network["controllers"][0]
    assert (alone["state"], alone["transmit_errors"], alone["most_transmit_errors"]) == ("error passive", 128, 128)
    assert [(one["kind"], one["place"], one["transmitting"]) for one in alone["errors"]] == [("ack", "ACK slot", True)]
    # the missing acknowledgement of the last attempt is noticed before that ends
    assert alone["errors"][0]["count"] - network["errors"] in (0, 1)
    assert network["errors"] > 1000
    assert [(one["module"], one["state"]) for one in network["changes"]] == [("ENG", "error passive")]
    assert {one["state"] for one in network["controllers"][1:]} == {"down"}


def test_a_shorted_pair_ends_in_bus_off_and_comes_back_by_the_rule() -> None:
    """Rules 3, 10 and 12: everybody's own bits fail; nobody is back before 128 times 11 recessive bits."""
    network = good("run", "pipkin", "--seconds", "0.3", "--fault", SHORTED)["networks"][0]
    assert network["frames"] == 0
    off: dict[str, int] = {}
    waits = []
    for change in network["changes"]:
        if change["state"] == "bus off":
            off[change["module"]] = change["t_ns"]
        elif change["state"] == "error active" and change["module"] in off:
            waits.append(change["t_ns"] - off.pop(change["module"]))
    assert len({change["module"] for change in network["changes"]}) == 6
    assert len(waits) > 20
    assert min(waits) >= RECOVERY_NS
    assert max(one["most_transmit_errors"] for one in network["controllers"]) >= 256


def test_changes_of_state_stand_as_in_the_event_log(tmp_path: Path) -> None:
    """Own rule: of one instant by name, here too."""
    log = tmp_path / "run.jsonl"
    network = good("run", "pipkin", "--seconds", "0.2", "--fault", "crossed at=GBX", "--log", str(log))["networks"][0]
    events = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    logged = [(one["t_ns"], one["name"], one["what"]) for one in events if one["kind"] == "controller"]
    shown = [(one["t_ns"], one["module"], one["state"]) for one in network["changes"]]
    assert len(shown) > len({t_ns for t_ns, _, _ in shown}) > 20
    assert shown == logged


def test_the_text_says_who_noticed_what_and_when() -> None:
    answer = sixtyohm("run", "pipkin", "--seconds", "0.3", "--fault", SHORTED)
    assert answer.status == 0
    for words in ("error counters", "transmitter", "0 read as 1", "GBX bus off", "more changes of state"):
        assert words in answer.out
    assert max(len(line.rstrip()) for line in answer.out.splitlines()) <= 80


def test_the_points_of_the_counters() -> None:
    """In the order of time, peaks kept, and bounded however much happens."""
    network = finished(0.5, SHORTED).networks[0]
    for account in network.controllers:
        times = [t_ns for t_ns, _, _ in account.points]
        assert times == sorted(times)
        assert max(sent for _, sent, _ in account.points) == account.most[0]
        step_ns = 0.5e9 / 4000
        assert all(third - first >= step_ns or third // step_ns != first // step_ns
                   for first, third in zip(times, times[2:], strict=False))  # fmt: skip


@pytest.mark.parametrize("vehicle", ["pipkin", "haulvey"])
def test_no_message_takes_longer_than_its_bound(vehicle: str) -> None:
    """Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007): the bound of simulator/response.py."""
    found = good("run", vehicle, "--seconds", "3")
    took = [row for network in found["networks"] for row in network["responses"] if row["worst_ns"] is not None]
    assert len(took) > 20
    for row in took:
        assert 0 < row["worst_ns"] <= row["bound_ns"], row["message"]
    assert sum(row["frames"] for network in found["networks"] for row in network["responses"]) == sum(
        network["frames"] for network in found["networks"]
    )


def test_a_module_that_comes_back_begins_its_cycles_anew() -> None:
    """The same source; a frame that breaks off with its module costs the bus at most its 135 bits and an error frame of
    31 (ISO 11898-1), at 500 kbit/s. Counted from cycles that are over, a message would seem to wait for half a one."""
    found = good("run", "pipkin", "--seconds", "2", "--fault", "power_dropout module=GBX from_s=0.5 until_s=0.9")
    rows = found["networks"][0]["responses"]
    assert {row["message"] for row in rows if row["sender"] == "GBX" and row["frames"] < 90}
    for row in rows:
        assert row["worst_ns"] <= row["bound_ns"] + (135 + 31) * 2_000, row["message"]


def test_responses_in_bulk_and_one_by_one_are_the_same() -> None:
    """Own rule: a subscriber that wants every record alone changes nothing but the speed."""
    vehicle = load_vehicle(find_vehicle("pipkin"))
    rows = []
    for alone in (False, True):
        simulation = Simulation(vehicle, seed=4)
        responses = Responses(simulation)
        if alone:
            simulation.subscribe(lambda record: None)
        simulation.advance(1.5)
        rows.append(responses.rows)
    assert rows[0] == rows[1]
    assert all(row.frames and row.worst_ns for row in rows[0].values())


def test_the_responses_are_shown_when_asked_for() -> None:
    shown = sixtyohm("run", "pipkin", "--seconds", "0.5", "--responses").out
    assert "bound ms" in shown
    assert "GbxGear" in shown
    assert "bound ms" not in sixtyohm("run", "pipkin", "--seconds", "0.5").out


def test_stretches_that_nearly_touch_are_one() -> None:
    assert joined([(0, 1), (1, 2), (2.05, 3), (5, 6)], 0.1) == [(0, 3), (5, 1)]


def test_fault_bars() -> None:
    diary = [
        Change(0, "a", "in"), Change(5, "b", "in"), Change(7, "a", "out"), Change(8, "a", "in"), Change(9, "b", "out"),
    ]  # fmt: skip
    assert fault_bars(diary, 10) == [("a", [(0, 7), (8, 10)]), ("b", [(5, 9)])]


LONG = (
    "short between=high-low at=S1 ohm=0.05 from_s=0.021 until_s=0.0375 on_s=0.0045 off_s=0.0035 jitter_s=0.001 seed=17"
)


@pytest.mark.parametrize(
    "faults",
    [(), ("dead_module module=GBX",), ("open line=high at=GBX", "crossed at=BRK from_s=0.03", LONG)],
    ids=["healthy", "no errors", "several"],
)
def test_writing_of_the_picture_is_inside_and_apart(faults: tuple[str, ...]) -> None:
    figure = counter_figure(finished(0.06, *faults))
    assert misplaced(figure) == []
    assert any("error counters" in text for text, _ in writing_of(figure))


def test_the_picture_of_several_networks_names_them() -> None:
    haulvey = load_vehicle(find_vehicle("haulvey"))
    short = "short between=high-low at=GWY network=DRIVE"
    figure = counter_figure(run_networks(haulvey, 0.03, fault_texts=[short]))
    assert misplaced(figure) == []
    shown = [text for text, _ in writing_of(figure)]
    assert any(text.startswith("DRIVE ENG ") for text in shown)
    (foot,) = [text for text in shown if text.startswith("at 0 throughout")]
    assert "CABIN GWY, BDY" in foot


def test_the_picture_has_a_strip_for_everybody_who_counted(tmp_path: Path) -> None:
    outcome = finished(0.05, SHORTED)
    counted = [account for account in outcome.networks[0].controllers if account.points]
    shown = [text for text, _ in writing_of(counter_figure(outcome)) if "highest TEC" in text]
    assert [text.split()[0] for text in shown] == [account.module for account in counted]
    file = tmp_path / "counters.png"
    assert sixtyohm("run", "pipkin", "--seconds", "0.05", "--counters", file).status == 0
    assert file.read_bytes().startswith(b"\x89PNG")
    answer = sixtyohm("run", "pipkin", "--seconds", "0.05", "--counters", tmp_path / "counters.txt")
    assert answer.status == 2
    assert ".png" in answer.err


def test_the_load_is_the_time_with_anybody_on_the_wire(tmp_path: Path) -> None:
    """Of a crossed pair whose attempts lie inside each other: the union of all attempts in the event log."""
    log = tmp_path / "crossed.jsonl"
    network = good("run", "pipkin", "--seconds", "0.1", "--fault", "crossed at=GBX", "--log", str(log))["networks"][0]
    lines = [json.loads(line) for line in log.read_text("utf-8").splitlines()]
    busy_us = set[int]()
    for one in lines:
        if one["kind"] == "frame":
            busy_us.update(range(one["t_start_ns"] // 1000, one["t_end_ns"] // 1000))
    assert network["load"] == pytest.approx(len(busy_us) / 100_000)


@pytest.mark.parametrize(
    "text",
    [
        "open line=high at=N3",
        "short between=high-low at=S3 from_s=0.05 until_s=0.12",
        "crossed at=N4",
        "wrong_bit_rate module=N2 bit_rate=250000",
    ],
)
def test_accounts_are_the_same_whether_what_is_noticed_comes_singly_or_many_at_once(text: str) -> None:
    """Own proof, no source: controllers that are looked at bit by bit, and tell all singly, hold the standard."""
    found = []
    for unattended in (False, True):
        simulation = Simulation(busy_vehicle(6), seed=3, faults=[parse(text)], unattended=unattended)
        observer = Observer(simulation, 0.2)
        simulation.advance(0.2)
        observer.close()
        accounts = [
            (dict(one.errors), one.lost, one.overloads, one.counters, one.most, one.state)
            for one in observer.accounts.values()
        ]
        found.append((accounts, observer.changes, observer.changed))
        # the same curve, though its corners are not kept at the same instants
        assert all(one.points[-1][1:] == one.counters for one in observer.accounts.values() if one.points)
    assert any(errors for errors, *_ in found[0][0])
    assert found[0] == found[1]
