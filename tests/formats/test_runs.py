"""A file's bytes as one run, wherever they stand; formats told by their first bytes."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from byte_views import BytesView
from mediashelf.formats.packed.signatures import (
    SIGNATURES,
    ContentFormat,
    detect_format,
    find_attached,
)
from mediashelf.formats.runs import CHUNK_SIZE, NOWHERE, Run, RunsView, TailView, iter_chunks

DISC = bytes(range(256))
runs = st.lists(st.builds(Run, st.integers(-5, 300), st.integers(-5, 80)), max_size=6)


def joined(places: list[Run]) -> bytes:
    """The bytes of runs as slices would give them; what is outside the disc is left out."""
    return b"".join(bytes_of(run) for run in places if run.size > 0)


def bytes_of(run: Run) -> bytes:
    if run.offset == NOWHERE:
        return bytes(run.size)
    return DISC[run.offset : run.offset + run.size] if run.offset >= 0 else b""


@given(runs, st.integers(0, 300), st.integers(0, 300))
@settings(derandomize=True, deadline=None, max_examples=300)
def test_runs_read_as_one(places: list[Run], offset: int, size: int) -> None:
    view = RunsView(BytesView(DISC), places)
    whole = joined(places)
    assert view.size == len(whole)
    assert view.read(offset, size) == whole[offset : offset + size]
    parts = list(view.iter_places(offset, size))
    if not any(run.offset == NOWHERE for run in places):
        assert b"".join(DISC[part.offset : sum(part)] for part in parts) == view.read(offset, size)


def test_what_was_never_recorded_reads_as_zeros_and_has_no_place() -> None:
    view = RunsView(BytesView(DISC), [Run(10, 2), Run(NOWHERE, 12), Run(11, 2)])
    assert view.read(0, 99) == DISC[10:12] + bytes(12) + DISC[11:13]
    assert list(view.iter_places(1, 14)) == [Run(11, 1), Run(11, 1)]


def test_runs_that_touch_are_one_place() -> None:
    view = RunsView(BytesView(DISC), [Run(10, 5), Run(15, 5), Run(40, 5)])
    assert view.runs == (Run(10, 10), Run(40, 5))
    assert list(view.iter_places(8, 4)) == [Run(18, 2), Run(40, 2)]


@pytest.mark.parametrize("offset", [-1, -300, 15, 1 << 70])
def test_places_outside_hold_nothing(offset: int) -> None:
    view = RunsView(BytesView(DISC), [Run(10, 15)])
    assert view.read(offset, 4) == b""


def test_the_tail_of_a_view() -> None:
    tail = TailView(BytesView(DISC), 250)
    assert (tail.size, tail.read(2, 9)) == (6, DISC[252:])
    assert TailView(BytesView(DISC), 300).size == 0


def test_chunks_are_small_and_complete() -> None:
    data = bytes(2 * CHUNK_SIZE + 7)
    chunks = list(iter_chunks(BytesView(data)))
    assert [len(chunk) for chunk in chunks] == [CHUNK_SIZE, CHUNK_SIZE, 7]
    assert b"".join(iter_chunks(BytesView(DISC), 10, 20)) == DISC[10:30]
    assert b"".join(iter_chunks(BytesView(DISC), 250, 20)) == DISC[250:]


@pytest.mark.parametrize(("signature", "kind"), SIGNATURES)
def test_signatures_count_at_the_beginning_only(signature: bytes, kind: ContentFormat) -> None:
    assert detect_format(signature + b"rest") is kind
    assert detect_format(b" " + signature) is None
    assert detect_format(signature[:-1]) is None


def test_the_first_attached_archive_is_found() -> None:
    data = b"padding" + b"Rar!\x1a\x07\x00" + b"PK\3\4"
    assert find_attached(data) == (ContentFormat.RAR, 7)
    assert find_attached(b"MZ and \x1f\x8b\x08 are too short to mean anything") is None
