"""Put an image together from its good parts and those of other copies, in a new file.

With a record every block of 1 MiB is proved by its digest, and the whole by the
digests of the whole, before the new file gets its name. Where no copy has a whole
good block, sectors of several are combined until the block's digest proves them.
Without a record the copies vote; what rests on votes is never called proved.

No file is written but the output, and copies are read only where the image itself
is not as recorded.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

from msgspec.structs import replace as with_changes

from mediashelf.errors import InputError, OutputError
from mediashelf.files import whole_output
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.fixity.values import FixityRecord
from mediashelf.integrity.mending.copies import Copies
from mediashelf.integrity.mending.values import Mending, MendOutcome
from mediashelf.integrity.mending.work import Work
from mediashelf.system import flush_descriptor

TRIES = 5_000
"""Combinations of sectors that are tried for one block; the digest of each is computed."""

MOST_TRIES = 1 << 18
"""More than these nobody should ask for: every one is remembered."""


def mend_image(
    image: Path,
    copies: Sequence[Path],
    output: Path | None,
    *,
    record: FixityRecord | None = None,
    more_copies: Sequence[Path] = (),
    anyway: bool = False,
    replace: bool = False,
    decayed_mtime_ns: int | None = None,
    tries: int = TRIES,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Mending:
    """Write what ``image`` was to ``output``; with ``output`` None only say what would come of it.

    ``more_copies`` are opened only where ``copies`` do not help, and only used with a
    ``record``: what no digest proves is taken from files that somebody named. Nothing
    is written when there is nothing to mend, or when parts stay unknown; ``anyway``
    writes the best there is in the latter case. ``replace`` lets an existing output
    be replaced; the image itself only by a proved result, and only when its date is
    still the one on record, or ``decayed_mtime_ns``: the date under which its bytes are
    known to be decayed. ``on_bytes`` counts the bytes of the result, and once
    more when it is written and read back.

    Raises :class:`InputError` when the image or one of ``copies`` can't be opened, and
    :class:`OutputError` when the output is one of them, exists, or can't be written.
    """
    with closing(Copies(image, copies, more_copies if record is not None else ())) as opened:
        work = Work(opened, record, tries, on_bytes)
        if output is None:
            return work.run(None)
        in_place = _replaces_image(
            output, image, (*copies, *more_copies), record, anyway=anyway, replace=replace
        )
        if in_place and record is not None:
            _refuse_other_date(image, (record.mtime_ns, decayed_mtime_ns))
        try:
            with whole_output(output.resolve() if in_place else output, replace=replace) as new:
                with new.open("wb") as file:
                    result = with_changes(work.run(file, keep_open=anyway), output=output)
                    if not _is_wanted(result, anyway):
                        raise _Unwanted
                    file.flush()
                    flush_descriptor(file.fileno())
                _read_back(new, result, on_bytes)
                if in_place:
                    opened.close()  # Windows replaces no file that is open
                    shutil.copymode(image, new)
        except _Unwanted:
            return result
    return with_changes(result, is_written=True)


class _Unwanted(Exception):
    """Ends the writing of an output that nobody wants; never leaves this module."""


def _is_wanted(result: Mending, anyway: bool) -> bool:
    if result.outcome is MendOutcome.INCOMPLETE:
        return anyway
    return result.outcome in (MendOutcome.PROVED, MendOutcome.VOTED)


def _replaces_image(
    output: Path,
    image: Path,
    copies: Sequence[Path],
    record: FixityRecord | None,
    *,
    anyway: bool,
    replace: bool,
) -> bool:
    """Raise :class:`OutputError` for a place not to write to; return whether it is the image."""
    if not os.path.lexists(output):
        return False
    if not output.is_file():
        raise OutputError(f"{output}: is not a regular file; name a file for the mended image")
    if not output.samefile(image):
        if any(copy.exists() and output.samefile(copy) for copy in copies):
            raise OutputError(f"{output}: is one of the copies, which stay as they are")
        return False
    if not replace:
        raise OutputError(
            f"{output}: is the image itself; name another file, or add --replace to put a proved "
            "result in its place"
        )
    if record is None or anyway:
        raise OutputError(
            f"{output}: is the image itself, and only a proved result may take its place; "
            "name another file"
        )
    return True


def _refuse_other_date(image: Path, dates: Sequence[int | None]) -> None:
    if image.stat().st_mtime_ns not in dates:
        raise OutputError(
            f"{image}: its date differs from the record, so somebody may have changed it on "
            "purpose; name another file"
        )


def _read_back(written: Path, result: Mending, on_bytes: Callable[[int], None]) -> None:
    """Make sure, from the disk where the system allows, that what was written is there."""
    try:
        found = digest_file(
            written,
            algorithms=result.digests,
            block_size=0,
            past_cache=True,
            on_bytes=on_bytes,
        )
    except InputError as error:
        raise OutputError(f"{result.output}: cannot be read back: {error}") from error
    if found.size != result.size or found.whole != result.digests:
        raise OutputError(
            f"{result.output}: does not read back as it was written; check the disk that it "
            "is on, or write it to another"
        )
