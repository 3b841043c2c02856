"""Mending files of which some sectors cannot be read."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from mediashelf.file_view import FileView
from mediashelf.integrity.mending import copies as mend_copies
from mediashelf.integrity.mending.values import How, MendOutcome
from mending_bench import ORIGINAL, SECTOR, SECTORS, Bench, block, rules, zeroed


class FailingView(FileView):
    """A file on a disk that has lost some sectors."""

    lost: frozenset[int] = frozenset()

    def read(self, offset: int, size: int) -> bytes:
        if any(offset < (at + 1) * SECTOR and at * SECTOR < offset + size for at in self.lost):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().read(offset, size)


def lose(monkeypatch: pytest.MonkeyPatch, lost: dict[str, list[int]]) -> None:
    def failing(path: Path) -> FileView:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        view = FailingView(descriptor, path.stat().st_size)
        view.lost = frozenset(lost.get(path.name, ()))
        return view

    monkeypatch.setattr(mend_copies, "open_view", failing)


def test_sectors_that_cannot_be_read_come_from_others(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    lose(monkeypatch, {"image.iso": [block(5, 7), block(5, 8)], "copy0.iso": [block(5, 2)]})
    result = bench.mend(ORIGINAL, ORIGINAL, record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert [report.unreadable for report in result.copies] == [2, 1]
    assert rules(result) == {"copy-is-readable"}
    words = [finding.message for finding in result.findings]
    assert words == ["2 sectors could not be read", "1 sector could not be read"]


def test_sectors_that_no_file_gives(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    lose(monkeypatch, {"image.iso": [block(5, 7)], "copy0.iso": [block(5, 7)]})
    result = bench.mend(ORIGINAL, ORIGINAL, record=bench.record(), anyway=True)
    assert result.outcome is MendOutcome.INCOMPLETE
    assert bench.output.read_bytes() == zeroed(ORIGINAL, block(5, 7))
    assert "1 sector is in none of the files" in result.findings[0].message


def test_what_cannot_be_read_is_counted_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    lose(monkeypatch, {"image.iso": [3], "copy0.iso": [3]})
    result = bench.mend(ORIGINAL, ORIGINAL, record=bench.record())
    assert result.outcome is MendOutcome.INCOMPLETE
    assert result.copies[1].sampled == 8
    assert [report.unreadable for report in result.copies] == [1, 1]


def test_unreadable_and_cut_in_one_block(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    lose(monkeypatch, {"image.iso": [block(5, 2)]})
    result = bench.mend(ORIGINAL[: block(5, 7) * SECTOR + 9], ORIGINAL, ORIGINAL)
    assert result.outcome is MendOutcome.VOTED
    assert bench.equals_original()
    assert [(span.first_lba, span.last_lba) for span in result.mended_spans] == [
        (block(5, 2), block(5, 2)),
        (block(5, 7), SECTORS - 1),
    ]


def test_unreadable_sectors_have_no_vote(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    lose(monkeypatch, {"image.iso": [40], "copy0.iso": [90], "copy1.iso": [90]})
    result = bench.mend(ORIGINAL, ORIGINAL, ORIGINAL)
    assert result.outcome is MendOutcome.INCOMPLETE
    assert [(part.span.first_lba, part.how, part.sources) for part in result.parts] == [
        (40, How.VOTED, (1, 2)),
        (90, How.UNDECIDED, (0,)),
    ]
