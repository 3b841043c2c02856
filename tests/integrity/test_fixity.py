"""One state for each thing that can happen to a file, with the untouched file beside it.

The states are our own; so is every expectation here.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from mediashelf.findings import Finding, Severity
from mediashelf.integrity.fixity.comparing import (
    Absence,
    FixityRecord,
    FixityVerdict,
    Observed,
    State,
    compare_with_record,
)
from mediashelf.integrity.fixity.digests import BLOCK_SIZE
from mediashelf.integrity.fixity.reading import digest_file, observe
from mediashelf.integrity.structure.damage import Span

MIB = BLOCK_SIZE
DATE = 1_000_000_000_000_000_000
LATER = DATE + (100 if os.name == "nt" else 1)  # Windows counts in steps of 100 ns


def content(mebibytes: int, extra: int = 0) -> bytes:
    return b"".join(bytes([number + 1]) * MIB for number in range(mebibytes)) + b"x" * extra


def write(path: Path, data: bytes, date: int = DATE) -> None:
    path.write_bytes(data)
    os.utime(path, ns=(date, date))


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "tide.iso"
    write(path, content(4, 100))
    return path


def record_of(path: Path) -> FixityRecord:
    digests = digest_file(path)
    status = path.stat()
    return FixityRecord(
        status.st_size,
        status.st_mtime_ns,
        digests.whole,
        digests.blocks,
        recorded_at="2026-01-02T03:04:05Z",
        confirmed_at="2026-02-03T04:05:06Z",
    )


def finding(rule: str, severity: Severity) -> Finding:
    return Finding(rule, severity, "LBA 16", "invented")


def judge_fixity(
    path: Path, recorded: FixityRecord | None, structure: Sequence[Finding] = ()
) -> FixityVerdict:
    """Read the file and judge it, as an audit does."""
    algorithms = recorded.digests if recorded is not None else ()
    observed = observe(path, algorithms=algorithms)
    return compare_with_record(str(path), observed, recorded, structure)


def flip(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 0xFF]) + data[at + 1 :]


def test_untouched_file_is_sound(image: Path) -> None:
    verdict = judge_fixity(image, record_of(image))
    assert verdict.state is State.SOUND
    assert verdict.is_confirmed
    assert verdict.findings == ()
    assert verdict.spans == ()
    assert verdict.bytes_read == 4 * MIB + 100
    assert verdict.basis == "all bytes as recorded 2026-01-02; structure read"


def test_new_date_with_the_same_bytes_is_sound(image: Path) -> None:
    record = record_of(image)
    os.utime(image, ns=(LATER, LATER))
    verdict = judge_fixity(image, record)
    assert verdict.state is State.SOUND
    assert "only the file's date differs" in verdict.basis


@pytest.mark.parametrize("at", [0, MIB - 1, MIB, 2 * MIB + 77, 4 * MIB, 4 * MIB + 99])
def test_a_flipped_byte_with_the_old_date_is_decay_and_its_block_is_named(
    image: Path, at: int
) -> None:
    record = record_of(image)
    write(image, flip(image.read_bytes(), at))
    verdict = judge_fixity(image, record)
    assert verdict.state is State.DECAYED
    assert not verdict.is_confirmed
    start = at // MIB * MIB
    assert verdict.spans == (Span(start, min(MIB, 4 * MIB + 100 - start)),)
    assert verdict.findings[0].rule == "bytes-as-recorded"
    assert "1 of 5 blocks of 1 MiB differs" in verdict.findings[0].message
    assert verdict.findings[0].offset == start


def test_a_flipped_byte_with_a_new_date_is_a_change(image: Path) -> None:
    record = record_of(image)
    write(image, flip(image.read_bytes(), 10), LATER)
    verdict = judge_fixity(image, record)
    assert verdict.state is State.CHANGED
    assert verdict.spans == (Span(0, MIB),)
    assert "its date differs; 1 of 5 blocks of 1 MiB differs" in verdict.findings[0].message


def test_neighbouring_blocks_join_to_one_span(image: Path) -> None:
    record = record_of(image)
    data = image.read_bytes()
    write(image, flip(flip(flip(data, MIB), 2 * MIB), 4 * MIB))
    assert judge_fixity(image, record).spans == (Span(MIB, 2 * MIB), Span(4 * MIB, 100))


@pytest.mark.parametrize("size", [0, MIB, MIB + 1, 3 * MIB - 1, 4 * MIB, 4 * MIB + 99])
@pytest.mark.parametrize("date", [DATE, LATER])
def test_a_cut_file_is_truncated_whatever_its_date(image: Path, size: int, date: int) -> None:
    record = record_of(image)
    write(image, image.read_bytes()[:size], date)
    verdict = judge_fixity(image, record)
    assert verdict.state is State.TRUNCATED
    assert verdict.spans == (Span(size, 4 * MIB + 100 - size),)
    assert (verdict.findings[0].offset, verdict.findings[0].length) == verdict.spans[0]


def test_a_shorter_file_with_other_bytes_is_a_change(image: Path) -> None:
    record = record_of(image)
    write(image, flip(image.read_bytes()[: 2 * MIB], 5), LATER)
    assert judge_fixity(image, record).state is State.CHANGED


def test_a_short_rest_counts_as_truncated_only_with_another_sign(tmp_path: Path) -> None:
    path = tmp_path / "small.iso"
    write(path, b"a" * 5000)
    record = record_of(path)
    write(path, b"a" * 4000, LATER)
    assert judge_fixity(path, record).state is State.CHANGED
    cut = finding("image-is-whole", Severity.ERROR)
    assert judge_fixity(path, record, [cut]).state is State.TRUNCATED
    write(path, b"a" * 4000)
    assert judge_fixity(path, record).state is State.TRUNCATED


def test_a_longer_file_is_a_change(image: Path) -> None:
    record = record_of(image)
    write(image, image.read_bytes() + b"more")
    verdict = judge_fixity(image, record)
    assert verdict.state is State.CHANGED
    assert verdict.findings[0].found == "4,194,408 bytes"
    assert verdict.findings[0].expected == "4,194,404 bytes"


def test_a_missing_file(image: Path) -> None:
    record = record_of(image)
    image.unlink()
    verdict = judge_fixity(image, record)
    assert verdict.state is State.MISSING
    assert "last confirmed 2026-02-03" in verdict.findings[0].message


def test_an_image_that_is_away_is_a_note() -> None:
    verdict = compare_with_record("tide.iso", Observed(absence=Absence.AWAY), None)
    assert verdict.state is State.AWAY
    assert [found.severity for found in verdict.findings] == [Severity.NOTE]


def test_a_folder_in_the_image_s_place_is_unreadable(image: Path) -> None:
    record = record_of(image)
    image.unlink()
    image.mkdir()
    verdict = judge_fixity(image, record)
    assert verdict.state is State.UNREADABLE
    assert "is not a regular file" in verdict.findings[0].message


def test_a_file_that_changes_while_it_is_read_is_not_judged(
    image: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = record_of(image)

    def meanwhile(path: Path, **options: Any) -> Any:
        digests = digest_file(path, **options)
        os.utime(path, ns=(LATER, LATER))
        return digests

    monkeypatch.setattr("mediashelf.integrity.fixity.reading.digest_file", meanwhile)
    write(image, flip(image.read_bytes(), 10))
    verdict = judge_fixity(image, record, [finding("path-table-agrees", Severity.ERROR)])
    assert verdict.state is State.CHANGING
    assert [found.rule for found in verdict.findings] == ["file-at-rest"]
    assert not verdict.is_confirmed


def test_without_a_record_nothing_is_claimed_of_the_contents(image: Path) -> None:
    verdict = judge_fixity(image, None)
    assert verdict.state is State.UNRECORDED
    assert not verdict.is_confirmed
    assert verdict.basis == "all bytes read; no recorded digest; structure read"
    unread = compare_with_record("tide.iso", Observed(4 * MIB, DATE), None)
    assert (unread.state, unread.is_confirmed) == (State.UNRECORDED, False)
    assert unread.basis.startswith("contents not read; no recorded digest")


def test_structure_decides_only_where_the_bytes_are_as_recorded(image: Path) -> None:
    record = record_of(image)
    error = finding("path-table-agrees", Severity.ERROR)
    cut = finding("image-is-whole", Severity.ERROR)
    warning = finding("both-orders-agree", Severity.WARNING)
    assert judge_fixity(image, record, [warning]).state is State.SOUND
    assert judge_fixity(image, record, [error]).state is State.DAMAGED
    assert judge_fixity(image, record, [error, cut]).state is State.TRUNCATED
    # ECMA-119 8.4.8: shorter than the volume says, though no file lies in the missing part.
    short = finding("image-reaches-volume-end", Severity.WARNING)
    assert judge_fixity(image, record, [short]).state is State.TRUNCATED
    assert judge_fixity(image, None, [short]).state is State.TRUNCATED
    # A pointer past the end of an image that is as long as its volume.
    outside = finding("extent-inside-image", Severity.ERROR)
    assert judge_fixity(image, record, [outside]).state is State.DAMAGED
    write(image, flip(image.read_bytes(), 10))
    verdict = judge_fixity(image, record, [error])
    assert verdict.state is State.DECAYED
    assert [found.rule for found in verdict.findings] == ["bytes-as-recorded", "path-table-agrees"]


@pytest.mark.parametrize(
    ("size", "date", "state"),
    [
        (0, DATE, State.TRUNCATED),
        (4 * MIB + 99, DATE, State.TRUNCATED),
        (4 * MIB + 100, DATE, State.SOUND),
        (4 * MIB + 100, LATER, State.SOUND),
        (4 * MIB + 101, DATE, State.CHANGED),
    ],
)
def test_without_reading_only_the_size_decides(
    image: Path, size: int, date: int, state: State
) -> None:
    verdict = compare_with_record("tide.iso", Observed(size, date), record_of(image))
    assert verdict.state is state
    assert not verdict.is_confirmed
    assert verdict.basis.startswith("contents not read")
    assert ("date differs" in verdict.basis) == (date != DATE and state is State.SOUND)


def test_every_algorithm_on_record_is_compared(image: Path) -> None:
    record = record_of(image)
    wrong = replace(record, digests={**record.digests, "sha256": "0" * 64})
    assert judge_fixity(image, wrong).state is State.DECAYED


def test_without_block_digests_the_place_is_not_guessed(image: Path) -> None:
    record = replace(record_of(image), blocks=b"")
    write(image, flip(image.read_bytes(), 10))
    verdict = judge_fixity(image, record)
    assert verdict.state is State.DECAYED
    assert verdict.spans == ()
    assert "blocks of" not in verdict.findings[0].message


def test_observe_reads_what_it_is_asked_for(image: Path) -> None:
    observed = observe(image, algorithms=["sha256", "xxh3_128"])
    assert observed.digests is not None
    assert set(observed.digests.whole) == {"sha256", "xxh3_128"}


def test_bytes_at_hand_are_not_read_again_unless_they_are_to_come_from_the_disk(
    image: Path,
) -> None:
    whole, counted = image.read_bytes(), list[int]()
    changed = whole[:-1] + bytes([whole[-1] ^ 1])
    digests = digest_file(image, at_hand=changed, on_bytes=counted.append)
    other = image.with_name("changed")
    other.write_bytes(changed)
    assert digests == digest_file(other)
    assert counted == [len(whole)]
    assert digest_file(image, at_hand=changed, past_cache=True) == digest_file(image)


@pytest.mark.skipif(os.name == "nt", reason="Windows says of such a path that nothing is there")
def test_a_path_that_the_system_refuses_is_a_problem_and_not_missing(tmp_path: Path) -> None:
    observed = observe(tmp_path / ("x" * 5000))
    assert observed.absence is None
    assert "cannot be opened" in observed.problem
    verdict = compare_with_record("tide.iso", observed, None)
    assert verdict.state is State.UNREADABLE
    assert [(item.rule, item.severity) for item in verdict.findings] == [
        ("file-is-readable", Severity.ERROR)
    ]


@pytest.mark.parametrize("absence", list(Absence))
def test_what_was_not_read_is_not_confirmed(image: Path, absence: Absence) -> None:
    verdict = compare_with_record("tide.iso", Observed(absence=absence), record_of(image))
    assert (verdict.is_confirmed, verdict.bytes_read, verdict.basis) == (False, 0, "nothing read")
    (found,) = verdict.findings
    is_gone = absence is Absence.MISSING
    assert found.severity is (Severity.ERROR if is_gone else Severity.NOTE)
    assert "last confirmed 2026-02-03" in found.message


def test_what_differs_from_the_record_is_an_error_with_its_place(image: Path) -> None:
    record = record_of(image)
    write(image, flip(image.read_bytes(), MIB + 10))
    (found,) = judge_fixity(image, record).findings
    assert (found.rule, found.severity) == ("bytes-as-recorded", Severity.ERROR)
    assert (found.offset, found.length) == (MIB, MIB)
    write(image, content(4, 100)[: 2 * MIB])
    (found,) = judge_fixity(image, record).findings
    assert (found.rule, found.severity) == ("file-is-whole", Severity.ERROR)
    assert (found.offset, found.length) == (2 * MIB, 2 * MIB + 100)
    write(image, content(4, 101))
    (found,) = judge_fixity(image, record).findings
    assert (found.rule, found.severity) == ("file-as-recorded", Severity.ERROR)
    assert (found.found, found.expected) == ("4,194,405 bytes", "4,194,404 bytes")


def test_the_cache_is_passed_only_when_that_is_asked_for(
    image: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not hasattr(os, "posix_fadvise"):
        pytest.skip("this system cannot be asked")
    asked: list[int] = []
    monkeypatch.setattr(os, "posix_fadvise", lambda *given: asked.append(given[3]))
    observe(image)
    assert asked == []
    observe(image, past_cache=True)
    assert asked == [os.POSIX_FADV_DONTNEED]


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    data=st.binary(min_size=1, max_size=300),
    edits=st.lists(st.tuples(st.integers(0, 299), st.integers(1, 255)), max_size=4),
    cut=st.integers(0, 300),
    new_date=st.booleans(),
)
def test_sound_exactly_when_the_bytes_are_equal(
    tmp_path_factory: pytest.TempPathFactory,
    data: bytes,
    edits: list[tuple[int, int]],
    cut: int,
    new_date: bool,
) -> None:
    path = tmp_path_factory.mktemp("fixity") / "tide.iso"
    write(path, data)
    record = record_of(path)
    altered = bytearray(data)
    for at, mask in edits:
        altered[at % len(altered)] ^= mask
    altered = altered[:cut]
    write(path, bytes(altered), LATER if new_date else DATE)
    verdict = judge_fixity(path, record)
    assert (verdict.state is State.SOUND) == (bytes(altered) == data)
    assert verdict.is_confirmed == (bytes(altered) == data)
    if len(altered) == len(data) and altered != data:
        assert verdict.state is (State.CHANGED if new_date else State.DECAYED)
