"""Where the files of an install section come from: CopyFiles, source disks, folders.

Sources: INF CopyFiles directive, INF SourceDisksNames section,
INF SourceDisksFiles section, and for compressed names the documentation of
SetupDecompressOrCopyFile.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import lru_cache

from msgspec import Struct

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.systems import ARCHITECTURES
from mediashelf.formats.inf.text.sections import InfEntry, InfSection

_FLAG_CABINET_AND_TAG = 0x10
"""In [SourceDisksNames]: the second value is a cabinet, the sixth a tag file (since 5.1)."""

_NUMBER = re.compile(r"0[xX]([0-9a-fA-F]{1,8})|([0-9]{1,12})")

_MAX_PATH = 259
"""Longest path in characters with a drive, as the 260 of the systems count the final NUL.

What is longer is cut: no system finds it either, and it may be there for every file.
"""

_NOTHING = ("",) * 6
EVERY_SUFFIX = ("", *(f".{architecture}" for architecture in ARCHITECTURES))


class CopyLine(Struct, frozen=True):
    """One file that CopyFiles asks for: target name, source name, list section, line."""

    name: str
    source: str
    section: str  # empty for the @file form
    line: int


class SourceDisk(Struct, frozen=True):
    """One entry of [SourceDisksNames]; ``path`` is ``dir1/dir2``, relative to the root."""

    disk_id: str
    description: str
    cabinet: str
    tag: str
    path: str
    line: int


class SourceDisksFile(Struct, frozen=True):
    """One entry of [SourceDisksFiles]; ``size`` is uncompressed bytes, 0 when not given."""

    name: str
    disk_id: str
    path: str
    size: int
    line: int


class SourceTables(Struct, frozen=True):
    """Disks by id and files by lower-case name, as one system sees them."""

    disks: Mapping[str, SourceDisk]
    files: Mapping[str, SourceDisksFile]


def source_tables(inf: Inf, suffixes: tuple[str, ...]) -> SourceTables:
    """Return the source disk sections; an earlier suffix goes before a later one."""
    return inf.for_now(("source tables", suffixes), lambda: _source_tables(inf, suffixes))


def listed_for(inf: Inf, name: str) -> tuple[str, ...]:
    """Return the processors that have a [SourceDisksFiles] of their own with this file."""
    suffixes = (suffix for suffix in suffixes_there(inf) if suffix)
    name = name.lower()
    return tuple(
        suffix.removeprefix(".")
        for suffix in suffixes
        if name in source_tables(inf, (suffix,)).files
    )


def _source_tables(inf: Inf, suffixes: tuple[str, ...]) -> SourceTables:
    disks: dict[str, SourceDisk] = {}
    files: dict[str, SourceDisksFile] = {}
    for suffix in suffixes:
        # Of entries with one key the first is found (SetupFindFirstLine).
        for disk in source_disks(inf, suffix):
            disks.setdefault(disk.disk_id, disk)
        for file in source_files(inf, suffix):
            files.setdefault(file.name.lower(), file)
    return SourceTables(disks, files)


def suffixes_there(inf: Inf) -> tuple[str, ...]:
    """Return the suffixes with which the text has any source disk section."""
    return inf.for_now("suffixes", lambda: _suffixes_there(inf.sections))


def _suffixes_there(sections: Collection[str]) -> tuple[str, ...]:
    names, files = "sourcedisksnames", "sourcedisksfiles"
    return tuple(
        [one for one in EVERY_SUFFIX if names + one in sections or files + one in sections]
    )


def source_folders(inf: Inf) -> tuple[str, ...]:
    """Return the folders that the source disk sections name, for whatever system."""
    return inf.once("source folders", lambda: tuple(dict.fromkeys(_folders(inf))))


def _folders(inf: Inf) -> Iterator[str]:
    for suffix in suffixes_there(inf):
        tables = _source_tables(inf, tuple(dict.fromkeys((suffix, ""))))
        for file in tables.files.values():
            disk = tables.disks.get(file.disk_id)
            yield join_path(disk.path if disk else "", file.path)


def source_disks(inf: Inf, suffix: str = "") -> Sequence[SourceDisk]:
    """Return the entries of one [SourceDisksNames] section."""
    section = inf.section("sourcedisksnames" + suffix)
    return section.once("disks", lambda: list(_disks(inf, section))) if section else ()


def _disks(inf: Inf, section: InfSection) -> Iterator[SourceDisk]:
    for entry in section.entries:
        if not entry.key:
            continue
        description, tag_or_cabinet, _, path, flags, tag = (
            inf.expand(value).strip() for value in (*entry.values, *_NOTHING)[:6]
        )
        is_cabinet = tag_or_cabinet.lower().endswith(".cab") or bool(
            parse_number(flags) & _FLAG_CABINET_AND_TAG
        )
        yield SourceDisk(
            disk_id=normal_disk_id(inf.expand(entry.key)),
            description=description,
            cabinet=tag_or_cabinet if is_cabinet else "",
            tag=tag if is_cabinet else tag_or_cabinet,
            path=join_path(path)[:_MAX_PATH],
            line=entry.line,
        )


def source_files(inf: Inf, suffix: str = "") -> Sequence[SourceDisksFile]:
    """Return the entries of one [SourceDisksFiles] section."""
    section = inf.section("sourcedisksfiles" + suffix)
    return section.once("files", lambda: list(_files(inf, section))) if section else ()


def _files(inf: Inf, section: InfSection) -> Iterator[SourceDisksFile]:
    for entry in section.entries:
        if entry.key:
            yield SourceDisksFile(
                name=entry.key,
                disk_id=normal_disk_id(inf.expand(entry.value(0))),
                path=join_path(inf.expand(entry.value(1)))[:_MAX_PATH],
                size=parse_number(entry.value(2)),
                line=entry.line,
            )


def list_names(inf: Inf, entry: InfEntry) -> list[str]:
    """Return the sections that a CopyFiles entry names, each once."""
    names = (inf.expand(value).strip() for value in entry.values)
    return [name for name in dict.fromkeys(names) if name and not name.startswith("@")]


def copy_lines(inf: Inf, entry: InfEntry, seen: set[str]) -> Iterator[CopyLine]:
    """Yield the files of one CopyFiles entry, in both forms; absent list sections give none.

    List sections in ``seen`` (lower case) are left out, and those that are used are
    added: many install sections may share one long list.
    """
    for value in entry.values:
        name = inf.expand(value).strip()
        if name.startswith("@"):
            file_name = name[1:].strip()
            if file_name:
                yield CopyLine(file_name, file_name, "", entry.line)
        elif name and name.lower() not in seen:
            seen.add(name.lower())
            yield from _list_lines(inf, name)


def _list_lines(inf: Inf, section_name: str) -> Iterator[CopyLine]:
    """Yield the files of one file-list section."""
    section = inf.section(section_name)
    for entry in section.entries if section else ():
        # The page forbids strings in file names here, but some files have them.
        # What is before a = is not one of the line's fields (Wine's SetupAPI, 8.0, tried).
        target, source = inf.expand(entry.value(0)), inf.expand(entry.value(1))
        if target or source:
            yield CopyLine(target, source or target, section_name, entry.line)


@lru_cache(1 << 14)  # the same few folders and names come again for every section and system
def join_path(*parts: str) -> str:
    r"""Return the parts of ``\dir1\dir2`` paths joined by ``/``; ``..`` never leaves the root."""
    joined: list[str] = []
    for part in "/".join(parts).replace("\\", "/").split("/"):
        if part == "..":
            del joined[-1:]
        elif part.strip() not in ("", "."):
            joined.append(part.strip())
    return "/".join(joined)


def normal_disk_id(text: str) -> str:
    """Return a disk id so that ``1``, ``01`` and ``0x1`` are one."""
    text = text.strip()
    number = parse_number(text, -1)
    return text.lower() if number < 0 else str(number)


def parse_number(text: str, default: int = 0) -> int:
    """Return a decimal or 0x number, or ``default`` for anything else."""
    match = _NUMBER.fullmatch(text.strip())
    if match is None:
        return default
    return int(match[1], 16) if match[1] else int(match[2])


def compressed_names(name: str) -> tuple[str, str]:
    """Return the compressed forms that setup tries: ``cmd.exe`` → ``cmd.ex_``, ``cmd.ex$``.

    For extensions of less than three characters the mark is appended (from memory).
    """
    stem, dot, extension = name.rpartition(".")
    if not dot:
        stem, extension = name, ""
    short = extension[:2] if len(extension) >= 3 else extension
    return f"{stem}.{short}_", f"{stem}.{short}$"
