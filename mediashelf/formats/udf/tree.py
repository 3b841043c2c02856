"""The files and directories of a UDF volume, in a bounded walk."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from mediashelf.formats.udf.fields import decode_compressed, parse_timestamp
from mediashelf.formats.udf.records import (
    FILE_IDENTIFIER_DESCRIPTOR,
    FILE_SET_DESCRIPTOR,
    FILE_TYPE_DIRECTORY,
    FILE_TYPES_WITH_BYTES,
    FILE_TYPES_WITHOUT,
    FileIdentifier,
    LongAddress,
    parse_file_identifier,
    parse_root_directory,
)
from mediashelf.formats.udf.space import UdfSpace
from mediashelf.formats.udf.tags import verify_tag
from mediashelf.formats.volume import FLAG_DIRECTORY, FLAG_HIDDEN, Entry, Extent, encode_record_date

_MOST_ENTRIES = 1_000_000
_DEEPEST = 256
_LARGEST_DIRECTORY = 64 << 20  # bytes
_FILE_SET = frozenset({FILE_SET_DESCRIPTOR})
_IDENTIFIER = frozenset({FILE_IDENTIFIER_DESCRIPTOR})


def iter_udf_entries(space: UdfSpace, file_set: LongAddress) -> Iterator[Entry]:
    """Yield every file and directory below the root, parents before children.

    Problems go to the log of ``space``, whose ``is_complete`` then turns False.
    """
    data = space.read_record(file_set, _FILE_SET, "UDF file set descriptor")
    root = parse_root_directory(data) if data else None
    space.log_missing_end(file_set, "file set descriptor sequence")
    if root is None:
        space.is_complete = False
        return
    found = space.read_file_entry(root, "UDF root directory")
    if found is None:
        return
    extents = space.extents(found[0], root, found[1], "/")
    queue: deque[tuple[str, tuple[Extent, ...], int]] = deque([("", extents, found[0].size)])
    visited = {(root.partition, root.block)}
    count = 0
    while queue:
        for entry, icb in _iter_directory(space, *queue.popleft()):
            count += 1
            if count > _MOST_ENTRIES or entry.depth > _DEEPEST:
                space.problem("walk-bounded", entry.path, "the tree is too large or too deep")
                return
            yield entry
            if space.is_full:
                return
            if not entry.is_directory:
                continue
            if (icb.partition, icb.block) in visited:
                space.problem("directory-loop", entry.path, "this directory was already visited")
                continue
            visited.add((icb.partition, icb.block))
            queue.append((entry.path, entry.extents, entry.size))


def _iter_directory(
    space: UdfSpace, path: str, extents: tuple[Extent, ...], size: int
) -> Iterator[tuple[Entry, LongAddress]]:
    where = path or "/"
    if size > min(_LARGEST_DIRECTORY, space.view.size):
        space.problem("walk-bounded", where, "the directory is larger than the image allows")
        return
    data = space.read_extents(extents, size)
    space.directory_bytes += len(data)
    if space.directory_bytes > max(space.view.size, _LARGEST_DIRECTORY):
        # No two directories share bytes, so they have no more than the image.
        space.problem("walk-bounded", where, "the directories are larger than the image allows")
        return
    if len(data) < size:
        space.problem(
            "directory-readable", where, "part of the directory is past the end of the image"
        )
    at, seen = 0, set[str]()
    while at < len(data):
        record = parse_file_identifier(data, at)
        piece = data[at : at + record.length] if record else b""
        if record is None or not verify_tag(piece, None, _IDENTIFIER, where, space.log, offset=-1):
            # Records follow each other by their lengths alone.
            space.problem("udf-directory", where, f"the records from byte {at} on cannot be read")
            return
        at += record.length
        if record.is_parent or record.is_deleted:
            continue
        name = decode_compressed(record.name)
        if name in seen:
            space.log.add(
                "identifiers-distinct",
                f"{where} (udf)",
                f"{name!r} occurs more than once in one directory; readers show only one",
            )
        seen.add(name)
        yield _entry(space, path, record, name), record.icb


def _entry(space: UdfSpace, parent: str, record: FileIdentifier, name: str) -> Entry:
    path = f"{parent}/{_usable_name(space, parent, name)}"
    flags = FLAG_HIDDEN if record.characteristics & 1 else 0
    flags |= FLAG_DIRECTORY if record.is_directory else 0
    found = space.read_file_entry(record.icb, path)
    if found is None:
        # What a directory holds is lost with its file entry.
        return Entry(path, name, 0, record.is_directory, flags=flags)
    file_entry, offset = found
    is_directory = file_entry.file_type == FILE_TYPE_DIRECTORY
    if is_directory != record.is_directory:
        space.problem(
            "udf-directory",
            path,
            "its directory record and its file entry disagree: file or directory",
        )
    has_bytes = is_directory or file_entry.file_type in FILE_TYPES_WITH_BYTES
    if file_entry.file_type in FILE_TYPES_WITHOUT:
        space.others.append((path, offset))
    elif not has_bytes and not record.is_directory:
        space.problem(
            "udf-file-entry", path, f"file type {file_entry.file_type} is not that of a file"
        )
    moment = parse_timestamp(file_entry.modified)
    return Entry(
        path,
        name,
        file_entry.size if has_bytes else 0,
        is_directory,
        space.extents(file_entry, record.icb, offset, path) if has_bytes else (),
        encode_record_date(moment) if moment else b"",
        flags,
        offset,
    )


def _usable_name(space: UdfSpace, parent: str, name: str) -> str:
    """Return a name so that it can be one part of a path; another one is logged."""
    usable = name.replace("/", "_")
    if usable in ("", ".", ".."):
        usable = "_" * max(len(usable), 1)
    if usable != name:
        space.log.add(
            "identifier-usable",
            f"{parent or '/'} (udf)",
            f"the name {name!r} can't be part of a path",
            found=repr(name),
            expected="a name without / that is not empty, . or ..",
        )
    return usable
