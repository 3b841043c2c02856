"""Every ``--json`` answer begins alike, and values become JSON by one set of rules.

``document("find", text=…, hits=…)`` is the whole answer. ``chosen(row, "path", "size")``
is one object of it: attributes by name, where a value has more of them than the documented
shape. A struct that *is* its documented shape is given as it is.

An answer is whole or visibly broken: what fails while a list is written leaves the outermost
object open, which is closed last, and the command ends with the exit code of its error.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from enum import Enum
from pathlib import PurePath
from typing import Any

from msgspec import Struct

VERSION = 1  # raised once a change could be misunderstood; keys are only ever added


def document(command: str, /, **content: Any) -> dict[str, Any]:
    """Return the whole answer of a command as plain values."""
    return {"command": command, "version": VERSION, **plain(content)}


def chosen(value: object, /, *names: str, **more: Any) -> dict[str, Any]:
    """Return these attributes of a value, and what else its object in the answer has."""
    return {**{name: plain(getattr(value, name)) for name in names}, **plain(more)}


class Each:
    """A list of plain values that are made while it is written: 100,000 take much memory."""

    def __init__(self, values: Iterable[Any]) -> None:
        self._values = values

    def __iter__(self) -> Iterator[Any]:
        return map(plain, self._values)


def plain(value: Any) -> Any:
    """Return a value as JSON has it.

    Structs and named tuples become objects, in the order of their fields. Members of
    an enumeration become their ``word`` where they have one, else their value. Bytes are
    names: what is not valid text in them becomes lone surrogates. An :class:`Each`
    stays as it is.
    """
    kind = type(value)
    if value is None or kind in (str, int, bool, float, Each):
        return value
    if isinstance(value, Enum):
        return plain(getattr(value, "word", value.value))
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    if isinstance(value, Struct):
        return {name: plain(getattr(value, name)) for name in value.__struct_fields__}
    if isinstance(value, tuple) and hasattr(value, "_asdict"):
        return plain(value._asdict())
    if isinstance(value, PurePath):
        return str(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, bytes):
        return value.decode("utf-8", "surrogateescape")
    if isinstance(value, set | frozenset):
        return sorted(map(plain, value))
    if isinstance(value, Iterable) and not isinstance(value, str):
        return [plain(item) for item in value]
    raise TypeError(f"{kind.__name__} has no form in JSON")
