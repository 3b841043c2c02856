"""What FAT leaves of a card that was pulled; each case was seen on a real one (tests/kernel)."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from mediashelf.errors import BlockedError, StagingError
from mediashelf.files import PARTIAL_MARK
from mediashelf.sessions import card_space as card
from mediashelf.sessions import mounts
from mediashelf.sessions.cards import staging
from mediashelf.sessions.cards.confirm import check_card
from mediashelf.sessions.cards.placed import Action
from mediashelf.sessions.cards.pulled import TWO_NAMES_RULE
from mediashelf.sessions.cards.records import JOURNAL_NAMES, read_records
from mediashelf.sessions.manifests.manifest import read_manifest
from session_bench import Bench

SYSTEM = "01-K4E-KIOSK-SYSTEM.iso"
LEFTOVER = f".{SYSTEM}.999999-0badcafe{PARTIAL_MARK}"


@pytest.fixture
def on_fat(monkeypatch: pytest.MonkeyPatch) -> None:
    mount = mounts.Mount("vfat", False, "/dev/sdx1")
    for module in (card, mounts):
        monkeypatch.setattr(module, "mount_of", lambda path: mount)


def stop_before_the_manifest(bench: Bench) -> None:
    def fail(manifest: object) -> dict[str, bytes]:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        bench.prepare(sheets=fail)


def test_one_file_under_two_names_is_never_touched(bench: Bench, on_fat: None) -> None:
    stop_before_the_manifest(bench)
    (bench.card / LEFTOVER).write_bytes((bench.card / SYSTEM).read_bytes())
    before = bench.on_card()
    with pytest.raises(BlockedError, match="1 error blocks this session"):
        bench.prepare()
    with pytest.raises(
        BlockedError, match=r"removing one would destroy the other.*fsck\.fat -a /dev"
    ):
        bench.prepare(anyway=True)
    assert bench.on_card() == before


@pytest.mark.parametrize("change", ["other bytes", "other size", "empty"])
def test_what_is_no_second_name_is_removed(bench: Bench, on_fat: None, change: str) -> None:
    stop_before_the_manifest(bench)
    data = (bench.card / SYSTEM).read_bytes()
    leftover = {"other bytes": data[::-1], "other size": data[:-2048], "empty": b""}[change]
    (bench.card / LEFTOVER).write_bytes(leftover)
    manifest = bench.prepare().manifest
    assert "card-was-let-go" in {row.rule for row in manifest.open_findings}
    assert not list(bench.card.glob(".*"))
    assert bench.prepare().manifest.open_findings[0].rule != "card-was-let-go"


def test_other_file_systems_keep_their_names(bench: Bench) -> None:
    stop_before_the_manifest(bench)
    (bench.card / LEFTOVER).write_bytes((bench.card / SYSTEM).read_bytes())
    rules = {row.rule for row in bench.prepare().manifest.open_findings}
    assert not rules & {TWO_NAMES_RULE, "card-was-let-go"}
    assert not list(bench.card.glob(".*"))


def test_a_journal_of_which_nothing_is_left_has_another(bench: Bench) -> None:
    stop_before_the_manifest(bench)
    found = sorted(name for name in JOURNAL_NAMES if (bench.card / name).exists())
    assert found == sorted(JOURNAL_NAMES)
    for name in JOURNAL_NAMES:
        data = (bench.card / name).read_bytes()
        (bench.card / name).write_bytes(b"")
        assert SYSTEM in {file.path for file in read_records(bench.card).files}
        (bench.card / name).write_bytes(data)
    prepared = bench.prepare()
    assert prepared.session.arrangement.write_size == 0
    assert not list(bench.card.glob(".*"))


def test_emptied_files_of_ours_are_ours(bench: Bench) -> None:
    """A checker of the file system empties one of two files that share their clusters."""
    bench.prepare()
    (bench.card / SYSTEM).write_bytes(b"")
    (bench.card / "run-sheet.txt").write_bytes(b"")
    prepared = bench.prepare()
    assert prepared.session.arrangement.discs[0].action is Action.COPY
    assert [file.path for file in prepared.manifest.other_files] == ["run-sheet.txt"]
    assert list(check_card(prepared.manifest, bench.card)) == []
    bench.write_plan('image = "library/slides.iso"')
    (bench.card / SYSTEM).write_bytes(b"")
    tidied = [file.path for file in bench.prepare(tidy=True).tidied]
    assert SYSTEM in tidied


def test_a_manifest_of_no_bytes_is_none(bench: Bench) -> None:
    stop_before_the_manifest(bench)
    (bench.card / "manifest.json").write_bytes(b"")
    bench.prepare()
    manifest = read_manifest(bench.card / "manifest.json")
    assert list(check_card(manifest, bench.card)) == []


def test_what_stayed_is_read_again_when_leftovers_were_removed(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.prepare()
    (bench.card / LEFTOVER).write_bytes(b"half")
    remove = staging._remove_leftovers

    def spoil(folder: Path) -> bool:
        with (folder / SYSTEM).open("r+b") as image:
            image.write(b"spoiled")
        return remove(folder)

    with monkeypatch.context() as patch:
        patch.setattr(staging, "_remove_leftovers", spoil)
        with pytest.raises(StagingError, match=f"{SYSTEM}: was damaged when the files"):
            bench.prepare()
    assert bench.prepare().session.arrangement.discs[0].action is Action.COPY


def test_a_card_that_becomes_read_only_says_what_to_do(
    bench: Bench, on_fat: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(old: Path, new: Path) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(new))

    monkeypatch.setattr("mediashelf.files.rename_whole", refuse)
    with pytest.raises(StagingError, match=r"became read-only.*fsck\.fat -a /dev/sdx1"):
        bench.prepare()
