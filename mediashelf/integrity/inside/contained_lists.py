"""Checksum lists inside an image, compared with the files of the same image."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from msgspec.structs import replace

from mediashelf.findings import Finding, Severity
from mediashelf.formats.fields import View
from mediashelf.formats.lists.parse import parse_checksum_list
from mediashelf.formats.lists.values import ChecksumList, ListForm, ListLine
from mediashelf.formats.packed.signatures import ContentFormat
from mediashelf.formats.runs import Run, RunsView, iter_chunks
from mediashelf.integrity.fixity.digests import Digester
from mediashelf.integrity.inside.content_files import ContentFile, Image, volumes_by_name
from mediashelf.integrity.inside.file_trees import FileTree
from mediashelf.integrity.inside.selfchecks.faults import Tally
from mediashelf.integrity.lists.listed_names import is_inside
from mediashelf.integrity.lists.reading import SOURCE, check_list, matching_algorithm
from mediashelf.text import first_text

MAX_CONTAINED_LIST_SIZE = 32 << 20
"""Bytes; anything longer that looks like a list is left alone, and said to be."""

_NAMES_SHOWN = 5


class _ListedLine(NamedTuple):
    """A line of a list, and the path of the file in the image that it names."""

    list_path: str
    line: ListLine
    path: str


_Listed = dict[tuple[Run, ...], list[_ListedLine]]


def check_contained_lists(
    image: Image,
    lists: Sequence[ContentFile],
    tally_of: Callable[[ContentFormat], Tally],
    *,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Iterator[Finding]:
    """Yield where files of an image are not what lists in the same image say.

    Names are relative to the list, in a tree that holds both. Each listed file
    is read once, whatever the number of lists. What has the form of a list but
    names no file of the disc, as any text might, is not taken for a list.
    """
    if not lists:
        return
    trees = [FileTree(volume) for volume in volumes_by_name(image.facts)]
    listed: _Listed = {}
    for file in lists:
        if file.size > MAX_CONTAINED_LIST_SIZE:
            tally_of(ContentFormat.CHECKSUM_LIST).unverified["lists that are too long"] += 1
            continue
        view = RunsView(image.view, file.runs)
        try:
            parsed = parse_checksum_list(view.read(0, view.size), file.path)
        except OSError:
            continue  # reading it before has said so
        yield from _take_in(file, parsed, trees, listed, tally_of)
    for runs, lines in sorted(listed.items()):
        tally = tally_of(ContentFormat.CHECKSUM_LIST)
        yield from _compare(image.view, runs, lines, tally, on_bytes)


def _take_in(
    file: ContentFile,
    parsed: ChecksumList,
    trees: Sequence[FileTree],
    listed: _Listed,
    tally_of: Callable[[ContentFormat], Tally],
) -> Iterator[Finding]:
    """Find the files that a list names, and say what is wrong with the list itself."""
    absent, leading_out = [], []
    count = 0
    for line in parsed.lines:
        if not is_inside(line.name):
            leading_out.append(line.name)
            continue
        found = next(filter(None, (tree.find(line.name, file) for tree in trees)), None)
        if found is None:
            absent.append(line.name)
            continue
        path, runs = found
        listed.setdefault(runs, []).append(_ListedLine(file.path, line, path))
        count += 1
    if not count and parsed.form in (ListForm.SFV, None):
        return
    tally = tally_of(ContentFormat.CHECKSUM_LIST)
    tally.files += 1
    findings = list(check_list(parsed, file.path))
    if absent:
        tally.unverified["listed files that are not on this disc"] += len(absent)
        severity = Severity.WARNING if count else Severity.NOTE
        message = (
            f"{len(absent):,} of {len(absent) + count:,} files that this list names are not on "
            f"the disc beside it: {first_text(absent, _NAMES_SHOWN)}"
        )
        remedy = "compare with another copy of the disc; a list may also be meant for another place"
        findings.append(_of_list("listed-file-is-present", severity, file, message, remedy))
    if leading_out:
        message = (
            f"{len(leading_out):,} names lead out of the list's own folder and were not followed: "
            f"{first_text(leading_out, _NAMES_SHOWN)}"
        )
        remedy = "check these files by hand if they matter"
        rule = "listed-name-stays-inside"
        findings.append(_of_list(rule, Severity.WARNING, file, message, remedy))
    tally.faulty_files += bool(findings)
    for finding in findings:
        yield replace(finding, offset=file.runs[0].offset, length=file.runs[0].size)


def _of_list(
    rule: str, severity: Severity, file: ContentFile, message: str, remedy: str
) -> Finding:
    return Finding(rule, severity, file.path, message, remedy, SOURCE)


def _compare(
    view: View,
    runs: tuple[Run, ...],
    lines: Sequence[_ListedLine],
    tally: Tally,
    on_bytes: Callable[[int], None],
) -> Iterator[Finding]:
    """Read one file and compare it with all lines that name it."""
    contents = RunsView(view, runs)
    digester = Digester({each for one in lines for each in one.line.algorithms}, block_size=0)
    try:
        for chunk in iter_chunks(contents):
            digester.update(chunk)
            on_bytes(len(chunk))
    except OSError:
        tally.unverified["listed files that cannot be read"] += len(lines)
        return
    digests = digester.finish().whole
    for list_path, line, path in lines:
        if matching_algorithm(line, digests):
            tally.verified["listed files"] += 1
            continue
        algorithm = line.algorithms[0]
        for place in contents.iter_places(0, contents.size) if contents.size else (None,):
            yield Finding(
                rule="file-matches-its-list",
                severity=Severity.ERROR,
                where=path,
                message=f"the {algorithm} digest is not the one in {list_path}, line {line.line}",
                remedy="the file is damaged or another version than the list's; compare with "
                "another copy of the disc",
                source=SOURCE,
                found=digests[algorithm],
                expected=line.digest,
                offset=place.offset if place else None,
                length=place.size if place else None,
            )
