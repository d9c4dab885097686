"""A DBC file by itself: cantools for its meaning, its tokens for the line of every message and signal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from simulator.errors import Mistake
from simulator.reader.dbc_sense import LENGTHS, LOOSE_SIGNALS, judge_statements, keeps
from simulator.reader.dbc_tokens import CYCLE, STATEMENTS, Token, statements_of, syntax_words, tokens_of
from simulator.reader.textfile import read_bytes

#: Who stands for nobody, as sender or receiver.
NOBODY = "Vector__XXX"


@dataclass(frozen=True)
class SignalLine:
    """A signal of the file: its line and its receivers."""

    name: str
    line: int
    receivers: tuple[str, ...]


@dataclass
class MessageLine:
    """A message of the file: its line, its parts, and how cantools understands it (None where it has mistakes)."""

    name: str
    line: int
    frame_id: int
    extended: bool
    length: int
    senders: tuple[str, ...]
    signals: list[SignalLine]
    cycle_ms: int | None = None
    flexible: bool = False
    codec: Any = None

    @property
    def sender(self) -> str | None:
        """The first sender, or None where nobody is named."""
        return next((name for name in self.senders if name != NOBODY), None)


@dataclass
class Database:
    """A DBC file: what it holds and the mistakes that show without knowing the vehicle."""

    path: str
    messages: list[MessageLine] = field(default_factory=list)
    mistakes: list[Mistake] = field(default_factory=list)

    def error(self, line: int, text: str) -> None:
        """Add a mistake."""
        self.mistakes.append(Mistake(self.path, line, text))


def read_database(file: Path) -> Database:
    """A DBC file of at most 1 MiB, in UTF-8 or Windows-1252."""
    database = Database(str(file))
    data, mistake = read_bytes(file, str(file), "a DBC file")
    if mistake:
        database.mistakes.append(mistake)
        return database
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        database.error(line, "a NUL character does not belong in a text file; delete it")
        return database
    _read_text(text, database)
    return database


def _read_text(text: str, database: Database) -> None:
    from cantools.database.can.formats.dbc.dbc_loader import DbcParser
    from textparser import Error as SyntaxFault

    try:
        tokens = list(tokens_of(text, DbcParser().tokenize(text)))
    except SyntaxFault as error:
        database.error(*syntax_words(text, getattr(error, "offset", 0)))
        return
    if not any(token.kind in STATEMENTS for token in tokens):
        database.error(1, "the file holds no DBC statement; write at least one message, BO_ ...")
        return
    statements = list(statements_of(tokens))
    judgement = judge_statements(statements)
    found = Database(database.path)
    for line, said in judgement.mistakes:
        found.error(line, said)
    codecs = _understand(text, statements, judgement.left_out, found)
    if codecs is None:
        database.mistakes += found.mistakes[-1:]  # a syntax error, which makes guesswork of the rest
        return
    database.mistakes += found.mistakes
    _collect([each for index, each in enumerate(statements) if keeps(each, index, judgement)], codecs, database)
    _check_messages(database)


def _understand(
    text: str, statements: Sequence[list[Token]], left_out: set[int], database: Database
) -> list[Any] | None:
    """The messages as cantools understands them, None after a syntax error.

    Statements in ``left_out`` are blanked; one that cantools cannot digest is reported and added to them.
    """
    from cantools.database.can.formats.dbc import load_string
    from textparser import Error as SyntaxFault

    starts = [each[0].offset for each in statements]
    parts = [text[start:end] for start, end in zip(starts, [*starts, len(text)][1:], strict=True)]
    parts[0] = text[: starts[0]] + parts[0]
    for index in left_out:
        parts[index] = _blank(parts[index])
    for _ in range(max(1, min(20, 200_000 // len(text)))):
        whole = "".join(parts)
        if not whole.strip():
            return []
        try:
            return list(load_string(whole, strict=False).messages)
        except SyntaxFault as error:
            database.error(*syntax_words(whole, getattr(error, "offset", 0)))
            return None
        except Exception as error:  # cantools raises many kinds; each is a mistake of the file
            culprit = _culprit(parts)
            database.error(statements[culprit][0].line, _loader_words(error, statements[culprit]))
            parts[culprit] = _blank(parts[culprit])
            left_out.add(culprit)
    return []


def _blank(part: str) -> str:
    """As many empty lines, so that all other lines keep their numbers."""
    return "\n" * part.count("\n")


def _culprit(parts: Sequence[str]) -> int:
    """The index of the last statement of the shortest beginning that cantools refuses."""
    from cantools.database.can.formats.dbc import load_string

    low, high = 0, len(parts) - 1
    while low < high:
        middle = (low + high) // 2
        beginning = "".join(parts[: middle + 1])
        try:
            if beginning.strip():
                load_string(beginning, strict=False)
        except Exception:
            high = middle
        else:
            low = middle + 1
    return low


def _loader_words(error: Exception, statement: Sequence[Token]) -> str:
    """What is wrong with a statement that is well formed but means nothing."""
    kind = statement[0].kind
    if kind in ("BA_", "BA_REL_"):
        name = statement[1].value
        return (
            f"the value of the attribute '{name}' does not fit its definition; write one that BA_DEF_ \"{name}\" allows"
        )
    if kind == "BO_":
        name = statement[2].value if len(statement) > 2 else "the message"
        return f"{name}: {str(error)[:120].rstrip('.')}; write an identifier, length and signals that fit a frame"
    return f"{kind} cannot be used ({str(error)[:120].rstrip('.')}); write it as another file does, or delete it"


def _collect(statements: Sequence[list[Token]], codecs: Sequence[Any], database: Database) -> None:
    """The messages with their lines, senders, cycle times, and the codecs in the same order."""
    more_senders: dict[str, list[str]] = {}
    cycles: dict[str, tuple[str, int]] = {}
    default: tuple[str, int] | None = None
    for each in statements:
        if each[0].kind == "BO_TX_BU_":
            more_senders[each[1].value] = [token.value for token in each[3:] if token.kind == "WORD"]
        elif each[0].kind == "BA_" and each[1].value == CYCLE and len(each) > 5 and each[2].kind == "BO_":
            cycles[each[3].value] = (each[4].value, each[4].line)
        elif each[0].kind == "BA_DEF_DEF_" and each[1].value == CYCLE:
            default = (each[2].value, each[2].line)
    left: dict[tuple[int, bool], list[Any]] = {}
    for codec in codecs:
        left.setdefault((codec.frame_id, codec.is_extended_frame), []).append(codec)
    for each in statements:
        if each[0].kind != "BO_" or each[2].value == LOOSE_SIGNALS:
            continue
        message = _message_line(each, more_senders)
        if message is None:
            continue
        same = left.get((message.frame_id, message.extended))
        if same:
            message.codec = same.pop(0)
            message.name = message.codec.name
            message.flexible = bool(message.codec.is_fd)
        message.cycle_ms = _cycle(message, cycles.get(each[1].value) or default, database)
        database.messages.append(message)


def _message_line(statement: Sequence[Token], more_senders: dict[str, list[str]]) -> MessageLine | None:
    """A ``BO_`` statement with its signals; None where its numbers are none, which cantools has reported."""
    try:
        identifier, length = int(statement[1].value), int(statement[4].value)
    except ValueError:
        return None
    senders = dict.fromkeys([statement[5].value, *more_senders.get(statement[1].value, [])])
    starts = [index for index, token in enumerate(statement) if token.kind == "SG_"]
    signals = []
    for start, end in zip(starts, [*starts, len(statement)][1:], strict=True):
        tokens = statement[start:end]
        unit = next((index for index, token in enumerate(tokens) if token.kind == "STRING"), len(tokens))
        receivers = tuple(token.value for token in tokens[unit + 1 :] if token.kind == "WORD")
        signals.append(SignalLine(tokens[1].value, tokens[0].line, receivers))
    extended = bool(identifier & 0x8000_0000)
    return MessageLine(
        name=statement[2].value,
        line=statement[0].line,
        frame_id=identifier & 0x7FFF_FFFF,
        extended=extended,
        length=length,
        senders=tuple(senders),
        signals=signals,
    )


def _cycle(message: MessageLine, given: tuple[str, int] | None, database: Database) -> int | None:
    """The cycle time in ms; 0 and none at all mean that the message is sent on request only."""
    if given is None:
        return None
    text, line = given
    try:
        value = float(text)
        cycle = int(value)
    except (ValueError, OverflowError):
        database.error(line, f"{message.name}: the cycle time '{text[:20]}' is no number; write it in ms, 0 for none")
        return None
    if value < 0 or value != cycle:
        database.error(
            line, f"{message.name}: a cycle time of {text[:20]} ms; write a whole number above 0, or 0 for none"
        )
        return None
    return cycle or None


def _check_messages(database: Database) -> None:
    """Names and identifiers given twice, lengths no frame has, signals that do not fit."""
    names: dict[str, int] = {}
    identifiers: dict[tuple[int, bool], MessageLine] = {}
    for message in database.messages:
        if message.name in names:
            said = f"two messages are called {message.name}, the first on line {names[message.name]}"
            database.error(message.line, f"{said}; write another name")
        names.setdefault(message.name, message.line)
        other = identifiers.setdefault((message.frame_id, message.extended), message)
        if other is not message:
            said = f"{message.name} has the identifier 0x{message.frame_id:X} of {other.name} (line {other.line})"
            database.error(message.line, f"{said}; write another identifier")
        if message.length not in LENGTHS and message.length < LENGTHS[-1]:
            fitting = min(length for length in LENGTHS if length > message.length)
            database.error(message.line, f"{message.name}: no frame holds {message.length} bytes; write {fitting}")
        _check_signals(message, database)


def _check_signals(message: MessageLine, database: Database) -> None:
    lines: dict[str, int] = {}
    for signal in message.signals:
        if signal.name in lines:
            said = f"{message.name} has two signals {signal.name}, the first on line {lines[signal.name]}"
            database.error(signal.line, f"{said}; write another name")
        lines.setdefault(signal.name, signal.line)
    if message.codec is None or len(lines) < len(message.signals):
        return
    placed: list[tuple[Any, set[int]]] = []
    for signal in message.codec.signals:
        line = lines.get(signal.name, message.line)
        where = f"{message.name}.{signal.name}"
        if signal.minimum is not None and signal.maximum is not None and signal.minimum > signal.maximum:
            said = f"{where}: the minimum {signal.minimum} is above the maximum {signal.maximum}"
            database.error(line, f"{said}; write [{signal.maximum}|{signal.minimum}]")
        if signal.scale == 0:
            database.error(line, f"{where}: a factor of 0 carries nothing; write another factor, (1,0)")
        bits = _bits(signal)
        if min(bits) < 0 or max(bits) >= 8 * message.length:
            said = f"{where} does not fit into {message.length} bytes"
            database.error(line, f"{said}; write a start and length inside bits 0 to {8 * message.length - 1}")
        else:
            other = next(
                (other for other, taken in placed if bits & taken and _together(other, signal, message.codec)), None
            )
            if other is not None:
                database.error(line, f"{where} overlaps {other.name}; write a start bit that is free")
            placed.append((signal, bits))


def _bits(signal: Any) -> set[int]:
    """The bits a signal covers, counted so that bit n is bit n % 8 (0 least significant) of byte n // 8; at most 65."""
    count = min(max(signal.length, 0), 65)
    if signal.byte_order == "little_endian":
        return set(range(signal.start, signal.start + count))
    byte, bit = divmod(signal.start, 8)
    first = 8 * byte + 7 - bit
    return {8 * (index // 8) + 7 - index % 8 for index in range(first, first + count)}


def _together(one: Any, other: Any, codec: Any) -> bool:
    """Whether two signals can be in one frame: no multiplexer of both that would need two values at once."""
    mine, theirs = _selectors(one, codec), _selectors(other, codec)
    return all(mine[name] & theirs[name] for name in mine.keys() & theirs.keys())


def _selectors(signal: Any, codec: Any) -> dict[str, set[int]]:
    """The multiplexers a signal depends on, each with the values at which the signal is there."""
    by_name = {each.name: each for each in codec.signals}
    found: dict[str, set[int]] = {}
    current = signal
    while current is not None and current.multiplexer_signal and current.multiplexer_signal not in found:
        found[current.multiplexer_signal] = set(current.multiplexer_ids or ())
        current = by_name.get(current.multiplexer_signal)
    return found
