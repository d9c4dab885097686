"""Tables of who reads what while whom drives: they grow with what is asked, up to a bound, and stay true."""

from __future__ import annotations

import random

from simulator.datalink import levels
from simulator.datalink.controller import Wiring
from simulator.datalink.levels import levels_of
from simulator.kernels import bus


def test_a_table_grows_to_a_bound_and_says_the_same_all_the_way() -> None:
    names = tuple(f"N{number}" for number in range(62))
    wiring = Wiring({name: frozenset(names) for name in names}, held=frozenset(names[:3]))
    found = levels_of(wiring, names)
    small = found.lags.nbytes
    held = found.held
    draw = random.Random(1)
    sizes = []
    for _ in range(9_000):
        drive = draw.getrandbits(62)
        if found.keys[bus.place_of.plain(found.keys, drive)] != drive:
            found.learn(drive)
        at = bus.place_of.plain(found.keys, drive)
        assert found.keys[at] == drive
        assert found.masks[0, at] == found.mask(wiring.read(frozenset(found.names(drive))).dominant)
        sizes.append(len(found.keys))
    assert small < 200_000
    assert sizes[0] < sizes[-1] == max(sizes) == levels._MOST
    # an island that comes later finds the table full of other sets, or emptied
    assert levels_of(wiring, names) is found
    assert found.held == held == 0b111
