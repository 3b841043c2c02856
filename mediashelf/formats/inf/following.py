"""From one INF of a package to the others: CopyINF, Include, Needs and LayoutFile.

They are followed inside the package only. Sources: INF CopyINF directive, INF Version section,
INF DDInstall section.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.source_files import join_path
from mediashelf.formats.inf.text.sections import InfSection

_FURTHER = ("include", "needs", "copyinf", "layoutfile")
"""Keys that lead to other INFs."""


def may_lead_further(inf: Inf) -> bool:
    """Whether what is beside an INF may matter for it; False is sure."""
    return inf.once("leads further", lambda: any(map(_may_lead, inf.sections.values())))


def _may_lead(section: InfSection) -> bool:
    if not section.has_whole_lines:
        return True  # a key may begin in one line and end in the next
    text = section.text.lower()
    if '"' in text:  # which may stand anywhere in a key
        text = text.replace('"', "")
    return any(key in text for key in _FURTHER)


class OtherInfs(NamedTuple):
    """What an entry names: the INFs that are in the package, and the names of the others."""

    found: tuple[Inf, ...] = ()
    outside: tuple[str, ...] = ()


class PackageInfs:
    """The INFs of a package, by their paths in lower case, and where one leads to others."""

    def __init__(self, infs: Mapping[str, Inf]) -> None:
        self.infs = infs
        self.has_followed = False
        self.not_followed: dict[str, None] = {}
        self._folders: dict[int, str] = {}  # of INFs that CopyINF names, from the first one's
        self._layouts: dict[int, OtherInfs] = {}

    def folder(self, inf: Inf) -> str:
        """Return the folder of an INF, from that of the first one."""
        return self._folders.get(id(inf), "")

    def named(self, inf: Inf, section: InfSection | None, key: str) -> OtherInfs:
        """Return what the entries of a key name; remember the names from outside the package."""
        found = []
        outside = []
        for path in self._paths(inf, section, key):
            self.has_followed = True
            companion = self.infs.get(path.lower())
            if companion is not None:
                self._folders.setdefault(id(companion), self.folder(inf))
                found.append(companion)
            else:
                name = path.removeprefix(self.folder(inf)).strip("/")
                self.not_followed[name] = None
                outside.append(name)
        return OtherInfs(tuple(found), tuple(outside))

    def copied(self, path: str) -> Inf | None:
        """Return the INF at a path that CopyINF names; None where there is none, or it is taken."""
        self.has_followed = True
        found = self.infs.get(path.lower())
        if found is None or id(found) in self._folders:
            return None
        self._folders[id(found)] = path.rpartition("/")[0]
        return found

    def layouts(self, inf: Inf) -> OtherInfs:
        """Return what LayoutFile names."""
        if id(inf) not in self._layouts:
            self._layouts[id(inf)] = self.named(inf, inf.section("Version"), "LayoutFile")
        return self._layouts[id(inf)]

    def may_serve(self, inf: Inf) -> bool:
        """Whether a section includes an INF from outside, which may serve another section.

        What one section includes stays open for those after it (from memory).
        """
        return any(
            path.lower() not in self.infs
            for one in inf.sections.values()
            for path in self._paths(inf, one, "Include")
        )

    def _paths(self, inf: Inf, section: InfSection | None, key: str) -> Iterator[str]:
        """Yield the paths of the INFs that the entries of a key name."""
        for entry in section.all(key) if section else ():
            for value in entry.values:
                if name := inf.expand(value).strip():
                    yield join_path(self.folder(inf), name)
