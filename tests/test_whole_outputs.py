"""Outputs that appear whole: what reaches the disk, and in which order."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mediashelf.files import is_partial, is_partial_of, rename_whole, whole_output, write_whole


@pytest.mark.skipif(os.name != "posix", reason="looks at descriptors")
def test_a_file_is_flushed_before_and_after_its_renaming_and_the_folder_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT needs the second flush: its new entry is empty until then (seen on Linux 6.1)."""
    events: list[str] = []
    replace, fsync = Path.replace, os.fsync

    def seen_replace(self: Path, target: Path) -> Path:
        events.append("rename")
        return replace(self, target)

    def seen_fsync(descriptor: int) -> None:
        place = Path(f"/proc/self/fd/{descriptor}").resolve()
        events.append("folder" if place == tmp_path.resolve() else place.name)
        fsync(descriptor)

    monkeypatch.setattr(Path, "replace", seen_replace)
    monkeypatch.setattr(os, "fsync", seen_fsync)
    if not Path("/proc/self/fd").is_dir():
        pytest.skip("needs /proc")
    (tmp_path / "old").write_bytes(b"data")
    rename_whole(tmp_path / "old", tmp_path / "new")
    assert events == ["old", "rename", "new", "folder"]
    events.clear()
    write_whole(tmp_path / "whole", b"data")
    partial, *rest = events
    assert is_partial_of(partial, "whole")
    assert rest == ["rename", "whole", "folder"]


def test_partial_names_belong_to_their_final_name() -> None:
    assert is_partial(".a.iso.12-34.mediashelf-partial")
    assert is_partial_of(".a.iso.12-34.mediashelf-partial", "a.iso")
    assert not is_partial_of(".a.iso.12-34.mediashelf-partial", "b.iso")
    assert not is_partial("a.iso.12-34.mediashelf-partial")
    assert not is_partial(".a.iso")


def test_what_is_given_is_a_partial_of_the_path(tmp_path: Path) -> None:
    with whole_output(tmp_path / ("x" * 200)) as temporary:
        assert is_partial_of(temporary.name, "x" * 200)
        temporary.write_bytes(b"1")
    assert [path.name for path in tmp_path.iterdir()] == ["x" * 200]
