"""The library's page: every image in it once, whatever its name, and never alive."""

from __future__ import annotations

import base64
import json
import re
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from mediashelf.catalogue.questions.duplicates import content_key
from mediashelf.catalogue.rows import Description, ImageRow, Presence, Waiting
from mediashelf.findings import Severity
from mediashelf.formats.disc_summary import DiscSummary
from mediashelf.reports.library.file_names import pack_names
from mediashelf.reports.library.packing import ListedDisc, safe_json
from mediashelf.reports.library.page import library_html
from report_samples import CREATED, HOSTILE, MIB, Page, image_row

SYSTEMS = {"dos": "DOS", "win9x": "Win9x"}


def row(number: int, path: str, **more: Any) -> ImageRow:
    changes: dict[str, Any] = {"digests": {"xxh3_128": f"{number:032x}"}, **more}
    return image_row(path, MIB)._replace(id=number, **changes)


def html(rows: Sequence[ImageRow], **more: Any) -> str:
    known = ListedDisc(DiscSummary(boot=("BIOS", "UEFI")), "Kiosk, disc 1 of 2", (False, True))
    discs = dict.fromkeys((each.id for each in rows), known)
    return library_html(rows, SYSTEMS, discs, created=CREATED, created_by="mediashelf 9", **more)


def data_of(text: str) -> Any:
    (data,) = re.findall(r'id="library-data">([^<]*)</script>', text)
    return json.loads(data)


def images_of(text: str) -> list[dict[str, Any]]:
    """The images as the page's script reads them: texts in the place of their numbers."""
    data = data_of(text)
    made = []
    for values in data["images"]:
        image = dict(zip(data["fields"], values, strict=False))
        for name, table in (("shelf", "shelf"), ("state", "state"), ("confirmed", "day")):
            image[name] = data["tables"][table][image.get(name, 0)]
        made.append(image)
    return made


def test_every_image_is_in_the_data_and_in_the_plain_list() -> None:
    rows = [
        row(1, "a/tide.iso", finding_counts={Severity.WARNING: 2}),
        row(2, "ebb.iso", presence=Presence.MISSING),
        row(3, "x.iso", shelf="card", root=Path("/card")),
    ]
    text = html(rows)
    first, second, third = images_of(text)
    assert (first["path"], first["shelf"], first["size"]) == ("a/tide.iso", "home", MIB)
    assert (first["state"], first["confirmed"]) == ("recorded", "2025-06-07")
    assert (first["errors"], first["warnings"]) == (0, 2)
    assert first["systems"] == 0b10
    assert second["state"] == "missing"
    assert third["shelf"] == "card"
    page = Page(text)
    assert page.title == "Library: 3 images"
    assert "3 images, 3.0 MiB, on 2 shelves: 1 missing; 2 recorded." in page.flat
    assert "a/tide.iso · TIDE · 1.0 MiB · recorded · 2025-06-07" in page.flat
    assert f"{Path('/card')}: 1 image, 1.0 MiB" in page.flat


def test_the_keepers_words_and_the_discs_own_are_there() -> None:
    words = Description("a note", ("kiosk", "loan"), "box 4", "LV-77")
    text = html([row(1, "a.iso", description=words)])
    (image,) = images_of(text)
    tables = data_of(text)["tables"]
    assert [tables["tag"][number] for number in image["tags"]] == ["kiosk", "loan"]
    assert tables["place"][image["place"]] == "box 4"
    assert (image["note"], image["part_number"]) == ("a note", "LV-77")
    assert tables["boot"][image["boot"]] == "BIOS, UEFI"
    assert tables["set"][image["set"]] == "Kiosk, disc 1 of 2"


def test_an_image_that_was_never_read_as_a_disc_is_readable_by_nobody_known() -> None:
    discs = {1: ListedDisc(DiscSummary())}
    text = library_html([row(1, "a.cue")], SYSTEMS, discs, created=CREATED, created_by="")
    assert images_of(text)[0]["systems"] == -1


def test_copies_are_images_with_equal_bytes_on_record() -> None:
    waiting = Waiting(MIB, 0, {"xxh3_128": "f" * 32}, CREATED, "changed", CREATED)
    same = {"xxh3_128": "a" * 32}
    rows = [
        row(1, "a.iso", digests=same),
        row(2, "b.iso", digests=same),
        row(3, "c.iso"),
        row(4, "d.iso", digests={}),
        row(5, "e.iso", digests={}),
        row(6, "f.iso", digests=same, waiting=waiting),
    ]
    copies = [image.get("copies", 0) for image in images_of(html(rows))]
    assert copies[0] == copies[1] > 0
    assert copies[2:] == [0, 0, 0, 0]
    assert content_key(rows[5]) == ""


def test_nothing_from_outside_is_alive() -> None:
    hostile = row(
        1,
        HOSTILE,
        shelf=HOSTILE,
        root=Path(f"/{HOSTILE}"),
        labels=(HOSTILE,),
        problem=f"\u2028{HOSTILE}\u2029",
        description=Description(HOSTILE, (HOSTILE, "x"), HOSTILE, HOSTILE, HOSTILE, 1, 2),
    )
    plain = Page(html([row(1, "a.iso")], scope="x", names=pack_names([((0,), [("", "A")])])))
    names = pack_names([((0,), [(f"/{HOSTILE}", HOSTILE), ("\x01", "\x02\n</script>")])])
    text = html([hostile], scope=HOSTILE, names=names)
    page = Page(text)
    assert page.names <= plain.names
    assert "\x1b" not in text
    assert not set("\u202e\u2028\u2029") & set(text)
    text.encode("utf-8")
    (image,) = images_of(text)
    assert image["path"].startswith("</title><script>alert(1)</script>\\x1b[2J\\u202e")


def test_no_text_ends_the_element_that_holds_the_data() -> None:
    value = ["</script><!--<script>]]>&amp;\u2028\u2029", {"a<b": 1}]
    text = safe_json(value)
    assert not set("<>&\u2028\u2029") & set(text)
    assert json.loads(text) == value


def unpacked(block: str) -> list[str]:
    return zlib.decompress(base64.b64decode(block)).decode("utf-8").split("\n")


def test_names_are_packed_by_image_and_folder() -> None:
    packed = pack_names(
        [
            ((0, 2), [("/A", "X.TXT"), ("/A", "Y.TXT"), ("", "README")]),
            ((1,), [("", "\x01evil\nname")]),
        ]
    )
    (block,) = packed.blocks
    assert unpacked(block) == [
        *("\x010,2", "\x02/A", "X.TXT", "Y.TXT", "\x02", "README"),
        *("\x011", "\\x01evil\\x0aname"),
    ]
    assert packed.counts() == {"images": 3, "entries": 4, "left_out": 0}


def test_names_that_do_not_fit_are_counted_and_not_read() -> None:
    read = []

    def listings() -> Any:
        for number in range(40):
            read.append(number)
            folder = f"/{number}"
            yield (
                (number,),
                ((folder, f"{at * 7919 % 99_991:x}{number}.DAT") for at in range(20_000)),
            )

    packed = pack_names(listings(), most_bytes=500_000)
    assert 100_000 < sum(map(len, packed.blocks)) <= 500_000
    assert packed.images + packed.left_out == 40
    assert 0 < packed.images < 40
    numbers = {
        int(line[1:])
        for block in packed.blocks
        for line in unpacked(block)
        if line.startswith("\x01")
    }
    assert set(range(packed.images)) <= numbers
    text = html([row(at + 1, f"{at}.iso") for at in range(40)], names=packed)
    assert data_of(text)["names"]["left_out"] == packed.left_out


def test_a_block_begins_with_its_images_and_its_folder() -> None:
    packed = pack_names([((0,), [("/F", "n" * 200 + str(at)) for at in range(6000)])])
    assert len(packed.blocks) > 1
    for block in packed.blocks:
        assert unpacked(block)[:2] == ["\x010", "\x02/F"]
    assert packed.entries == 6000


@pytest.mark.parametrize("count", [0, 1])
def test_an_empty_library_has_a_page_too(count: int) -> None:
    text = html([row(1, "a.iso")] * count)
    assert f"{count} image" in Page(text).title


def test_ten_thousand_images_fit_in_five_million_bytes() -> None:
    rows = [
        row(
            number,
            f"Folder of the {number % 97}th box/Some longer name of a disc {number:05}.iso",
            labels=(f"DISC_{number}", f"A label of some length {number}"),
            kinds=("iso9660", "joliet"),
            digests={"xxh3_128": f"{number * 7919:032x}", "sha256": f"{number * 104_729:064x}"},
        )
        for number in range(1, 10_001)
    ]
    assert len(html(rows).encode("utf-8")) < 5_000_000


def test_equal_libraries_make_equal_pages() -> None:
    rows = [row(1, "a.iso"), row(2, "b.iso")]
    assert html(rows) == html(rows)
