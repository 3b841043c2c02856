"""Everything that install sections of an INF need from the disc.

CopyFiles lists wherever they count, and what CopyINF, Include, Needs and LayoutFile
name; those are followed inside the package only. Sources: INF CopyFiles directive, INF
CopyINF directive, INF Version section, INF DDInstall section.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from mediashelf.formats.inf.copying import (
    COPY_INF_SINCE,
    added_interfaces,
    read_alike,
    sections_of_class,
    sections_of_install,
)
from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.models import models_for
from mediashelf.formats.inf.sections import InfSection
from mediashelf.formats.inf.source_files import (
    CopyLine,
    SourceTables,
    copy_lines,
    join_path,
    source_tables,
)
from mediashelf.formats.inf.systems import InfSystem, find_install_section


class NeededFile(NamedTuple):
    """One file that an install section needs.

    ``path`` is relative to the installation root, with parts joined by ``/``.
    ``cabinet`` (a path too) is set when the file is inside one, ``tag`` when its disk
    has a tag file. ``provider`` names an INF outside the package, such as the system's
    layout, that tells where the file is. ``size`` is 0 when unknown; ``line`` is that
    of the copy.
    """

    name: str
    path: str
    size: int
    line: int
    cabinet: str = ""
    provider: str = ""
    tag: str = ""


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

    ``companions`` are the INFs of the same folder by lower-case name, and those of
    folders in it by their path from there: CopyINF, Include, Needs and LayoutFile are
    followed among them only, and named otherwise.
    """
    installs = tuple(installs)
    key = ("requirements", installs, read_alike(system))
    known: Requirements | None = inf.derived.get(key)
    if known is not None:
        return known
    collector = _Collector(system, {} if companions is None else companions)
    for install in installs:
        collector.take(inf, install)
    found = Requirements(
        tuple(collector.files.values()), tuple(collector.tags), tuple(collector.not_followed)
    )
    if not collector.has_followed:  # what is beside it does not matter
        inf.derived[key] = found
    return found


class _Collector:
    """Gathers files over install sections and all that they lead to."""

    def __init__(self, system: InfSystem, companions: Mapping[str, Inf]) -> None:
        self.system = system
        self.companions = companions
        self.has_followed = False
        self.files: dict[tuple[str, str, str], NeededFile] = {}
        self.tags: dict[str, None] = {}
        self.not_followed: dict[str, None] = {}
        self.seen: set[tuple[int, str]] = set()
        self.lists_seen: dict[int, set[str]] = {}
        self.tables: dict[int, SourceTables] = {}
        self.folders: dict[int, str] = {}  # of INFs that CopyINF names, from the first one's
        self.layouts: dict[int, tuple[str, list[Inf]]] = {}

    def take(self, inf: Inf, install: str) -> None:
        pending = [(inf, name) for name in self._start(inf, install)]
        while pending:
            source, name = pending.pop()
            section = source.section(name)
            if section is None or (id(source), name.lower()) in self.seen:
                continue
            self.seen.add((id(source), name.lower()))
            lists_seen = self.lists_seen.setdefault(id(source), set())
            for entry in section.all("CopyFiles"):
                for line in copy_lines(source, entry, lists_seen):
                    self._place(source, line)
            pending += [(source, name) for name in added_interfaces(source, section, self.system)]
            pending += self._needed_sections(source, section)
            pending += self._copied_infs(source, section)

    def _start(self, inf: Inf, install: str) -> list[str]:
        return [
            *sections_of_install(install, self.system),
            *sections_of_class(inf, self.system),
        ]

    def _needed_sections(self, inf: Inf, section: InfSection) -> list[tuple[Inf, str]]:
        included = self._followed(inf, section, "Include")
        found = []
        for entry in section.all("Needs"):
            for value in entry.values:
                name = inf.expand(value).strip()
                for other in (*included, inf):
                    if name and other.section(name) is not None:
                        found.append((other, name))
                        break
        return found

    def _copied_infs(self, inf: Inf, section: InfSection) -> list[tuple[Inf, str]]:
        """Note the INFs of CopyINF, and return all that their packages install."""
        found: list[tuple[Inf, str]] = []
        if not self.system.is_nt or self.system.version < COPY_INF_SINCE:
            return found
        for entry in section.all("CopyINF"):
            for value in entry.values:
                path = join_path(self._folder(inf), inf.expand(value))
                folder, _, name = path.rpartition("/")
                if not name:
                    continue
                self.files.setdefault((path.lower(), "", ""), NeededFile(name, path, 0, entry.line))
                self.has_followed = True
                copied = self.companions.get(path.lower())
                if copied is not None and id(copied) not in self.folders:
                    self.folders[id(copied)] = folder
                    found += [(copied, start) for start in self._starts(copied)]
        return found

    def _starts(self, inf: Inf) -> list[str]:
        """Return where the installation of an INF's devices begins, whatever the device."""
        bases = dict.fromkeys(model.install for model in models_for(inf, self.system))
        installs = (find_install_section(inf, base, self.system) for base in bases)
        return [name for one in installs if one is not None for name in self._start(inf, one)]

    def _folder(self, inf: Inf) -> str:
        return self.folders.get(id(inf), "")

    def _followed(self, inf: Inf, section: InfSection | None, key: str) -> list[Inf]:
        """Return the companions that an entry names; remember the other names."""
        found = []
        for entry in section.all(key) if section else ():
            for value in entry.values:
                name = inf.expand(value).strip()
                self.has_followed = True
                companion = self.companions.get(join_path(self._folder(inf), name).lower())
                if companion is not None:
                    self.folders.setdefault(id(companion), self._folder(inf))
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
            self.layouts[id(inf)] = named, self._followed(inf, inf.section("Version"), "LayoutFile")
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
        root = self._folder(inf)
        if file is None:
            # Without an entry the file is looked for where the INF is (common practice).
            path = join_path(root, line.source)
            self.files.setdefault(
                (path.lower(), "", provider),
                NeededFile(line.source, path, 0, line.line, provider=provider),
            )
            return
        disk = tables.disks.get(file.disk_id)
        top = join_path(root, disk.path if disk else "")
        cabinet = join_path(top, disk.cabinet) if disk and disk.cabinet else ""
        tag = join_path(top, disk.tag) if disk and disk.tag else ""
        if tag:
            self.tags[tag] = None
        path = join_path(top, file.path, line.source)
        self.files.setdefault(
            (path.lower(), cabinet.lower(), ""),
            NeededFile(line.source, path, file.size, line.line, cabinet, tag=tag),
        )
