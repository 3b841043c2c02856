"""The page of ten thousand images answers within a second: what that costs, and not the clock.

On a machine that has other work a second by the clock says nothing. So the page's own
thread is asked for its time on a processor, and the page for how much it draws.
"""

from __future__ import annotations

from pathlib import Path

from browser_protocol import browser_page
from mediashelf.catalogue.rows import Description
from mediashelf.formats.disc_summary import DiscSummary
from mediashelf.reports.library.packing import ListedDisc
from mediashelf.reports.library.page import library_html
from report_samples import CREATED, MIB, image_row

IMAGES = 10_000
FIRST_ANSWER = 1.0  # seconds of the page's thread on a processor
ANSWER = 0.5
MOST_NODES = 5_000  # of the whole page; a card has a dozen

TYPE = """new Promise(function (done) {
  var input = document.getElementById("text");
  input.value = %s;
  input.dispatchEvent(new Event("input", { bubbles: true }));
  requestAnimationFrame(function () { setTimeout(function () {
    done(document.querySelector("[role=status]").textContent); }, 0); });
})"""


def large_library() -> str:
    rows = [
        image_row(f"discs/{number:05d} kiosk.iso", number * MIB)._replace(
            id=number,
            shelf=f"shelf-{number % 5}",
            labels=(f"KIOSK{number:05d}",),
            digests={"xxh3_128": f"{number * 7919:032x}"},
            description=Description(f"reads slowly {number}", ("kiosk",), "attic")
            if not number % 10
            else Description(),
        )
        for number in range(1, IMAGES + 1)
    ]
    discs = {row.id: ListedDisc(DiscSummary(), "", (True, row.id % 3 == 0)) for row in rows}
    return library_html(
        sorted(rows, key=lambda row: (row.shelf, row.path)),
        {"dos": "DOS", "win9x": "Win9x"},
        discs,
        created=CREATED,
        created_by="",
    )


def test_ten_thousand_images_are_answered_within_a_second(tmp_path: Path) -> None:
    text = large_library()
    assert len(text) < 5_000_000
    file = tmp_path / "page.html"
    file.write_text(text, "utf-8")
    with browser_page(tmp_path / "profile") as page:
        before = page.metrics()["TaskDuration"]
        page.open(file)
        status = 'document.querySelector("[role=status]").textContent'
        assert page.value(status).startswith("10,000 images")
        first = page.metrics()
        assert first["TaskDuration"] - before < FIRST_ANSWER
        assert page.value('document.querySelectorAll("*").length') < MOST_NODES
        shown = page.value('document.querySelectorAll(".cards > *").length')
        assert 0 < shown <= 100
        known = first["TaskDuration"]
        for words, found in (("04711", "1 of"), ("kiosk 9", ""), ("attic", "1,000 of"), ("", "")):
            assert page.value(TYPE % repr(words)).startswith(found)
            now = page.metrics()["TaskDuration"]
            assert now - known < ANSWER, words
            known = now
