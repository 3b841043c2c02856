"""A disc that cannot hold a driver package is told from its names, without reading packages."""

from __future__ import annotations

from pathlib import Path

import pytest

from make_image import make_iso
from mediashelf.catalogue.packages.looked_into import PackagesSeen
from mediashelf.image import DiscImage, open_image
from mediashelf.jobs.shelves import first_look, looking


def looked(folder: Path, data: bytes) -> PackagesSeen | None:
    path = folder / "disc.iso"
    path.write_bytes(data)
    with open_image(path) as image:
        return first_look.packages_of(image)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """The images that were looked into by the long way."""
    seen: list[object] = []
    long_way = looking.packages_of

    def look(image: DiscImage, *, is_plain: bool = False) -> object:
        seen.append(image)
        found = long_way(image, is_plain=is_plain)
        assert found == long_way(image)  # in whichever way the names were read
        return found

    monkeypatch.setattr(looking, "packages_of", look)
    return seen


@pytest.mark.parametrize(
    "name",
    [
        *("LKVX.INF", "LKVX.SYS", "QUILLON.EXE", "TERN.COM", "TERN.DOS"),
        *("SETUP.BAT", "INSTALL.BAT", "INSTALAR.BAT", "INST.BAT", "TXTSETUP.OEM"),
    ],
)
def test_a_name_that_tells_of_a_package_is_looked_into(
    tmp_path: Path, asked: list[object], name: str
) -> None:
    disc = make_iso({f"DRIVERS/{name}": b"no driver at all"}, joliet=3)
    assert looked(tmp_path, disc.data) is not None
    assert len(asked) == 1


def test_other_names_need_not_be_looked_into(tmp_path: Path, asked: list[object]) -> None:
    files = {"README.TXT": b"x", "SETUP.TXT": b"x", "INF/A.BIN": b"x", "SYS": b"x", "A.EX_": b"x"}
    disc = make_iso(files, joliet=3)
    path = tmp_path / "same.iso"
    path.write_bytes(disc.data)
    assert looked(tmp_path, disc.data) == PackagesSeen(())
    assert asked == []
    with open_image(path) as image:
        assert looking.packages_of(image) == PackagesSeen(())  # and the long way says the same


def test_a_disc_that_is_cut_is_looked_into(tmp_path: Path, asked: list[object]) -> None:
    disc = make_iso({"A.TXT": b"x" * 5000, "B.TXT": b"y" * 90_000}, joliet=3).data
    seen = looked(tmp_path, disc[: disc.index(b"y" * 2048) + 2048])
    assert seen is not None
    assert "cannot be read" in " ".join(seen.unopened)
    assert len(asked) == 1


def test_what_is_no_disc_is_left_to_later(tmp_path: Path, asked: list[object]) -> None:
    assert looked(tmp_path, b"nothing" * 9000) is None
    assert len(asked) == 1
