"""Damage of every kind done to small discs, and what each depth of an audit sees of it.

The test suite runs a small sample, ``benchmarks/damage.py`` many thousands.
"""

from __future__ import annotations

import gzip
import io
import random
import signal
import time
import zipfile
from bisect import bisect_right
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from byte_views import BytesView
from make_files import make_cabinet, make_ne, make_pe, make_rar, make_seven_zip_shell, make_szdd
from make_image import SECTOR, Boot, MadeImage, make_iso
from mediashelf.catalogue.scanning.reading.image import read_image
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.findings import Finding
from mediashelf.formats.disc import read_disc
from mediashelf.formats.volume import DiscFacts
from mediashelf.integrity.fixity.digests import Digester
from mediashelf.integrity.inside.contents import check_contents
from mediashelf.integrity.structure.parts import check_structure

LONGEST_SECONDS = 1.0
UDF_RECORD_SIZE = 512  # of a block; the CRC of made records ends there
LARGEST_MEMORY = 200  # MiB, of the whole process

_NOISE = random.Random(1)
_TEXT = "".join(f"{hour:02}:00 {hour * 7 % 40 / 10} m\r\n" for hour in range(24)).encode()


def _zip(name: str, data: bytes) -> bytes:
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as writer:
        writer.writestr(zipfile.ZipInfo(name, (1999, 6, 1, 12, 0, 0)), data)
    return archive.getvalue()


FILES = {
    "DRIVERS/CABINET.CAB": make_cabinet([{"LKVX3.SYS": _NOISE.randbytes(6_000)}]).data,
    "DRIVERS/ARCHIVE.ZIP": _zip("LKVX3.DRV", _NOISE.randbytes(5_000)),
    "DRIVERS/ARCHIVE.RAR": make_rar({"LKVX3.VXD": _NOISE.randbytes(3_000)}).data,
    "DRIVERS/SEVEN.7Z": make_seven_zip_shell(_NOISE.randbytes(3_000)).data,
    "SETUP/SETUP.EXE": make_pe().data,
    "SETUP/OLD.EXE": make_ne().data,
    "SETUP/LKVX3.DL_": make_szdd(_TEXT * 9),
    "SETUP/TABLE.GZ": gzip.compress(_NOISE.randbytes(4_000), mtime=0),
    "TIDES/HARBOUR.WAV": _NOISE.randbytes(7_000),  # carries no check that is read here
    "TIDES/TABLE.TXT": _TEXT * 12,
    "EMPTY.TXT": b"",
}
_TYPES = {
    "CAB": "cabinet", "ZIP": "ZIP", "RAR": "RAR", "7Z": "7z", "EXE": "programs",
    "DL_": "compressed", "GZ": "gzip", "WAV": "sound and text", "TXT": "sound and text",
}  # fmt: skip
_LONG = {"DRIVERS": "Larkspur drivers", "DRIVERS/CABINET.CAB": "display driver.cab"}
_CODE = b"\xeb\xfe" + b"\x90" * 4094


def small_disc() -> MadeImage:
    """A disc of less than 512 KiB with two trees, booting, and files of every kind."""
    made = make_iso(FILES, joliet=3, long_names=_LONG, boot=Boot(_CODE, sectors=8), pad_sectors=4)
    assert len(made.data) <= 512 << 10
    return made


def udf_disc() -> MadeImage:
    """The same files with UDF as well; its first anchor is at 512 KiB, so it is larger."""
    return make_iso(FILES, joliet=3, long_names=_LONG, udf="NSR02", udf_embedded=["EMPTY.TXT"])


class Regions:
    """Which part of a disc a byte belongs to."""

    def __init__(self, made: MadeImage) -> None:
        self._starts: list[int] = []
        self._names: list[str] = []
        places = sorted(self._places(made), key=lambda place: place[0])
        end = 0
        for start, size, name in places:
            if start > end:
                self._add(end, "padding")
            self._add(start, name)
            end = start + size
        self._add(end, "padding")

    def _add(self, start: int, name: str) -> None:
        self._starts.append(start)
        self._names.append(name)

    def of(self, at: int) -> str:
        return self._names[bisect_right(self._starts, at) - 1]

    def places_of_structures(self, size: int) -> list[int]:
        """Return every byte, of ``size``, of parts that are neither files nor empty."""
        return [
            at
            for at in range(size)
            if not self.of(at).startswith(("files", "padding", "system area"))
        ]

    @staticmethod
    def _places(made: MadeImage) -> Iterator[tuple[int, int, str]]:
        """Yield start, size and name of every part; files to their last byte."""
        yield 0, 16 * SECTOR, "system area"
        facts = read_disc(BytesView(made.data)).facts
        sizes = {
            extent.lba * SECTOR: entry.size
            for volume in facts.volumes
            for entry in volume.entries
            if entry.is_directory
            for extent in entry.extents
        }
        for (what, kind, path), at in made.places.items():
            if what in ("primary", "joliet", "terminator", "boot-record"):
                yield at, SECTOR, "descriptors"
            elif what == "recognition":
                yield at, 7, "UDF records"
            elif what in ("anchor", "last-anchor"):
                yield at, UDF_RECORD_SIZE, "UDF records"
            elif what.startswith("path-table"):
                descriptor = "joliet" if kind == "joliet" else "primary"
                size = made.field(descriptor, "path_table_size")
                yield at, int.from_bytes(made.data[size : size + 4], "little"), "path tables"
            elif what == "directory":
                yield at, sizes.get(at, SECTOR), "directories"
            elif what == "boot-catalog":
                yield at, 64, "boot catalog"  # validation entry and initial entry
            elif what == "boot-image":
                yield at, len(_CODE), "boot image"
            elif what == "udf-descriptors":
                for number in range(4):
                    yield at + number * SECTOR, UDF_RECORD_SIZE, "UDF records"
            elif what == "file" and FILES[path.lstrip("/")]:
                name = _TYPES[path.rpartition(".")[2]]
                yield at, len(FILES[path.lstrip("/")]), f"files: {name}"
        udf = next((volume for volume in facts.volumes if volume.kind == "udf"), None)
        for entry in udf.entries if udf is not None else ():
            yield entry.record_offset, UDF_RECORD_SIZE, "UDF records"
            if entry.is_directory:
                yield entry.extents[0].lba * SECTOR, entry.size, "UDF records"


@dataclass
class MemoryImage:
    """An opened image without a file."""

    view: BytesView
    facts: DiscFacts
    findings: tuple[Finding, ...]

    @classmethod
    def of(cls, data: bytes) -> MemoryImage:
        view = BytesView(data)
        disc = read_disc(view)
        return cls(view, disc.facts, disc.findings)


@dataclass
class Seen:
    """How many of the changes in one part of a disc were seen, by each depth."""

    changes: int = 0
    structure: int = 0
    contents: int = 0
    digests: int = 0


@dataclass
class FlipTrial:
    """Flips bytes of one disc in turn and counts who sees it."""

    made: MadeImage
    regions: Regions = field(init=False)
    seen: dict[str, Seen] = field(default_factory=dict)
    slowest: float = 0.0

    def __post_init__(self) -> None:
        self.regions = Regions(self.made)
        self._digest = digest_of(self.made.data)
        image = MemoryImage.of(self.made.data)
        assert not image.findings
        assert not list(check_structure(image))
        assert not list(check_contents(image))

    def flip(self, at: int, mask: int) -> None:
        """Change the bits of ``mask`` in one byte, look at the disc, and count."""
        data = bytearray(self.made.data)
        data[at] ^= mask
        seen = self.seen.setdefault(self.regions.of(at), Seen())
        started = time.thread_time()  # so that other work on the machine does not count
        with at_most(LONGEST_SECONDS):
            image = MemoryImage.of(bytes(data))
            in_structure = bool(image.findings) or any(check_structure(image))
            in_contents = in_structure or any(check_contents(image))
            in_digests = digest_of(bytes(data)) != self._digest
        self.slowest = max(self.slowest, time.thread_time() - started)
        seen.changes += 1
        seen.structure += in_structure
        seen.contents += in_contents
        seen.digests += in_digests


def digest_of(data: bytes) -> str:
    digester = Digester()
    digester.update(data)
    return digester.finish().whole["xxh3_128"]


@contextmanager
def at_most(seconds: float) -> Iterator[None]:
    """Interrupt what hangs."""

    def stop(number: int, frame: object) -> None:
        raise TimeoutError(f"longer than {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


Mutation = Callable[[bytes, random.Random, MadeImage], bytes]


def truncated(data: bytes, dice: random.Random, made: MadeImage) -> bytes:
    return data[: dice.randrange(len(data))]


def zeroed(data: bytes, dice: random.Random, made: MadeImage) -> bytes:
    return _replaced(data, dice, bytes(dice.choice([1, 7, 512, SECTOR, 8 * SECTOR, 64 * SECTOR])))


def noisy(data: bytes, dice: random.Random, made: MadeImage) -> bytes:
    return _replaced(data, dice, dice.randbytes(dice.choice([1, 4, 33, 512, SECTOR, 16 * SECTOR])))


def _replaced(data: bytes, dice: random.Random, new: bytes) -> bytes:
    new = new[: len(data)]
    at = dice.randrange(len(data) - len(new) + 1)
    return data[:at] + new + data[at + len(new) :]


def swapped(data: bytes, dice: random.Random, made: MadeImage) -> bytes:
    """Two runs of sectors in each other's place."""
    count = dice.choice([1, 1, 2, 9])
    one, other = sorted(dice.sample(range(16, len(data) // SECTOR - count), 2))
    other = max(other, one + count)
    ends = [one * SECTOR, (one + count) * SECTOR, other * SECTOR, (other + count) * SECTOR]
    parts = [data[: ends[0]], data[ends[0] : ends[1]], data[ends[1] : ends[2]]]
    parts += [data[ends[2] : ends[3]], data[ends[3] :]]
    return parts[0] + parts[3] + parts[2] + parts[1] + parts[4]


def spliced(data: bytes, dice: random.Random, made: MadeImage) -> bytes:
    """Bytes left out or put in, so that all behind them moves."""
    at = dice.randrange(len(data))
    size = dice.choice([1, 2, 100, SECTOR, 5 * SECTOR])
    return data[:at] + (data[at + size :] if dice.random() < 0.5 else data[at - size :])


def with_random_records(data: bytes, dice: random.Random, made: MadeImage) -> bytes:
    """Random numbers in the records that lead to everything else."""
    changed = bytearray(data)
    places = [at for (what, _, _), at in made.places.items() if what != "file"]
    for _ in range(dice.randrange(1, 6)):
        at = dice.choice(places) + dice.randrange(200)
        number = dice.choice([0, 1, 16, 255, 2**31, 2**32 - 1, dice.randrange(2**32)])
        order = dice.choice(["little", "big"])
        new = number.to_bytes(4, order)  # type: ignore[arg-type]
        changed[at : at + 8] = dice.choice([new + new[::-1], new + changed[at + 4 : at + 8]])
    return bytes(changed[: len(data)])


MUTATIONS: tuple[Mutation, ...] = (
    truncated, zeroed, noisy, swapped, spliced, with_random_records,
)  # fmt: skip


def mutate(made: MadeImage, dice: random.Random) -> tuple[str, bytes]:
    """Return the names of one to three mutations, and the disc after them, which differs."""
    data = made.data
    while data == made.data:
        names = []
        for mutation in dice.choices(MUTATIONS, k=dice.choice([1, 1, 1, 2, 3])):
            if len(data) > 40 * SECTOR:
                data = mutation(data, dice, made)
                names.append(mutation.__name__)
    return "+".join(names), data


def look_at_file(path: Path, data: bytes) -> tuple[Reading, float]:
    """Read a damaged disc as an audit of all depths does; returns what was seen, and seconds."""
    path.write_bytes(data)
    started = time.perf_counter()
    with at_most(LONGEST_SECONDS):
        reading = read_image(path, files_inside=True)
    return reading, time.perf_counter() - started
