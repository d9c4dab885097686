"""The tokens of a DBC file with their lines, grouped into statements, and the words for its syntax errors."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

#: The attribute that holds the cycle time of a message, in ms.
CYCLE = "GenMsgCycleTime"
#: Words that begin a statement.
STATEMENTS = frozenset(
    [
        "BA_",
        "BA_DEF_",
        "BA_DEF_DEF_",
        "BA_DEF_DEF_REL_",
        "BA_DEF_REL_",
        "BA_REL_",
        "BO_",
        "BO_TX_BU_",
        "BS_",
        "BU_",
        "CM_",
        "ENVVAR_DATA_",
        "EV_",
        "NS_",
        "SG_MUL_VAL_",
        "SIG_GROUP_",
        "SIG_VALTYPE_",
        "VAL_",
        "VAL_TABLE_",
        "VERSION",
    ]
)


@dataclass(frozen=True)
class Token:
    """One word of a database: its kind, its text, the line it is on, and where in the text it begins."""

    kind: str
    value: str
    line: int
    offset: int


def tokens_of(text: str, raw: Iterable[Any]) -> Iterator[Token]:
    """The tokens of the parser with their lines."""
    line, position = 1, 0
    for token in raw:
        if token.kind.startswith("__"):  # the marks of start and end
            continue
        line += text.count("\n", position, token.offset)
        position = token.offset
        yield Token(token.kind, token.value, line, token.offset)


def syntax_words(text: str, offset: int) -> tuple[int, str]:
    """The line of a syntax error, and what to say: where the statement ends too early, the line before."""
    offset = min(offset, len(text))
    line = text.count("\n", 0, offset) + 1
    rest = text[offset:].split("\n", 1)[0].strip()
    if rest.startswith('"'):
        return _open_quote(text, line), "a quote is opened and not closed; close it on this line, or delete it"
    before = text[:offset].rstrip()
    last = before.count("\n") + 1
    if (not rest or rest.split()[0].rstrip(":") in STATEMENTS | {"SG_"}) and before and last < line:
        return last, f"not a DBC statement (it ends too early); write the whole statement, as {_example(text, last)}"
    return line, f"not a DBC statement from '{rest[:30]}' on; write it as {_example(text, line)}"


def _open_quote(text: str, line: int) -> int:
    """The line of a quote that is never closed: the first odd one before a new statement, else the last one."""
    lines = text.split("\n")
    for index, (this, after) in enumerate(pairwise(lines)):
        words = after.split()
        begins = bool(words) and words[0].rstrip(":") in STATEMENTS | {"SG_"}
        if this.replace('\\"', "").count('"') % 2 and (begins or not words):
            return index + 1
    return line


def _example(text: str, line: int) -> str:
    """The form of the statement on a line."""
    lines = text.split("\n")
    word = lines[line - 1].split()[0].rstrip(":") if line <= len(lines) and lines[line - 1].split() else ""
    forms = {
        "BO_": "BO_ 256 NAME: 8 SENDER",
        "SG_": 'SG_ NAME : 0|16@1+ (1,0) [0|100] "unit" RECEIVER',
        "BA_": f'BA_ "{CYCLE}" BO_ 256 10;',
        "BA_DEF_": f'BA_DEF_ BO_ "{CYCLE}" INT 0 10000;',
        "BA_DEF_DEF_": f'BA_DEF_DEF_ "{CYCLE}" 0;',
        "CM_": 'CM_ BO_ 256 "text";',
        "VAL_": 'VAL_ 256 SIGNAL 0 "off" 1 "on" ;',
        "BU_": "BU_: MODULE MODULE",
        "VERSION": 'VERSION "1"',
    }
    return forms.get(word, "KEYWORD ... ;")


def statements_of(tokens: Sequence[Token]) -> Iterator[list[Token]]:
    """The tokens of each statement of a text without syntax errors; a message comes with its signals."""
    current: list[Token] = []
    in_names = False
    for index, token in enumerate(tokens):
        colon = index + 1 < len(tokens) and tokens[index + 1].kind == ":"
        begins = token.kind in STATEMENTS and not (in_names and not colon)
        if begins and _stands_alone(current, token):
            if current:
                yield current
            current = []
            in_names = token.kind == "NS_"
        current.append(token)
    if current:
        yield current


def _stands_alone(current: Sequence[Token], token: Token) -> bool:
    """Whether a keyword begins a statement; BO_ and others also stand inside CM_, BA_ and their like."""
    if not current or current[0].kind in ("BO_", "BU_", "BS_", "NS_", "VERSION"):
        return True
    return current[-1].kind == ";"
