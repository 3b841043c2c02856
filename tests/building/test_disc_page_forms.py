"""The tables on a disc's pages: text for a DOS screen, HTML for very old browsers."""

from __future__ import annotations

import html.parser
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from build_trees import write_tree
from mediashelf.building.naming.trees import name_trees
from mediashelf.building.pages.disc_pages import (
    DiscPages,
    DriverRow,
    DriverTable,
    Note,
    Series,
    SeriesDisc,
    SeriesPart,
    tables_size,
)
from mediashelf.building.pages.html_page import render_html
from mediashelf.building.pages.index_page import index_size, iter_index
from mediashelf.building.planning.disc_plan import plan_disc, plan_listing
from mediashelf.building.planning.listing import list_sources
from mediashelf.building.recipes.recipe import Recipe, SourceFolder
from mediashelf.building.tree import DiscFolder
from mediashelf.building.writing.write import build_disc
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image

VIDEO = ("Larkspur: LKV.INF [Install]", "/LARKSPUR/LKV.INF", "/Larkspur Video/LKV.INF")
TABLE = DriverTable(
    "Drivers for win9x on kiosk.txt: 2 of 3 devices",
    (
        DriverRow("display", 'Larkspur Vidéo 3 <fast> & "cheap"', *VIDEO),
        DriverRow("display", "Larkspur 3 Plus", *VIDEO),
        DriverRow("network", "Ternfield LAN 10/100, 潮", "no driver here"),
        DriverRow("", "Mossgate", "Mossgate: M.INF [M]", "/M.INF", "/M.INF"),
    ),
)
NOTES = [Note("/DOS", "/DOS", "Load CDUSB.SYS first.\n\nThen <TESTLAN>.\n")]

TEXT = """\
What is on Kiosk

Notes

\\DOS
  Load CDUSB.SYS first.

  Then <TESTLAN>.

Drivers for win9x on kiosk.txt: 2 of 3 devices

display
  Larkspur Video 3 <fast> & "cheap"
  Larkspur 3 Plus
    Larkspur: LKV.INF [Install]
    \\LARKSPUR\\LKV.INF
    = \\Larkspur Video\\LKV.INF
    type D:\\LARKSPUR

network
  Ternfield LAN 10/100, Chao
    no driver here

other
  Mossgate
    Mossgate: M.INF [M]
    \\M.INF
    type D:\\

Files

Files are listed under their folder: short name, size in bytes, and the first
16 digits of the SHA-256 digest. A long name that differs is on the next line,
after "="; letters outside ASCII are spelled in ASCII there.

\\

0 files, 0 bytes.
"""

HTML = """\
<!DOCTYPE HTML PUBLIC "-//W3C//DTD HTML 3.2 Final//EN">
<HTML><HEAD><TITLE>What is on Kiosk</TITLE></HEAD>
<BODY>
<H1>What is on Kiosk</H1>
<P>Every file: <A HREF="INDEX.TXT">INDEX.TXT</A></P>
<H2>Notes</H2>
<DL>
<DT><A HREF="DOS">\\DOS</A>
<DD>Load CDUSB.SYS first.<BR><BR>Then &lt;TESTLAN&gt;.
</DL>
<H2>Drivers for win9x on kiosk.txt: 2 of 3 devices</H2>
<TABLE BORDER="1" CELLPADDING="3">
<TR><TH>Class</TH><TH>Device</TH><TH>Package</TH><TH>Where</TH></TR>
<TR VALIGN="TOP"><TD>display</TD>\
<TD>Larkspur Vid&#233;o 3 &lt;fast&gt; &amp; &#34;cheap&#34;<BR>Larkspur 3 Plus</TD>\
<TD>Larkspur: LKV.INF [Install]</TD>\
<TD><A HREF="LARKSPUR/LKV.INF">\\LARKSPUR\\LKV.INF</A>\
<BR>= <A HREF="Larkspur%20Video/LKV.INF">\\Larkspur Video\\LKV.INF</A>\
<BR>type D:\\LARKSPUR</TD></TR>
<TR VALIGN="TOP"><TD>network</TD><TD>Ternfield LAN 10/100, Chao</TD><TD>no driver here</TD>\
<TD>&#160;</TD></TR>
<TR VALIGN="TOP"><TD>other</TD><TD>Mossgate</TD><TD>Mossgate: M.INF [M]</TD>\
<TD><A HREF="M.INF">\\M.INF</A><BR>type D:\\</TD></TR>
</TABLE>
</BODY></HTML>
"""

PARTS = (SeriesPart("/DOS", "/DOS", 1), SeriesPart("/X/TURKEY", "/X/Türkei <2>", 4096, False))
SERIES = Series(
    2, (SeriesDisc("Kiosk 1", PARTS), SeriesDisc("Kiosk 2", PARTS), SeriesDisc("Kiosk 3", ()))
)


def test_the_text() -> None:
    page = b"".join(iter_index("Kiosk", name_trees(DiscFolder(""), ()), DiscPages((TABLE,)), NOTES))
    assert page.decode("ascii").replace("\r\n", "\n") == TEXT


def test_the_html() -> None:
    page = render_html("Kiosk", DiscPages((TABLE,)), NOTES, "INDEX.TXT")
    assert page.decode("ascii").replace("\r\n", "\n") == HTML


def hostile_pages() -> DiscPages:
    """Everything that the pages have to get over."""
    names = [
        "x" * 200,
        "\x1b[31m\u202eevil\0",
        "a\tb\r\nc",
        "😀 港",
        "&lt;</TD></TABLE>",
        "\xad\x85",
    ]
    rows = tuple(
        DriverRow(name, name, name * 3, "/" + "/".join(["ABCDEFGH"] * 7), f"/{name}", disc)
        for disc, name in enumerate(names)
    )
    return DiscPages((DriverTable("</TITLE>" + names[0], rows), TABLE), SERIES)


def test_both_pages_have_the_form_that_old_systems_need() -> None:
    notes = [Note("/A", "/ä" * 100, "</BODY>\x00" + "y" * 200)]
    trees = name_trees(DiscFolder(""), ())
    text = b"".join(iter_index("Kiosk\x1b", trees, hostile_pages(), notes))
    for page in (
        text,
        render_html("Kiosk\x1b", hostile_pages(), notes, "INDEX.TXT"),
    ):
        assert page.isascii()
        assert b"\n" not in page.replace(b"\r\n", b"")
        assert not set(page) & (set(range(32)) - {10, 13})
    assert max(map(len, text.split(b"\r\n"))) <= 79


# The elements of HTML 3.2 that are used, with the attributes that they have there
# (W3C Recommendation "HTML 3.2 Reference Specification", 14 January 1997).
HTML_3_2 = {
    "html": set(), "head": set(), "title": set(), "body": set(), "p": set(), "br": set(),
    "h1": set(), "h2": set(), "h3": set(), "ul": set(), "li": set(), "dl": set(), "dt": set(),
    "dd": set(), "th": set(), "td": set(), "a": {"href"}, "tr": {"valign"},
    "table": {"border", "cellpadding"},
}  # fmt: skip
NEED_NO_END = {"br", "li", "dt", "dd"}


class Checker(html.parser.HTMLParser):
    """Refuses what HTML 3.2 has not, and ends that do not fit their beginnings."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        assert {name for name, _ in attributes} <= HTML_3_2[tag], tag
        self.links += [value or "" for name, value in attributes if name == "href"]
        if tag not in NEED_NO_END:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def checked(page: bytes) -> Checker:
    checker = Checker()
    checker.feed(page.decode("ascii"))
    checker.close()
    assert checker.open == []
    return checker


def all_pages() -> list[bytes]:
    return [
        render_html("Kiosk", DiscPages((TABLE,)), NOTES, "INDEX.TXT"),
        render_html("Kiosk", DiscPages((), SERIES), (), "INDEX_2.TXT"),
        render_html("Kiosk", hostile_pages(), NOTES, "INDEX.TXT"),
        render_html("", DiscPages((DriverTable("", ()),)), (), "INDEX.TXT"),
    ]


@pytest.mark.parametrize("page", all_pages())
def test_the_html_uses_what_html_3_2_has(page: bytes) -> None:
    links = checked(page).links
    assert not [link for link in links if ":" in link or link.startswith("/") or "?" in link]


@pytest.mark.parametrize("page", all_pages())
def test_the_html_is_valid_by_its_document_type(page: bytes, tmp_path: Path) -> None:
    """The parser OpenSP with the W3C's own definition of HTML 3.2."""
    catalog = Path("/usr/share/xml/w3c-sgml-lib/schema/dtd/sgml.soc")
    if shutil.which("onsgmls") is None or not catalog.exists():
        pytest.skip("onsgmls (opensp) or the W3C's definitions (w3c-sgml-lib) are missing")
    path = tmp_path / "page.htm"
    path.write_bytes(page)
    run = subprocess.run(
        ["onsgmls", "-s", "-c", str(catalog), str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (run.returncode, run.stderr) == (0, "")


def test_links_lead_to_what_is_on_the_disc(tmp_path: Path) -> None:
    files = {"Larkspur Video/LKV.INF": b"i", "Larkspur Video/LKV.SYS": b"s", "DOS/A.COM": b"a"}
    top = write_tree(tmp_path / "top", files)
    recipe = Recipe("Kiosk", (SourceFolder(top, notes="For the kiosk."),))
    table = DriverTable("Devices", (DriverRow("display", "Larkspur", *VIDEO),))
    plan = plan_listing(recipe, list_sources(recipe), DiscPages((table,)))
    build_disc(plan, tmp_path / "disc.iso")
    with open_image(tmp_path / "disc.iso") as image:
        places = {
            kind: {entry.path.lstrip("/"): entry for entry in volume.entries}
            for kind in (VolumeKind.ISO9660, VolumeKind.JOLIET)
            if (volume := image.facts.volume(kind)) is not None
        }
        page = image.read_file(places[VolumeKind.ISO9660]["INDEX.HTM"], 1 << 20)
        assert image.read_file(places[VolumeKind.JOLIET]["INDEX.HTM"], 1 << 20) == page
    links = checked(page).links
    assert links == [
        "INDEX.TXT",
        ".",
        "LARKSPUR/LKV.INF",
        "Larkspur%20Video/LKV.INF",
    ]
    assert links[2] in places[VolumeKind.ISO9660]
    assert links[3].replace("%20", " ") in places[VolumeKind.JOLIET]


def test_a_disc_without_tables_has_no_second_page(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {"A.COM": b"a"})
    plain = plan_disc(Recipe("Kiosk", (SourceFolder(top),)))
    assert [file.long_path for file in plain.files] == ["/A.COM", "/INDEX.TXT"]
    noted = plan_disc(Recipe("Kiosk", (SourceFolder(top, notes="n"),)))
    assert "/INDEX.HTM" in [file.long_path for file in noted.files]
    bare = plan_disc(Recipe("Kiosk", (SourceFolder(top, notes="n"),), index=False))
    assert [file.long_path for file in bare.files] == ["/A.COM"]


def test_pages_give_way_to_files_of_the_sources(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {"INDEX.HTM": b"own", "INDEX.TXT": b"own"})
    plan = plan_disc(Recipe("Kiosk", (SourceFolder(top, notes="n"),)))
    build_disc(plan, tmp_path / "disc.iso")
    names = {file.short_path: file.source for file in plan.files}
    assert names == {
        "/INDEX.HTM": str(top / "INDEX.HTM"),
        "/INDEX.TXT": str(top / "INDEX.TXT"),
        "/INDEX_2.HTM": "",
        "/INDEX_2.TXT": "",
    }
    page = next(file for file in plan.iter_files() if file.short_path == "/INDEX_2.HTM")
    assert b'<A HREF="INDEX_2.TXT">' in page.own.data


def test_the_room_kept_for_tables_is_enough() -> None:
    tables = hostile_pages().tables
    trees = name_trees(DiscFolder(""), ())
    bare = index_size("K", trees), len(render_html("K", DiscPages(), (), "INDEX.TXT"))
    full = DiscPages(tables)
    grown = (
        index_size("K", trees, full) - bare[0],
        len(render_html("K", full, (), "INDEX.TXT")) - bare[1],
    )
    assert max(grown) <= tables_size(tables)


def test_no_cell_of_a_table_is_wider_than_a_small_screen() -> None:
    """Own behaviour: four columns in 640 pixels; a line breaks at spaces and at BR only."""
    page = render_html("Kiosk", hostile_pages(), [], "INDEX.TXT").decode("ascii")
    cells = re.findall(r"<TD>(.*?)</TD>", page)
    assert len(cells) > 20
    for cell in cells:
        text = html.unescape(re.sub(r"<(?!BR)[^>]*>", "", cell))
        assert max(len(word) for word in re.split(r"<BR>| ", text)) <= 24
