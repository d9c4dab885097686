"""One CAN controller as a state machine that takes one sampled bit at a time.

Sources: Bosch CAN Specification 2.0 (1991), part B, 10.3 (frames, interframe space), 11 (errors), 12.2 (confinement);
ISO 11898-1:2015 where they differ.
"""

from __future__ import annotations

from simulator.kernels.jit import compiled, inlined
from simulator.kernels.layout import (
    ACK,
    ALONE,
    AT,
    BIT,
    BIT_DOMINANT,
    BIT_RECESSIVE,
    BUS_OFF,
    COUNT,
    CRC_DELIMITER,
    DELIMITER,
    DOMINANTS,
    ELAPSED,
    EXTENDED,
    FAILED,
    FIELD,
    FLAG,
    FLAGGING,
    FORM_ERROR,
    FRAME,
    FREE,
    IDLE,
    INTEGRATING,
    INTERMISSION,
    LAST,
    LEFT,
    LOST,
    OVERLOAD,
    OVERLOADING,
    OWN,
    PASSIVE_FLAG,
    REC,
    RESTING,
    RTR,
    RTR_EXTENDED,
    RUN,
    SEEN,
    SENDS,
    SEQUENCES,
    SHOWS,
    SLOT,
    SPARED,
    STATE,
    STATUS,
    STUFF_ERROR,
    SUSPEND,
    TEC,
    TOLD,
    VERDICT,
    WAITING,
    WANTS,
    Bytes,
    Ints,
    count,
    end_attempt,
    fail,
    intermit,
    note,
    overload,
    settle,
)
from simulator.kernels.reading import (
    clear,
    finish,
    follow,
    take_up,
)


@compiled
def _differs(rows: Ints, n: int, bit: int, world: Ints, notes: Ints) -> bool:
    """What is on the wire is not what it sends: whether that is an error. Bosch CAN 2.0, 11.1.1 and 10.3.1.2."""
    field = rows[n, FIELD]
    if bit:
        rows[n, VERDICT] = BIT_DOMINANT + 1 | ALONE
        return True
    if field == ACK or field >= CRC_DELIMITER:
        return False
    if field <= (RTR_EXTENDED if rows[n, OWN + rows[n, SLOT]] & EXTENDED else RTR):
        if rows[n, RUN] == 5:  # rule 3, exception 2: a recessive stuff bit overwritten in arbitration
            rows[n, VERDICT] = STUFF_ERROR + 1 | FREE | ALONE
            return True
        rows[n, SENDS] = 0
        note(world, notes, LOST, n, field | rows[n, LEFT] << 16, rows[n, TEC] << 16 | rows[n, REC])
        return False
    rows[n, VERDICT] = BIT_RECESSIVE + 1 | ALONE
    return True


@compiled
def _in_frame(rows: Ints, n: int, bit: int, world: Ints, notes: Ints) -> None:
    if bit != rows[n, BIT] and (rows[n, SENDS] or bit) and _differs(rows, n, bit, world, notes):
        return
    if rows[n, FIELD] < CRC_DELIMITER:
        follow(rows, n, bit)
    else:
        finish(rows, n, bit, world, notes)


@compiled
def _flagging(rows: Ints, n: int, bit: int, world: Ints, notes: Ints) -> None:
    """Error flags, overload flags, and the wait for the first recessive bit after them."""
    state = rows[n, STATE]
    if state in (FLAG, OVERLOAD):
        if bit:  # rules 4 and 5
            rows[n, VERDICT] = BIT_DOMINANT + 1 | FLAGGING
            return
        rows[n, COUNT] += 1
        if rows[n, COUNT] == 6:
            rows[n, STATE] = WAITING
            rows[n, COUNT] = 0
            rows[n, BIT] = 1
    elif state == PASSIVE_FLAG:
        rows[n, COUNT] = rows[n, COUNT] + 1 if rows[n, COUNT] and bit == rows[n, LAST] else 1
        rows[n, LAST] = bit
        if rows[n, COUNT] == 6:
            rows[n, STATE] = WAITING
            rows[n, COUNT] = 0
        if bit == 0 and rows[n, SPARED]:
            rows[n, SPARED] = 0
            count(rows, n, 8, 0, world, notes)
    elif bit:
        rows[n, STATE] = DELIMITER
        rows[n, COUNT] = 1
    else:
        rows[n, COUNT] += 1
        if rows[n, COUNT] == 1 and rows[n, OVERLOADING] == 0:
            count(rows, n, 0, 8, world, notes)  # rule 2
        if rows[n, COUNT] & 7 == 0:
            count(rows, n, 8, 8, world, notes)  # rule 6


@compiled
def _start_reading(rows: Ints, n: int, bit: int, t_ns: int) -> None:
    """A dominant bit is somebody's SOF; who may send too after intermission goes on with the first bit of its ID."""
    joins = rows[n, STATE] == INTERMISSION and rows[n, WANTS] == 1 and not (rows[n, SENDS] and rows[n, STATUS])
    clear(rows, n)
    rows[n, SENDS] = 0
    if joins:
        take_up(rows, n, t_ns)
        rows[n, ELAPSED] = 1
    follow(rows, n, bit)


@compiled
def _between(rows: Ints, n: int, bit: int, world: Ints, notes: Ints, t_ns: int) -> None:
    """Delimiter, intermission, suspend transmission, idle."""
    state = rows[n, STATE]
    counted = rows[n, COUNT] + 1
    rows[n, COUNT] = counted
    if bit == 0:
        if state == DELIMITER:
            if counted == 8:
                overload(rows, n, world, notes)
            else:
                rows[n, VERDICT] = FORM_ERROR + 1
        elif state == INTERMISSION and counted < 3:
            overload(rows, n, world, notes)
        else:
            _start_reading(rows, n, bit, t_ns)
    elif state == DELIMITER:
        if counted == 8:
            end_attempt(rows, n, world, notes)
            intermit(rows, n, world, notes)
    elif state == INTERMISSION and counted == 3 and rows[n, SENDS] and rows[n, STATUS]:
        rows[n, STATE] = SUSPEND
        rows[n, COUNT] = 0
    elif counted == (3 if state == INTERMISSION else 8):
        rows[n, STATE] = IDLE
        rows[n, SENDS] = 0


@compiled
def _outside(rows: Ints, n: int, bit: int, world: Ints, notes: Ints) -> None:
    """Integration, and recovery from bus-off (rule 12)."""
    rows[n, COUNT] = rows[n, COUNT] + 1 if bit else 0
    if rows[n, COUNT] < 11:
        return
    rows[n, COUNT] = 0
    if rows[n, STATE] == BUS_OFF:
        rows[n, SEQUENCES] -= 1
        if rows[n, SEQUENCES]:
            return
        rows[n, TEC] = rows[n, REC] = 0
    rows[n, STATE] = IDLE
    rows[n, SENDS] = 0
    settle(rows, n, world, notes)


@compiled
def _other(rows: Ints, n: int, bit: int, world: Ints, notes: Ints, t_ns: int) -> None:
    """Anything but a bit of a frame that is as expected."""
    state = rows[n, STATE]
    if state == FRAME:
        _in_frame(rows, n, bit, world, notes)
    elif state in (FLAG, PASSIVE_FLAG, OVERLOAD, WAITING):
        _flagging(rows, n, bit, world, notes)
    elif state in (INTEGRATING, BUS_OFF):
        _outside(rows, n, bit, world, notes)
    elif state != RESTING:
        _between(rows, n, bit, world, notes, t_ns)


@inlined
def step(rows: Ints, n: int, bit: int, wire: Bytes, sizes: Ints, world: Ints, notes: Ints, t_ns: int) -> None:
    """Controller ``n`` samples ``bit`` in the bit that started at ``t_ns`` and decides what it sends in the next one.

    ``rows`` (controllers, ROW); ``wire`` and ``sizes``: the bits of the waiting frames by (controller, slot, ESI).
    """
    rows[n, SEEN] = bit
    state, sends = rows[n, STATE], rows[n, SENDS]
    if state == IDLE and bit:
        return
    if sends and (state == FRAME or rows[n, FAILED]):
        rows[n, ELAPSED] += 1
        rows[n, DOMINANTS] += 1 - rows[n, BIT]
    if state == FRAME and rows[n, FIELD] < CRC_DELIMITER and (sends == 0 or bit == rows[n, BIT]):
        follow(rows, n, bit)
    else:
        _other(rows, n, bit, world, notes, t_ns)
    rows[n, TOLD] = rows[n, VERDICT]
    if rows[n, VERDICT]:
        fail(rows, n, world, notes)
    elif rows[n, SENDS] and rows[n, STATE] == FRAME:
        at = rows[n, AT] + 1
        rows[n, AT] = at
        slot, shows = rows[n, SLOT], rows[n, SHOWS]
        rows[n, BIT] = wire[n, slot, shows, at] if at < sizes[n, slot, shows] else 1
