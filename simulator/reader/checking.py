"""A tree against a model: every mistake with its line, in our own words; near-miss keys are repaired on the way."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from difflib import SequenceMatcher
from functools import lru_cache
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from simulator.errors import Mistake
from simulator.reader.scalars import OWN
from simulator.reader.textfile import Branch, Leaf, Node, Row, line_at, node_at, plain

Model = TypeVar("Model", bound=BaseModel)

#: A key of another name that people write for one of ours; both parts folded to small letters.
_OTHER_WORDS: dict[str, tuple[str, ...]] = {
    "start": ("from",),
    "begin": ("from",),
    "end": ("to",),
    "place": ("at",),
    "where": ("at",),
    "resistance": ("ohm",),
    "ohms": ("ohm",),
    "r": ("ohm",),
    "value": ("ohm",),
    "current": ("amp",),
    "rating": ("amp",),
    "voltage": ("open_circuit_volt",),
    "volt": ("open_circuit_volt",),
    "volts": ("open_circuit_volt",),
    "baud": ("bit_rate",),
    "baudrate": ("bit_rate",),
    "bitrate": ("bit_rate",),
    "speed": ("bit_rate",),
    "dbc": ("database",),
    "wires": ("runs",),
    "cables": ("runs",),
    "connector": ("socket",),
    "dtc": ("lost_code",),
    "ecus": ("modules",),
    "ecu": ("modules",),
    "description": ("about",),
    "comment": ("about",),
}


def check_tree(model: type[Model], tree: Node, path: str) -> tuple[Model | None, list[Mistake]]:
    """The tree as an instance of the model, or None, and every mistake.

    Keys that the model does not know are renamed to the nearest one or dropped, in the tree itself, so that later
    checks see what was meant.
    """
    mistakes: list[Mistake] = []
    if not isinstance(tree, Branch):
        known = ", ".join(_required(_schema(model)))
        return None, [Mistake(path, tree.line, f"the file is no mapping; write the keys {known}, each as 'key: value'")]
    for _ in range(20):
        try:
            checked = model.model_validate(plain(tree))
        except ValidationError as error:
            details = error.errors(include_url=False, include_input=False)
        else:
            return (None if mistakes else checked), mistakes
        unknown = [detail["loc"] for detail in details if detail["type"] == "extra_forbidden"]
        if not unknown:
            return None, mistakes + [_mistake(model, tree, detail, path) for detail in details]
        for where in unknown:
            mistakes += _repair(model, tree, where, path)
    return None, mistakes


def _repair(model: type[BaseModel], tree: Node, where: Sequence[int | str], path: str) -> Iterator[Mistake]:
    """Name an unknown key and the one that was meant; rename or drop it in the tree."""
    parent, key = node_at(tree, where[:-1]), str(where[-1])
    if not isinstance(parent, Branch) or key not in parent.items:
        return
    line = parent.lines[key]
    known = sorted(schema_at(model, where[:-1]).get("properties", {}))
    meant = nearest_key(key, known)
    inside = _place_words(where[:-1])
    if meant is None:
        yield Mistake(path, line, f"unknown key '{key}'{inside}; write one of {', '.join(known)}, or delete it")
        parent.drop(key)
    elif meant in parent.items:
        yield Mistake(path, line, f"unknown key '{key}'{inside}; '{meant}' is given already, delete this one")
        parent.drop(key)
    else:
        yield Mistake(path, line, f"unknown key '{key}'{inside}; write {meant}")
        parent.rename(key, meant)


def nearest_key(key: str, known: Sequence[str]) -> str | None:
    """The known key that was meant, or None: by spelling, by its stem without the unit, or by another word for it."""
    folded = re.sub(r"[\s-]+", "_", key.strip()).casefold()
    rated = [(SequenceMatcher(None, folded, name).ratio(), name) for name in known]
    best, nearest = max(rated, default=(0.0, ""))
    if best >= 0.85:
        return nearest
    by_stem = [each for each in rated if f"{each[1]}_".startswith(f"{folded}_") or folded.startswith(f"{each[1]}_")]
    if by_stem and len(folded) > 1:
        return max(by_stem)[1]
    for meant in _OTHER_WORDS.get(folded, ()):
        if meant in known:
            return meant
    stem = folded.rpartition("_")[0]
    by_unit = [each for each in rated if stem and each[1].startswith(f"{stem}_")]
    if by_unit:
        return max(by_unit)[1]
    return nearest if best >= 0.6 else None


def _mistake(model: type[BaseModel], tree: Node, detail: Any, path: str) -> Mistake:
    """One error of the model with its line and in our own words."""
    where: tuple[int | str, ...] = detail["loc"]
    kind: str = detail["type"]
    if where and where[-1] == "[key]":
        where = where[:-1]
        return Mistake(path, _key_line(tree, where), f"{where[-1]}: {detail['ctx']['text']}")
    line = line_at(tree, where)
    if kind == OWN:
        return Mistake(path, line, f"{_label(where)}{detail['ctx']['text']}")
    if kind == "missing":
        parent = where[:-1]
        wanted = _wanted(schema_at(model, where), model)
        said = f"{where[-1]} is missing{_place_words(parent)}; write {where[-1]}: {wanted}"
        return Mistake(path, line_at(tree, parent), said)
    node = node_at(tree, where)
    wanted = _wanted(schema_at(model, where), model)
    if kind in ("too_short", "too_long"):
        return Mistake(path, line, f"{_label(where)}{_count_words(detail)}; write {wanted}")
    got = {Branch: "a mapping", Row: "a list"}.get(type(node), "")
    if isinstance(node, Leaf):
        got = f"'{node.text[:40]}'" if node.text else "nothing"
    return Mistake(path, line, f"{_label(where)}{got} stands where {_kind_words(kind)} belongs; write {wanted}")


def _key_line(tree: Node, where: Sequence[int | str]) -> int:
    parent = node_at(tree, where[:-1])
    return parent.lines.get(str(where[-1]), parent.line) if isinstance(parent, Branch) else line_at(tree, where)


def _label(where: Sequence[int | str]) -> str:
    """The last key of a path, to begin a message with."""
    keys = [step for step in where if isinstance(step, str)]
    if not keys:
        return ""
    return f"{keys[-1]} (item {where[-1] + 1}): " if isinstance(where[-1], int) else f"{keys[-1]}: "


def _place_words(where: Sequence[int | str]) -> str:
    """Where a key is, for a message: " in ENG", " in item 3 of runs", nothing at the top."""
    if not where:
        return ""
    if isinstance(where[-1], int):
        return f" in item {where[-1] + 1} of {where[-2]}" if len(where) > 1 else f" in item {where[-1] + 1}"
    return f" in {where[-1]}"


def _kind_words(kind: str) -> str:
    if kind.startswith(("model", "dict", "dataclass")):
        return "a mapping"
    return "a list" if kind.startswith(("list", "tuple")) else "something else"


def _count_words(detail: Any) -> str:
    context = detail["ctx"]
    few, count = detail["type"] == "too_short", context["actual_length"]
    limit = context["min_length"] if few else context["max_length"]
    return f"{count} given, {limit} or more needed" if few else f"{count} given, {limit} or less allowed"


@lru_cache(maxsize=8)
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema(by_alias=True)


def schema_at(model: type[BaseModel], where: Sequence[int | str]) -> dict[str, Any]:
    """The JSON Schema of a path of keys and indices; empty where there is none."""
    whole = _schema(model)
    node = whole
    for step in where:
        node = _resolve(whole, node)
        if isinstance(step, int):
            node = node.get("items", {})
        elif step in node.get("properties", {}):
            node = node["properties"][step]
        else:
            inner = node.get("patternProperties", {})
            extra = node.get("additionalProperties", {})
            node = next(iter(inner.values()), extra if isinstance(extra, dict) else {})
    return _resolve(whole, node)


def _resolve(whole: dict[str, Any], node: dict[str, Any]) -> dict[str, Any]:
    for _ in range(10):
        if "$ref" in node:
            node = whole["$defs"][str(node["$ref"]).rpartition("/")[2]]
        elif "anyOf" in node:
            node = next((choice for choice in node["anyOf"] if choice != {"type": "null"}), {})
        else:
            break
    return node


def _required(schema: dict[str, Any]) -> list[str]:
    return [str(key) for key in schema.get("required", schema.get("properties", {}))]


def _wanted(schema: dict[str, Any], model: type[BaseModel]) -> str:
    """What to write where this schema stands."""
    kind = schema.get("type")
    if "properties" in schema:
        return "{" + ", ".join(f"{key}: ..." for key in _required(schema)) + "}"
    if "enum" in schema:
        return " or ".join(str(word) for word in schema["enum"])
    if "const" in schema:
        return str(schema["const"])
    if kind == "array":
        inner = _wanted(_resolve(_schema(model), schema.get("items", {})), model)
        count = schema.get("minItems") if schema.get("minItems") == schema.get("maxItems") else None
        return f"[{inner}, {inner}]" if count == 2 else f"a list, [{inner}, ...]"
    if kind == "object":
        inner_schema: dict[str, Any] = next(iter(schema.get("patternProperties", {}).values()), {})
        inner = _wanted(_resolve(_schema(model), inner_schema), model) if inner_schema else "..."
        return f"at least one 'NAME: {inner}'"
    return {"number": "a number", "integer": "a whole number", "boolean": "true or false"}.get(str(kind), "text")
