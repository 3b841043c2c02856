"""Target files: what a target says, in TOML, checked key by key.

The file's name is the target's name::

    title = "Workshop laptops"
    based_on = "nt5"              # take over every limit of another target …
    drop = ["boot_media"]         # … but these
    family = "nt5"                # whose rules choose drivers; taken over as well

    [limits.path_length]
    value = 200
    source = "common practice"    # or where the limit is published
    severity = "warning"          # only where the rule's own does not fit

The built-in targets are files of this form too. A limit whose source begins with
"common practice", "from memory" or "quoted elsewhere" never yields more than a note.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from msgspec import Struct

from mediashelf.errors import TargetError
from mediashelf.findings import Severity
from mediashelf.readability.limits import LIMIT_KINDS, Limit
from mediashelf.tables.reading import TableKind, read_tables
from mediashelf.tables.table import Table
from mediashelf.text import did_you_mean

BUILT_IN = ("dos", "win9x", "nt4", "nt5", "nt6")
"""The targets that come with the program, oldest first."""

TARGET_FILE = TableKind(
    "a target file", ("title", "based_on", "drop", "family", "limits"), TargetError
)
_LIMIT_KEYS = ("value", "source", "severity")
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
_SEVERITY_WORDS = tuple(severity.word for severity in Severity)


class TargetFile(Struct, frozen=True):
    """What one file says; ``family`` names whose rules choose drivers, or is empty."""

    name: str
    path: Path
    title: str
    based_on: str
    drop: tuple[str, ...]
    family: str
    limits: Mapping[str, Limit]


def read_built_in_targets() -> list[TargetFile]:
    """Return the files of the targets that come with the program, oldest first."""
    folder = Path(__file__).parent / "targets"
    return [read_target(folder / f"{name}.toml") for name in BUILT_IN]


def read_target_folder(folder: Path) -> list[TargetFile]:
    """Return the target files in a folder by name; hidden files and other kinds are left alone.

    Raises TargetError for a folder that cannot be read or a file that is wrong, and
    InputError for a file that cannot be read.
    """
    try:
        paths = sorted(
            path
            for path in folder.iterdir()
            if path.suffix == ".toml" and not path.name.startswith(".")
        )
    except OSError as error:
        raise TargetError(f"{folder}: cannot be read: {error.strerror}") from error
    return [read_target(path) for path in paths]


def read_target(path: Path) -> TargetFile:
    """Return what a target's file says.

    Raises TargetError for anything that is not TOML, for a key that does not exist
    (naming the nearest that does), and for a value of the wrong kind.
    """
    if not _NAME.fullmatch(path.stem):
        raise TargetError(
            f"{path}: {path.stem!r} can't be a target's name; name the file with small letters, "
            "digits and - only, such as my-laptops.toml"
        )
    return read_tables(path, TARGET_FILE, lambda table: _target_file(table, path))


def _target_file(top: Table, path: Path) -> TargetFile:
    drop = top.texts("drop", "limits")
    for key in drop:
        if key not in LIMIT_KINDS:
            hint = did_you_mean(key, LIMIT_KINDS)
            raise top.error(f"drop names {key!r}, which is not a limit{hint}")
    limits = top.table("limits", LIMIT_KINDS)
    return TargetFile(
        path.stem,
        path,
        top.text("title") or path.stem,
        top.text("based_on"),
        drop,
        top.text("family"),
        {key: _limit(limits.table(key, _LIMIT_KEYS), key) for key in limits},
    )


def _limit(table: Table, key: str) -> Limit:
    source = table.text(
        "source", needed='say where the limit is published, or "common practice"'
    ).strip()
    if "value" not in table:
        raise table.error("value is missing; it is the limit itself")
    shape = LIMIT_KINDS[key].shape
    value = shape.read(table.value("value"))
    if value is None:
        raise table.wrong("value", shape.words)
    word = table.choice("severity", _SEVERITY_WORDS)
    return Limit(key, value, source, Severity.from_word(word) if word else None)
