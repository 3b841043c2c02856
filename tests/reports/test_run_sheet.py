"""The run sheet: complete, narrow enough, self-contained, and safe whatever a disc is called."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

from hypothesis import given, settings
from test_pages_in_browser import MEASURE, PHONE, frame, run, said_by

from mediashelf.reports.bench.run_sheet import TEXT_WIDTH, sheet_html, sheet_text
from mediashelf.reports.bench.sheet_facts import DRAWING_SIZE, run_sheet
from mediashelf.sessions.manifests.parts import Contents, InnerShare, Origin, SpaceShare
from mediashelf.sessions.manifests.values import Manifest, ManifestSession
from mediashelf.text import display_width
from session_samples import FINDING, SOME_DIGESTS, manifests, sample_manifest

HOSTILE = "<script>alert(1)</script>\x1b[2J\u202e&quot;'\""


def hostile_manifest() -> Manifest:
    """A manifest in which every text that may come from a disc or a plan is hostile."""
    manifest = sample_manifest()
    finding = replace(
        FINDING, where=HOSTILE, message=HOSTILE, remedy=HOSTILE, source=HOSTILE, target=HOSTILE
    )
    areas = (
        SpaceShare(f"{HOSTILE}/", 9, 1, (InnerShare(HOSTILE, 9, 1),)),
        SpaceShare(HOSTILE, 8, 1),
    )
    disc = replace(
        manifest.discs[0],
        label=HOSTILE,
        purpose=HOSTILE,
        expect=HOSTILE,
        targets=(HOSTILE,),
        passed=(),
        path=HOSTILE,
        origin=Origin("converted", HOSTILE, 1, SOME_DIGESTS, 7),
        contents=Contents(1, 1, (HOSTILE,), areas),
        open_findings=(finding,),
    )
    return replace(
        manifest,
        discs=(disc,),
        session=ManifestSession(HOSTILE, HOSTILE),
        created_by=HOSTILE,
        open_findings=(finding,),
    )


class Collector(HTMLParser):
    """Collects elements, attributes and text of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.open: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.attributes += attrs
        if tag not in ("meta", "input"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


def test_every_step_says_what_the_person_needs() -> None:
    manifest = sample_manifest()
    page = Collector(sheet_html(manifest))
    assert page.open == []
    for words in (page.words, sheet_text(manifest)):
        flat = " ".join(words.split())
        for disc in manifest.discs:
            assert disc.path in flat
            assert disc.purpose in flat
            assert disc.expect in flat
            assert disc.code in flat
            assert disc.digests.sha256 in flat
        assert "as a 1.44 MB floppy (PC BIOS)" in flat
        assert "no, it does not boot" in flat
        assert "disc 1 again" in flat
        assert re.search(r"Errors for:?\s*win9x", flat)
        assert FINDING.message in flat
        assert FINDING.remedy in flat
        assert "and 2 more places, for win9x" in flat
        assert "session note K7C worked" in flat
    boxes = 2 * len(manifest.discs) + len(manifest.open_findings)
    assert page.elements.count("input") == boxes
    assert sheet_text(manifest).count("[ ]") == boxes


def test_the_cautions_are_there_before_the_first_disc() -> None:
    manifest = sample_manifest()
    for words in (Collector(sheet_html(manifest)).words, sheet_text(manifest)):
        flat = " ".join(words.replace("*", " ").split())
        caution = flat[flat.index("CAUTION") : flat.index("Disc by disc")]
        assert "Discs 1 and 3 start the machine and may erase its disks" in caution
        assert "pull the mains plug" in caution
        assert "licensed people; follow your local electrical rules" in caution
        assert "only while the emulator is switched off" in caution
        assert "with valid licences" in caution
    one = replace(manifest, discs=manifest.discs[:1])
    assert "Disc 1 starts the machine" in sheet_text(one)
    none = replace(manifest, discs=manifest.discs[1:2])
    assert "Programs on discs may erase disks" in sheet_text(none)


def test_the_page_needs_nothing_else() -> None:
    page = sheet_html(sample_manifest())
    assert not re.search(r"(src|href)\s*=|url\(", page)
    assert "default-src 'none'" in page
    assert "script" not in Collector(page).elements
    assert "@media print" in page
    assert "@page" in page


def test_severity_is_said_in_words_and_not_by_colour_alone() -> None:
    assert ">warning</span>" in sheet_html(sample_manifest())
    assert "WARNING: /Slides/A name" in sheet_text(sample_manifest())


def test_nothing_from_a_disc_becomes_markup_or_steers_a_terminal() -> None:
    plain = Collector(sheet_html(sample_manifest()))
    page = sheet_html(hostile_manifest())
    parsed = Collector(page)
    assert set(parsed.elements) <= set(plain.elements)
    assert parsed.words.count("<script>") >= 10  # all are there, as words
    for words in (page, sheet_text(hostile_manifest())):
        assert "\x1b" not in words
        assert "\u202e" not in words
        assert "\\x1b[2J\\u202e" in words


@settings(derandomize=True, deadline=None, max_examples=40)
@given(manifests())
def test_any_manifest_gives_both_sheets(manifest: Manifest) -> None:
    parsed = Collector(sheet_html(manifest))
    assert parsed.open == []
    lines = sheet_text(manifest).splitlines()
    assert all(display_width(line) <= TEXT_WIDTH for line in lines)
    assert sheet_html(manifest) == sheet_html(manifest)


def with_contents(contents: Contents) -> Manifest:
    manifest = sample_manifest()
    return replace(manifest, discs=(replace(manifest.discs[0], contents=contents),))


def test_the_drawing_shares_out_its_room_by_size() -> None:
    """Areas are in proportion to bytes: what stands beside folders has the area of its part."""
    areas = (
        SpaceShare("BIG/", 6000, 3, (InnerShare("A.BIN", 6000, 1),)),
        SpaceShare("SETUP.EXE", 3000, 1),
        SpaceShare("", 1000, 40),
    )
    (step,) = run_sheet(with_contents(Contents(44, 1, ("BIG/",), areas))).discs
    width, height = DRAWING_SIZE
    room = {tile.lines[0].split()[0]: tile for tile in step.tiles if tile.lines}
    for name, part in (("BIG/", 0.6), ("SETUP.EXE", 0.3), ("40", 0.1)):
        box = room[name].box
        assert abs(box.width * box.height - part * width * height) < 1
    # What is in a folder is drawn inside its frame.
    outer, inner = room["BIG/"].box, room["A.BIN"].box
    assert outer.x < inner.x < inner.x + inner.width < outer.x + outer.width
    for tile in step.tiles:
        assert 0 <= tile.box.x <= tile.box.x + tile.box.width <= width + 0.01
        assert 0 <= tile.box.y <= tile.box.y + tile.box.height <= height + 0.01


def test_names_take_the_place_of_a_drawing_where_there_is_none() -> None:
    page = sheet_html(with_contents(Contents(2, 0, ("A.TXT", "B.TXT"))))
    assert "<svg" not in page
    assert "2 files, 0 folders: A.TXT, B.TXT" in page
    page = sheet_html(with_contents(Contents(0, 0, ())))
    assert "Inside" not in page


def test_what_an_image_was_made_of_is_said_where_it_is_no_copy() -> None:
    manifest = sample_manifest()

    def text(origin: Origin) -> str:
        disc = replace(manifest.discs[0], origin=origin)
        return " ".join(sheet_text(replace(manifest, discs=(disc,))).split())

    raw = Origin("converted", "sounds.bin", 9, SOME_DIGESTS)
    assert "Made of: the data track of sounds.bin Checked" in text(raw)
    padded = Origin("copied", "charts.iso", 9, SOME_DIGESTS, 2048)
    assert "Made of: charts.iso, with 2.0 KiB of zeros after it" in text(padded)
    assert "Made of" not in text(manifest.discs[0].origin)


def test_places_at_home_are_not_on_the_sheet() -> None:
    """A path of the library means nothing at the bench; a path on the disc does."""
    manifest = sample_manifest()
    row = replace(FINDING, where="library/a.iso")
    disc = replace(manifest.discs[0], open_findings=(row,))
    assert "library" not in sheet_text(replace(manifest, discs=(disc,)))
    disc = replace(disc, open_findings=(FINDING,))
    assert FINDING.where in sheet_text(replace(manifest, discs=(disc,)))


def test_the_sheet_fits_a_phone(tmp_path: Path) -> None:
    name = "x" * 200
    manifest = sample_manifest()
    disc = replace(
        manifest.discs[0],
        label=name,
        purpose=name,
        expect=name,
        open_findings=(replace(FINDING, where=f"/{name}", message=name, source=name),),
    )
    pages = [sheet_html(manifest), sheet_html(replace(manifest, discs=(disc,)))]
    frames = [frame(page, width) for page in pages for width in (PHONE, 1280)]
    measured = said_by(run(MEASURE % "".join(frames), tmp_path))
    assert [one["width"] for one in measured] == [PHONE, 1280] * 2
