"""A card against its manifest: each damage is found, the undamaged card yields nothing."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from msgspec.structs import replace

from failing_medium import fail_reads, sectors
from mediashelf.findings import Finding, Severity
from mediashelf.sessions.cards.confirm import check_card
from mediashelf.sessions.manifests.manifest import read_manifest
from mediashelf.sessions.manifests.values import Manifest
from session_samples import DRIVERS, OLD, SHEET, SYSTEM, make_card, put


@pytest.fixture
def card(tmp_path: Path) -> Path:
    return make_card(tmp_path)


def check(card: Path, *, read_contents: bool = True) -> list[Finding]:
    manifest = read_manifest(card / "manifest.json")
    return list(check_card(manifest, card, read_contents=read_contents))


def test_a_sound_card_yields_nothing_and_is_read_once(card: Path) -> None:
    counted: list[int] = []
    manifest = read_manifest(card / "manifest.json")
    assert list(check_card(manifest, card, on_bytes=counted.append)) == []
    # The first disc appears twice in the order of use, and is read once.
    assert sum(counted) == 2 * 300 * 2048
    assert check(card, read_contents=False) == []


def flip(path: Path, at: int) -> None:
    with path.open("r+b") as stream:
        stream.seek(at)
        byte = stream.read(1)
        stream.seek(at)
        stream.write(bytes([byte[0] ^ 0xFF]))


def swap_for_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def swap_for_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def swap_for_link(target: str) -> Callable[[Path], None]:
    def act(path: Path) -> None:
        path.unlink()
        path.symlink_to(target)

    return act


@pytest.mark.parametrize(
    ("damage", "rule"),
    [
        (Path.unlink, "card-file-is-there"),
        (swap_for_folder, "card-file-is-regular"),
        (swap_for_pipe, "card-file-is-regular"),
        (swap_for_link("/etc/hostname"), "card-path-stays-on-card"),
        (swap_for_link("../elsewhere.iso"), "card-path-stays-on-card"),
        (swap_for_link(SYSTEM), "card-file-is-there"),  # a link to itself
        (lambda path: os.truncate(path, 300 * 2048 - 1), "card-size-agrees"),
        (lambda path: os.truncate(path, 300 * 2048 + 1), "card-size-agrees"),
        (lambda path: os.truncate(path, 0), "card-size-agrees"),
        (lambda path: flip(path, 0), "card-digest-agrees"),
        (lambda path: flip(path, 300 * 2048 - 1), "card-digest-agrees"),
    ],
)
def test_damage_to_an_image_is_one_error(
    card: Path, damage: Callable[[Path], None], rule: str
) -> None:
    damage(card / SYSTEM)
    (finding,) = check(card)
    assert (finding.rule, finding.severity, finding.where) == (rule, Severity.ERROR, SYSTEM)
    assert finding.remedy


def test_bytes_that_the_card_does_not_give_back_are_an_error(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fail_reads(monkeypatch, card / SYSTEM, *sectors(100))
    (finding,) = check(card)
    assert (finding.rule, finding.severity, finding.where) == (
        "card-is-readable",
        Severity.ERROR,
        SYSTEM,
    )
    assert "do not trust this card" in finding.remedy


@pytest.mark.parametrize("algorithm", ["xxh3_128", "sha256"])
def test_a_digest_that_was_changed_in_the_manifest_is_an_error(card: Path, algorithm: str) -> None:
    """The bytes are good; whoever compares them by that digest would be told otherwise."""
    path = card / "manifest.json"
    right = getattr(read_manifest(path).images[0].digests, algorithm)
    wrong = ("1" if right[0] == "0" else "0") + right[1:]
    path.write_text(path.read_text().replace(right, wrong))
    (finding,) = check(card)
    assert (finding.rule, finding.severity, finding.where) == (
        "card-digest-agrees",
        Severity.ERROR,
        SYSTEM,
    )
    assert "the manifest was changed" in finding.message


def test_a_link_within_the_card_is_followed(card: Path) -> None:
    (card / "store").mkdir()
    (card / SYSTEM).rename(card / "store" / "system.iso")
    (card / SYSTEM).symlink_to("store/system.iso")
    assert [finding.rule for finding in check(card)] == ["card-extra-files"]


def test_without_reading_only_sizes_are_compared(card: Path) -> None:
    flip(card / SYSTEM, 1000)
    assert check(card, read_contents=False) == []
    os.truncate(card / DRIVERS, 5)
    assert [finding.where for finding in check(card, read_contents=False)] == [DRIVERS]


def test_a_scribbled_run_sheet_is_a_note(card: Path) -> None:
    with (card / SHEET).open("a") as sheet:
        sheet.write("jumper 3 was wrong\n")
    (finding,) = check(card)
    assert (finding.rule, finding.severity) == ("card-other-file-agrees", Severity.NOTE)


def test_other_files_on_the_card_are_notes_by_kind(card: Path) -> None:
    put(card, OLD, 100)
    put(card, "holiday \x1b[2J.jpg", 100)
    (card / "photos").mkdir()
    put(card, ".01-KIOSK-SYSTEM.iso.77-abc.mediashelf-partial", 100)
    found = {finding.rule: finding for finding in check(card)}
    assert set(found) == {"card-earlier-files", "card-extra-files", "card-partial-files"}
    assert all(finding.severity is Severity.NOTE for finding in found.values())
    assert found["card-earlier-files"].where == OLD
    assert "\x1b" not in found["card-extra-files"].message
    assert "1 file and 1 folder not in the manifest" in found["card-extra-files"].message


def test_folders_that_systems_make_are_not_noted(card: Path) -> None:
    """mke2fs(8) makes lost+found on each card of ext4; it was "1 file not in the manifest"."""
    for name in ("lost+found", "System Volume Information"):
        (card / name).mkdir()
    assert check(card) == []


def test_a_card_whose_preparing_was_stopped_is_a_warning(card: Path) -> None:
    (card / ".mediashelf-staging.json").write_text("{}")
    (finding,) = check(card)
    assert (finding.rule, finding.severity) == ("card-is-finished", Severity.WARNING)


def test_folders_inside_the_card(card: Path) -> None:
    manifest = read_manifest(card / "manifest.json")
    (card / "discs" / "a").mkdir(parents=True)
    inside = put(card, "discs/a/system.iso", 300 * 2048)
    put(card, "discs/other.bin", 10)
    first = manifest.discs[0]
    lun = (*first.lun[:-1], replace(first.lun[-1], value=inside.path))
    only: Manifest = replace(
        manifest,
        discs=(replace(first, path=inside.path, digests=inside.digests, lun=lun),),
        other_files=(),
        earlier_files=(),
    )
    (finding,) = check_card(only, card)
    # The folder "discs" itself is no extra file; what lies beside ours in it is not looked at.
    assert finding.message.endswith(f": {SYSTEM}, {DRIVERS}, {SHEET}")


@pytest.mark.skipif(not shutil.which("sha256sum"), reason="needs coreutils' sha256sum")
def test_sha256_agrees_with_coreutils(card: Path) -> None:
    manifest = read_manifest(card / "manifest.json")
    lines = "".join(f"{image.digests.sha256}  {image.path}\n" for image in manifest.images)
    done = subprocess.run(
        ["sha256sum", "--check", "--strict"], input=lines, text=True, cwd=card, capture_output=True
    )
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.skipif(not shutil.which("xxhsum"), reason="needs xxhsum")
def test_xxh3_agrees_with_xxhsum(card: Path) -> None:
    manifest = read_manifest(card / "manifest.json")
    done = subprocess.run(
        ["xxhsum", "-H128", card / SYSTEM], text=True, capture_output=True, check=True
    )
    assert done.stdout.split()[0] == manifest.discs[0].digests.xxh3_128


def test_a_disc_that_the_emulator_cannot_serve_is_an_error_on_the_board_too(card: Path) -> None:
    os.truncate(card / SYSTEM, 299 * 2048)
    manifest = read_manifest(card / "manifest.json")
    first = replace(manifest.discs[0], size=299 * 2048, served_blocks=0)
    short = replace(manifest, discs=(first,), other_files=(), earlier_files=())
    rules = [finding.rule for finding in check_card(short, card, read_contents=False)]
    assert rules[0] == "emulator-smallest-disc"
