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
    SERVICES,
    THE_SYSTEM,
    NeededFile,
    TextFault,
    added_interfaces,
    read_alike,
    sections_of_class,
    sections_of_install,
    service_drivers,
)
from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.following import OtherInfs, PackageInfs
from mediashelf.formats.inf.models import models_for
from mediashelf.formats.inf.source_files import (
    CopyLine,
    SourceTables,
    copy_lines,
    join_path,
    list_names,
    listed_for,
    source_tables,
)
from mediashelf.formats.inf.systems import InfSystem, find_install_section
from mediashelf.formats.inf.text.sections import InfEntry, InfSection

LONGEST_NAME = 80
"""Characters that are shown of a section's name."""


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
    collector.add_drivers()
    found = Requirements(
        tuple(collector.files.values()), tuple(collector.tags), tuple(collector.others.not_followed)
    )
    if not collector.others.has_followed:  # what is beside it does not matter
        inf.derived[key] = found
    return found


class _Collector:
    """Gathers files over install sections and all that they lead to."""

    def __init__(self, system: InfSystem, companions: Mapping[str, Inf]) -> None:
        self.system = system
        self.others = PackageInfs(companions)
        self.files: dict[tuple[str, str, str], NeededFile] = {}
        self.tags: dict[str, None] = {}
        self.seen: set[tuple[int, str]] = set()
        self.lists_seen: dict[int, set[str]] = {}
        self.tables: dict[int, SourceTables] = {}
        self.opened: dict[int, Inf] = {}
        self.copied: set[str] = set()  # names that files get
        self.drivers: dict[str, NeededFile] = {}  # of services

    def take(self, inf: Inf, install: str) -> None:
        pending = [(inf, name) for name in self._start(inf, install)]
        while pending:
            source, name = pending.pop()
            self.opened.setdefault(id(source), source)
            section = source.section(name)
            if section is None or (id(source), name.lower()) in self.seen:
                continue
            self.seen.add((id(source), name.lower()))
            lists_seen = self.lists_seen.setdefault(id(source), set())
            included = self.others.named(source, section, "Include")
            for entry in section.all("CopyFiles"):
                for line in copy_lines(source, entry, lists_seen):
                    self._place(source, line)
                self._copy_others(source, entry, included)
            if name.lower().endswith(SERVICES.lower()):
                self._note_drivers(source, section, included)
            pending += [(source, name) for name in added_interfaces(source, section, self.system)]
            pending += self._needed_sections(source, section, included)
            pending += self._copied_infs(source, section)

    def _start(self, inf: Inf, install: str) -> list[str]:
        return [
            *sections_of_install(install, self.system),
            *sections_of_class(inf, self.system),
        ]

    def _note_drivers(self, inf: Inf, section: InfSection, included: OtherInfs) -> None:
        provider = (*included.outside, THE_SYSTEM)[0]
        for name, line in service_drivers(inf, section):
            needed = NeededFile(name, name, 0, line, provider=provider)
            self.drivers.setdefault(name.lower(), needed)

    def add_drivers(self) -> None:
        """Add the drivers of services that nothing copies: the system has to have them."""
        for name, needed in self.drivers.items():
            if name not in self.copied:
                self.files.setdefault((name, "", needed.provider), needed)

    def _copy_others(self, inf: Inf, entry: InfEntry, included: OtherInfs) -> None:
        """Take the lists that the INF itself has not: an INF that it includes may have them."""
        for name in list_names(inf, entry):
            if inf.section(name) is not None:
                continue
            other = next((one for one in included.found if one.section(name) is not None), None)
            if other is not None:
                for line in copy_lines(other, InfEntry("", (name,), entry.line), set()):
                    self._place(other, line)
            else:
                self._add_section(name, entry.line, TextFault.NO_LIST, included)

    def _add_section(
        self, section: str, line: int, fault: TextFault, included: OtherInfs | None = None
    ) -> None:
        """Note a section that is not there; an INF from outside that is included may have it."""
        name = f"[{section[:LONGEST_NAME]}]"
        if included is not None and included.outside:
            needed = NeededFile(name, name, 0, line, provider=included.outside[0])
        else:
            needed = NeededFile(name, name, 0, line, fault=fault)
        self.files.setdefault((name.lower(), "", needed.provider), needed)

    def _needed_sections(
        self, inf: Inf, section: InfSection, included: OtherInfs
    ) -> list[tuple[Inf, str]]:
        found = []
        for entry in section.all("Needs"):
            for value in entry.values:
                name = inf.expand(value).strip()
                near = {id(one): one for one in (*included.found, inf)}
                places = [one for one in (near | self.opened).values() if one.section(name)]
                if places:
                    found.append((places[0], name))
                elif name and not (included.outside or self.others.may_serve(inf)):
                    self._add_section(name, entry.line, TextFault.NO_SECTION)
        return found

    def _copied_infs(self, inf: Inf, section: InfSection) -> list[tuple[Inf, str]]:
        """Note the INFs of CopyINF, and return all that their packages install."""
        found: list[tuple[Inf, str]] = []
        if not self.system.is_nt or self.system.version < COPY_INF_SINCE:
            return found
        for entry in section.all("CopyINF"):
            for value in entry.values:
                path = join_path(self.others.folder(inf), inf.expand(value))
                name = path.rpartition("/")[2]
                if not name:
                    continue
                self.files.setdefault((path.lower(), "", ""), NeededFile(name, path, 0, entry.line))
                copied = self.others.copied(path)
                if copied is not None:
                    found += [(copied, start) for start in self._starts(copied)]
        return found

    def _starts(self, inf: Inf) -> list[str]:
        """Return where the installation of an INF's devices begins, whatever the device."""
        bases = dict.fromkeys(model.install for model in models_for(inf, self.system))
        installs = (find_install_section(inf, base, self.system) for base in bases)
        return [name for one in installs if one is not None for name in self._start(inf, one)]

    def _tables(self, inf: Inf) -> SourceTables:
        if id(inf) not in self.tables:
            self.tables[id(inf)] = source_tables(inf, self.system.source_suffixes)
        return self.tables[id(inf)]

    def _place(self, inf: Inf, line: CopyLine) -> None:
        self.copied.add(line.name.replace("\\", "/").rpartition("/")[2].lower())
        tables = self._tables(inf)
        file = tables.files.get(line.source.lower())
        disk = tables.disks.get(file.disk_id) if file is not None else None
        outside: tuple[str, ...] = ()
        if disk is None:
            layouts = self.others.layouts(inf)
            outside = layouts.outside
            for tables in map(self._tables, layouts.found):
                file = file or tables.files.get(line.source.lower())
                disk = tables.disks.get(file.disk_id) if file is not None else None
                if disk is not None:
                    break
        root = self.others.folder(inf)
        if file is None or (disk is None and outside):
            # Without an entry the file is looked for where the INF is (common practice).
            provider = outside[0] if outside else ""
            path = join_path(root, line.source)
            others = () if outside else listed_for(inf, line.source)
            self.files.setdefault(
                (path.lower(), "", provider),
                NeededFile(line.source, path, 0, line.line, provider=provider, listed_for=others),
            )
            return
        top = join_path(root, disk.path if disk else "")
        cabinet = join_path(top, disk.cabinet) if disk and disk.cabinet else ""
        tag = join_path(top, disk.tag) if disk and disk.tag else ""
        if tag:
            self.tags[tag] = None
        path = join_path(top, file.path, line.source)
        self.files.setdefault(
            (path.lower(), cabinet.lower(), ""),
            NeededFile(
                line.source,
                path,
                file.size,
                line.line,
                cabinet,
                tag=tag,
                fault=TextFault.NO_DISK if disk is None else None,
            ),
        )
