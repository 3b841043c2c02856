"""System use entries in every record: announced, of the right form, and complete."""

from __future__ import annotations

import pytest

import image_parts as parts
from byte_views import BytesView
from image_parts import SECTOR
from make_image import MadeImage, SystemUse, make_iso, put, zero
from mediashelf.formats.disc import DiscReading, read_disc
from mediashelf.formats.volume import VolumeKind

DATES = parts.use_entry(b"TF", b"\x06" + parts.RECORD_DATE * 2)  # modification, access
LONG_DATES = parts.use_entry(b"TF", b"\x82" + parts.DESCRIPTOR_DATE)
LINK = parts.use_entry(b"SL", b"\x00\x04\x00\x00\x05A.TXT")  # "../A.TXT"
FILES = {"A.TXT": b"a", "B.TXT": b"b", "DIR/C.TXT": b"c"}


def made(use: bytes = b"", path: str = "/B.TXT") -> MadeImage:
    """A disc with Rock Ridge and more entries in one record."""
    return make_iso(FILES, rock_ridge=True, system_use={path: lambda lba_of: use})


def read(data: bytes) -> DiscReading:
    return read_disc(BytesView(data))


def rules(data: bytes) -> set[str]:
    """The rules broken; that there are links at all is told elsewhere."""
    return {finding.rule for finding in read(data).findings} - {"rockridge-links"}


def names(data: bytes) -> list[str]:
    volume = read(data).facts.volume(VolumeKind.ROCKRIDGE)
    assert volume is not None
    return [entry.path for entry in volume.entries]


PX = parts.file_attributes(is_directory=False)
NM = parts.alternate_name(b"x")
RR = parts.use_entry(b"RR", b"\x81")


@pytest.mark.parametrize(
    "use",
    [
        DATES,
        LONG_DATES,
        LINK,
        RR + DATES,
        parts.use_entry(b"PX", PX[4:] + parts.both32(7)),  # with a serial number
        parts.use_entry(b"PN", parts.both32(1) + parts.both32(2)),
        parts.use_entry(b"TF", b"\x02" + bytes(7)),  # not given
        parts.use_entry(b"ST", b""),
        parts.use_entry(b"PD", bytes(9)),
        parts.use_entry(b"ZF", bytes(12)),
        parts.use_entry(b"Q9", b"what nobody knows", version=4),
        bytes(6),
    ],
)
def test_sound_entries_are_sound(use: bytes) -> None:
    # RRIP 1.12, 4.1.1 to 4.1.6; SUSP 1.12, 5.2, 5.4 and 4.1 (others are stepped over).
    assert rules(made(use).data) == set()


@pytest.mark.parametrize(
    ("use", "clause"),
    [
        (parts.use_entry(b"PX", PX[4:] + b"zz"), "RRIP 1.12, 4.1.1: 36 or 44 bytes"),
        (parts.use_entry(b"PN", bytes(8)), "RRIP 1.12, 4.1.2: 20 bytes"),
        (parts.use_entry(b"SL", b"\x00\x00\x09A.TXT"), "RRIP 1.12, 4.1.3: a component ends inside"),
        (parts.use_entry(b"NM", b""), "RRIP 1.12, 4.1.4: flags"),
        (parts.alternate_name(b"x", flags=1), "RRIP 1.12, 4.1.4: goes on in another NM"),
        (parts.use_entry(b"RE", b"z"), "RRIP 1.12, 4.1.5.3: 4 bytes"),
        (parts.use_entry(b"TF", b"\x06" + bytes(7)), "RRIP 1.12, 4.1.6: 7 bytes a date"),
        (parts.use_entry(b"TF", b"\x82" + bytes(7)), "RRIP 1.12, 4.1.6: 17 bytes a date"),
        (parts.use_entry(b"ES", b""), "SUSP 1.12, 5.6: 5 bytes"),
        (parts.use_entry(b"n\xff", b"x"), "SUSP 1.12, 4.1: the signature"),
        (b"\0\0\0\0" + NM, "SUSP 1.12, 4.1: entries follow each other"),
        (parts.alternate_name(b"a\0b"), "RRIP 1.12, 4.1.4: no name has zero bytes"),
        (RR, "the edition before RRIP 1.12: RR names TF"),
    ],
)
def test_an_entry_of_the_wrong_form_is_an_error(use: bytes, clause: str) -> None:
    assert rules(made(use).data) == {"rockridge-entry"}, clause


@pytest.mark.parametrize("path", ["/.", "/..", "/DIR", "/DIR/.", "/DIR/..", "/DIR/C.TXT"])
def test_entries_of_every_record_are_checked(path: str) -> None:
    # SUSP 1.12, 4.1: the self and parent records have system use fields too.
    found = read(made(parts.use_entry(b"PN", b""), path).data).findings
    assert [finding.rule for finding in found] == ["rockridge-entry"]


@pytest.mark.parametrize("at", [4, 12, 20, 28])
def test_both_copies_of_the_numbers_of_px_agree(at: int) -> None:
    # RRIP 1.12, 4.1.1, with ECMA-119 7.3.3.
    image = made()
    entry = image.data.index(b"PX", image.record("/B.TXT"))
    data = put(image.data, entry + at, b"\x07")
    (finding,) = read(data).findings
    assert finding.rule == "rockridge-field"
    assert names(data) == names(image.data)


@pytest.mark.parametrize(
    ("use", "clause"),
    [
        (parts.use_entry(b"TF", b"\x02" + b"\x63\x0d\x01\0\0\0\0"), "RRIP 1.12, 4.1.6: month 13"),
        (parts.use_entry(b"TF", b"\x82" + b"19990601120000 0\0"), "RRIP 1.12, 4.1.6: digits"),
        (parts.use_entry(b"SL", b"\x81\x04\x00"), "RRIP 1.12, 4.1.3: flags"),
        (parts.alternate_name(b"x", flags=0x08), "RRIP 1.12, 4.1.4: flags"),
        (parts.alternate_name(b"x", flags=0x20), "RRIP 1.12, 4.1.4: flags"),
        (parts.alternate_name(b"x", flags=0x80), "RRIP 1.12, 4.1.4: flags"),
        (parts.use_entry(b"PD", b"") + b"x", "SUSP 1.12, 4.1: fewer than 4 bytes are no entry"),
    ],
)
def test_dates_and_flags_are_valid(use: bytes, clause: str) -> None:
    assert rules(made(use).data) == {"rockridge-field"}, clause


def mode(kind: int) -> bytes:
    """An entry PX of a file of this kind, by the bits of its mode."""
    numbers = (kind | 0o644, 1, 0, 0)
    return parts.use_entry(b"PX", b"".join(map(parts.both32, numbers)))


@pytest.mark.parametrize(
    ("kind", "entry"),
    [
        (0o120000, LINK),
        (0o020000, parts.use_entry(b"PN", parts.both32(1) + parts.both32(2))),
        (0o060000, parts.use_entry(b"PN", parts.both32(1) + parts.both32(2))),
    ],
)
def test_a_link_leads_somewhere_and_a_device_has_a_number(kind: int, entry: bytes) -> None:
    assert rules(made(mode(kind) + entry).data) == set()
    assert rules(made(mode(kind) + parts.use_entry(b"QL", entry[4:])).data) == {"rockridge-entry"}
    assert rules(made(mode(0o100000)).data) == set()
    assert rules(made(mode(0o010000)).data) == set()  # a pipe has neither


@pytest.mark.parametrize("signature", [b"PX", b"TF", b"RR"])
def test_an_entry_that_few_records_lack_may_be_damaged(signature: bytes) -> None:
    uses: dict[str, SystemUse] = {
        path: lambda lba_of: {b"TF": DATES, b"RR": RR + DATES}.get(signature, b"")
        for path in ("/.", "/..", "/A.TXT", "/B.TXT", "/DIR", "/DIR/.", "/DIR/..", "/DIR/C.TXT")
    }
    image = make_iso(FILES, rock_ridge=True, system_use=uses)
    at = image.data.index(signature, image.record("/A.TXT"))
    findings = read(put(image.data, at, b"Q")).findings
    assert rules(image.data) == set()
    assert [finding.rule for finding in findings] == ["rockridge-entries-alike"]
    assert findings[0].found == f"no {signature.decode()}"
    assert findings[0].message.startswith("1 record without")


def test_the_version_is_1() -> None:
    # SUSP 1.12, 4.1; readers do not look at it.
    image = made()
    entry = image.data.index(b"NM", image.record("/B.TXT"))
    assert rules(put(image.data, entry + 3, b"\x02")) == {"rockridge-field"}


def test_both_copies_of_a_link_agree() -> None:
    # RRIP 1.12, 4.1.5.1 and 4.1.5.2; SUSP 1.12, 5.1.
    image = make_iso(
        {"D/E/F.TXT": b"f", "A.TXT": b"a"},
        rock_ridge=True,
        relocate=["/D/E"],
        long_names={"A.TXT": "n" * 200},
    )
    assert read(image.data).findings == ()
    for signature in (b"CL\x0c", b"PL\x0c", b"CE\x1c"):
        at = image.data.index(signature, image.directory("/"))
        assert "both-orders-agree" in rules(put(image.data, at + 11, b"\xee")), signature


@pytest.mark.parametrize("length", [0, 6, 8, 60])
def test_sp_has_7_bytes(length: int) -> None:
    # SUSP 1.12, 5.3.
    image = made()
    at = image.directory("/") + 34
    assert rules(put(image.data, at + 2, bytes([length]))) == {"rockridge-announcement"}


def test_a_zeroed_announcement_is_an_error() -> None:
    # SUSP 1.12, 5.3.
    image = made()
    use = image.directory("/") + 34
    assert rules(zero(image.data, use, 7)) == {"rockridge-announcement"}
    # All of the root's own entries may be gone: those of its files tell.
    assert rules(zero(image.data, use, image.data[use - 34] - 34)) == {"rockridge-announcement"}


def test_a_disc_without_rock_ridge_need_not_announce_it() -> None:
    # SUSP 1.12, 4.1: the field belongs to whoever uses it.
    def other(lba_of: object) -> bytes:
        return b"NM and PX are letters, ER too"

    others: dict[str, SystemUse] = dict.fromkeys(("/.", "/A.TXT"), other)
    assert read(make_iso(FILES, system_use=others).data).findings == ()


@pytest.mark.parametrize("skip", [1, 5, 40, 255])
def test_a_wrong_number_of_bytes_to_skip_is_an_error(skip: int) -> None:
    # SUSP 1.12, 5.3.
    image = make_iso({"A.TXT": b"a"}, rock_ridge=True, long_names={"A.TXT": "other name"})
    data = put(image.data, image.directory("/") + 34 + 6, bytes([skip]))
    assert rules(data) == {"rockridge-announcement"}
    assert names(data) == ["/other name"]


@pytest.mark.parametrize("identifier", [b"IEEE_P1282", b"IEEE_1282\0"])
def test_the_extension_goes_by_several_names(identifier: bytes) -> None:
    # RRIP 1.12, 4.3; earlier texts from memory.
    image = made()
    at = image.data.index(b"RRIP_1991A")
    found = rules(put(image.data, at, identifier))
    assert found == (set() if identifier == b"IEEE_P1282" else {"rockridge-extension"})


def test_an_extension_that_is_not_named() -> None:
    # SUSP 1.12, 5.5; RRIP 1.12, 4.3.
    image = made()
    at = image.data.index(b"ER", image.at("continuation"))
    assert rules(put(image.data, at, b"EQ")) == {"rockridge-extension"}


def test_a_continuation_that_holds_no_entries() -> None:
    # SUSP 1.12, 5.1.
    image = make_iso({"A.TXT": b"a"}, rock_ridge=True, long_names={"A.TXT": "n" * 200})
    at = image.at("continuation")
    found = rules(zero(image.data, at, SECTOR))
    assert "rockridge-continuation" in found


def test_a_record_continues_in_one_place() -> None:
    # SUSP 1.12, 5.1: one CE a record.
    image = make_iso({"A.TXT": b"a"}, rock_ridge=True)
    second = make_iso(
        {"A.TXT": b"a"},
        rock_ridge=True,
        system_use={
            "/.": lambda lba_of: parts.continuation(image.at("continuation") // SECTOR, 0, 57)
        },
    )
    assert rules(second.data) == {"rockridge-continuation"}


def test_the_mark_of_a_moved_directory_on_the_one_that_holds_it() -> None:
    # Common practice of some writers; RRIP 1.12, 4.1.5.3 wants it on the moved one.
    files = {"D/E/F.TXT": b"f"}
    image = make_iso(
        files,
        rock_ridge=True,
        relocate=["/D/E"],
        system_use={"/RR_MOVED": lambda lba_of: parts.relocated_mark()},
    )
    assert read(image.data).findings == ()
    assert names(image.data) == ["/D", "/D/E", "/D/E/F.TXT"]
    # A directory in there that no link leads to is still missed.
    link = image.data.index(b"CL\x0c", image.directory("/D"))
    assert rules(put(image.data, link, b"XX")) == {"rockridge-relocation"}


def test_the_work_on_marked_directories_is_bounded() -> None:
    # Own behaviour: a hostile disc can mark 100,000 directories as moved.
    files = {f"D{number:03}/": b"" for number in range(40)}
    marks: dict[str, SystemUse] = {
        f"/D{number:03}": lambda lba_of: parts.relocated_mark() for number in range(40)
    }
    image = make_iso({**files, "A.TXT": b"a"}, rock_ridge=True, system_use=marks)
    found = read(image.data).findings
    # The first 16 are looked into, and are empty; of the others nobody knows.
    assert [finding.rule for finding in found] == ["rockridge-relocation"] * 24


@pytest.mark.parametrize("bit", range(3, 8))
def test_each_other_bit_in_a_name_is_told_and_the_name_is_kept(bit: int) -> None:
    # RRIP 1.12, 4.1.4: CONTINUE, CURRENT and PARENT are bits 0 to 2.
    image = made()
    entry = image.data.index(b"NM", image.record("/B.TXT"))
    data = put(image.data, entry + 4, bytes([1 << bit]))
    (finding,) = read(data).findings
    assert (finding.rule, finding.found) == ("rockridge-field", f"{1 << bit:#04x}")
    assert names(data) == names(image.data)
