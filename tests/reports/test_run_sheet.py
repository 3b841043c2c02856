"""The run sheet: complete, narrow enough, self-contained, and safe whatever a disc is called."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

from hypothesis import given, settings
from session_samples import FINDING, manifests, sample_manifest

from mediashelf.reports.run_sheet import TEXT_WIDTH, sheet_html, sheet_text
from mediashelf.sessions.manifest_values import Contents, Manifest, ManifestSession
from mediashelf.text import display_width

HOSTILE = "<script>alert(1)</script>\x1b[2J\u202e&quot;'\""


def hostile_manifest() -> Manifest:
    """A manifest in which every text that may come from a disc or a plan is hostile."""
    manifest = sample_manifest()
    finding = replace(
        FINDING, where=HOSTILE, message=HOSTILE, remedy=HOSTILE, source=HOSTILE, target=HOSTILE
    )
    disc = replace(
        manifest.discs[0],
        label=HOSTILE,
        purpose=HOSTILE,
        expect=HOSTILE,
        targets=(HOSTILE,),
        passed=(),
        path=HOSTILE,
        contents=Contents(1, 1, (HOSTILE,)),
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
            assert disc.digests.sha256 in flat
        assert "as a 1.44 MB floppy (PC BIOS)" in flat
        assert "no, it does not boot" in flat
        assert "disc 1 again" in flat
        assert re.search(r"NOT passed for:?\s*win9x", flat)
        assert FINDING.message in flat
        assert FINDING.remedy in flat
        assert "and 2 more places; for win9x" in flat
    assert page.elements.count("input") == 2 * len(manifest.discs)
    assert sheet_text(manifest).count("[ ]") == 2 * len(manifest.discs)


def test_the_cautions_are_there_before_the_first_disc() -> None:
    manifest = sample_manifest()
    for words in (Collector(sheet_html(manifest)).words, sheet_text(manifest)):
        flat = " ".join(words.replace("*", " ").split())
        caution = flat[flat.index("CAUTION") : flat.index("Disc by disc")]
        assert "Discs 1 and 3 start the machine and may erase its disks" in caution
        assert "pull the mains plug" in caution
        assert "licensed people; follow your local electrical rules" in caution
        assert "only while the emulator has no power" in caution
        assert "licences that you own" in caution
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
    assert "WARNING: The name has" in sheet_text(sample_manifest())


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
