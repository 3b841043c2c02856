"""Checksum lists: reading one from disk, and the outcome of comparing a folder with some."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from enum import StrEnum
from pathlib import Path

from msgspec import Struct

from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.lists.parse import looks_like_checksum_list, parse_checksum_list
from mediashelf.formats.lists.values import ChecksumList, ListForm, ListLine
from mediashelf.formats.packed.signatures import HEAD_SIZE

MAX_LIST_SIZE = 256 << 20
"""Bytes; a list of two million files is about half as long."""

SOURCE = "GNU coreutils manual; sfv lines: common practice"


class ListState(StrEnum):
    """What became of one name."""

    EQUAL = "equal"
    DIFFERENT = "different"
    ABSENT = "absent"
    RENAMED = "renamed"
    EXTRA = "extra"
    UNREADABLE = "unreadable"
    REFUSED = "refused"


class ListRow(Struct, frozen=True):
    """One line of a list, or one file that no list names.

    ``name`` is relative to the folder. ``actual_name`` is the file's own name
    where it differs: other case or separators, or where a renamed file is now.
    ``found`` is the file's digest; empty when nothing was read. ``detail`` says
    why a file could not be read, or which file has the digest of an absent one.
    """

    name: str
    state: ListState
    algorithm: str = ""
    expected: str = ""
    found: str = ""
    actual_name: str = ""
    list_name: str = ""
    line: int = 0
    detail: str = ""


class ListReport(Struct, frozen=True):
    """The outcome of one comparison; rows are in the order of the lists, extras last.

    ``problems`` are findings about the lists and the folder themselves.
    """

    folder: Path
    rows: tuple[ListRow, ...]
    problems: tuple[Finding, ...]
    files_read: int
    bytes_read: int

    @property
    def counts(self) -> dict[ListState, int]:
        """How many names ended in each state; every state is present."""
        found = Counter(row.state for row in self.rows)
        return {state: found[state] for state in ListState}

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything that needs attention: problems first, then rows that are not equal."""
        judged = (finding for row in self.rows for finding in _check_row(row))
        return (*self.problems, *judged)


def read_checksum_list(path: Path) -> ChecksumList:
    """Read and parse one list; raises :class:`InputError` when it cannot be read or is huge."""
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_LIST_SIZE + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    if len(data) > MAX_LIST_SIZE:
        raise InputError(f"{path}: over {MAX_LIST_SIZE:,} bytes; this is not a checksum list")
    return parse_checksum_list(data, path.name)


def find_lists(folder: Path) -> list[Path]:
    """Return the files directly in ``folder`` that are checksum lists by their content.

    Only names that end in ``.sfv`` count as sfv, since any text may look like it.
    Raises :class:`InputError` when the folder cannot be read.
    """
    try:
        return [path for path in sorted(folder.iterdir()) if path.is_file() and _is_list(path)]
    except OSError as error:
        raise InputError(f"{folder}: cannot be read: {error.strerror or error}") from error


def _is_list(path: Path) -> bool:
    try:
        with path.open("rb") as stream:
            head = stream.read(HEAD_SIZE)
    except OSError:
        return False
    if not looks_like_checksum_list(head):
        return False
    is_sfv = path.suffix.lower() == ".sfv"
    return is_sfv or parse_checksum_list(head).form is not ListForm.SFV


def matching_algorithm(line: ListLine, digests: Mapping[str, str]) -> str:
    """Return the algorithm by which the file is what its line says, or an empty text."""
    for algorithm in line.algorithms:
        if digests.get(algorithm) == line.digest:
            return algorithm
    return ""


def check_list(parsed: ChecksumList, where: str) -> Iterator[Finding]:
    """Yield what is wrong with a list itself: lines that are not understood."""
    for problem in parsed.problems:
        yield Finding(
            rule="list-line-is-understood",
            severity=Severity.WARNING,
            where=f"{where}, line {problem.line}",
            message=f"found {problem.found!r}, expected {problem.expected}; line not checked",
            remedy="correct the line, or get the list again",
            source=SOURCE,
            found=problem.found,
            expected=problem.expected,
        )
    if not parsed.lines:
        yield Finding(
            rule="list-names-files",
            severity=Severity.ERROR,
            where=where,
            message="no line of this list could be understood; nothing was checked with it",
            remedy="give a list as sha256sum, b2sum, md5sum or xxhsum write it, or an sfv file",
            source=SOURCE,
        )


def _check_row(row: ListRow) -> Iterator[Finding]:
    listed = f"{row.list_name}, line {row.line}"
    if row.state in _ROW_FINDINGS:
        rule, severity, message, remedy = _ROW_FINDINGS[row.state]
        yield Finding(
            rule=rule,
            severity=severity,
            where=row.name,
            message=message.format(
                algorithm=row.algorithm, listed=listed, actual=row.actual_name, detail=row.detail
            ),
            remedy=remedy,
            found=row.found,
            expected=row.expected,
        )
    elif row.actual_name:
        yield Finding(
            rule="listed-name-is-exact",
            severity=Severity.NOTE,
            where=row.name,
            message=f"equal, but the file is spelled {row.actual_name}",
            remedy="systems that tell case apart will not find it by the listed name",
        )


_ROW_FINDINGS = {
    ListState.DIFFERENT: (
        "file-matches-its-list",
        Severity.ERROR,
        "the {algorithm} digest is not the one of {listed}",
        "the file is damaged, or another version than the list's; get it again from its source",
    ),
    ListState.ABSENT: (
        "listed-file-is-present",
        Severity.ERROR,
        "named in {listed}, but not here{detail}",
        "get the file again from its source",
    ),
    ListState.RENAMED: (
        "listed-file-keeps-its-name",
        Severity.WARNING,
        "not here, but {actual} has its {algorithm} digest",
        "rename the file back, or write a new list",
    ),
    ListState.EXTRA: (
        "file-is-listed",
        Severity.NOTE,
        "no list names this file; it was not checked",
        "remove it if it does not belong here, or write a new list",
    ),
    ListState.UNREADABLE: (
        "listed-file-is-readable",
        Severity.ERROR,
        "{detail}",
        "check its permissions and the disk, then run again",
    ),
    ListState.REFUSED: (
        "listed-name-stays-inside",
        Severity.ERROR,
        "the name in {listed} leads out of the folder; nothing was opened",
        "do not trust this list; correct the name or get the list again",
    ),
}
