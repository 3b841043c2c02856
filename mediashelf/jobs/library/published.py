"""Published checksum lists and the catalogue: which image is as published; records as lists."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path, PurePosixPath

from msgspec import Struct, field

from mediashelf.catalogue.auditing.audit import run_audit
from mediashelf.catalogue.auditing.names import plan_audit
from mediashelf.catalogue.records.described import PublishedDigest, write_expected
from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import OutputError
from mediashelf.files import write_whole
from mediashelf.findings import Finding, Severity
from mediashelf.formats.lists.values import ListForm, ListLine, format_checksum_line
from mediashelf.integrity.lists.reading import read_checksum_list
from mediashelf.jobs.progress import Progress, no_progress


class Published(Struct):
    """What came of lists: the images that they name, as they are then, and lines that name none.

    ``findings`` are of lines that could not be understood or name several images.
    """

    rows: list[ImageRow] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def import_lists(
    catalogue: Catalogue,
    lists: Sequence[Path],
    *,
    shelf: str | None = None,
    reads: bool = True,
    progress: Progress = no_progress,
) -> Published:
    """Keep what the lists publish for images on record, and compare.

    A line names the image at that place beside its list, else the images whose paths end
    so, else those whose files have that name. Images that have no such digest on record
    are read now, if they are here; with ``reads=False`` a later audit does it.
    """
    result = Published()
    rows = catalogue.images(shelf=shelf)
    found: list[PublishedDigest] = []
    for path in lists:
        parsed = read_checksum_list(path)
        base = _base(path, rows)
        result.findings += [
            Finding(
                "line-is-understood",
                Severity.WARNING,
                f"{path}: line {one.line}",
                f"found {one.found}, expected {one.expected}",
            )
            for one in parsed.problems
        ]
        by_name = _by_name(rows)
        for line in parsed.lines:
            named = _named(line, base, by_name)
            if len({row.key_digest or row.id for row in named}) > 1:
                result.findings.append(_ambiguous(path, line, named))
            elif named:
                found += [
                    PublishedDigest(row.id, _algorithm(line, row), line.digest, path.name)
                    for row in named
                ]
            else:
                result.unknown.append(f"{path}: line {line.line}: {line.name}")
    with transaction(catalogue.db):
        for each in found:
            write_expected(catalogue.db, each)
    if reads:
        _compare(catalogue, found, progress)
    ids = {each.image_id for each in found}
    result.rows = [row for row in catalogue.images(shelf=shelf) if row.id in ids]
    return result


def _base(path: Path, rows: Iterable[ImageRow]) -> Path | None:
    """Return the folder of a list that is on a shelf."""
    parent = path.absolute().parent
    roots = {row.root for row in rows}
    return parent if any(parent.is_relative_to(root) for root in roots) else None


def _by_name(rows: Iterable[ImageRow]) -> dict[str, list[ImageRow]]:
    names: dict[str, list[ImageRow]] = defaultdict(list)
    for row in rows:
        names[PurePosixPath(row.path).name.casefold()].append(row)
    return names


def _named(line: ListLine, base: Path | None, by_name: dict[str, list[ImageRow]]) -> list[ImageRow]:
    for name in dict.fromkeys([line.name, line.name.replace("\\", "/")]):
        rows = _at(name.removeprefix("./"), base, by_name)
        if rows:
            return rows
    return []


def _at(name: str, base: Path | None, by_name: dict[str, list[ImageRow]]) -> list[ImageRow]:
    alike = by_name.get(name.rpartition("/")[2].casefold(), [])
    if base is not None:
        place = os.path.normpath(base / name)
        beside = [row for row in alike if str(row.file) == place]
        if beside:
            return beside
    end = f"/{name}".casefold()
    return [row for row in alike if f"/{row.path}".casefold().endswith(end)] or alike


def _algorithm(line: ListLine, row: ImageRow) -> str:
    """Return which algorithm a digest is of, if its length leaves that open."""
    return next((one for one in line.algorithms if one in row.digests), line.algorithms[0])


def _ambiguous(path: Path, line: ListLine, rows: Sequence[ImageRow]) -> Finding:
    return Finding(
        "name-is-of-one-image",
        Severity.WARNING,
        f"{path}: line {line.line}",
        f"{line.name} is the name of {len(rows)} images with different bytes, so it was passed "
        f"over: {rows[0].where}, {rows[1].where}",
        remedy="name the shelf with --shelf, or put the list beside the image",
    )


def _compare(catalogue: Catalogue, found: Sequence[PublishedDigest], progress: Progress) -> None:
    """Read the images whose digests of these algorithms are not on record."""
    rows = {row.id: row for row in catalogue.images()}
    wanted: dict[str, list[ImageRow]] = defaultdict(list)
    for each in found:
        row = rows[each.image_id]
        is_here = row.presence is Presence.HERE and row.file.exists()
        if each.algorithm not in row.digests and row.digests and is_here:
            wanted[each.algorithm].append(row)
    total = sum(row.size for group in wanted.values() for row in group)
    with progress("reading", total=total) as on_bytes:
        for algorithm, group in wanted.items():
            jobs = plan_audit(catalogue, [str(row.file) for row in group])
            running = run_audit(
                catalogue,
                jobs,
                algorithms=[algorithm],
                on_bytes=on_bytes,
                on_image=on_bytes.show,
            )
            with closing(running):
                for _ in running:
                    pass


class ExportedList(Struct, frozen=True):
    """A list made of what is on record of a shelf; ``left_out`` have no such digest."""

    shelf: str
    algorithm: str
    path: Path
    image_count: int
    left_out: tuple[str, ...]


def export_lists(
    catalogue: Catalogue, folder: Path, algorithms: Sequence[str] = (), *, replace: bool = False
) -> list[ExportedList]:
    """Write one list for each shelf and algorithm on record, in the tagged form; nothing is read.

    Names are relative to the shelf. Raises :class:`OutputError` where a list exists already.
    """
    if not folder.is_dir():
        raise OutputError(f"{folder}: no such folder; make it first")
    exported = []
    for shelf in catalogue.shelves():
        rows = catalogue.images(shelf=shelf.name)
        known = dict.fromkeys(name for row in rows for name in row.digests)
        for algorithm in algorithms or known:
            lines, left_out = [], []
            for row in rows:
                digest = row.digests.get(algorithm)
                try:
                    lines.append(_line(row.path, digest, algorithm))
                except ValueError:
                    left_out.append(row.path)
            if not lines:
                continue
            path = folder / f"{shelf.name}.{algorithm}"
            data = "".join(lines).encode("utf-8", "surrogateescape")
            write_whole(path, data, replace=replace)
            exported.append(ExportedList(shelf.name, algorithm, path, len(lines), tuple(left_out)))
    return exported


def _line(path: str, digest: str | None, algorithm: str) -> str:
    if digest is None:
        raise ValueError("no such digest is on record")
    form = ListForm.SFV if algorithm == "crc32" else ListForm.TAGGED
    return format_checksum_line(path, digest, algorithm, form)
