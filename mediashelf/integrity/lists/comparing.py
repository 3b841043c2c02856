"""A folder against checksum lists: one pass over the bytes of each file."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

from mediashelf.errors import InputError
from mediashelf.findings import Finding
from mediashelf.formats.lists.values import ListLine
from mediashelf.integrity.fixity.digests import digest_file
from mediashelf.integrity.lists.folder_files import FolderFiles, list_folder
from mediashelf.integrity.lists.listed_names import NameLookup, is_inside
from mediashelf.integrity.lists.reading import (
    ListReport,
    ListRow,
    ListState,
    iter_list_findings,
    matching_algorithm,
    read_checksum_list,
)


def compare_with_lists(
    folder: Path | FolderFiles,
    lists: Iterable[Path],
    *,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> ListReport:
    """Compare every file below ``folder`` with the digests of the lists.

    A list inside the folder names files relative to itself, any
    other list relative to ``folder``. Each file is read once, whatever the
    number of lists and algorithms. Files that no list names are read only while
    a listed file is absent, to find it under another name. The lists themselves
    are not extras. Raises :class:`InputError` for a folder or list that cannot be
    read; a file that cannot be read is a row.
    """
    files = folder if isinstance(folder, FolderFiles) else list_folder(folder)
    comparison = _Comparison(files, NameLookup(files.sizes))
    for path in lists:
        comparison.add(path)
    comparison.read_files(on_bytes)
    return comparison.report()


@dataclass(slots=True)
class _Wanted:
    """One line and the file that it means; ``actual`` is empty where there is none."""

    line: ListLine
    name: str
    list_name: str
    actual: str
    is_refused: bool


@dataclass(slots=True)
class _Comparison:
    files: FolderFiles
    lookup: NameLookup
    wanted: list[_Wanted] = field(default_factory=list)
    problems: list[Finding] = field(default_factory=list)
    own_lists: set[str] = field(default_factory=set)
    digests: dict[str, dict[str, str]] = field(default_factory=dict)
    unreadable: dict[str, str] = field(default_factory=dict)
    bytes_read: int = 0

    def add(self, path: Path) -> None:
        """Take in the lines of one list."""
        parsed = read_checksum_list(path)
        self.problems += iter_list_findings(parsed, str(path))
        base = self._base_of(path)
        for line in parsed.lines:
            is_refused = not is_inside(line.name)
            name = line.name if is_refused else base + line.name
            actual = "" if is_refused else self.lookup.find(name)
            self.wanted.append(_Wanted(line, name, str(path), actual, is_refused))

    def _base_of(self, path: Path) -> str:
        """Return what precedes the names of a list; note a list that is in the folder."""
        resolved = path.resolve()
        if not resolved.is_relative_to(self.files.folder):
            return ""
        relative = resolved.relative_to(self.files.folder).as_posix()
        self.own_lists.add(relative)
        parent, slash, _ = relative.rpartition("/")
        return parent + slash

    def read_files(self, on_bytes: Callable[[int], None]) -> None:
        """Read each file that is needed, once, with all the algorithms it needs."""
        needs: dict[str, set[str]] = {}
        searched: set[str] = set()
        for wanted in self.wanted:
            if wanted.actual:
                needs.setdefault(wanted.actual, set()).update(wanted.line.algorithms)
            elif not wanted.is_refused:
                searched.update(wanted.line.algorithms)
        if searched:
            for name in self.files.sizes:
                if name not in self.own_lists:
                    needs.setdefault(name, set(searched))
        for name, algorithms in sorted(needs.items()):
            try:
                digests = digest_file(
                    self.files.path(name),
                    algorithms=sorted(algorithms),
                    block_size=0,
                    on_bytes=on_bytes,
                )
            except InputError as error:
                self.unreadable[name] = str(error)
            else:
                self.digests[name] = digests.whole
                self.bytes_read += digests.size

    def report(self) -> ListReport:
        """Judge every line, then name the files that no line stands for."""
        rows = [self._judge(wanted) for wanted in self.wanted]
        rows = self._find_renamed(rows)
        named = {row.actual_name or row.name for row in rows if row.state is not ListState.REFUSED}
        extras = [
            ListRow(name, ListState.EXTRA)
            for name in self.files.sizes
            if name not in named and name not in self.own_lists
        ]
        return ListReport(
            folder=self.files.folder,
            rows=(*rows, *extras),
            problems=(*self.problems, *self.files.findings),
            files_read=len(self.digests),
            bytes_read=self.bytes_read,
        )

    def _judge(self, wanted: _Wanted) -> ListRow:
        line, actual = wanted.line, wanted.actual
        row = ListRow(
            name=wanted.name,
            state=ListState.REFUSED if wanted.is_refused else ListState.ABSENT,
            algorithm=line.algorithms[0],
            expected=line.digest,
            list_name=wanted.list_name,
            line=line.line,
        )
        if not actual:
            return row
        row = replace(row, actual_name=actual if actual != wanted.name else "")
        if actual in self.unreadable:
            return replace(row, state=ListState.UNREADABLE, detail=self.unreadable[actual])
        digests = self.digests[actual]
        algorithm = matching_algorithm(line, digests)
        if algorithm:
            return replace(row, state=ListState.EQUAL, algorithm=algorithm, found=line.digest)
        return replace(row, state=ListState.DIFFERENT, found=digests[row.algorithm])

    def _find_renamed(self, rows: list[ListRow]) -> list[ListRow]:
        """Turn absent names into renamed ones where another file has their digest.

        A file that is what its own line says is nobody's new name, and one file
        answers for one absent name only. Files that were only moved, and kept
        the last part of their name, find each other first.
        """
        equal = {row.actual_name or row.name for row in rows if row.state is ListState.EQUAL}
        free = _FreeFiles(
            {name: digests for name, digests in self.digests.items() if name not in equal}
        )
        judged = list(rows)
        for same_last_part in (True, False):
            for index, wanted in enumerate(self.wanted):
                if judged[index].state is not ListState.ABSENT:
                    continue
                last_part = _last_part(wanted.name) if same_last_part else ""
                for algorithm in wanted.line.algorithms:
                    name = free.take(algorithm, wanted.line.digest, last_part)
                    if name:
                        judged[index] = replace(
                            judged[index],
                            state=ListState.RENAMED,
                            algorithm=algorithm,
                            found=wanted.line.digest,
                            actual_name=name,
                        )
                        break
        return judged


class _FreeFiles:
    """Files by digest, each to be taken once."""

    def __init__(self, digests: dict[str, dict[str, str]]) -> None:
        self._taken: set[str] = set()
        self._names: dict[tuple[str, str, str], list[str]] = {}
        for name in sorted(digests, reverse=True):  # so that pop() gives the first
            for algorithm, digest in digests[name].items():
                for last_part in (_last_part(name), ""):
                    self._names.setdefault((algorithm, digest, last_part), []).append(name)

    def take(self, algorithm: str, digest: str, last_part: str) -> str:
        """Return a free file with this digest and last part (any when empty), or an empty text."""
        names = self._names.get((algorithm, digest, last_part), [])
        while names:
            name = names.pop()
            if name not in self._taken:
                self._taken.add(name)
                return name
        return ""


def _last_part(name: str) -> str:
    return name.replace("\\", "/").rpartition("/")[2]
