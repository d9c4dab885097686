"""The roll call through the diagnostic socket."""

from __future__ import annotations

import pytest
from small_vehicle import gateway_vehicle, three_modules

import faults
from simulator.condition import DEAD, Condition, ModuleState
from simulator.errors import UnknownName
from simulator.reader import find_vehicle, load_vehicle
from simulator.rollcall import roll_call

PIPKIN = load_vehicle(find_vehicle("pipkin"))
ALL = ("ENG", "GBX", "BRK", "STA", "BDY", "CLU")


@pytest.mark.parametrize(
    ("texts", "silent"),
    [
        ((), ()),
        (("dead_module module=STA",), ("STA",)),
        (("not_configured module=BDY",), ()),
        (("silent_message message=GbxGear",), ()),
        (("power_dropout module=GBX",), ("GBX",)),
        (("wake_dropout module=CLU",), ("CLU",)),
        (("ground_dropout module=ENG",), ("ENG",)),
        (("power_dropout fuse=R1",), ("ENG", "GBX", "STA", "CLU")),
        (("open line=both run=S2-DLC",), ("ENG", "GBX", "BRK")),
        (('open line=both run="gearbox stub"',), ("GBX",)),
        (("crossed at=BRK",), ("BRK",)),
        (("short between=high-low at=S1",), ALL),
        (("stuck_dominant module=CLU",), ALL),
        (("stuck_recessive module=CLU",), ("CLU",)),
        (("flooding module=CLU id=0",), ALL),
        (("flooding module=CLU id=0x7FF",), ()),
        (("wrong_bit_rate module=BRK bit_rate=250000",), ("BRK",)),
        (("dead_module module=STA", "dead_module module=GBX from_s=100"), ("GBX", "STA")),
    ],
)
def test_who_is_silent(texts: tuple[str, ...], silent: tuple[str, ...]) -> None:
    """From the contract's element for each fault and the circuit; who cannot be reached or cannot speak is silent.

    Static answers ignore timelines, so the last fault is there.
    """
    call = roll_call(PIPKIN, faults=[faults.parse(text) for text in texts])
    assert call.silent == silent
    assert call.answering == tuple(name for name in ALL if name not in silent)


def test_twice_the_same() -> None:
    """Own rule: deterministic."""
    bad = [faults.parse("wrong_bit_rate module=BRK bit_rate=250000")]
    assert roll_call(PIPKIN, faults=bad) == roll_call(PIPKIN, faults=bad)


def test_everything_off() -> None:
    """No supply, no answer."""
    call = roll_call(PIPKIN, DEAD)
    assert call.answering == ()
    assert set(call.states.values()) == {ModuleState.UNPOWERED}


def test_ignition_off() -> None:
    """Contract, part 2: the questions are traffic, and traffic calls the one module without a wake pin."""
    call = roll_call(PIPKIN, Condition(ignition_on=False))
    assert call.answering == ("BDY",)
    assert call.states["ENG"] is ModuleState.ASLEEP


def test_unplugged() -> None:
    """One terminator left is enough at this length (ISO 11898-2 levels)."""
    call = roll_call(PIPKIN, Condition(unplugged=frozenset({"ENG"})))
    assert call.silent == ("ENG",)
    with pytest.raises(UnknownName):
        roll_call(PIPKIN, Condition(unplugged=frozenset({"XYZ"})))


def test_parted_connector() -> None:
    """Contract, part 1: the dash side comes off; the socket is on it."""
    assert roll_call(PIPKIN, Condition(parted=frozenset({("LINE-1", "S2")}))).silent == ("ENG", "GBX", "BRK")


def test_network_without_a_socket() -> None:
    """Own rule: a module is asked through the sockets; one on no network with a socket is silent."""
    call = roll_call(gateway_vehicle())
    assert (call.answering, call.silent) == (("ENG", "GWY"), ("DRL",))
    assert roll_call(gateway_vehicle(), network="CABIN").answering == ()
    with pytest.raises(UnknownName):
        roll_call(gateway_vehicle(), network="ATTIC")


def test_small_vehicle() -> None:
    """A vehicle without signals in its messages."""
    assert roll_call(three_modules()).silent == ()
