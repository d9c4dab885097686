"""The rules of supply states and receivers, over arrays: one circuit at a time and thousands of copies follow them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.jit import compiled_when_busy, plain_for_python

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.int8]

#: The states of a module, and what a receiver takes two lines for.
UNPOWERED, ASLEEP, AWAKE, STARVED = 0, 1, 2, 3
RECESSIVE, UNDEFINED, DOMINANT = 0, 1, 2
#: What is known of a module besides its state, a row each: whether it is called, what calls it where it has no wake
#: pin, whether it can have no supply at all, whether it finds no rest, and whether it finds none even held asleep.
CALLED, CALLING, DEAD, RESTLESS, FAINT = 0, 1, 2, 3, 4
HELD = 5
#: The module has no wake pin.
NO_WAKE = -2


@plain_for_python
def across(x: Floats, root: Ints, a: int, b: int) -> float:
    """Voltage from one node to another (-1: the body), in volt; 0.0 where no path of resistors joins them."""
    root_a = -1 if a < 0 else root[a]
    root_b = -1 if b < 0 else root[b]
    if root_a != root_b:
        return 0.0
    return (0.0 if a < 0 else x[a]) - (0.0 if b < 0 else x[b])


@plain_for_python
def next_states(
    pins: Ints, held: Bytes, state: Bytes, x: Floats, root: Ints, limits: tuple[float, float], after: Bytes
) -> None:
    """The states that follow from the voltages, into ``after``; ``held`` (HELD, modules) learns who is called.

    ``pins`` (modules, 3): supply pin, ground pin, wake pin or NO_WAKE; ``limits``: volt from which a supply is there,
    and down to which it stays.
    """
    for m in range(state.shape[0]):
        supply, ground, wake = pins[m, 0], pins[m, 1], pins[m, 2]
        was_awake = state[m] == AWAKE or state[m] == STARVED
        limit = limits[1] if state[m] == AWAKE or state[m] == ASLEEP else limits[0]
        supplied = across(x, root, supply, ground) >= limit
        if wake > NO_WAKE:
            limit = limits[1] if held[CALLED, m] else limits[0]
            held[CALLED, m] = 1 if across(x, root, wake, ground) >= limit else 0
        else:
            held[CALLED, m] = held[CALLING, m]
        if held[DEAD, m] or held[FAINT, m]:
            after[m] = UNPOWERED
        elif not supplied:
            after[m] = STARVED if was_awake else UNPOWERED
        elif held[CALLED, m] and not held[RESTLESS, m]:
            after[m] = AWAKE
        else:
            after[m] = ASLEEP


@plain_for_python
def repeated(history: Bytes, count: int, state: Bytes) -> int:
    """Which of the first rows of a history is this state; -1: none."""
    for n in range(count):
        same = True
        for m in range(state.shape[0]):
            if history[n, m] != state[m]:
                same = False
                break
        if same:
            return n
    return -1


@plain_for_python
def take(history: Bytes, known: int, after: Bytes, held: Bytes, state: Bytes) -> int:
    """Go on to the next states: how many rows of ``history`` are known now; -1: nothing changed, the supply rests.

    In a cycle the modules whose state differs within it are held asleep from here on. One held asleep that still finds
    no rest (asleep, its bus pins alone drop its supply) stays without supply.
    """
    if repeated(state.reshape(1, state.shape[0]), 1, after) == 0:
        return -1
    state[:] = after
    first = repeated(history, known, state)
    if first >= 0:
        for m in range(state.shape[0]):
            for n in range(first, known):
                if history[n, m] != history[first, m]:
                    if held[RESTLESS, m]:
                        held[FAINT, m] = 1
                    held[RESTLESS, m] = 1
                    state[m] = UNPOWERED if held[FAINT, m] else ASLEEP
                    break
        known = 0
    history[known] = state
    return known + 1


@compiled_when_busy
def judge_all(volts: Floats, ends: Ints, ranges: Floats, levels: tuple[float, float, float], seen: Ints) -> None:
    """Fill ``seen`` (receivers,): what each takes the lines for, as ``judge``.

    ``volts`` by position, the body's last; ``ends`` (receivers, 3): positions of high, low and ground; ``ranges``
    (receivers, 2): common mode, least and most.
    """
    for n in range(ends.shape[0]):
        ground = volts[ends[n, 2]]
        seen[n] = judge(volts[ends[n, 0]] - ground, volts[ends[n, 1]] - ground, ranges[n, 0], ranges[n, 1], levels)


@plain_for_python
def judge(high: float, low: float, least: float, most: float, levels: tuple[float, float, float]) -> int:
    """What a receiver takes two line voltages to its ground for; it reads recessive where their mean is out of range.

    ``levels``: dominant from, recessive up to, and the slack that rounding is given, in volt.
    """
    mean = (high + low) / 2
    if mean < least - levels[2] or mean > most + levels[2]:
        return RECESSIVE
    if high - low >= levels[0] - levels[2]:
        return DOMINANT
    return RECESSIVE if high - low <= levels[1] + levels[2] else UNDEFINED
