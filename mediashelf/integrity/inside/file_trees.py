"""The files that a file of the disc names: beside it, in the same tree."""

from __future__ import annotations

from mediashelf.formats.runs import Run
from mediashelf.formats.volume import VolumeFacts
from mediashelf.integrity.inside.content_files import ContentFile, runs_of
from mediashelf.integrity.lists.listed_names import NameLookup


class FileTree:
    """The files of one volume, by path and by place."""

    def __init__(self, volume: VolumeFacts) -> None:
        self._runs = {entry.path: runs_of(entry, volume.block_size) for entry in volume.files}
        self._paths = {runs: path for path, runs in self._runs.items()}
        self._lookup = NameLookup(self._runs)

    def find(self, name: str, beside: ContentFile) -> tuple[str, tuple[Run, ...]] | None:
        """Return the file that ``name`` means in a list which is this file."""
        list_path = self._paths.get(beside.runs)
        if list_path is None:
            return None
        path = self._lookup.find(f"{list_path.rpartition('/')[0]}/{name}")
        return (path, self._runs[path]) if path else None
