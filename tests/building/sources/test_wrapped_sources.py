"""A recipe with an archive or image gives the same disc as one with the unpacked folder."""

from __future__ import annotations

import os
import random
import tempfile
from pathlib import Path

import pytest

from build_trees import DATE, write_tree
from make_cabinet_sets import split_cabinet
from make_files import make_pe
from make_old_archives import make_rar_parts
from make_wrappings import DATED, NEED_LIBARCHIVE, WRAPPINGS, make_mszip, make_zip
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.recipe import load_recipe
from mediashelf.building.recipes.source_names import own_name, recipe_from_folders
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import BuildError, InputError, OutputError
from mediashelf.image import open_image

FILES = {
    "LAN/TERNFLD.INF": b"[Version]\r\nSignature=$CHICAGO$\r\n",
    "LAN/TERNFLD.SYS": random.Random(7).randbytes(70_000),
    "LAN/COPY.SYS": random.Random(7).randbytes(70_000),
    "README.TXT": b"Ternfield LAN",
    "EMPTY.TXT": b"",
}


def plan_of(source: str, folder: Path) -> DiscPlan:
    recipe = folder / "disc.toml"
    recipe.write_text(
        f'label = "LANDISC"\n[[folder]]\nfrom = "{source}"\nto = "/DRIVERS"\n', encoding="utf-8"
    )
    return plan_disc(load_recipe(recipe))


def disc_of(source: str, folder: Path) -> bytes:
    output = folder / "disc.iso.made"
    build_disc(plan_of(source, folder), output, replace=True)
    return output.read_bytes()


@pytest.mark.parametrize("name", WRAPPINGS)
def test_the_same_disc_as_from_the_unpacked_folder(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if name not in DATED:  # the made images have no dates: the disc gets a fixed one for all
        monkeypatch.setenv("SOURCE_DATE_EPOCH", "315532800")
    write_tree(tmp_path / "unpacked", FILES)
    (tmp_path / name).write_bytes(WRAPPINGS[name](FILES))
    before = sorted(tmp_path.iterdir())
    assert disc_of(name, tmp_path) == disc_of("unpacked", tmp_path)
    assert disc_of(f"{name}:/LAN", tmp_path) == disc_of("unpacked/LAN", tmp_path)
    made = {tmp_path / "disc.toml", tmp_path / "disc.iso.made"}
    assert sorted(set(tmp_path.iterdir()) - made) == before  # nothing was unpacked beside it


def test_the_same_disc_from_a_cabinet_in_three_parts(tmp_path: Path) -> None:
    pytest.importorskip("libarchive", exc_type=(ImportError, AttributeError, OSError))
    write_tree(tmp_path / "unpacked", FILES)
    names = ("lan1.cab", "lan2.cab", "lan3.cab")
    write_tree(tmp_path, split_cabinet(make_mszip(FILES), (30_000, 60_000), names))
    assert disc_of("lan1.cab", tmp_path) == disc_of("unpacked", tmp_path)
    with pytest.raises(InputError, match=r"is part 2 of a cabinet .*; open lan1\.cab"):
        disc_of("lan2.cab", tmp_path)


def unpacked_disc(folder: Path, source: str, keys: str = "") -> bytes:
    recipe = folder / "disc.toml"
    recipe.write_text(f'label = "D"\n[[folder]]\nfrom = "{source}"\n{keys}\n', encoding="utf-8")
    build_disc(plan_disc(load_recipe(recipe)), folder / "made.iso", replace=True)
    return (folder / "made.iso").read_bytes()


PATTERNS = ["", 'only = ["*.inf"]', 'skip = ["LAN/COPY.SYS"]', 'only = ["/win9x/"]']


@pytest.mark.parametrize("keys", PATTERNS)
@pytest.mark.parametrize("name", sorted(DATED))
def test_archives_in_a_folder_are_taken_unpacked(tmp_path: Path, name: str, keys: str) -> None:
    """The disc is that of the folder where each archive was unpacked to a folder of its name."""
    if name in NEED_LIBARCHIVE:
        pytest.importorskip("libarchive", exc_type=(ImportError, AttributeError, OSError))
    write_tree(tmp_path / "packed", {"TOOL.EXE": make_pe().data, "NOTES": b"Ternfield"})
    (tmp_path / "packed" / f"win9x{name[name.index('.') :]}").write_bytes(WRAPPINGS[name](FILES))
    plain = {f"win9x/{path}": data for path, data in FILES.items()}
    write_tree(tmp_path / "plain", {"TOOL.EXE": make_pe().data, "NOTES": b"Ternfield", **plain})
    made = unpacked_disc(tmp_path, "packed", f"unpack = true\n{keys}")
    assert made == unpacked_disc(tmp_path, "plain", keys)


@pytest.mark.parametrize("is_packed", [False, True], ids=["folder", "archive"])
def test_pieces_of_a_file_that_is_taken_unpacked_are_not_on_the_disc(
    tmp_path: Path, is_packed: bool
) -> None:
    data = make_zip(FILES)
    step = len(data) // 3 + 1
    names = ("WIN9X.ZIP.001", "win9x.zip.002", "WIN9X.ZIP.003")
    pieces = {name: data[n * step : (n + 1) * step] for n, name in enumerate(names)}
    others = {"TOOL.002": b"another", "CUT.001": b"cut", "CUT.002": b"off"}
    if is_packed:
        write_tree(tmp_path, {"packed": make_zip({**pieces, **others})})
    else:
        write_tree(tmp_path / "packed", {**pieces, **others})
    write_tree(tmp_path / "plain", {**others, **{f"WIN9X/{path}": FILES[path] for path in FILES}})
    made = unpacked_disc(tmp_path, "packed", "unpack = true")
    assert made == unpacked_disc(tmp_path, "plain")


@pytest.mark.parametrize(
    "name", ["disk1.ima", "deflated.zip", "pack.7z", "mszip.cab", "stored.lzh"]
)
def test_numbered_files_that_are_whole_are_each_on_the_disc(tmp_path: Path, name: str) -> None:
    if name in NEED_LIBARCHIVE:
        pytest.importorskip("libarchive", exc_type=(ImportError, AttributeError, OSError))
    plain = {f"DISK.00{n}": {f"DISK{n}.TAG": b"", f"T{n}.INF": b"[Version]"} for n in (1, 2, 3)}
    packed = {disk: WRAPPINGS[name](files) for disk, files in plain.items()}
    write_tree(tmp_path / "packed", packed | {"DISK.004": b"not packed"})
    paths = {
        f"{disk}/{path}": data for disk, files in plain.items() for path, data in files.items()
    }
    write_tree(tmp_path / "plain", paths | {"DISK.004": b"not packed"})
    made = unpacked_disc(tmp_path, "packed", "unpack = true")
    assert made == unpacked_disc(tmp_path, "plain")


def test_what_cannot_be_unpacked_stays_as_it_is(tmp_path: Path) -> None:
    cabinet = WRAPPINGS["mszip.cab"](FILES)
    files = {"LAN/TERN.INF": b"[Version]", "LAN/TERN.CAB": cabinet, "CUT.ZIP": b"PK\3\4cut"}
    write_tree(tmp_path / "packed", files)
    assert unpacked_disc(tmp_path, "packed", "unpack = true") == unpacked_disc(tmp_path, "packed")


@pytest.mark.parametrize("name", ["image.iso", "pack.7z", "pack.tar.gz", "disk1.ima", "lzx.cab"])
def test_a_source_that_changes_after_planning_is_an_error(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(WRAPPINGS[name](FILES))
    plan = plan_of(name, tmp_path)
    os.utime(path, (DATE + 5, DATE + 5))
    with pytest.raises(BuildError, match="modification time changed; build again"):
        build_disc(plan, tmp_path / "disc.iso")
    path.unlink()
    with pytest.raises(BuildError, match="vanished; build again"):
        build_disc(plan, tmp_path / "disc.iso")
    assert not (tmp_path / "disc.iso").exists()


def test_the_disc_does_not_take_the_place_of_the_image_it_is_from(tmp_path: Path) -> None:
    path = tmp_path / "image.iso"
    path.write_bytes(WRAPPINGS["image.iso"](FILES))
    plan = plan_of("image.iso:/LAN", tmp_path)
    with pytest.raises(OutputError, match="is what the disc is made from"):
        build_disc(plan, path, replace=True)


def test_what_is_not_there_is_named(tmp_path: Path) -> None:
    (tmp_path / "pack.zip").write_bytes(make_zip(FILES))
    with pytest.raises(InputError, match=r"pack\.zip:/WIFI: no such folder in this ZIP archive"):
        plan_of("pack.zip:/WIFI", tmp_path)
    with pytest.raises(InputError, match=r"none\.7z: no such folder, archive or image"):
        plan_of("none.7z", tmp_path)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("pack.zip", "pack"),
        ("Pack 2.TAR.GZ", "Pack 2"),
        ("lan.tgz", "lan"),
        ("disk1.ima", "disk1"),
        ("kiosk.iso", "kiosk"),
        ("kiosk.iso.gz", "kiosk"),
        ("setup.exe", "setup"),
        ("pack.zip.001", "pack"),
        ("disk.001", "disk.001"),
        ("plain", "plain"),
        ("v1.5", "v1.5"),
    ],
)
def test_a_source_keeps_its_name_without_the_suffix(tmp_path: Path, text: str, name: str) -> None:
    (tmp_path / text).write_bytes(make_zip(FILES))
    assert own_name(tmp_path / text) == name
    assert own_name(Path(f"{tmp_path / text}:/LAN/WIN9X")) == "WIN9X"


def test_several_sources_of_any_kind_make_one_disc(tmp_path: Path) -> None:
    for name in ("pack.7z", "disk1.ima", "image.iso"):
        (tmp_path / name).write_bytes(WRAPPINGS[name](FILES))
    folders = [tmp_path / "pack.7z", tmp_path / "disk1.ima", Path(f"{tmp_path}/image.iso:/LAN")]
    plan = plan_disc(recipe_from_folders(folders, label="MIXED", index=False))
    assert {file.long_path.split("/")[1] for file in plan.files} == {"pack", "disk1", "LAN"}
    assert len(plan.files) == 2 * len(FILES) + 3
    build_disc(plan, tmp_path / "disc.iso")


def nested_in(tmp_path: Path, outer: str, packed: dict[str, bytes]) -> str:
    """Put files into a folder or an archive of this name, and return what a recipe names."""
    if outer == "folder":
        write_tree(tmp_path / "outer", packed)
        return "outer"
    (tmp_path / outer).write_bytes(WRAPPINGS[outer](packed))
    return outer


@pytest.mark.parametrize("outer", ["folder", "deflated.zip", "pack.tar.gz", "mszip.cab"])
def test_archives_in_archives_are_taken_unpacked(
    tmp_path: Path, outer: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also an archive in several files; a cabinet beside an INF stays as it is."""
    pytest.importorskip("libarchive", exc_type=(ImportError, AttributeError, OSError))
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "315532800")
    lan = {"TERNFLD.INF": b"[Version]\r\n", "DATA.CAB": make_mszip({"A.SYS": b"a"})}
    parts = make_rar_parts("VIDEO/LKV.SYS", bytes(range(256)) * 20, 3)
    packed = {"LAN.ZIP": make_zip({"IN.ZIP": make_zip(lan)}), "BROKEN.ZIP": make_zip(lan)[:60]}
    packed |= dict(zip(("V.RAR", "V.R00", "V.R01"), parts, strict=True))
    driver = random.Random(5).randbytes(90_000)
    cabinets = ("Q1.CAB", "Q2.CAB", "Q3.CAB")
    packed |= split_cabinet(make_mszip({"QUILLON.SYS": driver}), (40_000, 70_000), cabinets)
    plain = {f"LAN/IN/{name}": data for name, data in lan.items()}
    plain["Q1/QUILLON.SYS"] = driver
    plain |= {"V/VIDEO/LKV.SYS": bytes(range(256)) * 20, "BROKEN.ZIP": packed["BROKEN.ZIP"]}
    write_tree(tmp_path / "plain", plain)
    source = nested_in(tmp_path, outer, packed)
    keys = 'unpack = true\nto = "/"'
    assert files_of(unpacked_disc(tmp_path, source, keys)) == files_of(
        unpacked_disc(tmp_path, "plain", 'to = "/"')
    )


def test_parts_of_an_archive_without_one_of_them_stay(tmp_path: Path) -> None:
    parts = make_rar_parts("VIDEO/LKV.SYS", bytes(range(256)) * 20, 3)
    write_tree(tmp_path / "packed", {"V.PART1.RAR": parts[0], "V.PART3.RAR": parts[2]})
    files = files_of(unpacked_disc(tmp_path, "packed", 'unpack = true\nto = "/"'))
    assert files == {"/V.PART1.RAR": parts[0], "/V.PART3.RAR": parts[2]}
    cabinets = split_cabinet(
        make_mszip({"A.SYS": bytes(90_000)}), (40, 70), ("1.CAB", "2.CAB", "3.CAB")
    )
    del cabinets["2.CAB"]
    write_tree(tmp_path / "cabinets", cabinets)
    files = files_of(unpacked_disc(tmp_path, "cabinets", 'unpack = true\nto = "/"'))
    assert files == {f"/{name}": data for name, data in cabinets.items()}


def files_of(disc: bytes) -> dict[str, bytes]:
    """Return the files of a disc but for the index."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "disc.iso"
        path.write_bytes(disc)
        with open_image(path) as image:
            volume = image.facts.volumes[-1]
            files = {one.path: b"".join(image.iter_file(one)) for one in volume.files}
    return {path: data for path, data in files.items() if not path.startswith("/INDEX.")}
