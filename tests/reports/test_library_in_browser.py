"""The library's page in a browser: search, filters, order, cards, files inside, paper."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from browser import PHONE, allow_any_script, assert_blanks_kept, frame, run, said_by
from mediashelf.catalogue.rows import RECORDED, Description, ImageRow, Presence
from mediashelf.formats.disc_summary import DiscSummary
from mediashelf.reports.library.file_names import pack_names
from mediashelf.reports.library.packing import ListedDisc
from mediashelf.reports.library.page import library_html
from report_samples import CREATED, HOSTILE, MIB, image_row

# Runs after the page's own script, as part of it, because the policy allows no other.
STEPS = """
var said = [];
function names() {
  return Array.from(document.querySelectorAll(".cards .name"), function (name) {
    return name.firstChild.textContent;
  });
}
function say(extra) {
  said.push(Object.assign({ names: names(),
    count: document.querySelector("[role=status]").textContent }, extra));
}
function type(text) {
  var input = document.getElementById("text");
  input.value = text;
  input.dispatchEvent(new Event("input", { bubbles: true }));
}
function pick(id, value) {
  var select = document.getElementById(id);
  select.value = value;
  select.dispatchEvent(new Event("change", { bubbles: true }));
}
function done() { document.body.dataset.said = JSON.stringify(said); }
"""

LOOK = """
say({ offered: Array.from(document.querySelectorAll("select"), function (select) {
  return select.id; }) });
type("TIDE 2.IS"); say();
type("attic loan"); say();
type(""); pick("filter-tag", "kiosk"); pick("filter-boot", "UEFI"); say();
pick("filter-tag", ""); pick("filter-boot", ""); pick("filter-system", "win9x"); say();
pick("filter-state", "missing"); say();
document.querySelector(".found button").click(); say();
pick("order", "size"); say();
type("aaaaaaaa"); say();
type("");
var summary = document.querySelector(".cards summary");
summary.click();
setTimeout(function () {
  say({ card: document.querySelector(".cards dl").textContent,
        named: document.querySelectorAll("input:not([type]), img, iframe").length });
  window.dispatchEvent(new Event("beforeprint"));
  said.push(Array.from(document.querySelectorAll("#paper h2, #paper tbody tr"), function (row) {
    return (row.cells ? row.cells[0] : row).textContent; }));
  done();
}, 50);
"""


def row(number: int, path: str, **more: Any) -> ImageRow:
    changes: dict[str, Any] = {"digests": {"xxh3_128": f"{number:032x}"}, **more}
    return image_row(path, number * MIB)._replace(id=number, **changes)


def nothing_known(rows: list[ImageRow]) -> dict[int, ListedDisc]:
    return {each.id: ListedDisc(DiscSummary()) for each in rows}


def said(rows: list[ImageRow], steps: str, folder: Path, **more: Any) -> Any:
    discs = {
        each.id: ListedDisc(
            DiscSummary(boot=("BIOS", "UEFI") if each.id == 1 else ()),
            "Kiosk, disc 1 of 2" if each.id == 1 else "",
            (False, each.id != 2),
        )
        for each in rows
    }
    systems = {"dos": "DOS", "win9x": "Win9x"}
    text = library_html(rows, systems, discs, created=CREATED, created_by="", **more)
    end = text.rindex("</script>")
    text = allow_any_script(text[:end] + STEPS + steps + text[end:])
    return said_by(run(text, folder, "--virtual-time-budget=20000"))


WORDS = Description("found in the attic", ("kiosk", "on loan"), "box 4", "LV-77")


def library() -> list[ImageRow]:
    same = {"xxh3_128": "a" * 32}
    return [
        row(1, "tide 10.iso", digests=same, description=WORDS),
        row(2, "tide 2.iso", presence=Presence.MISSING),
        row(3, HOSTILE, labels=("EBB",), digests=same, size=MIB),
        row(4, "z.iso", shelf="card", root=Path("/card"), presence=Presence.MISSING),
    ]


def test_search_filters_and_order(tmp_path: Path) -> None:
    rows = library()
    found = said(rows, LOOK, tmp_path)
    first, tide, noted, tagged, reads, missing, cleared, by_size, digest, card, paper = found
    assert noted["names"] == tagged["names"] == ["tide 10.iso"]
    assert first["names"][:2] == ["tide 10.iso", "tide 2.iso"]
    assert first["count"] == "4 images, 8.0 MiB"
    # What all images share is not offered: the volumes.
    assert first["offered"] == [
        *("filter-state", "filter-system", "filter-boot", "filter-shelf", "filter-tag"),
        *("filter-copies", "order"),
    ]
    assert tide["names"] == ["tide 2.iso"]
    assert tide["count"] == "1 of 4 images, 2.0 MiB"
    assert len(reads["names"]) == 3
    assert missing["names"] == ["z.iso"]
    assert cleared["names"] == first["names"]
    assert by_size["names"] == [first["names"][at] for at in (3, 1, 0, 2)]
    assert len(digest["names"]) == 2
    assert "card: z.iso" in card["card"]
    assert card["named"] == 0
    assert paper[0] == "card"
    assert len(paper) == len(rows) + 2


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        (RECORDED, "recorded 2025-06-07"),  # nobody read it since
        ("sound", "confirmed 2025-06-07"),
        ("decayed", "last as recorded 2025-06-07"),  # "confirmed" would be comfort
    ],
)
def test_the_date_of_an_image_says_no_more_than_was_shown(
    verdict: str, words: str, tmp_path: Path
) -> None:
    steps = 'say({ label: document.querySelector(".cards .label").textContent }); done();'
    ((shown,),) = [said([row(1, "tide.iso", verdict=verdict)], steps, tmp_path)]
    assert words in shown["label"].split(" · ")


def test_a_card_tells_who_reads_the_image_and_where_its_copies_are(tmp_path: Path) -> None:
    steps = LOOK.replace('pick("order", "size")', 'pick("order", "name")').replace(
        'document.querySelector(".cards summary")',
        'Array.from(document.querySelectorAll(".cards summary")).find(function (each) {'
        " return /tide 10/.test(each.textContent); })",
    )
    card = said(library(), steps, tmp_path)[-2]["card"]
    for words in (
        "home: tide 10.iso",
        "Read bywin9x; not by dos",
        "since 2025-01-02, last confirmed 2025-06-07",
        "xxh3_128" + "a" * 32,
        "Placebox 4",
        "SetKiosk, disc 1 of 2",
        "Part numberLV-77",
        "BootsBIOS, UEFI",
        "Notefound in the attic",
        "Tagskiosk, on loan",
        "Same byteshome: </title><script>alert(1)</script>",
    ):
        assert words in card, words


FIND = """
function hits() {
  return Array.from(document.querySelectorAll(".hits li"), function (hit) {
    return hit.textContent; });
}
var queries = %s;
function go_on() {
  var news = document.querySelector("section [role=status]");
  if (news && !/Searching/.test(news.textContent)) {
    said.push({ hits: hits(), news: news.textContent });
    if (!queries.length) { done(); return; }
    type(queries.shift());
  }
  setTimeout(go_on, 20);
}
type(queries.shift());
go_on();
"""


def test_files_inside_are_found_as_find_finds_them(tmp_path: Path) -> None:
    listing = [
        ("/VIDEO", "LKVX3.VXD"),
        ("/VIDEO", "readme.txt"),
        ("/SOUND/İstanbul", "LKVX.INF"),
        ("", "<b>bold</b>"),
    ]
    many = [("/MANY", f"{number}.DAT") for number in range(300)]
    names = pack_names([((0, 2), listing), ((1,), many)])
    queries = '["lkvx", "video/lkvx", "*.inf", "lkvx?.vxd", "<b>", "nothing", ".dat", "*"]'
    found = said(library(), FIND % queries, tmp_path, names=replace(names, left_out=1))
    said_hits = [each["hits"] for each in found]
    both, folder, pattern, marks, markup, none, dat, everything = said_hits
    assert [hit.partition(" in ")[0] for hit in both] == [
        *("/VIDEO/LKVX3.VXD", "/SOUND/İstanbul/LKVX.INF"),
    ]
    assert both[0].startswith("/VIDEO/LKVX3.VXD in home: tide 10.iso, home: </title>")
    assert [hit[:16] for hit in folder] == ["/VIDEO/LKVX3.VXD"]
    assert len(pattern) == 1
    assert marks == folder
    assert markup[0].startswith("/<b>bold</b> in ")
    assert none == []
    assert found[5]["news"].startswith("No hit among 304 files and folders of 3 images.")
    assert "The names in 1 more image had no room on this page" in found[5]["news"]
    assert len(dat) == len(everything) == 200
    assert "300 hits, of which the first 200 are shown" in found[6]["news"]
    assert "304 hits" in found[7]["news"]


MEASURE = """<!DOCTYPE html><html><body>%s<script>
addEventListener("load", function () {
  document.body.dataset.said = JSON.stringify(Array.from(document.querySelectorAll("iframe"),
    function (frame) {
      var root = frame.contentDocument.documentElement;
      var targets = root.querySelectorAll("summary, select, input, button.plain");
      return { width: root.scrollWidth,
        lowest: Math.min.apply(null, Array.from(targets, function (target) {
          return target.offsetHeight || 99; })) };
    }));
});
</script></body></html>"""


def test_a_phone_holds_it_and_a_thumb_hits_it(tmp_path: Path) -> None:
    """44 CSS pixels are the target size of WCAG 2.1, 2.5.5."""
    rows = [*library(), row(5, "x" * 300, labels=("y" * 300,), shelf="s" * 100)]
    text = library_html(
        rows, {}, nothing_known(rows), created=CREATED, created_by="", scope="z" * 300
    )
    phone, desk = said_by(
        run(MEASURE % "".join(frame(text, width) for width in (PHONE, 1280)), tmp_path)
    )
    assert (phone["width"], desk["width"]) == (PHONE, 1280)
    assert phone["lowest"] >= 44
    assert desk["lowest"] >= 44


def test_the_policy_runs_our_script_and_no_other(tmp_path: Path) -> None:
    other = "<script>document.body.dataset.said = 'alive'</script></body>"
    text = library_html(library(), {}, nothing_known(library()), created=CREATED, created_by="")
    dump = run(text.replace("</body>", other), tmp_path)
    assert "data-said" not in dump
    assert len(re.findall(r"<summary>", dump)) == 5  # four cards and the filters


def test_names_keep_all_their_blanks(tmp_path: Path) -> None:
    rows = [row(1, "kiosk  tide", labels=("kiosk  tide",), shelf="attic  tide")]
    text = library_html(rows, {}, nothing_known(rows), created=CREATED, created_by="")
    assert_blanks_kept([text], tmp_path)
