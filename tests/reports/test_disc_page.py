"""A disc's page: everything about it, and nothing alive from it."""

from __future__ import annotations

import re

import pytest

from disc_facts import boot, disc, volume
from mediashelf.building.recipes.capacity import EMULATED_DRIVE, NAMED
from mediashelf.drivers.coverage import Cover
from mediashelf.drivers.device_table import DeviceRow
from mediashelf.drivers.verdict import decide
from mediashelf.findings import Severity
from mediashelf.formats.volume import DiscFacts, VolumeFacts, VolumeKind
from mediashelf.reports.disc.both_trees import BothTrees
from mediashelf.reports.disc.page import (
    FOLDERS_SHOWN,
    LARGEST_SHOWN,
    RENAMED_SHOWN,
    DiscSubject,
    disc_html,
    disc_page,
)
from mediashelf.reports.disc.tables import (
    Coverage,
    Renamed,
    capacity_bars,
)
from report_samples import CREATED, HOSTILE, Page, finding

ISO = {"DRIVERS/LARKSPUR.VXD": 3000, "DRIVERS/README.TXT": 20, "SETUP.EXE": 900}
JOLIET = {"Drivers/Larkspur video.vxd": 3000, "Drivers/ReadMe.txt": 20, "Setup.exe": 900}
DISC = disc(iso=ISO, joliet=JOLIET, boot=boot(0), size=700_000_000)
ROWS = (
    DeviceRow(
        "display", "Larkspur 3", decide(Cover.DRIVER), "/D/L.INF", "/Drivers/l.inf", "Install"
    ),
    DeviceRow("sound", "Quillon 16", decide(Cover.NONE), "", ""),
    DeviceRow("network", "Ternfield", decide(Cover.GENERIC), "", "/Drivers/t.inf", "T"),
    DeviceRow("bridge", "Mossgate", decide(Cover.DECLARED), "/DOS", ""),
)


def subject(**changes: object) -> DiscSubject:
    return DiscSubject("drivers.iso", DISC, **changes)  # type: ignore[arg-type]


def html(of: DiscSubject) -> str:
    return disc_html(of, created=CREATED, created_by="program 9")


def test_it_says_what_the_disc_is() -> None:
    page = Page(html(subject(state="planned; nothing was written", verdicts=[("dos", "reads it")])))
    for words in (
        "drivers.iso. 2026-11-25 08:05:26 UTC.",
        "No findings",
        "Size667.6 MiB, 700,000,000 bytes, 341,797 sectors",
        "Holds3 files, 3.8 KiB of contents",
        'Joliet tree"DISC", 3 files',
        "Boots1 way to boot",
        "For dosreads it",
        "Stateplanned; nothing was written",
    ):
        assert words in page.flat.replace(" Size ", "Size"), words


def test_media_are_filled_as_published_sizes_say() -> None:
    """80 minutes are 360,000 sectors, 74 are 333,000 (CD-Recordable FAQ 7-6)."""
    bars = {bar.name: bar for bar in capacity_bars(333_000 * 2048, None)}
    assert list(bars) == [*NAMED, EMULATED_DRIVE.name]
    assert (bars["74min"].percent, bars["74min"].width, bars["74min"].over) == (100, 100, 0)
    assert (bars["80min"].percent, bars["80min"].width) == (92.5, 92.5)
    assert bars["63min"].width == 100
    assert bars["63min"].over == (333_000 - 283_500) * 2048
    page = Page(html(subject(asked=NAMED["74min"])))
    used = [(each["width"], each["class"]) for each in page.with_class("used")]
    assert used[0] == ("100.0%", "used over")  # the asked one comes first
    assert len(used) == len(bars)
    assert "74min, asked for 102.6 % of 650.4 MiB: 17.2 MiB too much" in page.flat
    assert "CD-Recordable FAQ" in page.words


def test_the_areas_have_the_sizes_of_what_they_stand_for() -> None:
    page = Page(html(subject()))
    drawings = [each for tag, each in page.elements if tag == "svg" and "viewbox" in each]
    assert {"0 0 832 520", "0 0 360 480"} == {each["viewbox"] for each in drawings}
    assert "/Drivers/Larkspur video.vxd, 2.9 KiB" in page.words
    areas = [each for each in page.with_class("area", "file") if "y" in each][:3]
    sizes = sorted(float(each["width"]) * float(each["height"]) for each in areas)
    assert sizes[-1] == pytest.approx(sizes[0] * 3000 / 20, rel=0.3)  # frames take room


def test_files_with_findings_are_marked_under_their_long_names() -> None:
    found = [
        finding(where="/DRIVERS/LARKSPUR.VXD", message="short"),
        finding(severity=Severity.WARNING, where="/Setup.exe (joliet)"),
        finding(severity=Severity.WARNING, where="/DRIVERS/README.TXT"),
    ]
    page = disc_page(subject(findings=found), created=CREATED, created_by="")
    flaws = {tile.title.partition(",")[0]: tile.flaw for tile in page.wide if tile.flaw}
    readme = {"/Drivers/ReadMe.txt": "warning"}
    assert flaws == {"/Drivers/Larkspur video.vxd": "error", "/Setup.exe": "warning"} | readme
    assert page.headline == "1 error, 2 warnings"
    words = Page(html(subject(findings=found))).flat
    assert "/DRIVERS/LARKSPUR.VXD: short" in words
    assert "To do: do something" in words


def test_renamed_files_are_told_from_the_two_trees() -> None:
    renamed = [Renamed("/DRIVERS/LARKSPUR.VXD", "/Drivers/Larkspur video.vxd")]
    assert BothTrees(DISC).first_renamed(5) == (renamed, 1)
    assert BothTrees(disc(iso=ISO)).first_renamed(5) == ([], 0)
    assert BothTrees(DiscFacts(5)).first_renamed(5) == ([], 0)
    words = Page(html(subject())).flat
    assert "1 renamed file" in words
    assert "/DRIVERS/LARKSPUR.VXD /Drivers/Larkspur video.vxd" in words.replace("VXD/", "VXD /")


def test_renamed_files_that_a_plan_knows_go_before() -> None:
    words = Page(html(subject(renamed=[Renamed("/A~1", "/A b")]))).words
    assert "/A~1" in words
    assert "LARKSPUR.VXD" not in words
    assert "renamed" not in Page(html(subject(renamed=[]))).words


def test_every_device_has_a_row_that_says_it_in_words_and_with_a_sign() -> None:
    text = html(subject(coverage=[Coverage("win9x", ROWS)], verdicts=[("win9x", "reads it")]))
    page = Page(text)
    counted = "2 of 4 devices covered, 2 without a driver (1 with only a generic one)"
    assert f"Drivers for win9x: {counted}" in page.flat
    assert f"For win9xreads it; {counted}" in page.flat
    for row in ROWS:
        assert row.device in page.words
        assert row.verdict.words in page.words
    assert "short names: /D/L.INF" in page.flat
    assert "[Install]" in page.words


def test_of_several_discs_each_page_tells_which_one_holds_a_driver() -> None:
    rows = (
        ROWS[0]._replace(source="disc 1"),
        DeviceRow("sound", "Quillon", decide(Cover.DRIVER), "", "/Q.INF", "Q", source="disc 2"),
    )
    words = Page(html(subject(coverage=[Coverage("win9x", rows, "disc 1")]))).flat
    assert "Drivers for win9x on all discs: 2 of 2 devices covered" in words
    assert "disc 2: /Q.INF" in words
    assert "disc 1" not in words


def test_a_device_whose_package_lacks_files_is_not_counted_as_covered() -> None:
    row = ROWS[0]._replace(verdict=decide(Cover.DRIVER, ["lkv.vxd", "lkv.dll", "lkv.vxd"]))
    page = Page(html(subject(coverage=[Coverage("win9x", (row,))])))
    assert "Drivers for win9x: 0 of 1 device covered, 1 incomplete" in page.flat
    assert "incomplete, lacks lkv.vxd, lkv.dll" in page.flat


def test_a_target_without_any_driver_needs_no_table() -> None:
    page = Page(html(subject(coverage=[Coverage("dos", ROWS[1:2] * 3)])))
    counted = "0 of 3 devices covered, 3 without a driver"
    assert f"Drivers for dos: {counted} No device has a driver here." in page.flat
    assert "Quillon" not in page.words


def test_a_disc_whose_contents_were_not_read_has_no_drawing() -> None:
    unread = DiscFacts(5_000_000, (VolumeFacts(VolumeKind.UDF, "UDFONLY", entries_read=False),))
    page = Page(html(DiscSubject("udf.iso", unread)))
    assert "contents not read" in page.words
    assert "What takes up the space" not in page.words
    assert Page(html(DiscSubject("nothing.iso", DiscFacts(0)))).words


def test_raw_sectors_are_not_measured_against_media() -> None:
    page = Page(html(DiscSubject("raw.bin", DiscFacts(2352 * 900, DISC.volumes, looks_raw=True))))
    assert "raw sectors, to be converted" in page.words
    assert "Where it fits" not in page.words
    assert "What takes up the space" in page.words


def test_the_page_needs_nothing_else() -> None:
    text = html(subject(coverage=[Coverage("win9x", ROWS)], findings=[finding()]))
    assert not re.search(r"https?:|//[a-z]|@import|src\s*=", text)
    assert all(target.startswith("#") for target in re.findall(r'href="([^"]*)"', text))
    assert all(place.startswith("#") for place in re.findall(r"url\(([^)]*)\)", text))
    ids = {each["id"] for _, each in Page(text).elements if "id" in each}
    assert set(re.findall(r'(?:href="|url\()#([\w-]+)', text)) <= ids
    assert text == html(subject(coverage=[Coverage("win9x", ROWS)], findings=[finding()]))


def test_names_from_discs_stay_text() -> None:
    bad = HOSTILE.replace("/", "")
    facts = DiscFacts(
        9_000_000,
        (
            volume(VolumeKind.ISO9660, {"A": 5000, "B": 5000}),
            volume(VolumeKind.JOLIET, {f"{bad}/{bad}": 5000, bad + "2": 5000}, label=HOSTILE),
        ),
    )
    row = DeviceRow(HOSTILE, HOSTILE, decide(Cover.DRIVER), HOSTILE, HOSTILE, HOSTILE)
    hostile = DiscSubject(
        HOSTILE,
        facts,
        [finding(where=f"/{bad}/{bad}", message=HOSTILE, remedy=HOSTILE, source=HOSTILE)],
        HOSTILE,
        [(HOSTILE, HOSTILE)],
        coverage=[Coverage(HOSTILE, (row,))],
    )
    text = html(hostile)
    plain = Page(html(subject(coverage=[Coverage("win9x", ROWS)], findings=[finding()])))
    page = Page(text)
    assert page.names <= plain.names | {"br"}
    assert page.script == plain.script
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert page.words.count("<script>") >= 8
    text.encode("utf-8")


def test_the_page_of_a_huge_disc_is_bounded_and_says_what_it_leaves_out() -> None:
    iso = {f"D{number % 40}/F{number:07}.TXT": 1 + number for number in range(5000)}
    long = {f"Folder {number % 40}/A long name {number}.txt": 1 + number for number in range(5000)}
    facts = disc(iso=iso, joliet=long)
    found = [finding(f"rule-{at % 9}", where=f"/{'<' * 500}{at}") for at in range(30_000)]
    text = html(DiscSubject("big.iso", facts, found))
    assert len(text.encode()) < 2_000_000
    words = Page(text).flat
    assert "5,000 renamed files" in words
    assert f"{5000 - RENAMED_SHOWN:,} more files left out" in words
    assert f"{40 - FOLDERS_SHOWN} smaller folders, left out here" in words
    counts = [int(n.replace(",", "")) for n in re.findall(r"([\d,]+) more places like", words)]
    page = disc_page(DiscSubject("big.iso", facts, found), created=CREATED, created_by="")
    assert sum(counts) + sum(len(group.places) for group in page.groups) == len(found)
    assert len(page.largest) == LARGEST_SHOWN
