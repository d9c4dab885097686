"""A CAN controller as a row of integers, and its fault confinement: the counters and what raises them.

Sources: Bosch CAN Specification 2.0 (1991), part B, 11 (errors) and 12.2 (the twelve rules); the same rules are a) to
h) and following of ISO 11898-1:2015, 12.1.4.2. Dominant is 0, recessive 1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.kernels.jit import compiled

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]

# -- a controller's row
# STATE one of the states below, COUNT bits in it; BIT what it sends in this bit; SENDS 1 for the transmitter;
# WANTS 1 if a frame waits in slot NEXT; SLOT, AT: frame and position being sent, AT -1 when it is over; SHOWS its ESI.
STATE, COUNT, BIT, SENDS, WANTS, NEXT, SLOT, AT, SHOWS = range(9)
# TEC, REC error counters; STATUS 0 active, 1 passive, 2 off; AUTO 1: comes back from bus-off by itself; SEQUENCES to go
# until then; SKILL 0 classic only, 1 tolerates CAN FD, 2 speaks it; RATE 1 in the data phase.
TEC, REC, STATUS, AUTO, SEQUENCES, SKILL, RATE = range(9, 16)
# What it has read of a frame. FIELD, LEFT: where it is; RUN, LAST: equal bits so far and their level; VALUE: the field
# so far; WRONG: the checksum did not fit; LATE: the ACK slot of CAN FD is two bits long.
FIELD, LEFT, RUN, LAST, CRC15, CRC17, CRC21, STUFFED, FIXED, IDENT, FORM, DLC, SIZE, VALUE, WRONG, LATE = range(16, 32)
# SEEN: last level; OVERLOADING: its flag is an overload flag; SPARED: exception 1 of rule 3 may hold;
# FAILED: 1 + kind of the error that ended the attempt; SINCE_NS, ELAPSED, DOMINANTS: of the attempt; GOT, ACKED: masks.
SEEN, OVERLOADING, SPARED, FAILED, SINCE_NS, ELAPSED, DOMINANTS, GOT, ACKED = range(32, 41)
# OWN, OWN + 1: form of the frame in each slot. For sampling finer than a bit: start of the bit, whether it has been
# sampled, whether synchronised since, level at the sample before, level now, next sample or end of the bit.
OWN, START_PS, SAMPLED, SYNCED, BEFORE, LEVEL, DUE_PS = 41, 43, 44, 45, 46, 47, 48
# DELAYS: overload frames it still asks for, because it is not ready for the next frame; VERDICT: 1 + kind of the error
# found in this bit, with FLAGGING if it sends a flag, with FREE if it costs nothing, with ALONE if it is one
# in sending.
DELAYS, VERDICT = 49, 50
# SEES: mask of those whose dominant bits it reads. TWIN: 1 + number of a receiver that has read the same since SOF and
# reads for this one too, else 0; TOLD: VERDICT of this bit. OUT: what it drives now. On slow lines: RISEN, dominant
# bits in a row that it has missed; LINGERS, recessive bits that it will still read dominant. WORDS: the data read, 32
# bits in each.
SEES, TWIN, TOLD, OUT, RISEN, LINGERS, WORDS = 51, 52, 53, 54, 55, 56, 57
ROW = WORDS + 16
FLAGGING, FREE, ALONE = 16, 32, 64

# -- states
INTEGRATING, IDLE, FRAME, FLAG, PASSIVE_FLAG, OVERLOAD, WAITING, DELIMITER, INTERMISSION, SUSPEND, BUS_OFF, RESTING = (
    range(12)
)  # fmt: skip

# -- fields of a frame
SOF, ID, RTR, IDE, EXTENSION, RTR_EXTENDED, FDF, R0, RES, BRS, ESI, LENGTH, DATA, STUFF_COUNT, CRC = range(15)
CRC_DELIMITER, ACK, ACK_DELIMITER, EOF = range(15, 19)

# -- forms: sums of these
EXTENDED, REMOTE, FD, SWITCHED, SHOWN = 1, 2, 4, 8, 16

# -- kinds of error
BIT_RECESSIVE, BIT_DOMINANT, STUFF_ERROR, FORM_ERROR, CRC_ERROR, ACK_ERROR = range(6)

# -- what is noted: rows of (time, what, who, a, b)
NOTE = 5
ERROR, LOST, OVERLOADED, UNDETECTED, SENT, ENDED, CHANGED = range(7)

# -- the world of one bus: integers. OPENED_NS: frames due at this bit have started; TIMED: 1 while controllers are out
# of step, 2 if they always are; HELD: who reads dominant while nobody drives; SLOW: 1 where levels come or go too late
# for somebody's sample point.
ANCHOR_NS, BITS, HERTZ, NOTES, STOPS, MUTE, STUCK, DRIVE, SLOW, HELD, FLIPPED, TRACED, FINISHED = range(13)
OPENED_NS, TIMED, FIRST_NOTE, RESUME_PS = 13, 14, 15, 16
# Masks that the engine in step keeps of its controllers: AWAKE, those that do more than wait for a dominant bit; TWINS
# and LEADERS, those that are read for and those that read for them; IDLERS, those that wait and could start a frame;
# LAGGING, those that have begun to miss a dominant stretch or go on reading one; RESTERS, those RESTING that read
# dominant last.
AWAKE, TWINS, LEADERS, IDLERS, LAGGING, RESTERS = range(17, 23)
# LISTENING: mask of those that only listen; nobody else waits for what they are in the middle of.
LISTENING = 23
# RATIO: bits of the data phase in a nominal one.
RATIO = 24
WORLD = 25

PASSIVE_AT, OFF_AT, MOST = 128, 256, 255
#: What a success makes of a receive counter above 127: anything from 119 to 127 (rule 8).
AFTER_PASSIVE = 120


@compiled
def note(world: Ints, notes: Ints, what: int, n: int, a: int, b: int) -> None:
    """Note what happened in this bit; the loop adds the time. What Python has to answer stops the loop."""
    k = world[NOTES]
    if k < notes.shape[0]:
        notes[k, 1] = what
        notes[k, 2] = n
        notes[k, 3] = a
        notes[k, 4] = b
        world[NOTES] = k + 1
    if what >= UNDETECTED:
        world[STOPS] += 1


@compiled
def end_attempt(rows: Ints, n: int, world: Ints, notes: Ints) -> None:
    """A failed attempt is over: its error delimiter has ended, or the controller is bus-off."""
    if rows[n, FAILED]:
        note(world, notes, ENDED, n, rows[n, FAILED] - 1, 0)
        rows[n, FAILED] = 0
        rows[n, AT] = -1


@compiled
def settle(rows: Ints, n: int, world: Ints, notes: Ints) -> None:
    """Rules 9 to 11 after a change of the counters; on bus-off an attempt ends at once."""
    status = 0
    if rows[n, STATE] == BUS_OFF or rows[n, STATE] == RESTING:
        status = 2
    elif rows[n, TEC] >= OFF_AT:
        status = 2
        rows[n, STATE] = BUS_OFF if rows[n, AUTO] else RESTING
        rows[n, COUNT] = 0
        rows[n, SEQUENCES] = 128
        rows[n, BIT] = 1
        rows[n, RATE] = 0
        end_attempt(rows, n, world, notes)
    elif rows[n, TEC] >= PASSIVE_AT or rows[n, REC] >= PASSIVE_AT:
        status = 1
    if status != rows[n, STATUS]:
        rows[n, STATUS] = status
        note(world, notes, CHANGED, n, status, 0)


@compiled
def count(rows: Ints, n: int, sent: int, received: int, world: Ints, notes: Ints) -> None:
    """Raise the counter that the controller's part in the frame asks for."""
    if rows[n, SENDS]:
        rows[n, TEC] += sent
    else:
        rows[n, REC] = min(rows[n, REC] + received, MOST)
    settle(rows, n, world, notes)


@compiled
def fail(rows: Ints, n: int, world: Ints, notes: Ints) -> None:
    """An error was found: the flag starts at the next bit, active or passive by the counters before (rule 9)."""
    verdict = rows[n, VERDICT]
    kind = (verdict & 15) - 1
    sent = 0 if verdict & FREE else 8  # rules 3 and 4
    received = 8 if verdict & FLAGGING else 1  # rules 5 and 1
    place = rows[n, FIELD] if rows[n, STATE] == FRAME else 32 + rows[n, STATE]
    where = place << 4 | kind | rows[n, SENDS] << 12 | rows[n, LEFT] << 16
    if rows[n, SENDS] and not rows[n, FAILED] and rows[n, AT] >= 0:
        rows[n, FAILED] = kind + 1
    rows[n, RATE] = rows[n, COUNT] = rows[n, OVERLOADING] = rows[n, SPARED] = rows[n, VERDICT] = 0
    if rows[n, STATUS]:
        rows[n, STATE] = PASSIVE_FLAG
        rows[n, BIT] = 1
        if kind == ACK_ERROR:  # rule 3, exception 1: the lone node never goes bus-off
            rows[n, SPARED] = 1
            sent = 0
    else:
        rows[n, STATE] = FLAG
        rows[n, BIT] = 0
    count(rows, n, sent, received, world, notes)
    note(world, notes, ERROR, n, where, rows[n, TEC] << 16 | rows[n, REC])


@compiled
def overload(rows: Ints, n: int, world: Ints, notes: Ints) -> None:
    """An overload flag starts at the next bit; no counter changes."""
    note(world, notes, OVERLOADED, n, rows[n, STATE], rows[n, TEC] << 16 | rows[n, REC])
    rows[n, STATE] = OVERLOAD
    rows[n, COUNT] = rows[n, BIT] = 0
    rows[n, OVERLOADING] = 1


@compiled
def intermit(rows: Ints, n: int, world: Ints, notes: Ints) -> None:
    """Intermission begins; who is not ready for the next frame sends an overload flag from its first bit on."""
    rows[n, STATE] = INTERMISSION
    rows[n, COUNT] = 0
    if rows[n, DELAYS]:
        rows[n, DELAYS] -= 1
        overload(rows, n, world, notes)
