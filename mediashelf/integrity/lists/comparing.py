"""A folder against checksum lists: one pass over the bytes of each file."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

from msgspec.structs import replace

from mediashelf.errors import InputError
from mediashelf.findings import Finding
from mediashelf.formats.lists.values import ListLine
from mediashelf.integrity.fixity.digests import Digests
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.lists.folder_files import FolderFiles, list_folder
from mediashelf.integrity.lists.listed_names import NameLookup, is_inside, without_dots
from mediashelf.integrity.lists.reading import (
    ListReport,
    ListRow,
    ListState,
    check_list,
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
    lookup = NameLookup(files.sizes)
    problems: list[Finding] = []
    wanted: list[_LineRow] = []
    own_lists: set[str] = set()
    for path in lists:
        parsed = read_checksum_list(path)
        problems += check_list(parsed, str(path))
        base, resolved = "", path.resolve()
        if resolved.is_relative_to(files.folder):
            relative = resolved.relative_to(files.folder).as_posix()
            own_lists.add(relative)
            base = relative[: relative.rfind("/") + 1]
        wanted += (_wanted(line, base, str(path), lookup) for line in parsed.lines)
    needs = _needed_digests(wanted, [name for name in files.sizes if name not in own_lists])
    digests, unreadable = _read(files, needs, on_bytes)
    rows = _find_renamed(
        [_compared(_unless_closed(one, files), digests, unreadable) for one in wanted],
        [one.line for one in wanted],
        digests,
    )
    named = {row.actual_name or row.name for row in rows if row.state is not ListState.REFUSED}
    extras = [
        ListRow(name, ListState.EXTRA)
        for name in files.sizes
        if name not in named and name not in own_lists
    ]
    return ListReport(
        folder=files.folder,
        rows=(*rows, *extras),
        problems=(*problems, *files.findings),
        files_read=len(digests),
        bytes_read=sum(each.size for each in digests.values()),
    )


class _LineRow(NamedTuple):
    """One line, its row as long as nothing is read, and the file that it means, if any."""

    line: ListLine
    row: ListRow
    file: str


def _wanted(line: ListLine, base: str, list_name: str, lookup: NameLookup) -> _LineRow:
    is_refused = not is_inside(line.name)
    name = line.name if is_refused else base + without_dots(line.name)
    file = "" if is_refused else lookup.find(name)
    row = ListRow(
        name=name,
        state=ListState.REFUSED if is_refused else ListState.ABSENT,
        algorithm=line.algorithms[0],
        expected=line.digest,
        actual_name=file if file != name else "",
        list_name=list_name,
        line=line.line,
    )
    return _LineRow(line, row, file)


def _unless_closed(line: _LineRow, files: FolderFiles) -> _LineRow:
    """Return a line whose file cannot be looked for as one that cannot be read."""
    folder = next((one for one in files.closed if line.row.name.startswith(f"{one}/")), "")
    if line.row.state is not ListState.ABSENT or line.file or not folder:
        return line
    detail = f"its folder, {folder}, cannot be read, so it was not looked for"
    return line._replace(row=replace(line.row, state=ListState.UNREADABLE, detail=detail))


def _needed_digests(wanted: Iterable[_LineRow], files: Iterable[str]) -> dict[str, set[str]]:
    """Return the algorithms to read each file with."""
    needs: dict[str, set[str]] = {}
    searched: set[str] = set()
    for line, row, file in wanted:
        if file:
            needs.setdefault(file, set()).update(line.algorithms)
        elif row.state is ListState.ABSENT:
            searched.update(line.algorithms)
    if searched:
        for name in files:
            needs.setdefault(name, set(searched))
    return needs


def _read(
    files: FolderFiles, needs: dict[str, set[str]], on_bytes: Callable[[int], None]
) -> tuple[dict[str, Digests], dict[str, str]]:
    """Read each file once; return digests by name, and why others could not be read."""
    digests: dict[str, Digests] = {}
    unreadable: dict[str, str] = {}
    for name, algorithms in sorted(needs.items()):
        path = files.path(name)
        try:
            digests[name] = digest_file(
                path, algorithms=sorted(algorithms), block_size=0, on_bytes=on_bytes
            )
        except InputError as error:
            unreadable[name] = str(error)
    return digests, unreadable


def _compared(wanted: _LineRow, digests: dict[str, Digests], unreadable: dict[str, str]) -> ListRow:
    line, row, file = wanted
    if not file:
        return row
    if file in unreadable:
        return replace(row, state=ListState.UNREADABLE, detail=unreadable[file])
    found = digests[file].whole
    algorithm = matching_algorithm(line, found)
    if algorithm:
        return replace(row, state=ListState.EQUAL, algorithm=algorithm, found=line.digest)
    return replace(row, state=ListState.DIFFERENT, found=found[row.algorithm])


def _find_renamed(
    rows: list[ListRow], lines: list[ListLine], digests: dict[str, Digests]
) -> list[ListRow]:
    """Turn absent names into renamed ones where another file has their digest.

    A file that is what its own line says is nobody's new name, and one file answers for
    one absent name only, in all lines of that name. Files that kept the last part of their name
    find each other first. Of a name that stays absent it is said which file has its digest.
    """
    taken = {row.actual_name or row.name for row in rows if row.state is ListState.EQUAL}
    having: dict[tuple[str, str], str] = {}
    free: dict[tuple[str, str, str], list[str]] = {}
    for name in sorted(digests, reverse=True):  # so that pop() gives the first
        for item in digests[name].whole.items():
            having[item] = name
            for last_part in (_last_part(name), "") if name not in taken else ():
                free.setdefault((*item, last_part), []).append(name)
    found: dict[str, str] = {}  # by absent name
    rows = list(rows)
    for is_kept in (True, False):
        for index, (row, line) in enumerate(zip(rows, lines, strict=True)):
            last_part = _last_part(row.name) if is_kept else ""
            for algorithm in line.algorithms if row.state is ListState.ABSENT else ():
                file = found.get(row.name, "")
                if not file or digests[file].whole.get(algorithm) != line.digest:
                    names = free.get((algorithm, line.digest, last_part), [])
                    while names and names[-1] in taken:
                        names.pop()
                    file = names.pop() if names else ""
                if file:
                    taken.add(file)
                    found.setdefault(row.name, file)
                    rows[index] = replace(
                        row,
                        state=ListState.RENAMED,
                        algorithm=algorithm,
                        found=line.digest,
                        actual_name=file,
                    )
                    break
    return [
        _with_copy(row, line, having) if row.state is ListState.ABSENT else row
        for row, line in zip(rows, lines, strict=True)
    ]


def _with_copy(row: ListRow, line: ListLine, having: dict[tuple[str, str], str]) -> ListRow:
    copies = (having.get((algorithm, line.digest), "") for algorithm in line.algorithms)
    copy = next(filter(None, copies), "")
    detail = f"; {copy}, which is named itself, has its digest" if copy else ""
    return replace(row, detail=detail or ", and no other file has its digest")


def _last_part(name: str) -> str:
    return name.replace("\\", "/").rpartition("/")[2]
