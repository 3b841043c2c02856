"""Target files: what a target says, in TOML, checked key by key.

The file's name is the target's name::

    title = "Workshop laptops"
    based_on = "nt5"              # take over every limit of another target …
    drop = ["boot_media"]         # … but these

    [limits.path_length]
    value = 200
    source = "common practice"    # or where the limit is published
    severity = "warning"          # only where the rule's own does not fit

The built-in targets are files of this form too. A limit whose source begins with
"common practice" or "from memory" never yields more than a note.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

from mediashelf.errors import TargetError
from mediashelf.findings import Severity
from mediashelf.readability.limits import LIMIT_KINDS, Limit
from mediashelf.text import did_you_mean

BUILT_IN = ("dos", "win9x", "nt4", "nt5", "nt6")
"""The targets that come with the program, oldest first."""

MAX_TARGET_FILE = 1 << 20

_KEYS = ("title", "based_on", "drop", "limits")
_LIMIT_KEYS = ("value", "source", "severity")
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
_SEVERITY_WORDS = tuple(severity.word for severity in Severity)

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class TargetFile:
    """What one file says; ``place`` is what messages call it, ``path`` None when built in."""

    name: str
    place: str
    title: str
    based_on: str
    drop: tuple[str, ...]
    limits: Mapping[str, Limit]
    path: Path | None = None


def read_built_in_targets() -> list[TargetFile]:
    """Return the files of the targets that come with the program, oldest first."""
    folder = files("mediashelf.readability").joinpath("targets")
    return [
        parse_target(
            folder.joinpath(f"{name}.toml").read_text("utf-8"),
            name=name,
            place=f"built-in target {name}",
        )
        for name in BUILT_IN
    ]


def read_target_folder(folder: Path) -> list[TargetFile]:
    """Return the target files in a folder by name; hidden files and other kinds are left alone.

    Raises TargetError for a folder or file that can't be read or is wrong.
    """
    try:
        paths = sorted(
            path
            for path in folder.iterdir()
            if path.suffix == ".toml" and not path.name.startswith(".")
        )
    except OSError as error:
        raise TargetError(f"{folder}: cannot be read: {error.strerror}") from error
    return [_read_file(path) for path in paths]


def parse_target(text: str, *, name: str, place: str, path: Path | None = None) -> TargetFile:
    """Return what a target file says; ``place`` names it in messages.

    Raises TargetError for anything that is no TOML, for a key that does not exist
    (naming the nearest that does), and for a value of the wrong kind.
    """
    if not _NAME.fullmatch(name):
        raise TargetError(
            f"{place}: {name!r} can't be a target's name; name the file with small letters, "
            "digits and - only, such as my-laptops.toml"
        )
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise TargetError(f"{place}: is not TOML: {error}") from error
    except RecursionError as error:
        raise TargetError(f"{place}: is nested too deeply") from error
    _check_keys(place, "", content, _KEYS)
    drop = _expect(place, "drop", content.get("drop", []), list, "a list of limits")
    rows = _expect(place, "limits", content.get("limits", {}), dict, "a table of limits")
    for where, keys in (("drop", drop), ("limits", rows)):
        for key in keys:
            if key not in LIMIT_KINDS:
                near = did_you_mean(str(key), LIMIT_KINDS)
                raise TargetError(f"{place}: {where} names {key!r}, which is no limit{near}")
    return TargetFile(
        name,
        place,
        _expect(place, "title", content.get("title", name), str, "text"),
        _expect(place, "based_on", content.get("based_on", ""), str, "a target's name"),
        tuple(drop),
        {key: _parse_limit(place, key, row) for key, row in rows.items()},
        path,
    )


def _read_file(path: Path) -> TargetFile:
    try:
        if not path.is_file():
            raise TargetError(f"{path}: is no ordinary file; a target is a text file")
        with path.open("rb") as opened:
            data = opened.read(MAX_TARGET_FILE + 1)
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise TargetError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise TargetError(f"{path}: is not UTF-8 at byte {error.start}") from error
    if len(data) > MAX_TARGET_FILE:
        raise TargetError(f"{path}: is larger than {MAX_TARGET_FILE:,} bytes; is it a target?")
    return parse_target(text, name=path.stem, place=str(path), path=path)


def _parse_limit(place: str, key: str, row: object) -> Limit:
    where = f"limits.{key}"
    table = _expect(place, where, row, dict, "a table with value and source")
    _check_keys(place, f"{where}.", table, _LIMIT_KEYS)
    for needed in ("value", "source"):
        if needed not in table:
            raise TargetError(f"{place}: {where}.{needed} is missing")
    shape = LIMIT_KINDS[key].shape
    value = shape.read(table["value"])
    if value is None:
        raise TargetError(f"{place}: {where}.value is {table['value']!r}, expected {shape.words}")
    source = _expect(place, f"{where}.source", table["source"], str, "text").strip()
    if not source:
        raise TargetError(
            f"{place}: {where}.source is empty; say where the limit is published, "
            'or "common practice"'
        )
    word = table.get("severity")
    if word is not None and word not in _SEVERITY_WORDS:
        raise TargetError(
            f"{place}: {where}.severity is {word!r}, expected one of {', '.join(_SEVERITY_WORDS)}"
        )
    return Limit(key, value, source, Severity.from_word(word) if word else None)


def _check_keys(place: str, prefix: str, table: Mapping[str, Any], known: Iterable[str]) -> None:
    for key in table:
        if key not in known:
            raise TargetError(
                f"{place}: {prefix + key!r} is no key of a target file{did_you_mean(key, known)}"
            )


def _expect(place: str, key: str, value: object, kind: type[Value], words: str) -> Value:
    if not isinstance(value, kind):
        raise TargetError(f"{place}: {key} is {value!r}, expected {words}")
    return value
