"""Does a JSON value have the shape that a JSON Schema asks for?

Understands the part of JSON Schema (draft 2020-12, core and validation
vocabularies) that our own schemas use, so that a card can be checked on a small
board without a library for it. The schema stays the one place where the shape is
written down. Annotations such as ``title`` and ``description`` are passed over.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from mediashelf.text import did_you_mean

ANNOTATIONS = frozenset({"$schema", "$id", "$defs", "$comment", "title", "description", "examples"})


class ShapeProblem(NamedTuple):
    """One way in which a value does not have the shape: ``discs[0].size``, what is wrong."""

    place: str
    message: str


def check_shape(
    value: Any, schema: dict[str, Any], *, root: dict[str, Any] | None = None, place: str = ""
) -> Iterator[ShapeProblem]:
    """Yield every way in which ``value`` fails ``schema``.

    ``root`` is the whole schema, in which ``$ref`` looks for ``#/$defs/…``. A
    value of the wrong type gets that one problem and no more. Raises
    ``KeyError`` for a keyword that this module does not understand.
    """
    root = root or schema
    if "$ref" in schema:
        name = schema["$ref"].removeprefix("#/$defs/")
        yield from check_shape(value, root["$defs"][name], root=root, place=place)
    wanted = schema.get("type")
    if wanted is not None and not _is_type(value, wanted):
        yield ShapeProblem(place, f"is {_shown(value)}, expected {_words(wanted)}")
        return
    for keyword, limit in schema.items():
        if keyword in ANNOTATIONS or keyword in ("$ref", "type", "patternProperties"):
            continue
        if keyword in _PLAIN:
            message = _PLAIN[keyword](value, limit)
            if message:
                yield ShapeProblem(place, message)
        else:
            yield from _NESTED[keyword](value, schema, root, place)


def _is_type(value: Any, wanted: str | list[str]) -> bool:
    names = [wanted] if isinstance(wanted, str) else wanted
    return any(_TYPES[name](value) for name in names)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


_TYPES: dict[str, Callable[[Any], bool]] = {
    "object": lambda value: isinstance(value, dict),
    "array": lambda value: isinstance(value, list),
    "string": lambda value: isinstance(value, str),
    "boolean": lambda value: isinstance(value, bool),
    "null": lambda value: value is None,
    "number": _is_number,
    # 3.0 is an integer to JSON Schema, true is not.
    "integer": lambda value: _is_number(value) and value == value // 1,
}

_TYPE_WORDS = {
    "object": "an object",
    "array": "a list",
    "string": "a text",
    "boolean": "true or false",
    "null": "null",
    "number": "a number",
    "integer": "a whole number",
}


def _words(wanted: str | list[str]) -> str:
    names = [wanted] if isinstance(wanted, str) else wanted
    return " or ".join(_TYPE_WORDS[name] for name in names)


def _shown(value: Any) -> str:
    if isinstance(value, dict | list):
        return "an object" if isinstance(value, dict) else "a list"
    text = json.dumps(value) if value is None or isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else f"{text[:59]}…"


def _same(one: Any, other: Any) -> bool:
    """Equality as JSON sees it: true is not 1."""
    return bool(one == other) and isinstance(one, bool) == isinstance(other, bool)


def _const(value: Any, limit: Any) -> str:
    return "" if _same(value, limit) else f"is {_shown(value)}, expected {_shown(limit)}"


def _enum(value: Any, limit: list[Any]) -> str:
    if any(_same(value, word) for word in limit):
        return ""
    return f"is {_shown(value)}, expected one of {', '.join(_shown(word) for word in limit)}"


def _pattern(value: Any, limit: str) -> str:
    if not isinstance(value, str) or re.search(limit, value):
        return ""
    return f"is {_shown(value)}, which is not in the form that the schema describes"


def _minimum(value: Any, limit: int) -> str:
    if not _is_number(value) or value >= limit:
        return ""
    return f"is {_shown(value)}, expected {limit} or more"


def _maximum(value: Any, limit: int) -> str:
    if not _is_number(value) or value <= limit:
        return ""
    return f"is {_shown(value)}, expected {limit} or less"


def _length(
    kind: type[str] | type[list[Any]], unit: str, is_least: bool
) -> Callable[[Any, int], str]:
    def check(value: Any, limit: int) -> str:
        if not isinstance(value, kind):
            return ""
        found = len(value)
        if found >= limit if is_least else found <= limit:
            return ""
        return f"has {found} {unit}, expected {limit} or {'more' if is_least else 'fewer'}"

    return check


def _unique(value: Any, limit: bool) -> str:
    """Scalars only, which is all that our schemas ask to be unique."""
    seen: set[tuple[bool, Any]] = set()
    for item in value if limit and isinstance(value, list) else ():
        key = (isinstance(item, bool), repr(item) if isinstance(item, dict | list) else item)
        if key in seen:
            return f"names {_shown(item)} twice"
        seen.add(key)
    return ""


_PLAIN: dict[str, Callable[[Any, Any], str]] = {
    "const": _const,
    "enum": _enum,
    "pattern": _pattern,
    "minimum": _minimum,
    "maximum": _maximum,
    "minLength": _length(str, "characters", True),
    "maxLength": _length(str, "characters", False),
    "minItems": _length(list, "items", True),
    "maxItems": _length(list, "items", False),
    "uniqueItems": _unique,
}


def _required(
    value: Any, schema: dict[str, Any], root: dict[str, Any], place: str
) -> Iterator[ShapeProblem]:
    if isinstance(value, dict):
        missing = [key for key in schema["required"] if key not in value]
        yield from (ShapeProblem(place, f"lacks the key {key!r}") for key in missing)


def _properties(
    value: Any, schema: dict[str, Any], root: dict[str, Any], place: str
) -> Iterator[ShapeProblem]:
    if not isinstance(value, dict):
        return
    for key, part in schema["properties"].items():
        if key in value:
            inside = f"{place}.{key}" if place else key
            yield from check_shape(value[key], part, root=root, place=inside)


def _additional(
    value: Any, schema: dict[str, Any], root: dict[str, Any], place: str
) -> Iterator[ShapeProblem]:
    """Only ``additionalProperties: false``, beside patternProperties that take any value."""
    if not isinstance(value, dict) or schema["additionalProperties"] is not False:
        return
    known = schema.get("properties", {})
    patterns = schema.get("patternProperties", {})
    for key in value:
        if key not in known and not any(re.search(pattern, key) for pattern in patterns):
            yield ShapeProblem(place, f"has an unknown key {key!r}{did_you_mean(key, known)}")


def _items(
    value: Any, schema: dict[str, Any], root: dict[str, Any], place: str
) -> Iterator[ShapeProblem]:
    if isinstance(value, list):
        for index, item in enumerate(value):
            yield from check_shape(item, schema["items"], root=root, place=f"{place}[{index}]")


_NESTED: dict[str, Callable[[Any, dict[str, Any], dict[str, Any], str], Iterator[ShapeProblem]]] = {
    "required": _required,
    "properties": _properties,
    "additionalProperties": _additional,
    "items": _items,
}
