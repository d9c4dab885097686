"""``run --drive``: the vehicle moves by a script, by its name or out of a file."""

from __future__ import annotations

from pathlib import Path

import can
import cantools
from cantools.database.can import Database
from command_line import sixtyohm

import dbc_demo

DATABASE = Path(next(iter(dbc_demo.__path__))) / "pipkin" / "pipkin.dbc"


def speeds(log: Path) -> list[float]:
    """The vehicle speed of every frame that has it, read by cantools from the log."""
    database = cantools.database.load_file(DATABASE)
    assert isinstance(database, Database)
    state = database.get_message_by_name("BrkState")
    with can.LogReader(log) as reader:
        found = [message for message in reader if message.arbitration_id == state.frame_id]
    return [float(state.decode(message.data)["BrkState_VehicleSpeed"]) for message in found]  # type: ignore[arg-type,index]


def test_a_script_out_of_a_file(tmp_path: Path) -> None:
    script, log = tmp_path / "round.drive", tmp_path / "run.asc"
    script.write_text("start\nbrake\nselect drive\nrelease\nto 36 in 4\nwait 60\n")
    done = sixtyohm("run", "pipkin", "--seconds", "8", "--drive", str(script), "--log", str(log))
    assert done.status == 0, done.err
    seen = speeds(log)
    assert seen[0] == 0.0
    # evenly to 36 km/h in four seconds, and then no faster
    assert max(seen) == seen[-1] == 36.0
    assert seen == sorted(seen)


def test_by_name_the_same_each_time() -> None:
    first, second = (sixtyohm("run", "haulvey", "--seconds", "3", "--drive", "every gear", "--json") for _ in range(2))
    assert first.status == 0
    assert first.out == second.out


def test_a_script_with_mistakes_and_one_that_is_not_there(tmp_path: Path) -> None:
    script = tmp_path / "bad.drive"
    script.write_text("start\nflap\n")
    bad = sixtyohm("run", "pipkin", "--seconds", "1", "--drive", str(script))
    assert bad.status == 2
    assert f"{script}:2: nothing a driver does is called 'flap'" in bad.err
    nowhere = sixtyohm("run", "pipkin", "--seconds", "1", "--drive", "every geer")
    assert nowhere.status == 2
    assert "did you mean 'every gear'?" in nowhere.err
