"""JSON values as structs, and the JSON Schema of a struct.

``msgspec`` checks and converts; what it says is put into our words, with the place,
what was found and what was expected.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from itertools import islice
from typing import Any, TypeVar, get_args, get_type_hints

import msgspec

from mediashelf.text import did_you_mean

T = TypeVar("T")

FREE_KEYS = "x-"
"""Keys that begin so are for the use of others, and are passed over."""

_PROBLEM = re.compile(r"(?P<text>.*?)(?: - at `\$\.?(?P<place>[^`]*)`)?", re.DOTALL)
_MISSING = re.compile(r"Object missing required field `(\w+)`")
_TYPE = re.compile(r"Expected `([^`]+)`, got ")
_BOUND = re.compile(r"Expected `\w+` ([<>])= (-?\d+)")
_LENGTH = re.compile(r"Expected `\w+` of length (?:([<>])= )?(\d+)")
_STEP = re.compile(r"\w+")

_TYPE_WORDS = {
    "object": "an object",
    "array": "a list",
    "str": "a text",
    "bool": "true or false",
    "int": "a whole number",
    "null": "null",
}


_SHOWN = 5
_MORE = "; there may be more"


class FormError(Exception):
    """A value does not have the form; the text begins with the place."""


def convert_typed(value: Any, kind: type[T]) -> T:
    """Return a JSON value as ``kind``, a struct or a tuple of some.

    Every key must be there, whatever its default is for Python. Raises
    :class:`FormError`.
    """
    plain = _plain(value)
    try:
        found = msgspec.convert(plain, kind)
    except msgspec.ValidationError as error:
        # Which names the first problem, and looks no further.
        raise FormError(_worded(str(error), plain, kind) + _MORE) from error
    problems = list(islice(_key_problems(plain, found, ""), _SHOWN + 1))
    if problems:
        more = _MORE if len(problems) > _SHOWN else ""
        raise FormError("; ".join(problems[:_SHOWN]) + more)
    return found


def json_schema(kind: type, title: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a struct whose fields are described."""
    generated = msgspec.json.schema(kind)
    parts = generated["$defs"]
    for part in parts.values():
        _close(part)
    top = parts.pop(generated["$ref"].rpartition("/")[2])
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **top,
        "title": title,
        "$defs": parts,
    }


def _close(part: dict[str, Any]) -> None:
    """Ask for every key of an object, and for no others."""
    part["description"] = " ".join(part["description"].split())
    properties: dict[str, dict[str, Any]] = part["properties"]
    for one in properties.values():
        one.pop("default", None)
    part["required"] = list(properties)
    part["patternProperties"] = {f"^{FREE_KEYS}": {}}
    part["additionalProperties"] = False


def _plain(value: Any) -> Any:
    """Return the value without free keys; 3.0 is a whole number (JSON Schema core, 4.2.3)."""
    if isinstance(value, dict):
        return {
            key: _plain(inside) for key, inside in value.items() if not key.startswith(FREE_KEYS)
        }
    if isinstance(value, list):
        return [_plain(inside) for inside in value]
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value


def _key_problems(value: Any, found: Any, place: str) -> Iterator[str]:
    """Yield keys that an object has too many or too few, which ``msgspec`` passes over."""
    if isinstance(found, tuple):
        for index, (inside, converted) in enumerate(zip(value, found, strict=True)):
            yield from _key_problems(inside, converted, f"{place}[{index}]")
    elif isinstance(found, msgspec.Struct):
        known = found.__struct_fields__
        for key in known:
            if key not in value:
                yield f"{_named(place)} lacks the key {key!r}"
        for key, inside in value.items():
            if key not in known:
                yield f"{_named(place)} has an unknown key {key!r}{did_you_mean(key, known)}"
            else:
                there = f"{place}.{key}" if place else key
                yield from _key_problems(inside, getattr(found, key), there)


def _named(place: str) -> str:
    return place or "the whole"


def _worded(problem: str, value: Any, kind: type) -> str:
    """Return what ``msgspec`` says of a value in our words; unknown words stay as they are."""
    match = _PROBLEM.fullmatch(problem)
    assert match is not None
    text, place = match["text"], match["place"] or ""
    steps = [int(step) if step.isdecimal() else step for step in _STEP.findall(place)]
    found = value
    for step in steps:
        found = found[step]
    return f"{_named(place)} {_message(text, found, steps, kind)}"


def _message(text: str, found: Any, steps: list[str | int], kind: type) -> str:
    if match := _MISSING.fullmatch(text):
        near = did_you_mean(match[1], found).replace("did you mean", "is it")
        return f"lacks the key {match[1]!r}{near}"
    if match := _TYPE.match(text):
        words = " or ".join(_TYPE_WORDS.get(word, word) for word in match[1].split(" | "))
        return f"is {_shown(found)}, expected {words}"
    if match := _BOUND.fullmatch(text):
        return f"is {_shown(found)}, expected {match[2]} or {'more' if match[1] == '>' else 'less'}"
    if match := _LENGTH.match(text):
        unit = "characters" if isinstance(found, str) else "items"
        bound = {">": " or more", "<": " or fewer", None: ""}[match[1]]
        return f"has {len(found)} {unit}, expected {match[2]}{bound}"
    if " matching regex " in text:
        return f"is {_shown(found)}, which is not in the form that the schema describes"
    if text.startswith("Invalid enum value"):
        words = ", ".join(_shown(word) for word in _choices(steps, kind))
        return f"is {_shown(found)}, expected one of {words}"
    return text


def _choices(steps: list[str | int], kind: Any) -> tuple[Any, ...]:
    """Return the values that a place allows, in their own order, which ``msgspec`` forgets."""
    for step in steps:
        kind = get_args(kind)[0] if isinstance(step, int) else get_type_hints(kind)[step]
    # Of a choice between kinds, as of a number and words, the words are meant.
    words = [word for one in get_args(kind) for word in get_args(one)]
    return tuple(words) or get_args(kind)


def _shown(value: Any) -> str:
    if isinstance(value, dict | list):
        return "an object" if isinstance(value, dict) else "a list"
    text = json.dumps(value) if value is None or isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else f"{text[:59]}…"
