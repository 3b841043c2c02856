"""Archives with random damage: a disc, a finding or a clear error, and never anything else."""

from __future__ import annotations

import hashlib
import random
import time
import zipfile
from pathlib import Path

import pytest

from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.recipe import Recipe, SourceFolder
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import BuildError, InputError
from outside_readers import libarchive_tree

FILES = {
    "LKVX3.INF": b"[Version]\r\nSignature=x\r\n" * 20,
    "data/LKVX3.VXD": random.Random(1).randbytes(3000),
    "data/more/zeros.bin": bytes(9000),
    "empty.txt": b"",
    "folder/": b"",
}
ROUNDS = 400


def make_archive(path: Path, method: int) -> bytes:
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, data in FILES.items():
            archive.writestr(zipfile.ZipInfo(name, (1999, 6, 12, 10, 0, 0)), data, method)
        archive.comment = b"harbour"
    return path.read_bytes()


def mutated(data: bytes, seed: int) -> bytes:
    """The archive with one to four random changes, most of them in its records."""
    randomness = random.Random(seed)
    out = bytearray(data)
    records = [at for at in range(len(data)) if data[at : at + 2] == b"PK"]
    for _ in range(randomness.randint(1, 4)):
        kind = randomness.randrange(6)
        at = min(randomness.choice(records) + randomness.randrange(50), len(out) - 1)
        if kind == 0:
            out[at] ^= 1 << randomness.randrange(8)
        elif kind == 1:
            out[at] = randomness.choice([0, 0xFF, 0x7F, 0x80])
        elif kind == 2:
            out[at : at + 4] = randomness.randbytes(4)
        elif kind == 3:
            del out[at : at + randomness.randint(1, 20)]
        elif kind == 4:
            out[at:at] = randomness.randbytes(randomness.randint(1, 20))
        else:
            size = randomness.randint(1, 60)
            other = randomness.randrange(len(out))
            out[at : at + size] = out[other : other + size]
    return bytes(out)


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_damaged_archives_end_well(tmp_path: Path, method: int) -> None:
    archive, disc = tmp_path / "a.zip", tmp_path / "disc.iso"
    whole = make_archive(archive, method)
    outcomes = {"built": 0, "findings": 0, "refused": 0, "damaged": 0}
    for seed in range(ROUNDS):
        archive.write_bytes(mutated(whole, seed))
        started = time.process_time(), time.perf_counter()
        try:
            plan = plan_disc(Recipe("FUZZ", (SourceFolder(archive),), index=False))
            if any(finding.severity.word == "error" for finding in plan.findings):
                outcomes["findings"] += 1
            build_disc(plan, disc, anyway=True)
            outcomes["built"] += 1
        except InputError:
            outcomes["refused"] += 1
        except BuildError:
            outcomes["damaged"] += 1
        assert time.process_time() - started[0] < 2, seed
        assert time.perf_counter() - started[1] < 60, seed  # also where nothing is worked out
    # Every way out was taken, so that this test tests something.
    assert min(outcomes.values()) >= ROUNDS // 40, outcomes


def test_an_undamaged_archive_gives_what_libarchive_reads_in_it(tmp_path: Path) -> None:
    archive, disc = tmp_path / "a.zip", tmp_path / "disc.iso"
    make_archive(archive, zipfile.ZIP_DEFLATED)
    build_disc(plan_disc(Recipe("A", (SourceFolder(archive),), index=False)), disc)
    on_disc = libarchive_tree(disc, joliet=True)  # skips where the library is missing
    import libarchive

    expected = {}
    with libarchive.file_reader(str(archive)) as entries:
        for entry in entries:
            data = b"".join(entry.get_blocks())
            digest = "" if entry.isdir else hashlib.sha256(data).hexdigest()
            expected["/" + entry.pathname.rstrip("/")] = digest
    # The archive names only one of the folders on the way.
    assert {"/data", "/data/more"} == on_disc.keys() - expected.keys()
    assert {path: on_disc[path] for path in expected} == expected
