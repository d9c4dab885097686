"""Judges the statements of a DBC file before anything is built from them: numbers no frame has, names of nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from simulator.reader.dbc_tokens import Token

#: Payload lengths of CAN FD (ISO 11898-1, DLC coding).
LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)
#: The pseudo message that holds signals of no message.
LOOSE_SIGNALS = "VECTOR__INDEPENDENT_SIG_MSG"
#: The widest range of multiplexer values that is written out.
_WIDEST_RANGE = 65_536
_EXTENDED = 0x8000_0000


@dataclass
class Judgement:
    """Mistakes as (line, text), and the indices of the statements that must not reach cantools."""

    mistakes: list[tuple[int, str]] = field(default_factory=list)
    left_out: set[int] = field(default_factory=set)
    #: Signals of each message, by the identifier as written.
    signals: dict[str, set[str]] = field(default_factory=dict)
    #: Identifiers of messages that are left out.
    gone: set[str] = field(default_factory=set)


def keeps(statement: Sequence[Token], index: int, judgement: Judgement) -> bool:
    """Whether a statement still counts: a message does, even one left out, for its name and sender can be judged."""
    return index not in judgement.left_out or statement[0].kind == "BO_"


def judge_statements(statements: Sequence[Sequence[Token]]) -> Judgement:
    """What is wrong with each statement by itself; robust against statements with syntax errors."""
    judgement = Judgement()
    for index, statement in enumerate(statements):
        if statement[0].kind == "BO_":
            found = list(_message(statement, judgement))
            judgement.mistakes += found
            if found and len(statement) > 1:
                judgement.left_out.add(index)
                judgement.gone.add(statement[1].value)
    attributes = {_value(each, 1 if each[1].kind == "STRING" else 2) for each in statements if _defines(each)}
    for index, statement in enumerate(statements):
        kind = statement[0].kind
        if kind in ("VAL_", "SIG_VALTYPE_", "SG_MUL_VAL_"):
            _of_signal(index, statement, judgement)
        elif kind == "BA_" and len(statement) > 2 and statement[1].value not in attributes | {"VFrameFormat"}:
            name = statement[1].value
            said = f"the attribute '{name}' is not defined; write a BA_DEF_ \"{name}\" before it, or delete it"
            judgement.mistakes.append((statement[0].line, said))
            judgement.left_out.add(index)
    return judgement


def _defines(statement: Sequence[Token]) -> bool:
    return statement[0].kind == "BA_DEF_" and len(statement) > 3


def _value(statement: Sequence[Token], index: int) -> str:
    return statement[index].value if index < len(statement) else ""


def _whole(text: str) -> int | None:
    return int(text) if len(text) < 30 and text.lstrip("+-").isdigit() else None


def _message(statement: Sequence[Token], judgement: Judgement) -> Iterator[tuple[int, str]]:
    """The mistakes of a message and its signals that keep it from being built."""
    shape = [token.kind for token in statement[1:6]]
    if shape != ["NUMBER", "WORD", ":", "NUMBER", "WORD"] or statement[2].value == LOOSE_SIGNALS:
        return
    line, name = statement[0].line, statement[2].value
    judgement.signals.setdefault(statement[1].value, set())
    identifier, length = _whole(statement[1].value), _whole(statement[4].value)
    if identifier is None or not 0 <= identifier < 2 * _EXTENDED:
        said = f"{name}: '{statement[1].value[:20]}' is no identifier"
        yield line, f"{said}; write 0 to 2047, or 2147483648 more than an extended one"
    elif 0x7FF < identifier < _EXTENDED:
        said = f"{name}: the identifier 0x{identifier:X} has more than 11 bits"
        yield line, f"{said}; write 0 to 2047, or {identifier + _EXTENDED} for an extended one"
    elif identifier >= _EXTENDED and identifier - _EXTENDED > 0x1FFF_FFFF:
        said = f"{name}: the extended identifier 0x{identifier - _EXTENDED:X} has more than 29 bits"
        yield line, f"{said}; write {_EXTENDED} to {_EXTENDED + 0x1FFF_FFFF}"
    if length is None or not 0 <= length <= LENGTHS[-1]:
        yield line, f"{name}: no frame holds {statement[4].value[:20]} bytes; write at most {LENGTHS[-1]}"
    starts = [index for index, token in enumerate(statement) if token.kind == "SG_"]
    for start, end in zip(starts, [*starts, len(statement)][1:], strict=True):
        judgement.signals[statement[1].value].add(_value(statement, start + 1))
        yield from _signal(name, statement[start:end])


def _signal(message: str, tokens: Sequence[Token]) -> Iterator[tuple[int, str]]:
    """Numbers of a signal that are none or too large to work with."""
    colon = next((index for index, token in enumerate(tokens) if token.kind == ":"), 0)
    numbers = [token.value for token in tokens[colon:] if token.kind == "NUMBER"][:7]
    if len(numbers) < 7:
        return
    line, where = tokens[0].line, f"{message}.{tokens[1].value}"
    start, length = _whole(numbers[0]), _whole(numbers[1])
    if start is None or not 0 <= start < 512:
        yield line, f"{where}: no frame has a bit {numbers[0][:20]}; write a start bit from 0 to 511"
    if length is None or not 1 <= length <= 64:
        yield line, f"{where}: {numbers[1][:20]} bits; write a length from 1 to 64"
    if numbers[2] not in ("0", "1"):
        yield line, f"{where}: '@{numbers[2][:20]}' is no byte order; write @1 for little, @0 for big endian"
    for what, text in zip(("factor", "offset", "minimum", "maximum"), numbers[3:], strict=True):
        if not math.isfinite(float(text)):
            yield line, f"{where}: the {what} {text[:20]} is not finite; write a smaller number"


def _of_signal(index: int, statement: Sequence[Token], judgement: Judgement) -> None:
    """Statements about a signal: of a message that is left out, of none at all, or with an enormous range."""
    if len(statement) < 4 or statement[1].kind != "NUMBER":
        return
    kind, identifier, signal = statement[0].kind, statement[1].value, statement[2].value
    if identifier in judgement.gone:
        judgement.left_out.add(index)
    elif signal not in judgement.signals.get(identifier, ()):
        what = (
            f"signal {signal} in message {identifier}" if identifier in judgement.signals else f"message {identifier}"
        )
        said = f"{kind} belongs to nothing, there is no {what}; write the identifier and name of a signal"
        judgement.mistakes.append((statement[0].line, said))
        judgement.left_out.add(index)
    elif kind == "SG_MUL_VAL_":
        numbers = [_whole(token.value) for token in statement[4:] if token.kind == "NUMBER"]
        ends = [abs(number) for number in numbers if number is not None]
        if len(ends) < len(numbers) or any(number > _WIDEST_RANGE for number in ends):
            said = f"{kind}: a multiplexer value above {_WIDEST_RANGE}; write smaller ones"
            judgement.mistakes.append((statement[0].line, said))
            judgement.left_out.add(index)
