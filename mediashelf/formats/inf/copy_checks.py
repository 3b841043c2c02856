"""Whether each file that an INF copies has a list, a destination, and a disk it comes from."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.rules import Found
from mediashelf.formats.inf.source_files import (
    copy_lines,
    list_names,
    source_disks,
    source_files,
    suffixes_there,
)
from mediashelf.formats.inf.text.columns import may_have
from mediashelf.formats.inf.text.sections import InfEntry


def iter_copy_faults(inf: Inf) -> Iterator[Found]:
    """Follow every CopyFiles in the text to its list, its disk and its destination."""
    destinations = inf.section("DestinationDirs")
    with_destination = (
        {entry.key.lower() for entry in destinations.entries} if destinations else set()
    )
    has_default = "defaultdestdir" in with_destination
    listed = {
        file.name.lower() for suffix in suffixes_there(inf) for file in source_files(inf, suffix)
    }
    follows_others = bool(inf.version_value("LayoutFile"))
    seen_lists: set[str] = set()
    seen_files: set[str] = set()
    for section in inf.sections.values():
        if not may_have(section, "copyfiles"):
            continue
        includes = any(True for _ in section.all("Include"))
        for entry in section.all("CopyFiles"):
            for name in list_names(inf, entry):
                if name.lower() in seen_lists:
                    continue
                if inf.section(name) is None and not includes:
                    yield "copy-section-missing", entry.line, name[:80]
                elif not has_default and name.lower() not in with_destination:
                    yield "copy-without-destination", entry.line, f"[{name[:80]}]"
            for line in copy_lines(inf, entry, seen_lists):
                if not line.section and not has_default:
                    yield "copy-without-destination", line.line, f"@{line.name[:80]}"
                source = line.source.lower()
                if source in seen_files:
                    continue
                seen_files.add(source)
                if source.endswith(".inf"):
                    yield "copies-inf", line.line, line.source[:80]
                if source not in listed and not follows_others:
                    yield "file-without-source-disk", line.line, line.source[:80]


def iter_disk_faults(inf: Inf) -> Iterator[Found]:
    """Follow every file in the lists of source files to its disk; each is to be there once."""
    suffixes = suffixes_there(inf)
    disks = {disk.disk_id for suffix in suffixes for disk in source_disks(inf, suffix)}
    catalogs = {
        inf.expand(entry.value(0)).lower()
        for entry in _version_entries(inf)
        if entry.key.lower().startswith("catalogfile")
    }
    for suffix in suffixes:
        places: dict[str, tuple[str, str]] = {}
        for file in source_files(inf, suffix):
            name = file.name.lower()
            if file.disk_id not in disks:
                yield (
                    "source-disk-undefined",
                    file.line,
                    f"{file.name[:80]} is on disk {file.disk_id[:20] or '(none)'}",
                )
            if name in catalogs:
                yield "catalog-is-listed", file.line, file.name[:80]
            place = (file.disk_id, file.path.lower())
            if places.setdefault(name, place) != place:
                yield "duplicate-source-file", file.line, file.name[:80]
        seen: dict[str, tuple[str, ...]] = {}
        for disk in source_disks(inf, suffix):
            meaning = (disk.cabinet.lower(), disk.tag.lower(), disk.path.lower())
            if seen.setdefault(disk.disk_id, meaning) != meaning:
                yield "duplicate-source-disk", disk.line, disk.disk_id[:20]


def _version_entries(inf: Inf) -> tuple[InfEntry, ...]:
    section = inf.section("version")
    return section.entries if section else ()
