"""The audit's page: nothing left unsaid, nothing from outside alive in it, never large."""

from __future__ import annotations

import base64
import hashlib
import re

import pytest
from msgspec.structs import replace

from mediashelf.catalogue.auditing.audit import AuditResult, Depth
from mediashelf.findings import Severity
from mediashelf.integrity.fixity.comparing import FixityVerdict, State
from mediashelf.integrity.structure.damage import Span, StoredSectors, TouchedEntry
from mediashelf.reports.audit.page import (
    DETAIL_ROWS,
    IMAGES_SHOWN,
    MEANINGS,
    audit_html,
    audit_page,
)
from report_samples import CREATED, HOSTILE, MIB, Page, finding, result

NOTE, WARNING, ERROR = Severity.NOTE, Severity.WARNING, Severity.ERROR


def html(*results: AuditResult, depth: Depth = Depth.DIGESTS) -> str:
    return audit_html(
        results, depth, scope="shelf home", created=CREATED, created_by="mediashelf 9"
    )


def decayed() -> AuditResult:
    span = Span(2 * MIB, MIB)
    return result(
        "attic.iso",
        State.DECAYED,
        findings=[
            finding(
                "bytes-as-recorded",
                where="home: attic.iso",
                message="the bytes differ",
                offset=span.offset,
                length=span.length,
                remedy="take the bytes from another copy",
            )
        ],
        spans=[span],
        touched=[TouchedEntry("/DATA1.CAB", 2 * MIB, MIB, (Span(MIB, 2 * MIB),))],
    )


def every_state() -> list[AuditResult]:
    quiet = (State.SOUND, State.UNRECORDED, State.AWAY)
    return [
        result(f"{state}.iso", state, findings=[] if state in quiet else [finding(where=state)])
        for state in State
    ]


def test_every_state_is_named_counted_explained_and_has_its_own_sign() -> None:
    text = html(*every_state(), result("second.iso"))
    page = Page(text)
    assert set(MEANINGS) == set(State)
    signs = set(re.findall(r'<symbol id="sign-(\w+)"', text))
    assert signs == {state.value for state in State}
    shapes = re.findall(r'<symbol id="sign-\w+"[^>]*>(.*?)</symbol>', text)
    assert len(set(shapes)) == len(signs)
    for state in State:
        count = 2 if state is State.SOUND else 1
        assert f"{count}{state.shown}{MEANINGS[state]}" in page.flat.replace("\n", "")
        assert f"home: {state}.iso" in page.words


@pytest.mark.parametrize(
    ("results", "depth", "headline"),
    [
        ([], Depth.DIGESTS, "No image was audited"),
        ([result()], Depth.DIGESTS, "1 image is sound"),
        ([result(), result("b")], Depth.CONTENTS, "2 images are sound"),
        (
            [result(), result("b", State.UNRECORDED), result("c", State.AWAY)],
            Depth.DIGESTS,
            "1 image is sound; 1 has no record, only a good structure; 1 is away",
        ),
        (
            [result("b", State.UNRECORDED), result("c", State.UNRECORDED)],
            Depth.DIGESTS,
            "2 images have no record, only a good structure",
        ),
        ([result(), result("b", State.AWAY)], Depth.DIGESTS, "1 image is sound; 1 is away"),
        ([result("b", State.AWAY)], Depth.DIGESTS, "1 image is away; none was audited"),
        ([result(), decayed()], Depth.DIGESTS, "1 of 2 images needs attention"),
        ([result(findings=[finding(severity=WARNING)])], Depth.DIGESTS, "1 of 1 image needs"),
        ([result(findings=[finding(severity=NOTE)])], Depth.DIGESTS, "1 image is sound"),
    ],
)
def test_the_headline_says_it_in_a_breath(
    results: list[AuditResult], depth: Depth, headline: str
) -> None:
    page = Page(html(*results, depth=depth))
    assert headline in page.title
    assert page.flat.index(headline) < page.flat.index("Structure of")  # before all else


def test_it_says_what_was_read_and_what_was_not() -> None:
    page = Page(html(result(), result("new.iso", recorded=False)))
    assert "compared with a digest on record, 1 had none" in page.words
    assert "Whether files inside are sound in themselves was not checked" in page.words


def test_what_was_left_for_another_day_is_said_beside_what_was_read() -> None:
    left = "Left for the next time: 2 images."
    text = audit_html(
        [result()], Depth.DIGESTS, scope="", created=CREATED, created_by="", notes=[left]
    )
    assert left in Page(text).words


def test_a_card_says_what_is_wrong_what_is_hit_and_what_to_do() -> None:
    page = Page(html(decayed(), result()))
    for words in (
        "decayed",
        "home: attic.iso",
        "since 2025-01-02, last confirmed 2025-06-07",
        "/DATA1.CAB 1 of 2 MiB",
        "Damage: bytes 2,097,152 to 3,145,727, 1.0 MiB, LBA 1,024 to 1,535 (bytes-as-recorded).",
        "1 file or folder hit; the 19 other files and folders are not affected",
        "bytes-as-recorded",
        "the bytes differ",
        "To do: take the bytes from another copy",
        "Source: ECMA-119 9.1",
    ):
        assert words in page.flat, words


def test_the_drawing_has_the_numbers_of_the_map() -> None:
    page = Page(html(decayed()))
    wrong = [each for each in page.with_class("wrong") if each.get("height") == "20"]
    assert [(each["x"], each["width"]) for each in wrong] == [("25.0%", "12.5%")]
    lots = [each for each in page.with_class("lot") if each.get("height") == "10"]
    assert [(each["x"], each["width"]) for each in lots] == [("12.5%", "25.0%")]
    hits = [each for each in page.with_class("wrong") if each.get("height") == "10"]
    assert [(each["x"], each["width"]) for each in hits] == [("25.0%", "12.5%")]


def test_what_a_file_lost_at_its_end_is_drawn_as_missing() -> None:
    cut = result(
        "cut.iso",
        State.TRUNCATED,
        size=6 * MIB,
        recorded_size=8 * MIB,
        findings=[finding("file-is-whole", offset=6 * MIB, length=2 * MIB)],
        spans=[Span(6 * MIB, 2 * MIB)],
    )
    page = Page(html(cut))
    missing = [each for each in page.with_class("not-there") if each.get("height") == "20"]
    assert [(each["x"], each["width"]) for each in missing] == [("75.0%", "25.0%")]
    assert "Missing: bytes 6,291,456 to 8,388,607" in page.flat
    assert "on record 8.0 MiB" in page.words


def test_raw_images_have_the_lbas_of_their_own_sectors() -> None:
    """A raw sector has 2352 bytes, of which those of user data begin at 16 (ECMA-130 14)."""
    raw = result(
        "raw.bin",
        State.DAMAGED,
        size=2352 * 1000,
        raw=True,
        findings=[finding("sector-lost", offset=2352 * 250, length=2352)],
    )
    assert "LBA" not in Page(html(raw)).words  # how its sectors are stored is not known
    known = replace(raw, reading=replace(raw.reading, stored=StoredSectors(2352, 16)))
    page = Page(html(known))
    assert "2.3 KiB, LBA 250 (sector-lost)." in page.flat
    wrong = [each for each in page.with_class("wrong") if each.get("height") == "20"]
    assert [(each["x"], each["width"]) for each in wrong] == [("25.0%", "0.1%")]


def test_places_that_a_sheet_tells_of_are_in_other_files() -> None:
    sheet = result("raw.cue", State.DAMAGED, size=77, findings=[finding(offset=5000, length=2352)])
    page = Page(html(sheet))
    assert "something is wrong" in page.words
    assert "5,000" not in page.words
    assert not list(page.with_class("reach"))


def test_every_finding_is_there_or_counted() -> None:
    many = [finding("record-order", where=f"/D/{number:03}") for number in range(50)]
    results = [
        result("a.iso", State.DAMAGED, findings=many),
        result("b.iso", findings=[finding("raw-sectors", NOTE, where="image")]),
    ]
    page = Page(html(*results))
    assert "50 places" in page.words
    shown = len(set(re.findall(r"/D/\d{3}", page.words)))
    (left_out,) = re.findall(r"(\d+) more places like these", page.words)
    assert shown + int(left_out) == 50
    assert "home: b.iso: something is wrong" in page.flat
    rules = {row.rule: (row.count, row.images) for row in model(results).rules}
    assert rules == {"record-order": (50, 1), "raw-sectors": (1, 1)}


def model(results: list[AuditResult]):  # type: ignore[no-untyped-def]
    return audit_page(results, Depth.DIGESTS, scope="", created=CREATED, created_by="")


def test_different_remedies_of_one_rule_stand_with_their_places() -> None:
    page = Page(
        html(
            result(
                state=State.DAMAGED,
                findings=[finding(remedy="cut it"), finding(where="/B", remedy="fill it up")],
            )
        )
    )
    assert "something is wrong. To do: cut it" in page.flat
    assert "something is wrong. To do: fill it up" in page.flat


def test_images_are_listed_worst_first() -> None:
    states = [line.state for line in model(every_state()).images]
    assert states[0] == "unreadable"
    assert states[-1] == "sound"


def test_an_image_confirmed_by_this_audit_says_so() -> None:
    lines = {line.name: line.confirmed for line in model([result(), decayed()]).images}
    assert lines == {"home: tide.iso": "2026-11-25", "home: attic.iso": "2025-06-07"}


def test_cards_and_rows_are_linked() -> None:
    text = html(decayed(), result())
    page = Page(text)
    targets = [each["href"] for tag, each in page.elements if tag == "a"]
    assert targets == ["#image-1"]
    assert [each["id"] for tag, each in page.elements if tag == "details"] == ["image-1"]


def test_the_page_needs_nothing_else_and_runs_only_its_own_script() -> None:
    text = html(*every_state(), decayed())
    page = Page(text)
    assert not re.search(r"https?:|//[a-z]|@import|src\s*=", text)
    assert all(target.startswith("#") for target in re.findall(r'href="([^"]*)"', text))
    assert all(place.startswith("#") for place in re.findall(r"url\(([^)]*)\)", text))
    (policy,) = (
        each["content"] for tag, each in page.elements if each.get("http-equiv", "").startswith("C")
    )
    digest = base64.b64encode(hashlib.sha256(page.script.encode()).digest()).decode()
    assert policy == (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    )
    assert not [name for _, each in page.elements for name in each if name.startswith("on")]
    ids = [each["id"] for _, each in page.elements if "id" in each]
    assert len(ids) == len(set(ids))
    used = set(re.findall(r'(?:href="|url\()#([\w-]+)', text))
    assert used <= set(ids)


def test_names_from_discs_stay_text() -> None:
    hostile = result(
        HOSTILE,
        State.DECAYED,
        findings=[
            finding(
                "bytes-as-recorded",
                where=f"/{HOSTILE}",
                message=HOSTILE,
                remedy=HOSTILE,
                source=HOSTILE,
                target=HOSTILE,
                offset=5 * MIB,
            )
        ],
        spans=[Span(MIB, MIB)],
        touched=[TouchedEntry(f"/{HOSTILE}", 2 * MIB, MIB, (Span(MIB, 2 * MIB),))],
    )
    row = hostile.job.row
    assert row is not None
    hostile = replace(hostile, job=replace(hostile.job, row=row._replace(labels=(HOSTILE,))))
    text = audit_html(
        [hostile, result(HOSTILE, findings=[finding(severity=NOTE, where=HOSTILE)])],
        Depth.DIGESTS,
        scope=HOSTILE,
        created=CREATED,
        created_by=HOSTILE,
    )
    plain = Page(html(decayed(), result(findings=[finding(severity=NOTE)])))
    page = Page(text)
    assert page.names <= plain.names
    assert page.words.count("<script>") >= 10
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "\\x1b[2J\\u202e" in text
    text.encode("utf-8")


def test_long_names_keep_both_ends() -> None:
    name = "start" + "x" * 5000 + "end.iso"
    page = Page(html(result(name, State.DAMAGED)))
    assert "home: start" in page.words
    assert "xend.iso" in page.words
    assert len(page.words) < 5000


def test_equal_audits_make_equal_pages() -> None:
    assert html(*every_state(), decayed()) == html(*every_state(), decayed())


def test_the_page_of_a_huge_library_is_bounded_and_says_what_it_leaves_out() -> None:
    count = 6000
    spans = [Span(number * 2 * MIB, MIB) for number in range(200)]
    bad = [
        result(
            f"bad {number}.iso",
            State.DAMAGED,
            size=400 * MIB,
            spans=spans,
            touched=[TouchedEntry("/A & B", MIB, MIB, (Span(0, MIB),))] * 30,
            findings=[
                finding(f"rule-{at % 30}", where="/" + "<n>" * 200, message='"' * 900, offset=at)
                for at in range(100)
            ],
        )
        for number in range(200)
    ]
    sound = [result(f"{'long name ' * 30}{number}.iso") for number in range(count - len(bad))]
    text = html(*bad, *sound)
    assert len(text.encode()) < 6_000_000
    page = model([*bad, *sound])
    assert len(page.images) == IMAGES_SHOWN
    assert page.images_left_out == count - IMAGES_SHOWN
    assert page.image_count == count
    assert len(page.attention) + page.cards_left_out == len(bad)
    assert (
        0
        < sum(len(group.places) for card in page.attention for group in card.groups)
        < (DETAIL_ROWS)
    )
    assert sum(row.count for row in page.rules) == 100 * len(bad)
    for card in page.attention:
        assert sum(group.count for group in card.groups) == 100
        assert len(card.spans) + card.spans_left_out == len(spans)
    words = Page(text).flat
    assert f"{page.cards_left_out} more images that need attention are not shown" in words
    assert f"{count - IMAGES_SHOWN:,} more images left out of this table" in words
    assert f"All {count:,} images" in words


def test_tables_can_be_sorted_by_what_they_show() -> None:
    page = Page(html(*every_state(), decayed()))
    assert list(page.with_class("sortable"))
    for tag, each in page.elements:
        if "data-sort" in each:
            assert tag == "td"
            float(each["data-sort"])
    heads = [each for tag, each in page.elements if tag == "th"]
    assert all(each.get("scope") == "col" for each in heads)


def test_a_verdict_that_was_never_confirmed_is_not_called_confirmed() -> None:
    new = result("new.iso", recorded=False)
    verdict = FixityVerdict(State.SOUND, "all bytes read; no recorded digest")
    (line,) = model([replace(new, verdict=verdict)]).images
    assert line.confirmed == ""
    assert "never" in Page(html(replace(new, verdict=verdict))).words


def test_many_images_are_a_list_that_opens_and_few_are_open() -> None:
    few = Page(html(decayed(), result()))
    many = Page(html(*[decayed() for _ in range(8)]))
    is_open = [
        ["open" in each for tag, each in page.elements if tag == "details"] for page in (few, many)
    ]
    assert is_open == [[True], [False] * 8]
    assert many.words.count("the bytes differ") >= 8
    assert "Print shows the details of those that are open" in many.flat
    assert "Print shows" not in few.flat


def test_the_brief_line_of_a_card_is_its_worst_finding() -> None:
    bad = result(
        "a.iso",
        State.DAMAGED,
        findings=[finding(severity=NOTE, message="a note"), finding(message="an error")],
    )
    (card,) = model([bad]).attention
    assert card.brief == "an error (and 1 more finding)"
