"""Images that are too small for the emulator, end inside a block, or are too large."""

from __future__ import annotations

import hashlib

import pytest

from make_image import make_iso
from mediashelf.errors import BlockedError
from mediashelf.findings import Severity
from mediashelf.image import open_image
from mediashelf.sessions.cards.placed import Action
from mediashelf.sessions.discs.ways_out import fit_to_serve, padding_of
from mediashelf.sessions.emulator import MAX_SIZE, MIN_SIZE, check_lun
from raw_bench import RAW_DISC, assert_card_is_right, only_disc, put_raw, rules
from session_bench import Bench, slides_image


def test_a_small_image_is_padded_when_the_plan_says_so(bench: Bench) -> None:
    small = make_iso({"READ.TXT": b"hello"}, label="SMALL", joliet=3).data
    assert len(small) < MIN_SIZE
    path = bench.folder / "library" / "small.iso"
    path.write_bytes(small)
    bench.write_plan('image = "library/small.iso"')
    with pytest.raises(BlockedError):
        bench.prepare()
    manifest = bench.prepare(anyway=True).manifest
    (row,) = [row for row in manifest.discs[0].open_findings if row.severity == "error"]
    assert row.rule == "emulator-smallest-disc"
    assert "pad = true for this disc in the plan, or prepare --pad" in row.remedy
    bench.write_plan('image = "library/small.iso"\npad = true')
    prepared = bench.prepare()
    disc = only_disc(prepared.manifest)
    padded = small + bytes(MIN_SIZE - len(small))
    assert bench.on_card()[disc.path] == padded
    assert path.read_bytes() == small
    assert (disc.size, disc.served_blocks) == (MIN_SIZE, 300)
    assert disc.digests.sha256 == hashlib.sha256(padded).hexdigest()
    assert disc.origin.digests is not None
    assert disc.origin.digests.sha256 == hashlib.sha256(small).hexdigest()
    assert disc.origin.padding == MIN_SIZE - len(small)
    assert disc.origin.size == len(small)
    assert rules(disc)["image-is-padded"] == "note"
    assert_card_is_right(bench, prepared.manifest)
    with open_image(bench.card / disc.path) as image:
        assert max(one.severity for one in image.findings) < Severity.ERROR
    again = bench.prepare()
    assert again.session.arrangement.discs[0].action is Action.KEEP
    assert again.manifest == prepared.manifest


def test_a_small_raw_image_is_converted_and_padded(bench: Bench) -> None:
    small = make_iso({"READ.TXT": b"hello"}, label="SMALL", joliet=3).data
    raw = put_raw(bench, small)
    bench.write_plan(f"{RAW_DISC}\npad = true")
    prepared = bench.prepare()
    disc = only_disc(prepared.manifest)
    assert bench.on_card()[disc.path] == small + bytes(MIN_SIZE - len(small))
    assert (disc.origin.how, disc.origin.padding) == ("converted", MIN_SIZE - len(small))
    assert disc.origin.digests is not None
    assert disc.origin.digests.sha256 == hashlib.sha256(raw).hexdigest()
    assert_card_is_right(bench, prepared.manifest)


def test_an_image_that_ends_inside_a_block_is_served_whole_with_padding(bench: Bench) -> None:
    data = slides_image() + b"tail"
    bench.slides.write_bytes(data)
    bench.write_plan('image = "library/slides.iso"')
    plain = only_disc(bench.prepare().manifest)
    assert plain.served_blocks * 2048 == len(data) - 4
    assert "emulator-whole-blocks" in rules(plain)
    bench.write_plan('image = "library/slides.iso"\npad = true')
    disc = only_disc(bench.prepare().manifest)
    assert disc.served_blocks * 2048 == disc.size == len(data) + 2044
    assert bench.on_card()[disc.path] == data + bytes(2044)
    assert "emulator-whole-blocks" not in rules(disc)


def test_zeros_are_no_remedy_for_an_image_that_was_cut(bench: Bench) -> None:
    bench.slides.write_bytes(slides_image()[:500_001])
    bench.write_plan('image = "library/slides.iso"')
    disc = only_disc(bench.prepare(anyway=True).manifest)
    assert rules(disc)["image-is-whole"] == "error"
    remedies = [row.remedy for row in disc.open_findings if row.rule.startswith("emulator-")]
    assert remedies
    assert not any("pad = true" in remedy for remedy in remedies)


def test_nothing_is_padded_that_needs_none(bench: Bench) -> None:
    bench.write_plan('image = "library/slides.iso"\npad = true')
    disc = only_disc(bench.prepare().manifest)
    assert disc.origin.padding == 0
    assert set(rules(disc)) == {"first-disc-boots"}


def test_padded_and_not_padded_are_two_images(bench: Bench) -> None:
    bench.slides.write_bytes(slides_image() + b"tail")
    bench.write_plan('image = "library/slides.iso"', 'image = "library/slides.iso"\npad = true')
    manifest = bench.prepare().manifest
    assert [disc.repeats for disc in manifest.discs] == [None, None]
    assert len(bench.images_on_card()) == 2


@pytest.mark.parametrize("size", [0, 1, 2047, 614_399, 614_400, 614_401, 700_000, MAX_SIZE - 5])
def test_padding_makes_any_size_that_can_be_served_whole(size: int) -> None:
    """The limits are the kernel's: 300 blocks of 2048 bytes, and whole blocks."""
    padded = size + padding_of(size)
    assert padded % 2048 == 0
    assert padded >= 300 * 2048
    assert list(check_lun(padded)) == []
    assert padding_of(padded) == 0
    assert padding_of(size) < 2048 or padded == 614_400
    _, findings = fit_to_serve(size, "a.iso", pad=False)
    assert all("pad = true" in one.remedy for one in findings)
    assert bool(findings) == bool(padding_of(size))


def test_what_is_too_large_is_refused_with_the_reason(bench: Bench) -> None:
    large = bench.folder / "library" / "large.iso"
    large.write_bytes(slides_image())
    with large.open("r+b") as stream:
        stream.truncate(MAX_SIZE + 2048)  # a hole: it takes no room
    bench.write_plan('image = "library/large.iso"\npad = true')
    with pytest.raises(BlockedError):
        bench.prepare()
    padding, (finding,) = fit_to_serve(MAX_SIZE + 1, "large.iso", pad=True)
    assert padding == 0
    assert finding.rule == "emulator-whole-blocks"
    assert "spread the contents" in finding.remedy
    _, (finding,) = fit_to_serve(MAX_SIZE + 2048, "large.iso", pad=True)
    assert finding.rule == "emulator-largest-disc"
    assert "1,151,999" in finding.message
