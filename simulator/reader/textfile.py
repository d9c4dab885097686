"""A YAML text as a tree that knows its lines: scalars stay text, nothing is constructed, mistakes are collected."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

import yaml

from simulator.errors import Mistake

#: The largest file that is read, in byte, and the most values it may stand for once its aliases are written out.
MAX_BYTES = 1024 * 1024
MAX_VALUES = 100_000
#: The deepest nesting of mappings and lists; far above what any of our formats needs.
MAX_DEPTH = 50

_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

#: Characters that YAML forbids, and those it takes for a line break where an editor shows none.
_FORBIDDEN = re.compile("[^\t\n\r\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True, eq=False)
class Leaf:
    """A scalar as it stands in the file; ``quoted`` ones (also block text) are text, whatever they look like."""

    text: str
    quoted: bool
    line: int

    def __repr__(self) -> str:
        return repr(self.text)


@dataclass(slots=True, eq=False)
class Row:
    """A list; ``line`` is where it begins."""

    line: int
    items: list[Node] = field(default_factory=list)


@dataclass(slots=True, eq=False)
class Branch:
    """A mapping; ``lines`` holds the line of each key."""

    line: int
    items: dict[str, Node] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)

    def rename(self, key: str, new: str) -> None:
        """Give the value of a key another key, at the same place of the order."""
        self.items = {new if name == key else name: node for name, node in self.items.items()}
        self.lines[new] = self.lines.pop(key, self.line)

    def drop(self, key: str) -> None:
        """Forget a key."""
        self.items.pop(key, None)


Node: TypeAlias = Leaf | Row | Branch


def read_bytes(path: Path, shown: str, what: str) -> tuple[bytes, Mistake | None]:
    """The bytes of a file of at most 1 MiB, or the mistake that keeps them from being read."""
    try:
        if not path.is_file():
            why = "is a folder" if path.is_dir() else "there is no such file"
            return b"", Mistake(shown, 1, f"{why}; give the path of {what}")
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "not a path"
        return b"", Mistake(shown, 1, f"cannot be read ({why}); give the path of {what}")
    if len(data) > MAX_BYTES:
        return b"", Mistake(shown, 1, f"larger than 1 MiB; {what} is text of at most 1 MiB")
    return data, None


def read_text(path: Path, shown: str, what: str) -> tuple[str, list[Mistake]]:
    """The text of a UTF-8 file, and its mistakes: unreadable, too large, not UTF-8, control characters."""
    data, mistake = read_bytes(path, shown, what)
    return ("", [mistake]) if mistake else decode(data, shown)


def decode(data: bytes, shown: str) -> tuple[str, list[Mistake]]:
    """Bytes as UTF-8 text without control characters, and the mistakes in the way."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return "", [Mistake(shown, line, f"byte 0x{data[error.start]:02X} is not UTF-8; save the file as UTF-8")]
    mistakes = []
    for found in _FORBIDDEN.finditer(text):
        line = text.count("\n", 0, found.start()) + 1
        what = f"character U+{ord(found.group()):04X} does not belong in a text file"
        mistakes.append(Mistake(shown, line, f"{what}; delete it or write a space"))
        if len(mistakes) == 20:
            break
    return ("", mistakes) if mistakes else (text, [])


def read_tree(path: str | Path, what: str = "a vehicle file") -> tuple[Node | None, list[Mistake]]:
    """The tree of a YAML file and the mistakes on the way; None where there is no tree to go on with.

    ``what`` names the kind of file in messages ("a vehicle file"). Keys given twice keep their first value.
    """
    text, mistakes = read_text(Path(path), str(path), what)
    if mistakes:
        return None, mistakes
    return parse_tree(text, str(path), what)


def parse_tree(text: str, shown: str, what: str = "a vehicle file") -> tuple[Node | None, list[Mistake]]:
    """The tree of a YAML text and its mistakes, as :func:`read_tree`."""
    builder = _Builder(shown)
    try:
        for event in yaml.parse(text, Loader=_Loader):
            builder.feed(event)
            if builder.gave_up:
                return None, builder.mistakes
    except yaml.MarkedYAMLError as error:
        return None, [*builder.mistakes, _syntax_mistake(error, text, shown)]
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        return None, [*builder.mistakes, Mistake(shown, 1, f"not YAML ({error}); write {what} as YAML")]
    if builder.root is None and not builder.mistakes:
        return None, [Mistake(shown, 1, f"the file is empty; write {what}")]
    return builder.root, builder.mistakes


@dataclass(slots=True)
class _Frame:
    """A mapping or list that is still open: its size so far, and the key that waits for its value."""

    node: Row | Branch
    anchor: str | None
    size: int = 1
    key: Leaf | None = None
    #: The next node is the value of a key that was refused.
    ignore_value: bool = False


class _Builder:
    """Builds the tree from YAML events without recursion."""

    def __init__(self, shown: str) -> None:
        self.shown = shown
        self.mistakes: list[Mistake] = []
        self.root: Node | None = None
        self.gave_up = False
        self._documents = 0
        self._stack: list[_Frame] = []
        self._anchors: dict[str, tuple[Node, int]] = {}
        self._open_anchors: set[str] = set()

    def feed(self, event: yaml.Event) -> None:
        """Take one event of the parser."""
        line = event.start_mark.line + 1 if event.start_mark else 1
        if isinstance(event, yaml.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                self._complain(line, "a second document begins here; write one document per file, without '---'")
                self.gave_up = True
        elif isinstance(event, yaml.ScalarEvent):
            self._refuse_tag(event, line)
            leaf = Leaf(event.value, event.style not in (None, ""), line)
            self._remember(event.anchor, leaf, 1)
            self._add(leaf, 1)
        elif isinstance(event, yaml.AliasEvent):
            self._alias(event.anchor or "", line)
        elif isinstance(event, yaml.SequenceStartEvent | yaml.MappingStartEvent):
            self._refuse_tag(event, line)
            self._open(Row(line) if isinstance(event, yaml.SequenceStartEvent) else Branch(line), event.anchor)
        elif isinstance(event, yaml.SequenceEndEvent | yaml.MappingEndEvent):
            frame = self._stack.pop()
            self._open_anchors.discard(frame.anchor or "")
            self._remember(frame.anchor, frame.node, frame.size)
            self._add(frame.node, frame.size)

    def _complain(self, line: int, text: str) -> None:
        self.mistakes.append(Mistake(self.shown, line, text))

    def _refuse_tag(self, event: Any, line: int) -> None:
        if event.tag is not None:
            self._complain(line, f"the tag '{event.tag}' is not allowed; delete it and write the plain value")

    def _remember(self, anchor: str | None, node: Node, size: int) -> None:
        if anchor is not None:
            self._anchors[anchor] = (node, size)

    def _open(self, node: Row | Branch, anchor: str | None) -> None:
        if len(self._stack) >= MAX_DEPTH:
            self._complain(node.line, f"nested more than {MAX_DEPTH} deep; close the brackets before")
            self.gave_up = True
            return
        if anchor is not None:
            self._open_anchors.add(anchor)
            self._anchors.pop(anchor, None)
        self._stack.append(_Frame(node, anchor))

    def _alias(self, anchor: str, line: int) -> None:
        if anchor in self._anchors:
            node, size = self._anchors[anchor]
            self._add(node, size, line)
        elif anchor in self._open_anchors:
            self._complain(line, f"'*{anchor}' stands inside what it repeats; write the value out")
            self._add(Leaf("", True, line), 1)
        else:
            self._complain(line, f"'*{anchor}' repeats nothing, no '&{anchor}' stands before it; write the value out")
            self._add(Leaf("", True, line), 1)

    def _add(self, node: Node, size: int, alias_line: int | None = None) -> None:
        """Put a finished node where it belongs: the root, the next item, a key, or the value of a key."""
        if not self._stack:
            self.root = node
            return
        frame = self._stack[-1]
        frame.size += size
        if sum(each.size for each in self._stack) > MAX_VALUES:
            how = "written out, its aliases make" if self._anchors else "the file holds"
            self._complain(alias_line or node.line, f"{how} more than {MAX_VALUES} values; write fewer")
            self.gave_up = True
            return
        if isinstance(frame.node, Row):
            frame.node.items.append(node)
        elif frame.key is None and not frame.ignore_value:
            self._key(frame, node, alias_line or node.line)
        elif frame.key is not None:
            frame.node.items[frame.key.text] = node
            frame.node.lines[frame.key.text] = frame.key.line
            frame.key = None
        else:
            frame.ignore_value = False

    def _key(self, frame: _Frame, node: Node, line: int) -> None:
        """Take a node as the next key of a mapping, or refuse it together with its value."""
        assert isinstance(frame.node, Branch)
        frame.ignore_value = True
        if not isinstance(node, Leaf):
            self._complain(line, "a list or mapping cannot be a key; write a name before the colon")
        elif node.text == "<<" and not node.quoted:
            self._complain(line, "merging with '<<' is not allowed; write the keys out")
        elif not node.text:
            self._complain(line, "a key is empty; write a name before the colon")
        elif node.text in frame.node.items:
            first = frame.node.lines[node.text]
            self._complain(line, f"'{node.text}' is given twice, first on line {first}; delete one of the two")
        else:
            frame.ignore_value = False
            frame.key = Leaf(node.text, node.quoted, line)


#: What to write instead, by a fragment of the parser's complaint; PyYAML and libyaml word some of them differently.
_HINTS: Sequence[tuple[str, str]] = (
    ("tab", "indent with spaces, not with tabs"),
    ("'\\t'", "indent with spaces, not with tabs"),
    ("mapping values are not allowed", "write one 'key: value' per line, equally indented, or quote a text with ': '"),
    ("expected ':'", "write a colon and a space after the key"),
    ("nesting depth", "close the brackets before"),
    ("flow mapping", "close the bracket with '}' and put a comma between the keys"),
    ("flow sequence", "close the bracket with ']' and put a comma between the items"),
    ("flow node", "close the bracket, and put one comma between two items"),
    ("quoted scalar", "close the quote"),
    ("cannot start any token", "put the text between quotes"),
    ("block mapping", "indent the keys of one mapping equally"),
    ("block collection", "indent the items of one list equally"),
)


def _syntax_mistake(error: yaml.MarkedYAMLError, text: str, shown: str) -> Mistake:
    """A syntax error in our words; an unclosed bracket or quote is reported where it was opened."""
    problem_line = error.problem_mark.line + 1 if error.problem_mark else 1
    context_line = error.context_mark.line + 1 if error.context_mark else problem_line
    said = f"{error.context or ''} {error.problem or ''}".strip()
    opened = any(word in said for word in ("flow mapping", "flow sequence", "quoted scalar"))
    unfinished = "expected ':'" in said
    line = context_line if opened or unfinished else problem_line
    lines = text.splitlines()
    written = lines[line - 1] if line <= len(lines) else ""
    if "\t" in written[: len(written) - len(written.lstrip())]:
        said += " tab"
    hint = next((hint for part, hint in _HINTS if part in said), "check indentation, colons, brackets and quotes")
    where = f", noticed on line {problem_line}" if line != problem_line else ""
    return Mistake(shown, line, f"not YAML ({error.problem or said}{where}); {hint}")


def plain(node: Node) -> Any:
    """The tree as dicts, lists and leaves."""
    if isinstance(node, Branch):
        return {key: plain(value) for key, value in node.items.items()}
    if isinstance(node, Row):
        return [plain(item) for item in node.items]
    return node


def node_at(tree: Node, where: Sequence[object]) -> Node | None:
    """The node at a path of keys and indices, or None."""
    node: Node | None = tree
    for step in where:
        if isinstance(node, Branch) and isinstance(step, str):
            node = node.items.get(step)
        elif isinstance(node, Row) and isinstance(step, int) and step < len(node.items):
            node = node.items[step]
        else:
            return None
    return node


def line_at(tree: Node, where: Sequence[object]) -> int:
    """The line of a path of keys and indices: that of its scalar, else of its key, else of the nearest one above."""
    line = 1
    node: Node | None = tree
    for step in where:
        if isinstance(node, Branch) and isinstance(step, str) and step in node.items:
            line, node = node.lines[step], node.items[step]
        elif isinstance(node, Row) and isinstance(step, int) and step < len(node.items):
            node = node.items[step]
            line = node.line
        else:
            return line
    return node.line if isinstance(node, Leaf) and node.text else line


def branch_at(tree: Node | None, *where: str) -> Branch | None:
    """The mapping at a path of keys, or None where there is something else or nothing."""
    node = node_at(tree, where) if tree is not None else None
    return node if isinstance(node, Branch) else None


def leaf_at(tree: Node | None, *where: str) -> Leaf | None:
    """The scalar at a path of keys, or None where there is something else or nothing."""
    node = node_at(tree, where) if tree is not None else None
    return node if isinstance(node, Leaf) else None


def items_at(tree: Node | None, *where: str) -> Iterator[Node]:
    """The items of the list at a path of keys; none where there is no list."""
    node = node_at(tree, where) if tree is not None else None
    yield from node.items if isinstance(node, Row) else ()
