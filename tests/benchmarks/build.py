"""Build a disc of 5,000 files / 650 MB and compare time, trees and bytes with other tools.

Usage: python tests/benchmarks/build.py [FOLDER]   (needs about 2.5 GB there)
"""

from __future__ import annotations

import hashlib
import random
import sys
import tempfile
from io import BytesIO
from pathlib import Path

import libarchive
import pycdlib
import pytsk3

from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image

from measure import MEDIASHELF, best_of, row, run

WORDS = [
    "Treiber für Netzwerk",
    "драйвер",
    "ドライバー",
    "ovladač zvuku",
    "display driver setup",
    "readme",
]


def make_tree(folder: Path, *, files: int = 5000, total: int = 650_000_000) -> None:
    """Write files with long, clashing and non-Latin names, up to seven folders deep."""
    random_source = random.Random(5000)
    remaining = total
    block = random_source.randbytes(1 << 20)
    for number in range(files):
        depth = number % 7
        parts = [f"{WORDS[(number // 7 + level) % 6]} {level}" for level in range(depth)]
        directory = folder.joinpath(*parts)
        directory.mkdir(parents=True, exist_ok=True)
        size = remaining // (files - number)
        size = min(remaining, random_source.randrange(1, 2 * size + 1) if size > 1 else size)
        if number == files - 1:
            size = remaining
        remaining -= size
        with (directory / f"{WORDS[number % 6]} version {number:05d}.inf").open("wb") as out:
            out.write(number.to_bytes(8, "little")[: min(8, size)])
            left = size - min(8, size)
            while left > 0:
                left -= out.write(block[:left])


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def our_tree(image_path: Path, kind: VolumeKind) -> dict[str, str]:
    with open_image(image_path) as image:
        volume = image.facts.volume(kind)
        assert volume is not None
        return {
            entry.path: ""
            if entry.is_directory
            else hashlib.sha256(b"".join(image.iter_file(entry))).hexdigest()
            for entry in volume.entries
        }


def pycdlib_tree(image_path: Path, key: str) -> dict[str, str]:
    iso = pycdlib.PyCdlib()
    iso.open(str(image_path))
    tree: dict[str, str] = {}
    for parent, folders, files in iso.walk(**{key: "/"}):
        base = parent.rstrip("/")
        tree |= {f"{base}/{name}": "" for name in folders}
        for name in files:
            data = BytesIO()
            iso.get_file_from_iso_fp(data, **{key: f"{base}/{name}"})
            tree[plain(f"{base}/{name}")] = sha(data.getvalue())
    iso.close()
    return tree


def plain(path: str) -> str:
    return path.removesuffix(";1").removesuffix(".")


def libarchive_tree(image_path: Path, *, joliet: bool) -> dict[str, str]:
    """Read through libarchive; its ISO reader option picks the tree."""
    import ctypes

    from libarchive import ffi
    from libarchive.entry import ArchiveEntry

    set_option = ffi.libarchive.archive_read_set_format_option
    set_option.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p, ctypes.c_char_p]
    tree: dict[str, str] = {}
    with libarchive.read.new_archive_read("iso9660") as archive:
        if not joliet:
            set_option(archive, b"iso9660", b"joliet", None)
        ffi.read_open_filename_w(archive, str(image_path), 1 << 20)
        handle = ffi.entry_new()
        while ffi.read_next_header2(archive, handle) != ffi.ARCHIVE_EOF:
            entry = ArchiveEntry(archive)
            entry._entry_p = handle
            path = "/" + entry.pathname.removeprefix("./").removeprefix(".").strip("/")
            if path == "/":
                continue
            tree[path] = "" if entry.isdir else sha(b"".join(entry.get_blocks()))
    return tree


def tsk_tree(image_path: Path) -> dict[str, str]:
    """Read through The Sleuth Kit, which prefers the Joliet tree."""
    file_system = pytsk3.FS_Info(pytsk3.Img_Info(str(image_path)))
    tree: dict[str, str] = {}

    def walk(directory: pytsk3.Directory, base: str) -> None:
        for item in directory:
            name = item.info.name.name.decode("utf-8")
            if name in {".", ".."} or name.startswith("$") or item.info.meta is None:
                continue
            if item.info.meta.type == pytsk3.TSK_FS_META_TYPE_DIR:
                tree[f"{base}/{name}"] = ""
                walk(item.as_directory(), f"{base}/{name}")
            else:
                size = item.info.meta.size
                tree[f"{base}/{name}"] = sha(item.read_random(0, size) if size else b"")

    walk(file_system.open_dir("/"), "")
    return tree


def main() -> None:
    work = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    tree = work / "tree"
    if not tree.exists():
        make_tree(tree)
    paths = [path for path in tree.rglob("*") if path.is_file()]
    print(f"{len(paths)} files, {sum(path.stat().st_size for path in paths):,} bytes")  # noqa: T201
    (work / "names").write_bytes(b"\0".join(bytes(path) for path in sorted(paths)))
    disc = work / "DISC.iso"
    run(["sh", "-c", f"xargs -0 cat < '{work}/names'"])  # warm the page cache
    for name in ("first", "again"):
        disc.unlink(missing_ok=True)
        row(f"mediashelf build ({name})", run([*MEDIASHELF, "build", str(tree), "-o", str(disc)]))
    row(
        "cat of the same files into one file",
        best_of(2, ["sh", "-c", f"xargs -0 cat < '{work}/names' > '{work}/cat.out'"]),
    )
    row(
        "libarchive's ISO writer (bsdtar)",
        best_of(
            2,
            [
                "bsdtar",
                "-c",
                "--format",
                "iso9660",
                "-f",
                f"{work}/bsdtar.iso",
                "-C",
                str(tree),
                ".",
            ],
        ),
    )
    joliet, primary = our_tree(disc, VolumeKind.JOLIET), our_tree(disc, VolumeKind.ISO9660)
    for label, ours, theirs in (
        ("Joliet tree, pycdlib", joliet, pycdlib_tree(disc, "joliet_path")),
        ("Joliet tree, libarchive", joliet, libarchive_tree(disc, joliet=True)),
        ("Joliet tree, The Sleuth Kit", joliet, tsk_tree(disc)),
        ("ISO 9660 tree, pycdlib", primary, pycdlib_tree(disc, "iso_path")),
        ("ISO 9660 tree, libarchive", primary, libarchive_tree(disc, joliet=False)),
    ):
        verdict = (
            "identical"
            if ours == theirs
            else f"DIFFERENT: {set(ours.items()) ^ set(theirs.items())!r:.400}"
        )
        print(f"{label:<44} {len(theirs):6,} entries and digests: {verdict}")  # noqa: T201
    sources = sorted(sha(path.read_bytes()) for path in paths)
    on_disc = sorted(joliet.values())
    missing = [digest for digest in sources if digest not in set(on_disc)]
    print(f"every source file's bytes are on the disc: {not missing}")  # noqa: T201


if __name__ == "__main__":
    main()
