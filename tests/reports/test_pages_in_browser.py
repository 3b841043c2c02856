"""The pages in a browser: their script under their own policy, and their shape on a phone."""

from __future__ import annotations

from pathlib import Path

import pytest
from msgspec.structs import replace

import disc_facts
from browser import PHONE, allow_any_script, assert_blanks_kept, frame, run, said_by
from mediashelf.catalogue.auditing.audit import Depth
from mediashelf.catalogue.bench.session_rows import (
    BenchSession,
    NoteResult,
    SessionDisc,
    SessionNote,
)
from mediashelf.drivers.coverage import Cover
from mediashelf.drivers.device_table import DeviceRow
from mediashelf.drivers.verdict import decide
from mediashelf.integrity.fixity.comparing import State
from mediashelf.integrity.structure.damage import Span
from mediashelf.reports.audit.page import audit_html
from mediashelf.reports.bench.session_report import session_html, session_report
from mediashelf.reports.disc.page import DiscSubject, disc_html
from mediashelf.reports.disc.tables import Coverage
from report_samples import CREATED, MIB, finding, result

# Runs after the page's own script, as part of it, because the policy allows no other.
STEPS = """
var said = [];
var table = Array.from(document.querySelectorAll("table.sortable")).pop();
function column(number) {
  return Array.from(table.tBodies[0].rows, function (row) {
    return row.cells[number].textContent.trim();
  });
}
function heads() {
  return Array.from(table.tHead.rows[0].cells, function (head) {
    return head.getAttribute("aria-sort");
  });
}
function press(number) {
  var button = table.tHead.rows[0].cells[number].querySelector("button");
  button.focus();
  button.click();
  said.push({ names: column(1), sizes: column(2), heads: heads(),
              news: document.getElementById("sort-news").textContent,
              focus: document.activeElement === button });
}
said.push({ names: column(1), heads: heads() });
press(2); press(2); press(1); press(0);
document.body.dataset.said = JSON.stringify(said);
"""


@pytest.fixture
def page() -> str:
    return audit_html(
        [
            result("b 10.iso", size=3 * MIB),
            result("B 9.iso", size=200 * MIB),
            result("a.iso", State.DAMAGED, size=20 * MIB, findings=[finding()]),
        ],
        Depth.DIGESTS,
        scope="",
        created=CREATED,
        created_by="",
    )


MEASURE = """<!DOCTYPE html><html><body>%s<script>
addEventListener("load", function () {
  var said = Array.from(document.querySelectorAll("iframe"), function (frame) {
    var root = frame.contentDocument.documentElement;
    var rows = Array.from(root.querySelectorAll(".bars li, .states li"));
    return { width: root.scrollWidth, height: root.scrollHeight,
             tallest: Math.max.apply(null, rows.map(function (row) { return row.offsetHeight; })),
             wide: getComputedStyle(root.querySelector(".wide") || root).display,
             tall: getComputedStyle(root.querySelector(".tall") || root).display };
  });
  document.body.dataset.said = JSON.stringify(said);
});
</script></body></html>"""


def test_nothing_sticks_out_on_a_phone_or_is_squeezed(tmp_path: Path) -> None:
    name = "x" * 300
    disc = disc_facts.disc(iso={name: 5000}, joliet={name + "2": 5000}, size=900_000_000)
    row = DeviceRow(name, name, decide(Cover.DRIVER), "/S/" + name, "/L/" + name, name)
    subject = DiscSubject(
        name, disc, [finding(where=name)], name, [("t", name)], coverage=[Coverage("t", (row,))]
    )
    spans = [Span(number * MIB, 1000) for number in range(0, 60, 3)]
    bad = result(name, State.DECAYED, size=100 * MIB, findings=[finding(where=name)], spans=spans)
    pages = [
        disc_html(subject, created=CREATED, created_by=""),
        audit_html([bad, result()], Depth.DIGESTS, scope=name, created=CREATED, created_by=""),
    ]
    frames = [frame(page, width) for page in pages for width in (PHONE, 1280)]
    disc_phone, disc_desk, audit_phone, audit_desk = said_by(
        run(MEASURE % "".join(frames), tmp_path)
    )
    assert (disc_phone["width"], audit_phone["width"]) == (PHONE, PHONE)
    assert (disc_desk["width"], audit_desk["width"]) == (1280, 1280)
    for measured in (disc_phone, disc_desk, audit_phone, audit_desk):
        assert measured["tallest"] < 120  # a state takes three lines on a phone
    assert (disc_phone["wide"], disc_phone["tall"]) == ("none", "block")
    assert (disc_desk["wide"], disc_desk["tall"]) == ("block", "none")


def test_tables_sort_and_tell_it(page: str, tmp_path: Path) -> None:
    text = allow_any_script(page.replace("</script>", f"{STEPS}</script>"))
    start, by_size, reverse, by_name, by_state = said_by(run(text, tmp_path))
    assert start["names"] == ["home: a.iso", "home: B 9.iso", "home: b 10.iso"]
    assert set(start["heads"]) == {None}
    assert by_size["sizes"] == ["200.0 MiB", "20.0 MiB", "3.0 MiB"]
    assert by_size["heads"][2] == "descending"
    assert by_size["news"] == "Sorted by Size, descending."
    assert by_size["focus"]
    assert reverse["sizes"] == by_size["sizes"][::-1]
    assert reverse["heads"] == [None, None, "ascending", None, None, None]
    assert by_name["names"] == ["home: a.iso", "home: B 9.iso", "home: b 10.iso"]
    assert by_name["heads"][:3] == [None, "ascending", None]
    # Equal states stay in the order that they had.
    assert by_state["names"] == ["home: a.iso", "home: B 9.iso", "home: b 10.iso"]


def test_the_policy_runs_our_script_and_no_other(page: str, tmp_path: Path) -> None:
    other = "<script>document.body.dataset.said = 'alive'</script></body>"
    dump = run(page.replace("</body>", other), tmp_path)
    assert "data-said" not in dump
    assert "can-sort" in dump
    assert dump.count("<button") >= 6


def test_a_session_report_fits_a_phone_and_a_desk(tmp_path: Path) -> None:
    name, moment = "x" * 300, "2026-11-28T09:00:00Z"
    systems = ("dos", "win9x", "nt4", "nt5", "nt6")
    notes = [
        SessionNote(NoteResult.FAILED, system, name, f"{name} {system}", moment)
        for system in systems
    ]
    disc = SessionDisc(
        *(1, "K7C", name, name, name, systems, 1 << 32, "0" * 32, "0" * 64, 1, moment, None),
        notes=tuple(notes),
    )
    session = BenchSession(
        *(1, name, name, Path("/card"), moment, moment, moment, (disc,)),
        former=(replace(disc, replaced_at=moment),),
    )
    page = session_html(session_report(session, created_by=""))
    frames = "".join(frame(page, width) for width in (PHONE, 1280))
    phone, desk = said_by(run(MEASURE % frames, tmp_path))
    assert (phone["width"], desk["width"]) == (PHONE, 1280)


OPEN = """
var folds = document.querySelectorAll("details.image");
var said = [folds[4].open];
location.hash = "image-5";
setTimeout(function () {
  said.push(folds[4].open, folds[3].open);
  document.querySelector("#open-all button").click();
  said.push(Array.from(folds).every(function (each) { return each.open; }));
  document.querySelector("#open-all button").click();
  said.push(Array.from(folds).some(function (each) { return each.open; }));
  document.body.dataset.said = JSON.stringify(said);
}, 50);
"""


def test_a_link_opens_details_and_one_button_opens_all(tmp_path: Path) -> None:
    bad = [result(f"{at}.iso", State.DAMAGED, findings=[finding()]) for at in range(8)]
    text = audit_html(bad, Depth.DIGESTS, scope="", created=CREATED, created_by="")
    text = allow_any_script(text.replace("</script>", f"{OPEN}</script>"))
    said = said_by(run(text, tmp_path, "--virtual-time-budget=5000"))
    assert said == [False, True, False, True, False]


NUMBERS = """<!DOCTYPE html><html><body>%s<script>
addEventListener("load", function () {
  var root = document.querySelector("iframe").contentDocument;
  var cells = root.querySelectorAll(".count, table.images td.number, table.runs td.number");
  var lines = Array.from(cells, function (cell) {
    var range = root.createRange();
    range.selectNodeContents(cell);
    var tops = Array.from(range.getClientRects(), function (one) { return Math.round(one.top); });
    return { text: cell.textContent, lines: new Set(tops).size };
  });
  document.body.dataset.said = JSON.stringify(lines);
});
</script></body></html>"""


def test_no_number_is_broken_on_a_phone(tmp_path: Path) -> None:
    spans = [Span(number * 997 * MIB, 1_234_567) for number in range(20)]
    bad = result("a.iso", State.DECAYED, size=40_000 * MIB, findings=[finding()], spans=spans)
    sound = [result(f"{number}.iso", size=1_000_000_007) for number in range(1200)]
    text = audit_html([bad, *sound], Depth.DIGESTS, scope="", created=CREATED, created_by="")
    cells = said_by(run(NUMBERS % frame(text, PHONE), tmp_path))
    counts = {cell["text"]: cell["lines"] for cell in cells}
    assert counts["1,200"] == 1
    for words, lines in counts.items():
        # A range may be broken after its dash, a number nowhere.
        assert lines <= 1 + words.count("–"), words


def test_names_keep_all_their_blanks(tmp_path: Path) -> None:
    name, moment = "kiosk  tide", "2026-11-28T09:00:00Z"
    disc = disc_facts.disc(iso={"KIOSK": 5000}, joliet={name: 5000}, size=900_000_000)
    row = DeviceRow(name, name, decide(Cover.DRIVER), "/S/" + name, "/L/" + name, name)
    found = finding(where=name)
    subject = DiscSubject(name, disc, [found], name, coverage=[Coverage("t", (row,))])
    bad = result(name, State.DAMAGED, findings=[found])
    note = SessionNote(NoteResult.FAILED, "dos", name, name, moment)
    noted = SessionDisc(
        *(1, "K7C", name, name, name, ("dos",), 1 << 32, "0" * 32, "0" * 64, 1, moment, None),
        notes=(note,),
    )
    session = BenchSession(1, name, name, Path("/card"), moment, moment, moment, (noted,))
    pages = [
        disc_html(subject, created=CREATED, created_by=""),
        audit_html([bad, result()], Depth.DIGESTS, scope=name, created=CREATED, created_by=""),
        session_html(session_report(session, created_by="")),
    ]
    assert_blanks_kept(pages, tmp_path)


LINES = """<!DOCTYPE html><html><body>%s<script>
addEventListener("load", function () {
  var said = Array.from(document.querySelectorAll("iframe"), function (frame) {
    var root = frame.contentDocument, broken = [], node;
    var walker = root.createTreeWalker(root.body, NodeFilter.SHOW_TEXT);
    while ((node = walker.nextNode())) {
      var all = /\\d{4}-\\d\\d-\\d\\d|[\\d,.]+ (bytes|[KMG]iB|notes?|errors?)/g, match;
      while ((match = all.exec(node.data)) && !node.parentElement.closest("script, title")) {
        var range = root.createRange();
        range.setStart(node, match.index);
        range.setEnd(node, match.index + match[0].length);
        if (range.getClientRects().length > 1) { broken.push(match[0]); }
      }
    }
    var heads = Array.from(root.querySelectorAll(".image > summary"), function (head) {
      var state = head.querySelector(".state"), name = head.querySelector(".name");
      var places = [state, name].map(function (one) {
        var range = root.createRange();
        range.selectNodeContents(one);
        return range.getBoundingClientRect();
      });
      return places[0].right > places[1].left && places[0].bottom > places[1].top;
    });
    return { broken: broken, over: heads.filter(Boolean).length };
  });
  document.body.dataset.said = JSON.stringify(said);
});
</script></body></html>"""


def test_no_date_size_or_count_is_broken_and_no_state_covers_a_name(tmp_path: Path) -> None:
    words = "the bytes are 12.5 MiB since 2026-11-27, and 1,014 bytes of 2 errors are new; "
    bad = [
        result(f"{state.value} {count}.iso", state, findings=[finding(message=words * count)])
        for state in (State.CHANGED, State.DECAYED)
        for count in (1, 2, 3)
    ]
    text = audit_html(bad, Depth.DIGESTS, scope="", created=CREATED, created_by="")
    text = text.replace('<details class="image"', '<details open class="image"')
    frames = "".join(frame(text, width) for width in (320, PHONE, 431, 700, 1100))
    assert said_by(run(LINES % frames, tmp_path)) == [{"broken": [], "over": 0}] * 5


def test_a_frame_that_stays_blank_is_no_page_seen(tmp_path: Path) -> None:
    text = f"<!DOCTYPE html><html><body>{frame('<p>pebble</p>', PHONE)}</body></html>"
    assert "about:srcdoc,complete" in run(text, tmp_path)
    with pytest.raises(AssertionError, match="frames are not loaded: about:blank,complete"):
        run(text.replace("<body>", "<body><iframe></iframe>"), tmp_path)
