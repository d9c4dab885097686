"""Reading a CAN frame bit by bit: stuff bits, fields, checksums, acknowledgement, end of frame.

Sources: Bosch CAN Specification 2.0 (1991), part B, 10.3 (frames) and 10.7 (stuffing); Bosch CAN FD Specification 1.0
(2012), 3.2 and 5; ISO 11898-1:2015 for CRC start values, stuff count and protocol exception.
"""

from __future__ import annotations

from simulator.kernels.jit import compiled, inlined
from simulator.kernels.layout import (
    ACK,
    ACK_DELIMITER,
    ACK_ERROR,
    ACKED,
    AFTER_PASSIVE,
    AT,
    BIT,
    BRS,
    COUNT,
    CRC,
    CRC15,
    CRC17,
    CRC21,
    CRC_DELIMITER,
    CRC_ERROR,
    DATA,
    DLC,
    DOMINANTS,
    DRIVE,
    ELAPSED,
    EOF,
    ESI,
    EXTENDED,
    EXTENSION,
    FAILED,
    FD,
    FDF,
    FIELD,
    FINISHED,
    FIXED,
    FORM,
    FORM_ERROR,
    FRAME,
    GOT,
    ID,
    IDE,
    IDENT,
    INTEGRATING,
    LAST,
    LATE,
    LEFT,
    LENGTH,
    NEXT,
    PASSIVE_AT,
    R0,
    RATE,
    REC,
    REMOTE,
    RES,
    ROW,
    RTR,
    RTR_EXTENDED,
    RUN,
    SEEN,
    SEES,
    SENDS,
    SENT,
    SHOWN,
    SHOWS,
    SINCE_NS,
    SIZE,
    SKILL,
    SLOT,
    SOF,
    STATE,
    STATUS,
    STUFF_COUNT,
    STUFF_ERROR,
    STUFFED,
    SWITCHED,
    TEC,
    UNDETECTED,
    VALUE,
    VERDICT,
    WORDS,
    WRONG,
    Ints,
    intermit,
    note,
    overload,
    settle,
)


@compiled
def clear(rows: Ints, n: int) -> None:
    """Ready for the SOF of a frame."""
    rows[n, STATE] = FRAME
    for field in range(FIELD, SEEN):
        rows[n, field] = 0
    for word in range(WORDS, ROW):
        rows[n, word] = 0
    rows[n, LEFT] = 1
    rows[n, LAST] = 2
    rows[n, CRC17] = 0x10000
    rows[n, CRC21] = 0x100000


@compiled
def take_up(rows: Ints, n: int, t_ns: int) -> None:
    """Become the transmitter of the frame that waits."""
    rows[n, SENDS] = 1
    rows[n, SLOT] = rows[n, NEXT]
    rows[n, SHOWS] = rows[n, STATUS]
    rows[n, SINCE_NS] = t_ns
    for field in (AT, ELAPSED, DOMINANTS, GOT, ACKED, FAILED):
        rows[n, field] = 0


@compiled
def begin(rows: Ints, n: int, t_ns: int) -> None:
    """Send the SOF of the frame that waits in the bit that starts now."""
    clear(rows, n)
    take_up(rows, n, t_ns)
    rows[n, BIT] = 0


@inlined
def checksum(register: int, bit: int, width: int, polynomial: int) -> int:
    """The register of a cyclic redundancy check after one more bit."""
    feedback = (register >> (width - 1)) ^ bit
    register = (register << 1) & ((1 << width) - 1)
    return register ^ polynomial if feedback else register


@inlined
def _check_fd(rows: Ints, n: int, bit: int) -> None:
    """CAN FD: both checksums run over the bits as they are on the wire."""
    rows[n, CRC17] = checksum(rows[n, CRC17], bit, 17, 0x1685B)
    rows[n, CRC21] = checksum(rows[n, CRC21], bit, 21, 0x102899)


@inlined
def _unstuff(rows: Ints, n: int, bit: int) -> bool:
    """Whether this bit carries something: stuff bits do not, nor does what is none but should be one."""
    field, fd = rows[n, FIELD], rows[n, FORM] & FD
    if rows[n, RUN] == 5 and (field <= DATA or fd == 0):
        if bit == rows[n, LAST]:
            rows[n, VERDICT] = STUFF_ERROR + 1
            return False
        rows[n, LAST] = bit
        rows[n, RUN] = 1
        rows[n, STUFFED] += 1
        if rows[n, SKILL] == 2 and field <= DATA:
            _check_fd(rows, n, bit)
        if rows[n, LEFT] == 0:  # the last five bits of the CRC were equal
            _go(rows, n, CRC_DELIMITER, 1)
        return False
    if fd and (field in (STUFF_COUNT, CRC)):
        if rows[n, FIXED] == 0:
            if bit == rows[n, LAST]:
                rows[n, VERDICT] = FORM_ERROR + 1
            rows[n, FIXED] = 4
            rows[n, LAST] = bit
            return False
        rows[n, FIXED] -= 1
        rows[n, LAST] = bit
    else:
        rows[n, RUN] = rows[n, RUN] + 1 if bit == rows[n, LAST] else 1
        rows[n, LAST] = bit
    return True


@inlined
def _go(rows: Ints, n: int, field: int, left: int) -> None:
    rows[n, FIELD] = field
    rows[n, LEFT] = left
    rows[n, VALUE] = 0


@compiled
def _except(rows: Ints, n: int) -> None:
    """Protocol exception (ISO 11898-1:2015, 10.9.5): a format it does not know; wait for 11 recessive bits."""
    rows[n, STATE] = INTEGRATING
    rows[n, COUNT] = rows[n, RATE] = 0


@inlined
def _arbitration_field(rows: Ints, n: int, bit: int, done: bool) -> None:
    """SOF up to RTR and IDE."""
    field = rows[n, FIELD]
    if field in (ID, EXTENSION):
        rows[n, IDENT] = rows[n, IDENT] << 1 | bit
        if done:
            _go(rows, n, field + 1, 1)
    elif field == SOF:
        _go(rows, n, ID, 11)
    elif field == IDE:
        if bit:
            rows[n, FORM] = EXTENDED
            _go(rows, n, EXTENSION, 18)
        else:
            _go(rows, n, FDF, 1)
    else:
        rows[n, FORM] |= REMOTE * bit
        _go(rows, n, IDE if field == RTR else FDF, 1)


@inlined
def _control_field(rows: Ints, n: int, bit: int, done: bool) -> None:
    """FDF up to DLC."""
    field = rows[n, FIELD]
    if field == FDF:
        if bit and rows[n, SKILL] == 2:
            rows[n, FORM] = rows[n, FORM] & EXTENDED | FD
            _go(rows, n, RES, 1)
        elif bit and rows[n, SKILL] == 1:
            _except(rows, n)
        else:
            _go(rows, n, R0 if rows[n, FORM] & EXTENDED else LENGTH, 1 if rows[n, FORM] & EXTENDED else 4)
    elif field == R0:
        _go(rows, n, LENGTH, 4)
    elif field == RES:
        if bit:
            _except(rows, n)
        else:
            _go(rows, n, BRS, 1)
    elif field == BRS:
        rows[n, FORM] |= SWITCHED * bit
        rows[n, RATE] = bit
        _go(rows, n, ESI, 1)
    elif field == ESI:
        rows[n, FORM] |= SHOWN * bit
        _go(rows, n, LENGTH, 4)
    else:
        rows[n, DLC] = rows[n, DLC] << 1 | bit
        if done:
            _after_length(rows, n)


@compiled
def _after_length(rows: Ints, n: int) -> None:
    code, form = rows[n, DLC], rows[n, FORM]
    if form & REMOTE:
        size = 0
    elif code <= 8 or form & FD == 0:
        size = min(code, 8)
    elif code <= 12:
        size = 12 + 4 * (code - 9)
    else:
        size = 32 + 16 * (code - 13)
    rows[n, SIZE] = size
    if size:
        _go(rows, n, DATA, 8 * size)
    else:
        _go(rows, n, STUFF_COUNT if form & FD else CRC, 4 if form & FD else 15)


@inlined
def _check_field(rows: Ints, n: int, bit: int, done: bool) -> None:
    """Stuff count (CAN FD) and CRC; a mismatch shows after the ACK delimiter."""
    rows[n, VALUE] = rows[n, VALUE] << 1 | bit
    if rows[n, FIELD] == STUFF_COUNT:
        _check_fd(rows, n, bit)
        if done:
            count = rows[n, STUFFED] & 7
            gray = count ^ (count >> 1)
            parity = (gray ^ (gray >> 1) ^ (gray >> 2)) & 1
            rows[n, WRONG] |= rows[n, VALUE] != (gray << 1 | parity)
            _go(rows, n, CRC, 17 if rows[n, SIZE] <= 16 else 21)
    elif done:
        if rows[n, FORM] & FD == 0:
            expected = rows[n, CRC15]
        else:
            expected = rows[n, CRC17] if rows[n, SIZE] <= 16 else rows[n, CRC21]
        rows[n, WRONG] |= rows[n, VALUE] != expected
        if rows[n, RUN] < 5 or rows[n, FORM] & FD:
            _go(rows, n, CRC_DELIMITER, 1)


@compiled
def _same_frame(rows: Ints, n: int, m: int) -> bool:
    for field in (IDENT, FORM, DLC, SIZE):
        if rows[n, field] != rows[m, field]:
            return False
    for word in range(WORDS, ROW):  # noqa: SIM110 (a loop compiles to less)
        if rows[n, word] != rows[m, word]:
            return False
    return True


@compiled
def _accept(rows: Ints, n: int, world: Ints, notes: Ints) -> None:
    """The last but one bit of EOF was recessive: valid for a receiver. The engine knows whose frame it was."""
    known = False
    for m in range(rows.shape[0]):
        if rows[m, SENDS] and _same_frame(rows, n, m):
            rows[m, GOT] |= 1 << n
            known = True
    if not known:
        note(world, notes, UNDETECTED, n, 0, rows[n, TEC] << 16 | rows[n, REC])


@compiled
def _succeed(rows: Ints, n: int, world: Ints, notes: Ints) -> None:
    """The end of EOF without an error; rule 7 for the transmitter."""
    if rows[n, SENDS]:
        rows[n, TEC] = max(rows[n, TEC] - 1, 0)
        settle(rows, n, world, notes)
        note(world, notes, SENT, n, 0, 0)
        rows[n, AT] = -1
        world[FINISHED] = 1
    intermit(rows, n, world, notes)


@compiled
def _answering(rows: Ints, n: int, world: Ints) -> int:
    """Whose dominant bit a transmitter reads: theirs that it hears one by one, else what they make together."""
    others: int = world[DRIVE] & ~(1 << n)
    heard: int = others & rows[n, SEES]
    return heard if heard else others


@compiled
def _acknowledge(rows: Ints, n: int, bit: int, world: Ints, notes: Ints) -> None:
    """The ACK slot. Rule 8 takes effect here; CAN FD gives the slot a second bit (Bosch CAN FD 1.0, 3.2.1)."""
    _go(rows, n, ACK_DELIMITER, 1)
    if rows[n, SENDS]:
        if bit == 0:
            rows[n, ACKED] = _answering(rows, n, world)
        elif rows[n, FORM] & FD:
            rows[n, LATE] = 1
        else:
            rows[n, FIELD] = ACK
            rows[n, VERDICT] = ACK_ERROR + 1
    elif rows[n, WRONG] == 0 and rows[n, REC]:
        rows[n, REC] = rows[n, REC] - 1 if rows[n, REC] < PASSIVE_AT else AFTER_PASSIVE
        settle(rows, n, world, notes)


@compiled
def finish(rows: Ints, n: int, bit: int, world: Ints, notes: Ints) -> None:
    """Take one bit of a frame after the CRC: its delimiter, ACK slot, ACK delimiter, EOF."""
    rows[n, BIT] = 1
    field, left = rows[n, FIELD], rows[n, LEFT] - 1
    rows[n, LEFT] = left
    if field == EOF:
        if bit == 0:
            if left == 0 and rows[n, SENDS] == 0:
                overload(rows, n, world, notes)
            else:
                rows[n, VERDICT] = FORM_ERROR + 1
        elif left == 0:
            _succeed(rows, n, world, notes)
        elif left == 1 and rows[n, SENDS] == 0:
            _accept(rows, n, world, notes)
    elif field == CRC_DELIMITER:
        if bit == 0:
            rows[n, VERDICT] = FORM_ERROR + 1
            return
        _go(rows, n, ACK, 1)
        rows[n, RATE] = 0
        if rows[n, SENDS] == 0 and rows[n, WRONG] == 0:
            rows[n, BIT] = 0
    elif field == ACK:
        _acknowledge(rows, n, bit, world, notes)
    elif bit == 0:
        if rows[n, FORM] & FD and rows[n, LATE] < 2:
            if rows[n, SENDS] and rows[n, LATE] == 1:
                rows[n, ACKED] = _answering(rows, n, world)
            rows[n, LATE] = 2
            rows[n, LEFT] = 1
        else:
            rows[n, VERDICT] = FORM_ERROR + 1
    elif rows[n, SENDS] and rows[n, LATE] == 1:
        rows[n, VERDICT] = ACK_ERROR + 1
    elif rows[n, SENDS] == 0 and rows[n, WRONG]:
        rows[n, VERDICT] = CRC_ERROR + 1
    else:
        _go(rows, n, EOF, 7)


@inlined
def follow(rows: Ints, n: int, bit: int) -> None:
    """Take one bit of a frame, SOF to the end of the CRC; what is wrong with it is the VERDICT."""
    rows[n, BIT] = 1
    if not _unstuff(rows, n, bit):
        return
    field, left = rows[n, FIELD], rows[n, LEFT] - 1
    rows[n, LEFT] = left
    if field <= DATA:
        if rows[n, FORM] & FD == 0:
            rows[n, CRC15] = checksum(rows[n, CRC15], bit, 15, 0x4599)
        if rows[n, SKILL] == 2 and (field <= FDF or rows[n, FORM] & FD):
            _check_fd(rows, n, bit)
    if field == DATA:
        k = WORDS + ((8 * rows[n, SIZE] - left - 1) >> 5)
        rows[n, k] = rows[n, k] << 1 | bit
        if left == 0:
            _go(rows, n, STUFF_COUNT if rows[n, FORM] & FD else CRC, 4 if rows[n, FORM] & FD else 15)
    elif field <= RTR_EXTENDED:
        _arbitration_field(rows, n, bit, left == 0)
    elif field <= LENGTH:
        _control_field(rows, n, bit, left == 0)
    else:
        _check_field(rows, n, bit, left == 0)
