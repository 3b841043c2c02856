"""Mending: where the result goes, and when it goes nowhere."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from mediashelf.errors import InputError, OutputError
from mediashelf.integrity.fixity.digests import Digests
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.fixity.values import FixityRecord
from mediashelf.integrity.mending import mend
from mediashelf.integrity.mending.mend import mend_image
from mediashelf.integrity.mending.values import MendOutcome
from mending_bench import ORIGINAL, Bench, spoil


@pytest.mark.parametrize("how", ["itself", "symlink", "hardlink"])
def test_output_is_never_a_source(bench: Bench, how: str) -> None:
    image = spoil(ORIGINAL, 3)
    [copy] = bench.lay(image, [ORIGINAL])
    for source, options in ((bench.image, {}), (copy, {}), (copy, {"replace": True})):
        output = source
        if how != "itself":
            output = bench.folder / "other.iso"
            output.unlink(missing_ok=True)
            (output.symlink_to if how == "symlink" else output.hardlink_to)(source)
        with pytest.raises(OutputError, match=r"is the image itself|is one of the copies"):
            mend_image(bench.image, [copy], output, record=bench.record(), **options)
    assert bench.image.read_bytes() == image
    assert copy.read_bytes() == ORIGINAL


def decayed(bench: Bench, image: bytes, copy: bytes) -> tuple[list[Path], FixityRecord]:
    paths = bench.lay(image, [copy])
    return paths, replace(bench.record(), mtime_ns=bench.image.stat().st_mtime_ns)


def test_replace_puts_a_proved_result_in_the_images_place(bench: Bench) -> None:
    paths, record = decayed(bench, spoil(ORIGINAL, 3), ORIGINAL)
    bench.image.chmod(0o640)
    link = bench.folder / "link.iso"
    link.symlink_to("image.iso")
    result = mend_image(bench.image, paths, link, record=record, replace=True)
    assert (result.outcome, result.is_written) == (MendOutcome.PROVED, True)
    assert bench.image.read_bytes() == ORIGINAL
    assert bench.image.stat().st_mode & 0o777 == 0o640
    assert link.is_symlink()


def test_nothing_unproved_takes_the_images_place(bench: Bench) -> None:
    image = spoil(ORIGINAL, 3, by=1)
    paths, record = decayed(bench, image, spoil(ORIGINAL, 3, by=2))
    result = mend_image(bench.image, paths, bench.image, record=record, replace=True)
    assert (result.outcome, result.is_written) == (MendOutcome.INCOMPLETE, False)
    for options in (
        {"record": record, "anyway": True},
        {"record": None},
        {"record": replace(record, mtime_ns=record.mtime_ns - 1)},
    ):
        with pytest.raises(OutputError, match="name another file"):
            mend_image(bench.image, paths, bench.image, replace=True, **options)
    assert bench.image.read_bytes() == image


def test_existing_output_is_kept_until_there_is_a_better_one(bench: Bench) -> None:
    [copy] = bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    bench.output.write_bytes(b"mine")
    with pytest.raises(OutputError, match="exists already"):
        mend_image(bench.image, [copy], bench.output, record=bench.record())
    bench.lay(spoil(ORIGINAL, 3), [spoil(ORIGINAL, 3)])
    mend_image(bench.image, [copy], bench.output, record=bench.record(), replace=True)
    assert bench.output.read_bytes() == b"mine"
    bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    mend_image(bench.image, [copy], bench.output, record=bench.record(), replace=True)
    assert bench.output.read_bytes() == ORIGINAL


def test_output_must_be_a_file(bench: Bench) -> None:
    [copy] = bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    fifo = bench.folder / "fifo"
    os.mkfifo(fifo)
    with pytest.raises(OutputError, match="not a regular file"):
        mend_image(bench.image, [copy], fifo, record=bench.record(), replace=True)
    with pytest.raises(OutputError, match="there is no folder"):
        mend_image(bench.image, [copy], bench.folder / "no" / "x.iso", record=bench.record())


def test_full_disk_leaves_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    [copy] = bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    record = bench.record()

    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        mend_image(bench.image, [copy], bench.output, record=record)
    assert sorted(bench.folder.iterdir()) == [copy, bench.image]


def test_what_was_written_is_read_past_the_cache(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not hasattr(os, "posix_fadvise"):
        pytest.skip("this system cannot be asked")
    asked: list[int] = []
    monkeypatch.setattr(os, "posix_fadvise", lambda *given: asked.append(given[3]))
    bench.mend(spoil(ORIGINAL, 3), ORIGINAL, record=bench.record())
    assert os.POSIX_FADV_DONTNEED in asked


def test_what_reads_back_otherwise_gets_no_name(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    [copy] = bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    record = bench.record()

    def lying(path: Path, **options: Any) -> Digests:
        path.write_bytes(spoil(path.read_bytes(), 50))
        return digest_file(path, **options)

    monkeypatch.setattr(mend, "digest_file", lying)
    with pytest.raises(OutputError, match="does not read back as it was written"):
        mend_image(bench.image, [copy], bench.output, record=record)
    assert sorted(bench.folder.iterdir()) == [copy, bench.image]


def test_sources_must_be_files(bench: Bench) -> None:
    [copy] = bench.lay(ORIGINAL, [ORIGINAL])
    for wrong in (bench.folder, bench.folder / "gone.iso"):
        with pytest.raises(InputError):
            mend_image(wrong, [copy], bench.output)
        with pytest.raises(InputError):
            mend_image(bench.image, [wrong], bench.output)
    assert not bench.output.exists()
