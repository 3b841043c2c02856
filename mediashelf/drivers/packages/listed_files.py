"""The files of a folder or plan as one target sees them, found by path and by name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property

from mediashelf.drivers.packages.tree_files import TreeFile


class ListedFiles:
    """Answers what :class:`~.tree_files.DiscFiles` answers, of files that are all made."""

    def __init__(self, files: Sequence[TreeFile]) -> None:
        self._files = files

    # Each is made for the first who asks: of a whole package only where its files are.

    @cached_property
    def _seen(self) -> Mapping[str, TreeFile]:
        return {file.path.lower(): file for file in reversed(self._files) if file.path}

    @cached_property
    def _hidden(self) -> Mapping[str, TreeFile]:
        hidden = (file for file in reversed(self._files) if file.hidden_path)
        return {file.hidden_path.lower(): file for file in hidden}

    @cached_property
    def _by_name(self) -> Mapping[str, Sequence[TreeFile]]:
        named: dict[str, list[TreeFile]] = {}
        for file in self._files:
            if file.path:
                named.setdefault(file.name.lower(), []).append(file)
        return named

    def __len__(self) -> int:
        return len(self._files)

    def __iter__(self) -> Iterator[TreeFile]:
        return iter(self._files)

    @property
    def seen_count(self) -> int:
        """How many the target sees."""
        return sum(bool(file.path) for file in self._files)

    def iter_ending(self, ends: tuple[str, ...]) -> Iterator[TreeFile]:
        """Yield the files whose shown paths end so in lower case, in their order."""
        return (file for file in self._files if file.shown_path.lower().endswith(ends))

    def find(self, path: str) -> TreeFile | None:
        """Return the first file that the target sees at this path, letter case aside."""
        return self._seen.get(path.lower())

    def find_hidden(self, path: str) -> TreeFile | None:
        """Return the first file at this path of the other tree, letter case aside."""
        return self._hidden.get(path.lower())

    def find_names(self, name: str) -> Sequence[TreeFile]:
        """Return all files of this name that the target sees, letter case aside."""
        return self._by_name.get(name.lower(), ())

    def find_name(self, name: str) -> TreeFile | None:
        """Return the first of the same files."""
        return next(iter(self.find_names(name)), None)
