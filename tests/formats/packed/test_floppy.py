"""Files on floppy images, checked against The Sleuth Kit's reader of FAT volumes."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from byte_views import BytesView
from make_floppy import FORMATS, make_floppy
from make_raw import noise
from mediashelf.demo.floppy import START_FILES, make_boot_floppy
from mediashelf.formats.packed.fat import read_fat

pytsk3 = pytest.importorskip("pytsk3", reason="The Sleuth Kit is not there")

FILES = {
    "CONFIG.SYS": b"DEVICE=A:\\CD.SYS /D:KIOSKCD\r\n",
    "AUTOEXEC.BAT": b"@ECHO OFF\r\n" * 300,
    "EMPTY": b"",
    "CD.SYS": noise(30_000),
}


def read_by_another(path: Path) -> dict[str, bytes]:
    """What The Sleuth Kit reads of the top folder."""
    system = pytsk3.FS_Info(pytsk3.Img_Info(str(path)))
    assert system.info.ftype == pytsk3.TSK_FS_TYPE_FAT12
    found = {}
    for entry in system.open_dir("/"):
        meta = entry.info.meta
        if meta is None or meta.type != pytsk3.TSK_FS_META_TYPE_REG:
            continue
        size = int(meta.size)
        found[entry.info.name.name.decode()] = entry.read_random(0, size) if size else b""
    return found


@pytest.mark.parametrize("size", FORMATS)
@pytest.mark.parametrize("scatter", [False, True])
def test_files_are_those_that_an_independent_reader_sees(
    tmp_path: Path, size: int, scatter: bool
) -> None:
    image = make_floppy(FILES, size=size, scatter=scatter)
    (tmp_path / "floppy.img").write_bytes(image)
    # Behind something else, as a boot image stands on a disc.
    floppy = read_fat(BytesView(bytes(4096) + image), 4096)
    assert floppy is not None
    assert [file.name for file in floppy.top()] == list(FILES)
    read = {file.name: floppy.read(file.name, 1 << 20) for file in floppy.top()}
    assert read == FILES == read_by_another(tmp_path / "floppy.img")
    assert floppy.read("config.sys", 6) == b"DEVICE"
    assert floppy.read("NONE.SYS", 6) is None


def test_what_is_no_such_volume_is_none() -> None:
    sound = make_floppy(FILES)
    assert read_fat(BytesView(sound)) is not None
    for data in (b"", sound[:511], bytes(1_474_560), noise(4096)):
        assert read_fat(BytesView(data)) is None


def test_a_chain_that_comes_back_to_itself_ends() -> None:
    image = bytearray(make_floppy({"LOOP.TXT": bytes(5000)}))
    for start in (512, 512 * 10):
        # Clusters 2 and 3 point at each other.
        image[start + 3 : start + 6] = (3 | 2 << 12).to_bytes(3, "little")
    floppy = read_fat(BytesView(bytes(image)))
    assert floppy is not None
    assert floppy.read("LOOP.TXT", 1 << 20) == bytes(1024)


def test_damage_anywhere_never_raises_or_reads_on_and_on() -> None:
    sound = make_floppy(FILES)
    chance = random.Random(9)
    for _ in range(400):
        image = bytearray(sound[: chance.choice([len(sound), chance.randrange(40_000)])])
        for _ in range(chance.randint(1, 30)):
            if image:
                image[chance.randrange(min(len(image), 17_000))] = chance.randrange(256)
        floppy = read_fat(BytesView(bytes(image)))
        for file in floppy.top() if floppy is not None else ():
            assert len(floppy.read(file.name, 1 << 20) or b"") <= 1 << 20


def test_the_examples_boot_floppy_is_one_that_others_read(tmp_path: Path) -> None:
    image = make_boot_floppy("Example")
    (tmp_path / "floppy.img").write_bytes(image)
    assert read_by_another(tmp_path / "floppy.img") == START_FILES
    floppy = read_fat(BytesView(image))
    assert floppy is not None
    assert {file.name: floppy.read(file.name, 999) for file in floppy.top()} == START_FILES
