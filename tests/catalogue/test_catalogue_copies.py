"""Which recorded images are asked for bytes that another has lost, and in which order."""

from __future__ import annotations

from pathlib import Path

from made_library import DATE, TICK, Library, overwrite, tide_image, write
from mediashelf.catalogue.images import fixity_record
from mediashelf.catalogue.questions import copies
from mediashelf.catalogue.rows import ImageRow

MIB = 1 << 20
TIDE = tide_image(1, mebibytes=4)


def found(library: Library, path: str = "tide.iso") -> list[str]:
    row = row_of(library, path)
    record = fixity_record(library.catalogue.db, row)
    assert record is not None
    return [each.path for each in copies.find_copies(library.catalogue, row, record)]


def row_of(library: Library, path: str) -> ImageRow:
    row = library.catalogue.image_by_path(library.root / path)
    assert row is not None
    return row


def edition(*changed: int) -> bytes:
    """An image that shares all blocks but some with the first, and has another size."""
    data = bytearray(TIDE)
    for number in changed:
        data[number * MIB] ^= 1
    return bytes(data) + bytes(4 * MIB)


def test_the_likeliest_come_first(library: Library) -> None:
    write(library.root / "tide.iso", TIDE, DATE)
    write(library.root / "a-label.iso", tide_image(5, mebibytes=4), DATE)
    write(library.root / "b-edition.iso", edition(0, 1, 2), DATE)
    write(library.root / "c-edition.iso", edition(0), DATE)
    write(library.root / "d-once.iso", TIDE, DATE)
    write(library.root / "e-twin.iso", TIDE, DATE)
    write(library.root / "f-stranger.iso", tide_image(6, mebibytes=2), DATE)
    library.scan()
    write(library.root / "d-once.iso", tide_image(7), DATE + TICK)
    library.scan()
    assert found(library) == [
        "e-twin.iso",
        "tide.iso",
        "d-once.iso",
        "c-edition.iso",
        "b-edition.iso",
        "a-label.iso",
    ]


def test_a_decayed_twin_is_asked_too(library: Library) -> None:
    write(library.root / "tide.iso", TIDE, DATE)
    twin = write(library.root / "twin.iso", TIDE, DATE)
    library.scan()
    overwrite(twin, MIB, b"\x00\x01\x02\x03")
    library.audit()
    assert "twin.iso" in found(library)


def test_only_files_that_are_here(library: Library) -> None:
    write(library.root / "tide.iso", TIDE, DATE)
    gone = write(library.root / "gone.iso", TIDE, DATE)
    removed = write(library.root / "removed.iso", TIDE, DATE)
    library.scan()
    gone.unlink()
    library.scan()
    removed.unlink()  # which the catalogue does not know yet
    assert found(library) == ["tide.iso"]
    away = library.add_shelf("stick")
    write(away / "stick.iso", TIDE, DATE)
    library.scan()
    assert set(found(library)) == {"tide.iso", "stick.iso"}
    away.rename(Path(f"{away}-unplugged"))
    assert found(library) == ["tide.iso"]


def test_not_too_many(library: Library) -> None:
    for number in range(copies.MOST_COPIES + 4):
        write(library.root / f"{number:02}.iso", TIDE, DATE)
    library.scan()
    assert len(found(library, "00.iso")) == copies.MOST_COPIES
