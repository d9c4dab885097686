"""A healthy network by whole frames: cyclic messages, what waits, arbitration, and the exact length of every frame.

Everybody hears everybody and nobody errs, so the frame of the lowest identifier that waits when the bus is free goes
through. Sources: Bosch CAN Specification 2.0 (1991), part B, 3 (arbitration) and 10.5 (interframe space).
"""

from __future__ import annotations

import numpy as np

from simulator.kernels.jit import compiled, compiled_after
from simulator.kernels.layout import EXTENDED, FD, SWITCHED, Bytes, Ints
from simulator.kernels.payload import LENGTH, PAYLOAD, VARIANT, Floats, pack
from simulator.kernels.sending import write_bits

#: Columns of a message after those of its payload: the bits up to RTR (the lowest number wins), identifier, form,
#: length code, bytes on the wire, cycle time, whether it is sent at all, number of its node.
KEY, IDENTIFIER, FORM, CODE, SIZE, CYCLE_NS, ACTIVE, NODE = range(PAYLOAD, PAYLOAD + 8)
MESSAGE = PAYLOAD + 8
#: Of ACTIVE: it waits again as soon as it has gone through. Not by whole frames.
ENDLESS = 2
#: Columns of what a message is at: when it is due next, how often it was sent, whether it waits, and if so since when.
DUE_NS, COUNT, WAITS, SINCE_NS = range(4)
STATE = 4
#: Columns of a frame: start, end, row of its message, length in bit, dominant bits without the ACK slot.
START_NS, END_NS, WHICH, BITS, DOMINANT = range(5)
FRAME = 5
#: Columns of a network among several: its first message and the one after its last, when it is free, its bit rate, its
#: first node and the one after its last, how many frames it may still send.
FIRST, LAST, FREE_NS, HERTZ, FIRST_NODE, LAST_NODE, QUOTA = range(7)
NET = 7
#: What fills CAN FD frames up to the next length, and the bits of intermission and of the end of a frame.
FILL = 0xCC
INTERMISSION, _END = 3, 10
#: Calls in plain Python before the kernel is compiled: some hundred frames.
_PLAIN_CALLS = 8
#: Bits before BRS without stuff bits: SOF, identifier, RRS, IDE, FDF, res; with SRR and the extension where extended.
_BEFORE_BRS, _BEFORE_BRS_EXTENDED = 16, 35


@compiled
def _take(messages: Ints, state: Ints, t_ns: int) -> None:
    """Let everything wait that is due up to an instant; a newer one takes the place of what waits."""
    for m in range(state.shape[0]):
        while state[m, DUE_NS] <= t_ns:
            if messages[m, ACTIVE]:
                state[m, WAITS] = 1
                state[m, SINCE_NS] = state[m, DUE_NS]
                state[m, COUNT] += 1
            state[m, DUE_NS] += messages[m, CYCLE_NS]


@compiled
def _arbitrate(messages: Ints, state: Ints, lost: Ints) -> int:
    """The message of the lowest number among those that wait; nodes whose best one is another lose against it."""
    best, waiting = -1, 0
    for m in range(state.shape[0]):
        if state[m, WAITS]:
            waiting += 1
            if best < 0 or messages[m, KEY] < messages[best, KEY]:
                best = m
    for node in range(lost.shape[0] if waiting > 1 else 0):
        own: int = 1 << 62
        for m in range(state.shape[0]):
            if state[m, WAITS] and messages[m, NODE] == node:
                own = min(own, messages[m, KEY])
        if own < 1 << 62 and own != messages[best, KEY]:
            differs = own ^ messages[best, KEY]
            lost[node, 0 if differs >> 21 else 1 if differs >> 20 else 2] += 1
    return best


@compiled
def _fast_bits(wire: Bytes, length: int, form: int) -> int:
    """How many bits lie between BRS and the CRC delimiter of a frame on the wire."""
    left = _BEFORE_BRS_EXTENDED if form & EXTENDED else _BEFORE_BRS
    at, run, last = 0, 0, 2
    while left >= 0:
        bit = wire[at]
        if run == 5:
            run = 1
        else:
            run = run + 1 if bit == last else 1
            left -= 1
        last = bit
        at += 1
    return length - _END - at


@compiled
def _send(
    messages: Ints,
    state: Ints,
    best: int,
    start_ns: int,
    hertz: int,
    switched_ns: Ints,
    layout: tuple[Ints, Bytes, Ints, Floats, Ints, Floats],
    wire: Bytes,
    frame: Ints,
    data: Bytes,
) -> int:
    """Pack a message into ``data`` and write its frame but for the row it came from; the end in ns."""
    pack(data, messages, best, state[best, SINCE_NS], state[best, COUNT] - 1, *layout)
    size, form = messages[best, SIZE], messages[best, FORM]
    for k in range(messages[best, LENGTH], size):
        data[k] = FILL
    length = write_bits(wire[0], wire[1], messages[best, IDENTIFIER], form, 0, messages[best, CODE], data, size)
    dominant = 0
    for k in range(length):
        if wire[0, k] == 0:
            dominant += 1
    if form & FD and form & SWITCHED:
        fast = _fast_bits(wire[0], length, form)
        end_ns = start_ns + (length - fast - 2) * 1_000_000_000 // hertz + int(switched_ns[fast])
    else:
        end_ns = start_ns + length * 1_000_000_000 // hertz
    frame[START_NS], frame[END_NS], frame[BITS], frame[DOMINANT] = start_ns, end_ns, length, dominant
    return end_ns


@compiled_after(_PLAIN_CALLS)
def run_frames(
    messages: Ints,
    state: Ints,
    lost: Ints,
    free_ns: int,
    hertz: int,
    switched_ns: Ints,
    layout: tuple[Ints, Bytes, Ints, Floats, Ints, Floats],
    wire: Bytes,
    frames: Ints,
    payloads: Bytes,
) -> int:
    """Fill ``frames`` (number, FRAME) with what the network carries from ``free_ns`` on; how many: fewer if none sends.

    ``state`` (messages, STATE) goes on to the start of the last frame; ``lost`` (nodes, 3) counts who loses arbitration
    in the identifier, RTR and the extension. ``layout``: what ``pack`` takes;
    ``switched_ns``: duration of BRS to CRC delimiter by the number of bits between them; ``payloads`` (number, bytes).
    """
    count = 0
    for row in range(frames.shape[0]):
        first_ns = 1 << 62
        waiting = False
        for m in range(state.shape[0]):
            # what waits is sent, whether there will be more of it or not
            waiting = waiting or state[m, WAITS] != 0
            if messages[m, ACTIVE]:
                first_ns = min(first_ns, state[m, DUE_NS])
        start_ns = free_ns if waiting else max(free_ns, first_ns)
        if start_ns == 1 << 62:
            break
        _take(messages, state, start_ns)
        best = _arbitrate(messages, state, lost)
        state[best, WAITS] = 0
        end_ns = _send(messages, state, best, start_ns, hertz, switched_ns, layout, wire, frames[row], payloads[row])
        frames[row, WHICH] = best
        free_ns = end_ns + INTERMISSION * 1_000_000_000 // hertz
        count += 1
    return count


@compiled
def _next_start(messages: Ints, state: Ints, due_ns: Ints, coming: Ints, net: Ints) -> int:
    """When the next frame of a network begins; 1 << 62 for never."""
    first_ns: int = 1 << 62
    for m in range(net[FIRST], net[LAST]):
        if state[m, WAITS]:
            free_ns: int = net[FREE_NS]
            return free_ns
        if messages[m, ACTIVE]:
            first_ns = min(first_ns, state[m, DUE_NS])
        if coming[m] > 0:
            first_ns = min(first_ns, due_ns[m, 0])
    start_ns: int = max(first_ns, net[FREE_NS])
    return start_ns


@compiled
def _arrive(messages: Ints, state: Ints, due_ns: Ints, coming: Ints, data: Bytes, steady: Bytes, m: int) -> None:
    """The payload that has come first for a message waits now; a newer one takes the place of what waits."""
    state[m, WAITS], state[m, SINCE_NS] = 1, due_ns[m, 0]
    for k in range(messages[m, LENGTH]):
        steady[messages[m, VARIANT], k] = data[m, 0, k]
    coming[m] -= 1
    for slot in range(coming[m]):
        due_ns[m, slot] = due_ns[m, slot + 1]
        data[m, slot] = data[m, slot + 1]


@compiled
def _send_off(messages: Ints, m: int, t_ns: int, payload: Bytes, due_ns: Ints, coming: Ints, data: Bytes) -> bool:
    """A payload is on its way until an instant, to be sent as a message; whether there is a slot for it."""
    slot = coming[m]
    if slot == due_ns.shape[1]:
        return False
    due_ns[m, slot] = t_ns
    for k in range(messages[m, LENGTH]):
        data[m, slot, k] = payload[k]
    coming[m] += 1
    return True


@compiled_after(_PLAIN_CALLS)
def run_joined(
    nets: Ints,
    messages: Ints,
    state: Ints,
    lost: Ints,
    switched_ns: Ints,
    layout: tuple[Ints, Bytes, Ints, Floats, Ints, Floats],
    wire: Bytes,
    routes: Ints,
    delay_ns: int,
    due_ns: Ints,
    coming: Ints,
    data: Bytes,
    frames: Ints,
    payloads: Bytes,
) -> int:
    """As ``run_frames`` for several networks (number, NET) at once, whose messages are those of one array.

    ``routes`` (number, 3): a frame of the first row is said again, ``delay_ns`` after its end, as the second, on the
    network of the third. What is on its way: ``coming`` (messages) how many, ``due_ns`` (messages, slots), ``data``
    (messages, slots, bytes). The frames are in the order of their starts; -1: more are on their way than there are
    slots for.
    """
    begins = np.zeros(len(nets), np.int64)
    for n in range(len(nets)):
        begins[n] = _next_start(messages, state, due_ns, coming, nets[n]) if nets[n, QUOTA] > 0 else 1 << 62
    for count in range(frames.shape[0]):
        n = int(np.argmin(begins))
        start_ns = begins[n]
        if start_ns == 1 << 62:
            return count
        net = nets[n]
        first, last = net[FIRST], net[LAST]
        _take(messages[first:last], state[first:last], start_ns)
        for m in range(first, last):
            while coming[m] > 0 and due_ns[m, 0] <= start_ns:
                _arrive(messages, state, due_ns, coming, data, layout[1], m)
        lost_here = lost[net[FIRST_NODE] : net[LAST_NODE]]
        best = first + _arbitrate(messages[first:last], state[first:last], lost_here)
        state[best, WAITS] = 0
        end_ns = _send(
            messages, state, best, start_ns, net[HERTZ], switched_ns[n], layout, wire, frames[count], payloads[count]
        )
        frames[count, WHICH] = best
        net[FREE_NS] = end_ns + INTERMISSION * 1_000_000_000 // net[HERTZ]
        net[QUOTA] -= 1
        for r in range(len(routes)):
            if routes[r, 0] == best:
                if not _send_off(messages, routes[r, 1], end_ns + delay_ns, payloads[count], due_ns, coming, data):
                    return -1
                other = routes[r, 2]
                if nets[other, QUOTA] > 0:
                    begins[other] = _next_start(messages, state, due_ns, coming, nets[other])
        begins[n] = _next_start(messages, state, due_ns, coming, net) if net[QUOTA] > 0 else 1 << 62
    return len(frames)
