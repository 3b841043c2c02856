"""What blocks a card before anything is copied, and sources that are left for another."""

from __future__ import annotations

import gzip
import os
from pathlib import Path

import pytest

from make_image import make_iso
from mediashelf.errors import BlockedError, StagingError, TargetError
from mediashelf.integrity.fixity.comparing import FixityRecord
from mediashelf.integrity.fixity.reading import observe
from mediashelf.sessions.plans.resolve import KnownImage
from plan_texts import NoLibrary
from prepared_cards import SYSTEM
from session_bench import SYSTEM_DISC, Bench, noise, slides_image, system_image


@pytest.mark.parametrize(
    "text", ["not ours", '{"format": "mediashelf-card", "version": 7}', '{"name": "my app"}']
)
def test_a_manifest_that_is_not_ours_stops_the_run(bench: Bench, text: str) -> None:
    (bench.card / "manifest.json").write_text(text)
    with pytest.raises(StagingError, match="left alone"):
        bench.prepare(anyway=True)
    assert bench.on_card() == {"manifest.json": text.encode()}


def test_errors_block_before_anything_is_copied(bench: Bench) -> None:
    data = bench.slides.read_bytes()
    bench.slides.write_bytes(data[: len(data) * 2 // 3])
    with pytest.raises(BlockedError, match=r"nothing was copied"):
        bench.prepare()
    assert bench.on_card() == {}
    manifest = bench.prepare(anyway=True).manifest
    assert manifest.discs[2].passed == ()
    assert "error" in {row.severity for row in manifest.discs[2].open_findings}
    assert manifest.discs[0].passed == ("win9x",)


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        (b"\x00" * 700_000, "no-volume"),
        (gzip.compress(slides_image(100_000)), "image-is-unpacked"),
        (slides_image(100_000), "emulator-smallest-disc"),
        (b"", "no-volume"),
    ],
)
def test_what_the_emulator_or_reader_refuses_blocks(bench: Bench, data: bytes, rule: str) -> None:
    bench.slides.write_bytes(data)
    with pytest.raises(BlockedError):
        bench.prepare()
    manifest = bench.prepare(anyway=True).manifest
    assert rule in {row.rule for row in manifest.discs[2].open_findings}


def test_of_what_is_no_disc_nothing_else_is_said(bench: Bench) -> None:
    bench.slides.write_bytes(gzip.compress(slides_image(100_000)) + b"odd")
    disc = bench.prepare(anyway=True).manifest.discs[2]
    assert {row.rule for row in disc.open_findings if row.severity != "note"} == {
        "image-is-unpacked"
    }
    assert disc.passed == ()


def test_a_readability_error_names_its_target(bench: Bench) -> None:
    bench.write_plan('image = "library/deep.iso"\ntargets = ["dos", "nt5"]')
    path = "/".join(["D"] * 9) + "/A.TXT"
    deep = make_iso({path: noise("deep", 700_000)}, label="DEEP", joliet=3)
    (bench.folder / "library" / "deep.iso").write_bytes(deep.data)
    with pytest.raises(BlockedError):
        bench.prepare()
    (disc,) = bench.prepare(anyway=True).manifest.discs
    assert "dos" not in disc.passed
    assert "dos" in {row.target for row in disc.open_findings if row.severity == "error"}


def test_an_unknown_target_is_named_before_anything_is_read(bench: Bench) -> None:
    bench.write_plan(f'{SYSTEM_DISC}\ntargets = ["win9"]')
    with pytest.raises(TargetError, match="did you mean 'win9x'"):
        bench.prepare()


class OneRecord(NoLibrary):
    """A catalogue that knows one image as it is now."""

    def __init__(self, path: Path) -> None:
        self.path = path
        seen = observe(path, algorithms=["xxh3_128"])
        assert seen.digests is not None
        self.known = FixityRecord(
            seen.size,
            seen.mtime_ns,
            seen.digests.whole,
            seen.digests.blocks,
            recorded_at="2026-11-01T00:00:00Z",
        )

    def record(self, path: Path) -> FixityRecord | None:
        return self.known if path == self.path else None

    def find(self, text: str) -> list[KnownImage]:
        return [KnownImage(self.path, "KIOSK_SYSTEM", self.known)] if text == "kiosk" else []


def test_an_image_that_decayed_since_it_was_recorded_blocks(bench: Bench) -> None:
    library = OneRecord(bench.system)
    bench.prepare(library=library)
    status = bench.system.stat()
    with bench.system.open("r+b") as stream:
        stream.seek(1_900_000)  # inside a file: nothing but the digest can tell
        stream.write(b"rot")
    os.utime(bench.system, ns=(status.st_atime_ns, status.st_mtime_ns))
    with pytest.raises(BlockedError):
        bench.prepare(library=library)
    manifest = bench.prepare(library=library, anyway=True).manifest
    assert "bytes-as-recorded" in {row.rule for row in manifest.discs[0].open_findings}


def test_an_alternative_is_taken_when_the_first_source_is_damaged_or_absent(bench: Bench) -> None:
    library = OneRecord(bench.system)
    bad = bench.folder / "library" / "bad.iso"
    bad.write_bytes(system_image()[:1_000_000])
    for first in ("library/bad.iso", "library/none.iso"):
        bench.write_plan(f'image = "{first}"\nor = [{{ find = "nothing" }}, {{ find = "kiosk" }}]')
        manifest = bench.prepare(library=library).manifest
        assert bench.on_card()[SYSTEM] == bench.system.read_bytes()
        rows = {row.rule: row for row in manifest.discs[0].open_findings}
        assert rows["first-source-is-used"].severity == "note"
        assert first in rows["first-source-is-used"].message


def test_a_card_that_is_not_there_is_named(bench: Bench) -> None:
    bench.card.rmdir()
    with pytest.raises(StagingError, match="does not exist; plug the card in"):
        bench.prepare()
    bench.card.write_bytes(b"")
    with pytest.raises(StagingError, match="is not a folder"):
        bench.prepare()


def test_a_plan_for_a_card_that_is_too_small_blocks(bench: Bench) -> None:
    bench.write_plan(SYSTEM_DISC, top='[card]\ncapacity = "2MB"\nfilesystem = "fat32"')
    with pytest.raises(BlockedError):
        bench.prepare()
    manifest = bench.prepare(anyway=True).manifest
    assert "planned-card-is-large-enough" in {row.rule for row in manifest.open_findings}
