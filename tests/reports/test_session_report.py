"""The report of a session: every outcome in its place, and safe whatever was noted."""

from __future__ import annotations

import csv
import io
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from bench_sessions import FRIDAY, SATURDAY
from mediashelf.catalogue.bench.session_rows import (
    BenchSession,
    NoteResult,
    SessionDisc,
    SessionNote,
)
from mediashelf.reports.bench.measured import measured_csv, measured_table
from mediashelf.reports.bench.session_report import in_order_of_age, session_html, session_report

WORKED, FAILED, WITHDRAWN = NoteResult.WORKED, NoteResult.FAILED, NoteResult.WITHDRAWN
BY = "mediashelf 0.1.0"


def note(
    outcome: NoteResult = WORKED,
    text: str = "",
    *,
    on: str = "",
    device: str = "",
    at: str = SATURDAY,
) -> SessionNote:
    return SessionNote(outcome, on, device, text, at)


def disc(position: int, *notes: SessionNote, targets: tuple[str, ...] = ("win9x",)) -> SessionDisc:
    return SessionDisc(
        id=position,
        position=position,
        code=f"K{position}C",
        path=f"0{position}-K{position}C-DISC.iso",
        label=f"DISC{position}",
        purpose=f"Purpose {position}",
        targets=targets,
        size=4096 * position,
        xxh3_128=f"{position:032x}",
        sha256=f"{position:064x}",
        staged_at=FRIDAY,
        replaced_at=None,
        notes=notes,
    )


def session_page(of: BenchSession, *, created_by: str) -> str:
    return session_html(session_report(of, created_by=created_by))


def session(*discs: SessionDisc, former: tuple[SessionDisc, ...] = ()) -> BenchSession:
    card = Path("/home/somebody/secret/card")
    return BenchSession(
        1, "Tide-table kiosk", "Kiosk PC, 1999", card, FRIDAY, FRIDAY, FRIDAY, discs, former
    )


class Collector(HTMLParser):
    """Collects elements and text of a page; wrongly nested elements fail."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.open: list[str] = []
        self.words = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


def cells(report_of: BenchSession) -> list[tuple[str, list[tuple[str, str, str]]]]:
    return [
        (row.about, [(", ".join(one.systems), one.outcome, one.text) for one in row.cells])
        for row in session_report(report_of, created_by=BY).rows
    ]


def test_system_by_device_by_outcome() -> None:
    drivers = disc(
        2,
        note(WORKED, "800 by 600", device="Larkspur video"),
        note(FAILED, "no sound", device="Quillon audio", on="dos"),
        note(WORKED, device="quillon AUDIO", on="win9x"),
        note(FAILED, "tried all the same", device="Ternfield LAN", on="nt4"),
        targets=("win9x", "dos"),
    )
    assert cells(session(disc(1, note(WORKED, "fine")), drivers, disc(3))) == [
        ("Purpose 1", [("win9x", "worked", "fine")]),
        ("Purpose 2", [("dos, win9x", "open", "")]),
        ("Larkspur video", [("dos, win9x", "worked", "800 by 600")]),
        ("Quillon audio", [("dos", "failed", "no sound"), ("win9x", "worked", "")]),
        ("Ternfield LAN", [("dos, win9x", "open", ""), ("nt4", "failed", "tried all the same")]),
        ("Purpose 3", [("win9x", "open", "")]),
    ]
    report = session_report(session(disc(1), drivers), created_by=BY)
    assert report.systems == ("dos", "win9x", "nt4")
    audio = report.rows[3]
    assert [audio.outcome(system) for system in report.systems] == ["failed", "worked", ""]
    assert audio.texts == (("dos", "no sound"),)


def test_the_disc_as_a_whole_has_a_row_if_anything_was_noted_of_it() -> None:
    both = disc(1, note(WORKED, device="Larkspur video"), note(FAILED, "hangs later"))
    assert [about for about, _ in cells(session(both))] == ["Purpose 1", "Larkspur video"]
    unnamed = replace(disc(1), purpose="", label="")
    assert [about for about, _ in cells(session(unnamed))] == ["01-K1C-DISC.iso"]
    taken_back = disc(
        1, note(WORKED, device="Larkspur video"), note(WITHDRAWN, device="Larkspur video")
    )
    assert cells(session(taken_back)) == [("Purpose 1", [("win9x", "open", "")])]


def test_a_disc_is_done_when_each_of_its_systems_has_a_note() -> None:
    """A note about one device is none about the installation (own behaviour)."""
    on_a_device = disc(1, note(WORKED, device="Larkspur video"))
    report = session_report(session(on_a_device), created_by=BY)
    assert (report.headline, report.mood) == ("1 disc: 1 open", "open")
    assert report.open_steps == ("1 DISC1 (K1C)",)
    both = ("dos", "win9x")
    for notes, word in (
        ((note(WORKED, on="dos"),), "open"),
        ((note(WORKED, on="dos"), note(WORKED, on="win9x")), "worked"),
        ((note(WORKED),), "worked"),
        ((note(WORKED), note(WITHDRAWN, on="dos")), "open"),
        ((note(WORKED), note(FAILED, device="Quillon audio")), "failed"),
        ((note(WORKED, on="nt4"),), "open"),
    ):
        assert disc(1, *notes, targets=both).word == word, notes
    assert session(on_a_device).next_step is on_a_device
    half_failed = disc(1, note(FAILED, on="dos"), targets=both)
    assert session(half_failed).next_step is None  # another note would replace the failure
    audio_failed = disc(1, note(FAILED, device="Quillon audio"))
    assert session(audio_failed).next_step is audio_failed


def test_a_disc_for_no_system_has_a_note_of_its_own() -> None:
    memory_tester = disc(1, targets=())
    assert cells(session(memory_tester)) == [("Purpose 1", [("", "open", "")])]
    assert memory_tester.word == "open"
    done = replace(memory_tester, notes=(note(WORKED, "no errors"),))
    assert cells(session(done)) == [("Purpose 1", [("", "worked", "no errors")])]
    page = Collector(session_page(session(done), created_by=BY)).words
    assert "no system" in page
    assert "1 disc worked" in page


def measured(text: str, at: str, device: str = "Larkspur video", **values: str) -> SessionNote:
    return SessionNote(WORKED, "", device, text, at, tuple(values.items()))


def test_values_of_two_discs_do_not_read_alike() -> None:
    """The same words at two discs are two configurations: the drivers may differ."""
    first, second, other = (measured("driver A", FRIDAY, frames=one) for one in ("27", "30", "9"))
    other = replace(other, device="Quillon audio")
    table = measured_table([session(disc(1, first), disc(2, second, other))])
    assert [row.about for row in table.rows] == [
        "win9x, Larkspur video, DISC1, driver A",
        "win9x, Larkspur video, DISC2, driver A",
        "win9x, Quillon audio, driver A",
    ]


def test_a_configuration_without_a_value_has_no_empty_line_on_a_phone() -> None:
    notes = (measured("A", FRIDAY, frames="27"), measured("B", SATURDAY, disk="310"))
    page = session_page(session(disc(1, *notes)), created_by=BY)
    assert [page.count(f'data-head="{name}"') for name in ("frames", "disk")] == [1, 1]


def test_values_of_all_sessions_by_configuration() -> None:
    a = measured("driver A", FRIDAY, frames="27.5", disk="310")
    b = measured("driver B", SATURDAY, frames="31")
    again = measured("Driver a", "2026-12-01T09:00:00Z", frames="28.1")
    gone = measured("driver C", "2026-12-02T09:00:00Z", frames="1")
    taken_back = note(WITHDRAWN, device="Larkspur video", at="2026-12-03T09:00:00Z")
    first, second = session(disc(1, a, b)), replace(session(disc(1, again)), id=2)
    table = measured_table([first, second])
    assert (table.names, table.sessions) == (("frames", "disk"), 2)
    assert [(row.about, [cell.values for cell in row.cells]) for row in table.rows] == [
        ("win9x, Larkspur video, driver A", [("27.5", "28.1"), ("310",)]),
        ("win9x, Larkspur video, driver B", [("31",), ()]),
    ]
    assert [cell.bars for cell in (row.cells[0] for row in table.rows)] == [(89, 91), (100,)]
    assert table.rows[0].noted == "2026-11-27 to 2026-12-01"
    assert measured_table([session(disc(1, gone, taken_back))]).rows == ()
    lines = list(csv.DictReader(io.StringIO(measured_csv([first, second]))))
    assert [(one["note"], one["name"], one["value"]) for one in lines] == [
        ("driver A", "frames", "27.5"),
        ("driver A", "disk", "310"),
        ("driver B", "frames", "31"),
        ("Driver a", "frames", "28.1"),
    ]


@pytest.mark.parametrize(
    ("discs", "headline", "mood"),
    [
        ((disc(1, note()), disc(2, note())), "All 2 discs worked", "worked"),
        ((disc(1, note()),), "1 disc worked", "worked"),
        ((disc(1, note()), disc(2)), "2 discs: 1 worked, 1 open", "open"),
        ((disc(1, note(FAILED)), disc(2)), "2 discs: 1 failed, 1 open", "failed"),
        ((disc(1), disc(2)), "2 discs: 2 open", "open"),
        ((disc(1, note(FAILED), note(WITHDRAWN)),), "1 disc: 1 open", "open"),
    ],
)
def test_the_headline(discs: tuple[SessionDisc, ...], headline: str, mood: str) -> None:
    report = session_report(session(*discs), created_by=BY)
    assert (report.headline, report.mood) == (headline, mood)
    assert headline in Collector(session_page(session(*discs), created_by=BY)).words


def test_moments() -> None:
    def noted(*moments: str) -> str:
        notes = [note(at=at) for at in moments]
        return session_report(session(disc(1, *notes)), created_by=BY).noted

    assert noted() == ""
    assert noted("2026-11-28T09:00:00Z") == "2026-11-28 09:00"
    assert noted("2026-11-28T11:30:59Z", "2026-11-28T09:00:00Z") == "2026-11-28 09:00 to 11:30"
    assert noted("2026-11-28T09:00:00Z", "2026-12-05T10:00:00Z") == (
        "2026-11-28 09:00 to 2026-12-05 10:00"
    )


def test_systems_stand_in_order_of_age() -> None:
    assert in_order_of_age(["nt5", "my own", "dos", "nt5", "a loader", "win9x"]) == (
        *("dos", "win9x", "nt5"),
        *("my own", "a loader"),
    )


def page_of_everything() -> str:
    replaced = replace(disc(2, note(FAILED, "the first drivers")), replaced_at=SATURDAY)
    first = disc(1, note(FAILED, "no boot"), note(WORKED, "second try"))
    return session_page(session(first, disc(2), former=(replaced,)), created_by=BY)


def test_the_page_has_everything_and_no_place_of_anybody() -> None:
    page = page_of_everything()
    words = " ".join(Collector(page).words.split())
    for text in (
        *("Tide-table kiosk", "Kiosk PC, 1999", "2 discs: 1 worked, 1 open"),
        *("second try", "no boot", "replaced or withdrawn", "the first drivers", "K1C"),
        *("Still open: 2 DISC2 (K2C).", "Replaced on 2026-11-28 09:00", f"{1:064x}"),
    ):
        assert text in words
    assert "secret" not in page


def test_the_page_needs_nothing_else() -> None:
    page = page_of_everything()
    assert not re.search(r"(src|href)\s*=\s*\"(?!#)|url\((?!#)", page)
    assert "default-src 'none'" in page
    assert "script" not in Collector(page).elements
    assert "@media print" in page


def test_outcomes_are_said_in_words_and_not_by_colour_alone() -> None:
    page = page_of_everything()
    for word in ("worked", "failed", "open"):
        assert re.search(rf"</svg> {word}</span>", page)


HOSTILE = "<script>alert(1)</script>\x1b[2J\u202e&quot;'\"\udcff"


def test_nothing_that_was_noted_becomes_markup() -> None:
    plain = Collector(page_of_everything())
    hostile = replace(
        disc(1, note(FAILED, HOSTILE, device=HOSTILE, on=HOSTILE), targets=(HOSTILE,)),
        label=HOSTILE,
        purpose=HOSTILE,
        code=HOSTILE,
    )
    of = replace(session(hostile, former=(replace(hostile, replaced_at=SATURDAY),)), name=HOSTILE)
    page = session_page(replace(of, machine=HOSTILE), created_by=HOSTILE)
    page.encode("utf-8")
    parsed = Collector(page)
    assert set(parsed.elements) <= set(plain.elements)
    assert parsed.words.count("<script>") >= 10
    assert "\x1b" not in page
    assert "\u202e" not in page


def test_long_notes_do_not_make_a_long_page() -> None:
    notes = [note(FAILED, "x" * 100_000)]
    assert len(session_page(session(disc(1, *notes)), created_by=BY)) < 40_000


NOTES = st.lists(
    st.builds(
        SessionNote,
        st.sampled_from(NoteResult),
        st.sampled_from(["", "dos", "win9x", "nt4"]),
        st.sampled_from(["", "Larkspur video", "LARKSPUR video", "Quillon audio"]),
        st.text(max_size=5),
        st.sampled_from([FRIDAY, SATURDAY]),
    ),
    max_size=8,
)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.lists(NOTES, min_size=1, max_size=3))
def test_any_notes_make_a_report_that_agrees_with_them(of_discs: list[list[SessionNote]]) -> None:
    discs = [
        disc(number, *notes, targets=("dos", "win9x"))
        for number, notes in enumerate(of_discs, start=1)
    ]
    report = session_report(session(*discs), created_by=BY)
    assert Collector(session_page(session(*discs), created_by=BY)).open == []
    for one in discs:
        rows = [row for row in report.rows if row.position == one.position]
        assert rows
        for row in rows:
            for system in report.systems:
                # What was typed last for this device and this system, or for all systems.
                device = row.about if row.is_device else ""
                typed = [
                    each
                    for each in one.notes
                    if each.device.casefold() == device.casefold() and each.system in ("", system)
                ]
                last = typed[-1] if typed else None
                if last is None or last.outcome is WITHDRAWN:
                    wanted = "open" if system in one.targets else ""
                elif last.system or system in one.targets:
                    wanted = last.outcome.value
                else:
                    wanted = ""
                assert row.outcome(system) == wanted
