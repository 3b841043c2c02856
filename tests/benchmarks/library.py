"""A library of 10,000 images with 5,000,000 files and folders: list, find, page, backup, check.

Usage: python tests/benchmarks/library.py [FOLDER]   (needs about 3 GB there)

Each image has a label, two volumes, packed facts, a record of 600 MiB with the digests of
its blocks; one in ten has the keeper's words. The first images are put on record as a scan
does it, with names that stand on one disc only; the others have those names in another
order, so that each name is on a dozen discs.
"""

from __future__ import annotations

import os
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from msgspec.structs import replace

from find import ENDINGS, ROOTS
from measure import MEDIASHELF, Measured, best_of
from mediashelf.catalogue.facts import pack_facts
from mediashelf.catalogue.keeping.backup import check_catalogue, save_catalogue
from mediashelf.catalogue.keeping.describing import Change, describe_each
from mediashelf.catalogue.keeping.image_search import find_images
from mediashelf.catalogue.records.listed_entries import ListedEntries, ListedEntry
from mediashelf.catalogue.scanning.record import record_new
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.walk import RecordPlace
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.shelves import add_shelf
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.formats.volume import DiscFacts, Entry, VolumeFacts, VolumeKind
from mediashelf.integrity.fixity.digests import Digests
from mediashelf.jobs.library.library_page import library_page
from mediashelf.jobs.library.listing import Wanted, list_images

IMAGES, ENTRIES = 10_000, 500
SCANNED = 800  # images that bring names
SIZE = 600 << 20
SHELVES = 5


def listing(chance: random.Random) -> ListedEntries:
    folders = [ListedEntry("", f"F{number}", 0, 3) for number in range(20)]
    files = [
        ListedEntry(
            f"/F{number % 20}",
            f"{''.join(chance.choices(ROOTS, k=3))}{chance.randrange(1000)}."
            + chance.choice(ENDINGS),
            number,
            2,
        )
        for number in range(ENTRIES - 20)
    ]
    return ListedEntries.of([*folders, *files])


def reading(number: int, chance: random.Random, packed: bytes) -> Reading:
    label = f"KIOSK{number:05d}"
    digests = Digests(
        SIZE,
        {
            "xxh3_128": f"{chance.getrandbits(128):032x}",
            "sha256": f"{chance.getrandbits(256):064x}",
        },
        chance.randbytes(8 * (SIZE >> 20)),
    )
    return Reading(
        SIZE,
        number,
        digests=digests,
        structure_read=True,
        volumes=((VolumeKind.ISO9660, label), (VolumeKind.JOLIET, label.title())),
        listing=listing(chance) if number < SCANNED else ListedEntries(),
        packed_facts=packed,
    )


def facts(chance: random.Random) -> bytes:
    entries = tuple(
        Entry(f"{one.folder}/{one.name}", one.name, one.size, False) for one in listing(chance)
    )
    volume = VolumeFacts(VolumeKind.ISO9660, "KIOSK", entries, created="1999-06-01T00:00:00+00:00")
    return pack_facts(DiscFacts(SIZE, (volume,)))


def fill(catalogue: Catalogue, work: Path) -> None:
    chance = random.Random(7)
    for number in range(SHELVES):
        (work / f"shelf-{number}").mkdir(exist_ok=True)
        add_shelf(catalogue, work / f"shelf-{number}")
    packed = [facts(chance) for _ in range(20)]
    for first in range(0, IMAGES, 100):
        with transaction(catalogue.db):
            for number in range(first, first + 100):
                place = RecordPlace(1 + number % SHELVES, f"discs/{number:05d} kiosk.iso", "dev")
                image = reading(number, chance, packed[number % 20])
                if number >= SCANNED:
                    image = image.without_listing()
                    image = replace(image, packed_facts=packed[number % 20])
                image_id = record_new(catalogue.db, place, image, "2026-01-01T00:00:00Z")
                if number >= SCANNED:
                    shuffle_names(catalogue, image_id, 1 + number % SCANNED)
    words = [
        (image, Change(note=f"reads slowly {image.id}", more_tags=("kiosk",), place="attic"))
        for image in catalogue.images()[::10]
    ]
    describe_each(catalogue, words)


def timed(what: str, act: Callable[[], object], times: int = 5) -> None:
    """Print the best of some runs: by the clock, and of the processor, which others share."""
    clock, processor = [], []
    for _ in range(times):
        started, used = time.perf_counter(), time.process_time()
        act()
        processor.append(1000 * (time.process_time() - used))
        clock.append(1000 * (time.perf_counter() - started))
    print(f"{what:<40} {min(clock):8.1f} ms, processor {min(processor):8.1f} ms", flush=True)


def shuffle_names(catalogue: Catalogue, image_id: int, source_id: int) -> None:
    """Give an image the names of all discs that were scanned, in its own order."""
    db = catalogue.db
    (count,) = db.execute("SELECT max(id) FROM names").fetchone()
    db.execute(
        "INSERT INTO entries (image_id, number, folder_id, name_id, size, marks, twin) "
        "SELECT ?, number, folder_id, 1 + (name_id * 7919 + ?) % ?, size, marks, twin "
        "FROM entries WHERE image_id = ?",
        [image_id, 31 * image_id, count, source_id],
    )
    db.execute("UPDATE images SET entry_count = ? WHERE id = ?", [ENTRIES, image_id])


def main() -> None:
    work = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    place = work / "library.sqlite"
    if not place.exists():
        with open_catalogue(place, create=True) as catalogue:
            started = time.perf_counter()
            fill(catalogue, work)
            print(f"put on record in {time.perf_counter() - started:.0f} s")
    size = place.stat().st_size
    with open_catalogue(place) as catalogue:
        (entries,) = catalogue.db.execute("SELECT count(*) FROM entries").fetchone()
        print(f"{size / 1e6:.0f} MB, {size / entries:.0f} bytes an entry of {entries:,}")
        digest = catalogue.images(shelf="shelf-1")[77].digests["sha256"]
        timed("catalogue.images()", catalogue.images)
        timed("list_images", lambda: list_images(catalogue, Wanted()))
        for text in ("kiosk", "04711", "kiosk04711", digest, digest[:8], "attic", "1999-06"):
            timed(f"find_images {text[:20]}", lambda text=text: find_images(catalogue, text))
        for text in ("mossgate", "setup", "*.inf", "zz", "f12/moss", "f12/*.inf"):
            timed(f"find files {text}", lambda text=text: catalogue.find(text))
        for what in ("page, systems not asked yet", "page, as after a scan"):
            timed(
                what,
                lambda: library_page(catalogue, catalogue.images(), created="", created_by=""),
                1,
            )
        started, used = time.perf_counter(), time.process_time()
        saved = save_catalogue(catalogue, work / "saved.sqlite", replace=True)
        seconds, used = time.perf_counter() - started, time.process_time() - used
        print(
            f"save, read back: {seconds:.1f} s, {saved / seconds / 1e6:.0f} MB/s, processor "
            f"{used:.1f} s"
        )
        started, used = time.perf_counter(), time.process_time()
        found = check_catalogue(catalogue)
        seconds, used = time.perf_counter() - started, time.process_time() - used
        print(f"check: {seconds:.1f} s, processor {used:.1f} s, {len(found)} findings")
    started = time.perf_counter()
    copied = shutil.copyfile(work / "saved.sqlite", work / "plain")
    with copied.open("r+b") as stream:
        os.fsync(stream.fileno())
    seconds = time.perf_counter() - started
    print(f"a plain copy of as many bytes: {seconds:.1f} s, {saved / seconds / 1e6:.0f} MB/s")
    copied.unlink()
    options = ["--catalogue", str(place)]
    for words in (
        ["list", "-q"],
        ["list", "--csv"],
        ["list", "--tag", "kiosk", "-q"],
        ["find", "kiosk04711"],
        ["find", digest],
        ["find", "mossgate"],
    ):
        tell(words, best_of(3, [*MEDIASHELF, *words, *options]))
    tell(["--version"], best_of(3, [*MEDIASHELF, "--version"]))


def tell(words: list[str], best: Measured) -> None:
    print(
        f"mediashelf {' '.join(words)[:40]:<42} {best.seconds:6.2f} s, processor "
        f"{best.processor_seconds:6.2f} s, {best.peak_mebibytes:5.0f} MiB"
    )


if __name__ == "__main__":
    main()
