"""Everything that install sections of an INF need from the disc.

CopyFiles lists, co-installers, and what Include, Needs and LayoutFile name; those are
followed inside the package only. Sources: INF CopyFiles directive, INF Version section,
INF DDInstall section; the .CoInstallers sections are from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.source_files import (
    CopyLine,
    SourceTables,
    copy_lines,
    join_path,
    source_tables,
)
from mediashelf.formats.inf.systems import InfSystem


class NeededFile(NamedTuple):
    """One file that an install section needs.

    ``path`` is relative to the installation root, with parts joined by ``/``.
    ``cabinet`` (a path too) is set when the file is inside one. ``provider``
    names an INF outside the package, such as the system's layout, that tells
    where the file is. ``size`` is 0 when unknown; ``line`` is that of the copy.
    """

    name: str
    path: str
    size: int
    line: int
    cabinet: str = ""
    provider: str = ""


class Requirements(NamedTuple):
    """Everything that install sections need, and what was named but not followed."""

    files: tuple[NeededFile, ...]
    tags: tuple[str, ...] = ()  # paths of tag files
    not_followed: tuple[str, ...] = ()  # INFs outside the package


def requirements(
    inf: Inf,
    installs: Iterable[str],
    system: InfSystem,
    companions: Mapping[str, Inf] | None = None,
) -> Requirements:
    """Return what the install sections of these names (with their suffixes) need together.

    ``companions`` are the INFs of the same folder by lower-case name: Include,
    Needs and LayoutFile are followed among them only, and named otherwise.
    """
    collector = _Collector(system, companions or {})
    for install in installs:
        collector.take(inf, install)
    return Requirements(
        tuple(collector.files.values()), tuple(collector.tags), tuple(collector.not_followed)
    )


class _Collector:
    """Gathers files over an install section, its co-installers and the sections it needs."""

    def __init__(self, system: InfSystem, companions: Mapping[str, Inf]) -> None:
        self.system = system
        self.companions = companions
        self.files: dict[tuple[str, str, str], NeededFile] = {}
        self.tags: dict[str, None] = {}
        self.not_followed: dict[str, None] = {}
        self.seen: set[tuple[int, str]] = set()
        self.lists_seen: dict[int, set[str]] = {}
        self.tables: dict[int, SourceTables] = {}
        self.layouts: dict[int, tuple[str, list[Inf]]] = {}

    def take(self, inf: Inf, install: str) -> None:
        pending = [(inf, install)]
        while pending:
            source, name = pending.pop()
            if (id(source), name.lower()) in self.seen:
                continue
            self.seen.add((id(source), name.lower()))
            lists_seen = self.lists_seen.setdefault(id(source), set())
            for section_name in (name, f"{name}.CoInstallers"):
                section = source.section(section_name)
                if section is None:
                    continue
                for entry in section.all("CopyFiles"):
                    for line in copy_lines(source, entry, lists_seen):
                        self._place(source, line)
                pending += self._needed_sections(source, section_name)

    def _needed_sections(self, inf: Inf, section_name: str) -> list[tuple[Inf, str]]:
        included = self._followed(inf, section_name, "Include")
        section = inf.section(section_name)
        assert section is not None
        found = []
        for entry in section.all("Needs"):
            for value in entry.values:
                name = inf.expand(value).strip()
                for other in (*included, inf):
                    if name and other.section(name) is not None:
                        found.append((other, name))
                        break
        return found

    def _followed(self, inf: Inf, section_name: str, key: str) -> list[Inf]:
        """Return the companions that an entry names; remember the other names."""
        section = inf.section(section_name)
        found = []
        for entry in section.all(key) if section else ():
            for value in entry.values:
                name = inf.expand(value).strip()
                companion = self.companions.get(name.lower())
                if companion is not None:
                    found.append(companion)
                elif name:
                    self.not_followed[name] = None
        return found

    def _tables(self, inf: Inf) -> SourceTables:
        if id(inf) not in self.tables:
            self.tables[id(inf)] = source_tables(inf, self.system.source_suffixes)
        return self.tables[id(inf)]

    def _layouts(self, inf: Inf) -> tuple[str, list[Inf]]:
        """Return what LayoutFile names, and those of them that are in the package."""
        if id(inf) not in self.layouts:
            named = inf.version_value("LayoutFile")
            self.layouts[id(inf)] = named, self._followed(inf, "Version", "LayoutFile")
        return self.layouts[id(inf)]

    def _place(self, inf: Inf, line: CopyLine) -> None:
        tables = self._tables(inf)
        file = tables.files.get(line.source.lower())
        provider = ""
        if file is None:
            named, layouts = self._layouts(inf)
            for layout in layouts:
                tables = self._tables(layout)
                file = tables.files.get(line.source.lower())
                if file is not None:
                    break
            else:
                provider = named
        if file is None:
            # Without an entry the file is looked for where the INF is (common practice).
            key = (line.source.lower(), "", provider)
            self.files.setdefault(
                key, NeededFile(line.source, line.source, 0, line.line, provider=provider)
            )
            return
        disk = tables.disks.get(file.disk_id)
        folder = join_path(disk.path if disk else "", file.path)
        cabinet = join_path(disk.path, disk.cabinet) if disk and disk.cabinet else ""
        if disk and disk.tag:
            self.tags[join_path(disk.path, disk.tag)] = None
        path = join_path(folder, line.source)
        self.files.setdefault(
            (path.lower(), cabinet.lower(), ""),
            NeededFile(line.source, path, file.size, line.line, cabinet),
        )
