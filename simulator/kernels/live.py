"""Many networks with the battery on: supply states that settle, voltages at rest, and what every receiver sees.

The rules are those that a single circuit follows (``supply.py`` beside this file); here they run for thousands of
copies of one vehicle that differ a little.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.drive import leg_currents
from simulator.kernels.factor import factorise, gather, islands, solve
from simulator.kernels.jit import compiled
from simulator.kernels.supply import (
    ASLEEP,
    AWAKE,
    CALLING,
    DEAD,
    HELD,
    RECESSIVE,
    STARVED,
    UNPOWERED,
    judge,
    next_states,
    take,
)  # fmt: skip

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.int8]

#: Rounds after which a supply is given up; a cycle is found long before.
MOST_ROUNDS = 400


@compiled
def rest(
    shape: tuple[Ints, Ints, Ints, Ints, Ints, Ints],
    conductance: Floats,
    added: tuple[Ints, Floats],
    sources: tuple[Ints, Floats],
    scratch: tuple[Floats, Floats, Floats, Floats],
) -> None:
    """Factorise one network and solve it for its sources: shares, pivots and node voltages go to ``scratch``.

    ``shape``: ptr, idx, upd, slots, and both ends of every element; ``sources``: elements and their volt.
    """
    ptr, idx, upd, slots, start, end = shape
    w, s, d, x = scratch
    gather(slots, conductance, w, s)
    for c in range(added[0].shape[0]):
        slot = added[0][c]
        if slot >= 0:
            w[slot] += added[1][c]
        elif slot > -(2**62):
            s[-2 - slot] += added[1][c]
    factorise(ptr, idx, upd, w, s, d, np.ones(d.shape[0], np.bool_), True)
    x[:] = 0.0
    for n in range(sources[0].shape[0]):
        element = sources[0][n]
        ampere = sources[1][n] * conductance[element]
        if start[element] >= 0:
            x[start[element]] += ampere
        if end[element] >= 0:
            x[end[element]] -= ampere
    solve(ptr, idx, w, d, x)


@compiled
def put_states(
    modules: tuple[Ints, Floats],
    pins: tuple[Ints, Floats],
    state: Bytes,
    conductance: Floats,
    sources: tuple[Ints, Floats],
) -> None:
    """Loads, transceiver inputs and their sources as the states make them.

    ``modules``: (load element, supply pin, ground pin, wake pin or -2) and siemens (awake, asleep); ``pins``: (module,
    high element, low element) and (siemens powered, siemens unpowered, volt); their sources are the last two a pin.
    """
    for m in range(state.shape[0]):
        loaded = state[m] == AWAKE or state[m] == STARVED
        conductance[modules[0][m, 0]] = modules[1][m, 0 if loaded else 1]
    first = sources[0].shape[0] - 2 * pins[0].shape[0]
    for p in range(pins[0].shape[0]):
        own = state[pins[0][p, 0]]
        for line in range(2):
            element = pins[0][p, 1 + line]
            conductance[element] = pins[1][p, 0 if own in (AWAKE, ASLEEP) else 1]
            sources[0][first + 2 * p + line] = element
            sources[1][first + 2 * p + line] = pins[1][p, 2] if own == AWAKE else 0.0


@compiled
def settle(
    shape: tuple[Ints, Ints, Ints, Ints, Ints, Ints],
    parts: tuple[tuple[Ints, Floats], tuple[Ints, Floats], tuple[float, float]],
    conductance: Floats,
    added: tuple[Ints, Floats],
    sources: tuple[Ints, Floats],
    dead: Bytes,
    calling: int,
    scratch: tuple[Floats, Floats, Floats, Floats],
    state: Bytes,
) -> tuple[Ints, int]:
    """Settle the supply of one network, all unpowered first, round by round: its islands and the rounds (-1: never).

    ``parts``: modules, pins and the (upper, lower) volt of a supply; ``calling``: whether modules without a wake pin
    are called; ``state`` and ``scratch`` hold the result.
    """
    modules, pins, limits = parts
    count = state.shape[0]
    after, held = np.zeros(count, np.int8), np.zeros((HELD, count), np.int8)
    held[CALLING] = calling
    held[DEAD] = dead
    history = np.zeros((MOST_ROUNDS + 2, count), np.int8)
    state[:] = UNPOWERED
    put_states(modules, pins, state, conductance, sources)
    rest(shape, conductance, added, sources, scratch)
    root = islands(shape[0], shape[1], scratch[0], scratch[2])
    known = 1
    for turn in range(MOST_ROUNDS):
        next_states(modules[0][:, 1:], held, state, scratch[3], root, limits, after)
        known = take(history, known, after, held, state)
        if known < 0:
            return root, turn + 1
        put_states(modules, pins, state, conductance, sources)
        rest(shape, conductance, added, sources, scratch)
        root = islands(shape[0], shape[1], scratch[0], scratch[2])
    return root, -1


@compiled
def at(x: Floats, node: int) -> float:
    """Voltage of a node to the body, -1."""
    return 0.0 if node < 0 else x[node]


@compiled
def see(x: Floats, ears: tuple[Ints, Floats], network: int, levels: tuple[float, float, float], out: Bytes) -> None:
    """What every ear on a network (-1: on all) takes its lines for; the others' entries stay."""
    for e in range(ears[0].shape[0]):
        if network < 0 or ears[0][e, 1] == network:
            ground = at(x, ears[0][e, 5])
            high, low = at(x, ears[0][e, 2]) - ground, at(x, ears[0][e, 3]) - ground
            out[e] = judge(high, low, ears[1][e, 4], ears[1][e, 5], levels)


@compiled
def close(
    x: Floats, ears: tuple[Ints, Floats], network: int, levels: tuple[float, float, float],
    margins: tuple[float, float], state: Bytes, out: Bytes,
) -> None:  # fmt: skip
    """Whether a level comes near a limit of each ear on a network (-1: on any) that is up.

    ``margins``: volt from the thresholds on the difference, and from the ends of the range of the mean.
    """
    for e in range(ears[0].shape[0]):
        module = ears[0][e, 0]
        if (network >= 0 and ears[0][e, 1] != network) or (module >= 0 and state[module] != AWAKE):
            continue
        ground = at(x, ears[0][e, 5])
        high, low = at(x, ears[0][e, 2]) - ground, at(x, ears[0][e, 3]) - ground
        mean = (high + low) / 2
        near = levels[1] - margins[0] < high - low < levels[0] + margins[0]
        if near or abs(mean - ears[1][e, 4]) < margins[1] or abs(mean - ears[1][e, 5]) < margins[1]:
            out[e] = 1


@compiled
def hear(
    shape: tuple[Ints, Ints, Ints, Ints, Ints, Ints],
    listening: tuple[tuple[Ints, Floats], tuple[float, float, float], tuple[float, float]],
    scratch: tuple[Floats, Floats, Floats, Floats],
    state: Bytes,
    out: Bytes,
    near: Bytes,
) -> bool:
    """What every ear sees while each one that is up is dominant alone, a row each, then with nobody sending.

    ``listening``: ears, thresholds, what counts as near to them. Ears: (module or -1, network, high, low, supply,
    ground) and (drive of the high leg, of the low leg, on ohm, limit ampere, least and greatest common mode). ``near``
    likewise holds 1 where a level is :func:`close`. False where a driver's currents found no consistent set of regimes.
    """
    ptr, idx = shape[0], shape[1]
    w, _, d, x = scratch
    ears, levels, margins = listening
    count = ears[0].shape[0]
    out[:] = RECESSIVE
    see(x, ears, -1, levels, out[count])
    close(x, ears, -1, levels, margins, state, near[count])
    columns = np.zeros((2, x.shape[0]))
    coupling, open_volt = np.zeros((2, 2)), np.zeros(2)
    port = np.zeros((2, 2), np.int64)
    leg = np.zeros((2, 2), np.int64)
    found = True
    for e in range(count):
        if ears[0][e, 0] >= 0 and state[ears[0][e, 0]] != AWAKE:
            continue
        high, low, supply, ground = ears[0][e, 2], ears[0][e, 3], ears[0][e, 4], ears[0][e, 5]
        leg[0, 0], leg[0, 1], leg[1, 0], leg[1, 1] = high, supply, ground, low
        port[0, 0], port[0, 1], port[1, 0], port[1, 1] = high, ground, ground, low
        columns[:] = 0.0
        for k in range(2):
            if leg[k, 0] >= 0:
                columns[k, leg[k, 0]] += 1.0
            if leg[k, 1] >= 0:
                columns[k, leg[k, 1]] -= 1.0
            solve(ptr, idx, w, d, columns[k])
        for j in range(2):
            open_volt[j] = at(x, port[j, 0]) - at(x, port[j, 1])
            for k in range(2):
                coupling[j, k] = at(columns[k], port[j, 0]) - at(columns[k], port[j, 1])
        numbers = ears[1][e]
        on, limit = np.full(2, numbers[2]), np.full(2, numbers[3])
        current, rounds = leg_currents(coupling, open_volt, numbers[0:2], on, limit)
        found = found and rounds >= 0
        columns[0] = x + current[0] * columns[0] + current[1] * columns[1]
        see(columns[0], ears, ears[0][e, 1], levels, out[e])
        close(columns[0], ears, ears[0][e, 1], levels, margins, state, near[e])
    return found


@compiled
def table(
    shape: tuple[Ints, Ints, Ints, Ints, Ints, Ints],
    parts: tuple[tuple[Ints, Floats], tuple[Ints, Floats], tuple[float, float]],
    listening: tuple[tuple[Ints, Floats], tuple[float, float, float], tuple[float, float]],
    conductance: Floats,
    copies: tuple[Ints, Ints, Floats, Ints, Ints, Floats, Ints, Ints, Floats],
    without: tuple[Bytes, int],
    nodes: Ints,
    where: Ints,
    out: tuple[Bytes, Floats, Ints, Bytes, Bytes],
) -> None:
    """States, voltages and what is seen, for many networks that differ a little from one.

    ``copies``: for each network h where its own part begins, then which and what, of changed conductances (elements,
    siemens), further ones (slots, siemens) and sources (elements, volt). ``without``: who has no supply at all, a row a
    network, and whether modules without a wake pin are called. ``listening``: as in :func:`hear`. ``out``: states, volt
    of ``nodes`` to the body or to their island's last node, that node, what is seen (no rows: not asked for), and
    what of it is near a limit; a state of -1 says that a network never settles.
    """
    changed_ptr, changed, changed_siemens, added_ptr, added, added_siemens, source_ptr, source, source_volt = copies
    count, pins = shape[0].shape[0] - 1, parts[1][0].shape[0]
    scratch = (np.empty(shape[1].shape[0]), np.empty(count), np.empty(count), np.empty(count))
    state = np.zeros(parts[0][0].shape[0], np.int8)
    for h in range(where.shape[0]):
        mine = conductance.copy()
        for c in range(changed_ptr[h], changed_ptr[h + 1]):
            mine[changed[c]] = changed_siemens[c]
        own = slice(added_ptr[h], added_ptr[h + 1])
        given = source_ptr[h + 1] - source_ptr[h]
        elements, volt = np.zeros(given + 2 * pins, np.int64), np.zeros(given + 2 * pins)
        elements[:given] = source[source_ptr[h] : source_ptr[h + 1]]
        volt[:given] = source_volt[source_ptr[h] : source_ptr[h + 1]]
        root, rounds = settle(
            shape,
            parts,
            mine,
            (added[own], added_siemens[own]),
            (elements, volt),
            without[0][h],
            without[1],
            scratch,
            state,
        )
        settled = rounds >= 0
        if settled and out[3].shape[0] > 0:
            settled = hear(shape, listening, scratch, state, out[3][where[h]], out[4][where[h]])
        out[0][where[h]] = state if settled else np.full(state.shape[0], -1, np.int8)
        for n in range(nodes.shape[0]):
            out[1][where[h], n] = at(scratch[3], nodes[n])
            out[2][where[h], n] = -1 if nodes[n] < 0 else root[nodes[n]]
