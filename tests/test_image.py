"""Images opened from files: facts, contents, and other libraries' answers."""

from __future__ import annotations

import hashlib
import os
import random
import time
from io import BytesIO
from pathlib import Path

import pycdlib
import pytest
from msgspec.structs import replace

from image_parts import SECTOR
from make_image import MadeImage, make_iso, put
from mediashelf.errors import InputError
from mediashelf.formats.volume import Entry, Extent, VolumeFacts, VolumeKind
from mediashelf.image import DiscImage, open_image
from outside_readers import libarchive_tree, pycdlib_tree, sleuth_kit_tree

NAMES = [
    "Read me first.txt",
    "Gezeitentafel für Häfen.txt",
    "潮汐表 1999.txt",
    "a.b.c.d",
    "without extension",
    "name with exactly sixty-four characters, the most Joliet has.txt",
]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A disc with both trees, written by pycdlib."""
    iso = pycdlib.PyCdlib()
    iso.new(joliet=3, interchange_level=1, vol_ident="KIOSK")
    for folder in range(4):
        iso.add_directory(f"/DIR{folder}", joliet_path=f"/Folder number {folder}")
        for number, name in enumerate(NAMES[:-1] * 12):
            data = f"{folder}/{number}/{name}".encode() * (number * 7 % 40)
            iso.add_fp(
                BytesIO(data),
                len(data),
                f"/DIR{folder}/FILE{number:03d}.TXT;1",
                joliet_path=f"/Folder number {folder}/{number} {name}",
            )
    iso.add_directory("/EMPTY", joliet_path="/empty")
    path = tmp_path_factory.mktemp("written") / "both.iso"
    iso.write(str(path))
    iso.close()
    return path


def tree_of(image: DiscImage, kind: VolumeKind) -> dict[str, str]:
    """Every path with its digest, directories with an empty one, as outside_readers has them."""
    volume = image.facts.volume(kind)
    assert volume is not None
    found = {}
    for entry in volume.entries:
        digest = hashlib.sha256()
        if not entry.is_directory:
            for piece in image.iter_file(entry, 1000):
                digest.update(piece)
        found[entry.path] = "" if entry.is_directory else digest.hexdigest()
    return found


@pytest.mark.parametrize("joliet", [False, True], ids=["iso9660", "joliet"])
def test_pycdlib_and_libarchive_list_the_same(written: Path, joliet: bool) -> None:
    with open_image(written) as image:
        ours = tree_of(image, VolumeKind.JOLIET if joliet else VolumeKind.ISO9660)
        assert {finding.rule for finding in image.findings} == {"descriptor-characters"}
    assert len(ours) == 4 * (1 + 12 * (len(NAMES) - 1)) + 1
    assert ours == pycdlib_tree(written, joliet=joliet)
    assert ours == libarchive_tree(written, joliet=joliet)


def test_the_sleuth_kit_lists_the_same(written: Path) -> None:
    with open_image(written) as image:
        assert tree_of(image, VolumeKind.JOLIET) == sleuth_kit_tree(written)


def test_libarchive_reads_what_our_maker_makes(tmp_path: Path) -> None:
    """The maker of images in these tests is checked from outside as well."""
    made = make_iso(
        {"README.TXT": b"hello", "SETUP/DATA1.CAB": b"x" * 5000, "EMPTY/": b""},
        joliet=3,
        long_names={"SETUP/DATA1.CAB": "Data for setup.cab"},
    )
    path = made.save(tmp_path / "made.iso")
    with open_image(path) as image:
        for joliet, kind in ((False, VolumeKind.ISO9660), (True, VolumeKind.JOLIET)):
            assert tree_of(image, kind) == libarchive_tree(path, joliet=joliet)
            assert tree_of(image, kind) == pycdlib_tree(path, joliet=joliet)


def test_a_file_in_sections_is_read_as_one(tmp_path: Path) -> None:
    content = random.Random(7).randbytes(10_001)
    made = make_iso({"BIG.BIN": content}, sections={"BIG.BIN": 4096})
    path = made.save(tmp_path / "sections.iso")
    digest = hashlib.sha256(content).hexdigest()
    with open_image(path) as image:
        assert tree_of(image, VolumeKind.ISO9660) == {"/BIG.BIN": digest}
    # pycdlib and The Sleuth Kit stop after the first section.
    assert libarchive_tree(path, joliet=False) == {"/BIG.BIN": digest}


def test_what_the_archive_library_writes_is_read_without_findings(tmp_path: Path) -> None:
    """An independent writer, with both Joliet and Rock Ridge and directories too deep for ISO."""
    libarchive = pytest.importorskip("libarchive")
    source = tmp_path / "source"
    deep = source.joinpath(*[f"level {number}" for number in range(1, 11)])
    deep.mkdir(parents=True)
    (deep / "bottom.txt").write_text("bottom")
    for name in NAMES:
        (source / name).write_text(name)
    path = tmp_path / "archive.iso"
    here = Path.cwd()
    try:
        os.chdir(source)
        with libarchive.file_writer(str(path), "iso9660") as archive:
            archive.add_files(*sorted(os.listdir()))  # noqa: PTH208
    finally:
        os.chdir(here)
    expected = {f"/{one.relative_to(source)}" for one in source.rglob("*")}
    with open_image(path) as image:
        for kind in (VolumeKind.JOLIET, VolumeKind.ROCKRIDGE):
            found = tree_of(image, kind)
            assert set(found) - {"/rr_moved"} == expected, kind
            bottom = hashlib.sha256(b"bottom").hexdigest()
            assert [value for key, value in found.items() if "bottom" in key] == [bottom]
        assert image.findings == ()


@pytest.fixture
def made() -> MadeImage:
    return make_iso({"A.TXT": b"alpha" * 1000, "B.TXT": b"beta", "EMPTY.TXT": b""})


def entry_of(image: DiscImage, path: str) -> Entry:
    return next(entry for entry in image.facts.volumes[0].entries if entry.path == path)


def test_contents_come_in_pieces_of_the_size_asked_for(made: MadeImage, tmp_path: Path) -> None:
    with open_image(made.save(tmp_path / "a.iso")) as image:
        pieces = list(image.iter_file(entry_of(image, "/A.TXT"), 999))
        assert [len(piece) for piece in pieces] == [999] * 5 + [5]
        assert b"".join(pieces) == b"alpha" * 1000
        assert image.read_file(entry_of(image, "/A.TXT"), 7) == b"alphaal"
        assert image.read_file(entry_of(image, "/A.TXT"), 10**9) == b"alpha" * 1000
        assert image.read_file(entry_of(image, "/A.TXT"), 0) == b""
        assert image.read_file(entry_of(image, "/EMPTY.TXT"), 100) == b""


def test_a_file_that_is_cut_off_gives_what_is_there_and_then_an_error(
    made: MadeImage, tmp_path: Path
) -> None:
    path = tmp_path / "cut.iso"
    path.write_bytes(made.data[: made.file("/A.TXT") + 3000])
    with open_image(path) as image:
        pieces: list[bytes] = []
        with pytest.raises(InputError, match=r"/A\.TXT ends at byte 3,000 of 5,000"):
            for piece in image.iter_file(entry_of(image, "/A.TXT"), 2048):
                pieces.append(piece)  # noqa: PERF402
        assert b"".join(pieces) == (b"alpha" * 1000)[:3000]
        assert image.read_file(entry_of(image, "/A.TXT"), 3000) == (b"alpha" * 1000)[:3000]
        with pytest.raises(InputError):
            image.read_file(entry_of(image, "/A.TXT"), 3001)


def test_an_interleaved_file_is_not_read_as_if_it_were_plain(
    made: MadeImage, tmp_path: Path
) -> None:
    path = tmp_path / "interleaved.iso"
    path.write_bytes(put(made.data, made.record("/B.TXT") + 26, b"\x01\x01"))
    with open_image(path) as image, pytest.raises(InputError, match="not supported"):
        image.read_file(entry_of(image, "/B.TXT"), 100)


def test_a_closed_image_says_so(made: MadeImage, tmp_path: Path) -> None:
    with open_image(made.save(tmp_path / "a.iso")) as image:
        entry = entry_of(image, "/A.TXT")
    assert image.facts.volumes
    with pytest.raises(InputError, match="closed"):
        image.read_file(entry, 10)
    with pytest.raises(OSError, match="closed"):
        image.view.read(0, 1)
    image.close()


def test_what_is_no_image_file_is_an_input_error(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    started = time.monotonic()
    for path, words in (
        (tmp_path / "missing.iso", "cannot be opened"),
        (tmp_path, "is a folder"),
        (tmp_path / "fifo", "not a regular file"),
        (Path(os.devnull), "not a regular file"),
        (tmp_path / ("n" * 300), "cannot be opened"),
    ):
        with pytest.raises(InputError, match=words):
            open_image(path)
    assert time.monotonic() - started < 5


def test_descriptors_are_closed_when_opening_fails(tmp_path: Path) -> None:
    before = len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").exists() else 0  # noqa: PTH208
    for _ in range(50):
        with pytest.raises(InputError):
            open_image(tmp_path)
    after = len(os.listdir("/proc/self/fd")) if before else 0  # noqa: PTH208
    assert after < before + 25  # one left open each time would be 50; the system opens some itself


@pytest.mark.parametrize(
    "data", [b"", b"x", b"text\n" * 10_000, bytes(100_000), b"\x89PNG" + bytes(40_000)]
)
def test_other_files_are_a_finding_and_not_an_error(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "other.iso"
    path.write_bytes(data)
    with open_image(path) as image:
        assert [finding.rule for finding in image.findings] == ["no-volume"]
        assert image.facts.volumes == ()
        assert image.facts.size == len(data)
        assert not image.facts.looks_raw


def raw(data: bytes) -> bytes:
    """Mode 1 sectors of 2352 bytes around ``data``, without checks."""
    sync = b"\x00" + b"\xff" * 10 + b"\x00"
    sectors = []
    for number in range(len(data) // SECTOR):
        minute, rest = divmod(number + 150, 75 * 60)
        header = bytes(int(str(part), 16) for part in (minute, *divmod(rest, 75))) + b"\x01"
        piece = data[number * SECTOR : (number + 1) * SECTOR]
        sectors.append(sync + header + piece + bytes(288))
    return b"".join(sectors)


def test_raw_sectors_are_known_and_sent_to_convert(made: MadeImage, tmp_path: Path) -> None:
    path = tmp_path / "raw.bin"
    path.write_bytes(raw(made.data))
    sheet = tmp_path / "raw.CUE"
    sheet.write_text('FILE "raw.bin" BINARY\n  TRACK 01 MODE1/2352\n    INDEX 01 00:00:00\n')
    for one in (path, sheet):
        with open_image(one) as image:
            assert image.facts.looks_raw
            assert [finding.rule for finding in image.findings] == ["raw-sectors"]
            assert "mediashelf convert" in image.findings[0].remedy


def test_an_image_called_cue_is_an_image(made: MadeImage, tmp_path: Path) -> None:
    with open_image(made.save(tmp_path / "disc.cue")) as image:
        assert not image.facts.looks_raw
        assert len(image.facts.volumes) == 1


def test_a_view_reads_no_further_than_the_file(made: MadeImage, tmp_path: Path) -> None:
    with open_image(made.save(tmp_path / "a.iso")) as image:
        size = len(made.data)
        assert image.view.size == image.size == size
        assert image.view.read(size - 3, 10) == made.data[-3:]
        assert image.view.read(size, 1) == b""
        assert image.view.read(size + 10**12, 1) == b""
        assert image.view.read(-1, 5) == b""


def test_bytes_inside_a_file_entry_are_those_of_the_file(tmp_path: Path) -> None:
    # ECMA-167 4/14.6.8: allocation descriptors of type 3 are the file's bytes themselves.
    made = make_iso(
        {"SMALL.TXT": b"kept in its entry", "B.TXT": b"b"}, udf="NSR02", udf_embedded=["SMALL.TXT"]
    )
    with open_image(made.save(tmp_path / "embedded.iso")) as image:
        udf = image.facts.volume(VolumeKind.UDF)
        assert udf is not None
        (small,) = (entry for entry in udf.files if entry.name == "SMALL.TXT")
        assert small.extents[0].offset > 0
        assert image.read_file(small, 100) == b"kept in its entry"


@pytest.mark.parametrize(
    "kinds", [(VolumeKind.ISO9660, VolumeKind.JOLIET)[::step] for step in (1, -1)]
)
def test_each_tree_counts_in_blocks_of_its_own_size(
    kinds: tuple[VolumeKind, VolumeKind], tmp_path: Path
) -> None:
    # ECMA-119 8.4.12: every volume descriptor has a logical block size of its own.
    path = tmp_path / "two.bin"
    path.write_bytes(bytes(512) + b"small blocks".ljust(1536, b"-") + b"large blocks")
    large = VolumeFacts(kinds[0], "", (Entry("/L", "L", 12, False, (Extent(1, 12),)),), 2048)
    small = VolumeFacts(kinds[1], "", (Entry("/S", "S", 12, False, (Extent(1, 12),)),), 512)
    with open_image(path) as image:
        image.facts = replace(image.facts, volumes=(large, small))
        assert image.read_file(large.entries[0], 12) == b"large blocks"
        assert image.read_file(small.entries[0], 12) == b"small blocks"


@pytest.mark.parametrize(
    ("size", "rule"),
    [(1 << 20, "raw-sectors"), ((1 << 20) + 1, "no-volume")],
    ids=["sheet", "more"],
)
def test_a_text_is_a_cue_sheet_up_to_1_mib(size: int, rule: str, tmp_path: Path) -> None:
    # Own behaviour: no sheet is longer, so what is longer is read as an image.
    path = tmp_path / "disc.cue"
    path.write_bytes(b"REM".ljust(size, b" "))
    with open_image(path) as image:
        assert [finding.rule for finding in image.findings] == [rule]
