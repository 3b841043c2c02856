"""The files that a file of the disc names: beside it, or further in, in the same tree."""

from __future__ import annotations

from collections.abc import Iterable

from mediashelf.formats.runs import Run
from mediashelf.formats.volume import VolumeFacts
from mediashelf.integrity.inside.content_files import ContentFile, runs_of
from mediashelf.integrity.lists.listed_names import NameLookup, loose_key

Places = tuple[tuple[str, tuple[Run, ...]], ...]
"""Files: their paths, and where their bytes are."""


class FileTree:
    """The files of one volume, by path and by place."""

    def __init__(self, volume: VolumeFacts) -> None:
        self._runs = {
            entry.path: runs_of(entry.extents, volume.block_size) for entry in volume.files
        }
        self._paths = {runs: path for path, runs in self._runs.items()}
        self._lookup = NameLookup(self._runs)
        self._by_name: dict[str, list[str]] = {}
        self._below: dict[tuple[str, str], Places] = {}

    def find(self, name: str, beside: ContentFile) -> tuple[str, tuple[Run, ...]] | None:
        """Return the file that ``name`` means in a list which is this file."""
        list_path = self._paths.get(beside.runs)
        if list_path is None:
            return None
        path = self._lookup.find(f"{list_path.rpartition('/')[0]}/{name}")
        return (path, self._runs[path]) if path else None

    def find_below(self, name: str, beside: ContentFile, others: Iterable[ContentFile]) -> Places:
        """Return the files of a name in the folders inside that of a list, which is ``beside``.

        Folders that hold another list, one of ``others``, are that one's.
        """
        list_path = self._paths.get(beside.runs)
        if list_path is None:
            return ()
        folder, key = list_path.rpartition("/")[0], loose_key(name)
        if not self._by_name:
            for path in sorted(self._runs):
                self._by_name.setdefault(loose_key(path.rpartition("/")[2]), []).append(path)
        if (folder, key) not in self._below:
            inside = [
                path
                for path in self._by_name.get(key, ())
                if path.startswith(f"{folder}/") and "/" in path[len(folder) + 1 :]
            ]
            if inside:
                paths = (self._paths.get(other.runs) for other in others)
                taken = {path.rpartition("/")[0] for path in paths if path is not None}
                inside = [path for path in inside if not _folders(path, folder) & taken]
            self._below[folder, key] = tuple((path, self._runs[path]) for path in inside)
        return self._below[folder, key]


def _folders(path: str, above: str) -> set[str]:
    """Return the folders that a path is in, up to one and without that."""
    found = set()
    while (path := path.rpartition("/")[0]) != above:
        found.add(path)
    return found
