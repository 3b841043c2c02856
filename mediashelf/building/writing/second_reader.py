"""What pycdlib finds on a disc. It shares nothing with our reader and our writer.

It is used through its public interface alone, so any of its releases will do. It takes
about 20 µs and 2 KB a file, so it also reads in a process of its own, beside the writer:

``python -m mediashelf.building.writing.second_reader COUNT`` waits on standard input for as many
lines ``SIZE RECORDS PATH``, one for each image: the bytes that it will have, those that are
written and hold all that says where things are, and its path in hexadecimal digits. It reads
them and writes two SHA-256 digests to standard output: of what it found, and of those bytes.
It ends with whoever has its standard input.
"""

from __future__ import annotations

import gc
import hashlib
import io
import os
import struct
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from itertools import compress
from pathlib import Path
from queue import SimpleQueue
from typing import Any, BinaryIO, NamedTuple


class Seen(NamedTuple):
    """One directory record; ``lba`` is 0 for an empty file."""

    identifier: bytes
    is_directory: bool
    lba: int
    size: int
    date: bytes


class Columns(NamedTuple):
    """The same of all records of a directory, column by column."""

    identifiers: Sequence[bytes]
    are_directories: Sequence[int]
    lbas: Sequence[int]
    sizes: Sequence[int]
    dates: Sequence[bytes]


class SecondReaderError(Exception):
    """Pycdlib cannot read the disc; never leaves the modules that use it."""


@contextmanager
def opened(stream: BinaryIO) -> Iterator[Any]:
    """Give the disc as pycdlib has it; raises :class:`SecondReaderError` where it cannot read."""
    # Loaded only where it reads: mostly that is another process.
    from pycdlib import PyCdlib
    from pycdlib.pycdlibexception import PyCdlibException

    iso: Any = PyCdlib()
    try:
        iso.open_fp(stream)
        with closing(iso):
            yield iso
    except (
        # What it raises on images that are not valid, as well as its own errors.
        *(PyCdlibException, struct.error, LookupError, ValueError, TypeError, AttributeError),
    ) as error:
        raise SecondReaderError(str(error)) from error


def children(record: Any) -> list[Any]:
    """Return the records that a directory holds, without itself and its parent."""
    return [one for one in record.children if not (one.is_dot() or one.is_dotdot())]


def seen(record: Any) -> Seen:
    """Return what a record says."""
    size = record.get_data_length()
    lba = record.extent_location() if size else 0
    return Seen(record.file_identifier(), record.is_dir(), lba, size, record.date.record())


def boot_entry(catalog: Any) -> tuple[int, int, int, int]:
    """Return indicator, media type, sectors to load and place of what boots."""
    entry = catalog.initial_entry
    return entry.boot_indicator, entry.boot_media_type, entry.sector_count, entry.get_rba()


class SeenDigest:
    """A digest of what is on a disc; add trees from the root, and directories in their order.

    That order is: of all directories that were met and not added yet the last one, where
    those of one directory are met in the order of their identifiers.
    """

    def __init__(self) -> None:
        self._hasher = hashlib.sha256(usedforsecurity=False)

    def add_volume(self, label: bytes, sectors: int) -> None:
        """Add the fields of a descriptor; the label without spaces at its end."""
        self._hasher.update(struct.pack("<BQ", len(label), sectors) + label)

    def add_directory(self, columns: Columns) -> None:
        """Add the records of a directory, sorted by their identifiers."""
        identifiers, are_directories, lbas, sizes, dates = columns
        count = len(identifiers)
        update = self._hasher.update
        update(struct.pack("<I", count) + bytes(map(len, identifiers)) + b"".join(identifiers))
        update(bytes(are_directories) + b"".join(dates))
        update(struct.pack(f"<{count}Q{count}Q", *lbas, *sizes))

    def add_boot(self, entry: tuple[int, int, int, int] | None) -> None:
        """Add what boots."""
        self._hasher.update(b"" if entry is None else struct.pack("<4Q", *entry))

    def hexdigest(self) -> str:
        """Return the digest of all that was added."""
        return self._hasher.hexdigest()


def _digest_disc(iso: Any) -> str:
    digest = SeenDigest()
    for descriptor, encoding in ((iso.pvd, "ascii"), (iso.joliet_vd, "utf-16-be")):
        label = descriptor.volume_identifier.decode(encoding).rstrip(" ").encode()
        digest.add_volume(label, descriptor.space_size)
        waiting = [descriptor.root_directory_record()]
        while waiting:
            records = sorted(children(waiting.pop()), key=_identifier)
            columns = _seen_columns(records)
            digest.add_directory(columns)
            waiting += compress(records, columns.are_directories)
    catalog = iso.eltorito_boot_catalog
    digest.add_boot(None if catalog is None else boot_entry(catalog))
    return digest.hexdigest()


def _identifier(record: Any) -> bytes:
    identifier: bytes = record.file_identifier()
    return identifier


def _seen_columns(records: Sequence[Any]) -> Columns:
    """Return what :func:`seen` says of each record."""
    return Columns(*zip(*map(seen, records), strict=True)) if records else _NO_RECORDS


_NO_RECORDS = Columns((), (), (), (), ())


class _Start(io.BytesIO):
    """The first bytes of a file; it says that it has all the bytes that the file will have."""

    def __init__(self, data: bytes, size: int) -> None:
        super().__init__(data)
        self._size = size

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        if whence == io.SEEK_END:
            return super().seek(self._size + offset)
        return super().seek(offset, whence)


def digest_records(path: Path, size: int) -> str:
    """Return the SHA-256 digest of the first ``size`` bytes of a file."""
    hasher = hashlib.sha256(usedforsecurity=False)
    with path.open("rb", buffering=0) as file:
        while size and (piece := file.read(min(size, _PIECE))):
            hasher.update(piece)
            size -= len(piece)
    return hasher.hexdigest()


_PIECE = 1 << 20
_MOST_KEPT = 8 << 20  # bytes of records; the objects that are made of them take 15 times as much


def main() -> None:
    """Answer whoever started this process."""
    gc.disable()  # what is made here is garbage only once an image is let go
    questions: SimpleQueue[bytes] = SimpleQueue()
    threading.Thread(target=_take_questions, args=(questions,), daemon=True).start()
    with ExitStack() as images:
        kept = 0
        for _ in range(int(sys.argv[1])):
            size, records_size, place = questions.get().split()
            if kept > _MOST_KEPT:
                images.close()
                gc.collect()
                kept = 0
            kept += int(records_size)
            path = Path(os.fsdecode(bytes.fromhex(place.decode())))
            with path.open("rb") as file:
                records = file.read(int(records_size))
            digest = hashlib.sha256(records, usedforsecurity=False).hexdigest()
            iso = images.enter_context(opened(_Start(records, int(size))))
            sys.stdout.write(f"{_digest_disc(iso)} {digest}\n")
            sys.stdout.flush()
        os._exit(0)  # at once: to let go of all the records takes half as long as to read them


def _take_questions(questions: SimpleQueue[bytes]) -> None:
    rest = b""
    # Not by sys.stdin: Python could not end while a thread waits there.
    while piece := os.read(sys.stdin.fileno(), 4096):
        *lines, rest = (rest + piece).split(b"\n")
        for line in lines:
            questions.put(line)
    os._exit(1)


if __name__ == "__main__":
    main()
