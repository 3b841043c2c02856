"""Mutate small files of every kind that readers here take, and tell the worst that came of it.

A reader may find faults or refuse with an error of ours; anything else that it raises is
shown with the number that makes the same input again. Seconds and MiB are the most that
one input took (memory by tracemalloc, on every 20th input).

Usage: python tests/benchmarks/readers.py [--inputs N] [--seed N] [--reader NAME]
"""

from __future__ import annotations

import argparse
import gzip
import io
import random
import sys
import tempfile
import time
import traceback
import tracemalloc
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1] / "makers"))
sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from byte_views import BytesView
from driver_examples import inf_text
from golden_damage import GOLDEN
from image_udf import make_udf
from make_catalog import Member, make_catalog
from make_files import (
    MSZIP,
    make_cabinet,
    make_kwaj,
    make_le,
    make_ne,
    make_pe,
    make_rar,
    make_rar5,
    make_seven_zip_shell,
    make_szdd,
)
from make_floppy import make_floppy
from make_image import make_iso
from make_raw import form_1_image, mode_1_image, with_subchannel
from mediashelf.catalogue.facts import pack_facts, unpack_facts
from mediashelf.catalogue.listing import list_entries
from mediashelf.errors import MediashelfError
from mediashelf.formats.disc import read_disc
from mediashelf.formats.inf.checks import check_inf
from mediashelf.formats.inf.document import parse_inf
from mediashelf.formats.inf.models import all_models
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.systems import InfSystem
from mediashelf.formats.packed.catalog_file import parse_catalog
from mediashelf.formats.packed.fat import read_fat
from mediashelf.formats.packed.portable_executable import (
    find_pe_header,
    image_ranges,
    read_portable_executable,
)
from mediashelf.formats.raw.cue import parse_cue
from mediashelf.formats.raw.cue_words import decode_cue
from mediashelf.formats.volume import DiscFacts
from mediashelf.image import open_image
from mediashelf.integrity.inside.contents import ContentsReport, check_contents
from mediashelf.integrity.inside.selfchecks.archives import (
    iter_rar5_faults,
    iter_rar_faults,
    iter_seven_zip_faults,
)
from mediashelf.integrity.inside.selfchecks.cabinets import iter_cabinet_faults
from mediashelf.integrity.inside.selfchecks.compressed import iter_compressed_faults
from mediashelf.integrity.inside.selfchecks.faults import Fault, Tally
from mediashelf.integrity.inside.selfchecks.gzips import iter_gzip_faults
from mediashelf.integrity.inside.selfchecks.programs import iter_program_faults
from mediashelf.integrity.inside.selfchecks.zips import iter_zip_faults
from mediashelf.integrity.raw.auditing import audit_raw
from mediashelf.integrity.structure.damage import damage_spans, entries_touched
from mediashelf.integrity.structure.parts import check_structure
from mediashelf.readability.check import check_disc
from mediashelf.readability.targets import load_targets

TEXT = b"high water at the harbour " * 40
SHEET = b"""REM tide tables
CATALOG 0000012101954
FILE "kiosk disc.bin" BINARY
  TRACK 01 MODE1/2352
    FLAGS DCP
    INDEX 01 00:00:00
  TRACK 02 AUDIO
    PREGAP 0:2:0
    INDEX 00 10:00:00
    INDEX 01 10:01:74
FILE C:\\RIPS\\second.bin BINARY
  TRACK 03 MODE2/2336
    INDEX 01 00:00:00
"""
INTERESTING = (0, 1, 0x7F, 0x80, 0xFE, 0xFF)
MEMORY_EVERY = 20
TRACEBACKS_SHOWN = 3
FIRST_DESCRIPTOR = 16 * 2048
TARGETS = list(load_targets(None).values())


Mutate = Callable[[bytes, random.Random], bytes]


def mutate(sample: bytes, dice: random.Random) -> bytes:
    """Change bytes, cut, repeat or insert a few times; most changes near the beginning."""
    data = bytearray(sample)
    for _ in range(dice.choice((1, 1, 2, 5))):
        near = min(len(data), 600) if dice.random() < 0.7 else len(data)
        at = dice.randrange(max(near, 1))
        match dice.randrange(6):
            case 0 | 1:
                data[at : at + 1] = bytes([dice.randrange(256)])
            case 2:
                data[at : at + dice.randrange(1, 5)] = bytes([dice.choice(INTERESTING)]) * 4
            case 3:
                del data[at : at + dice.randrange(1, 40)]
            case 4:
                data[at:at] = data[at : at + dice.randrange(1, 60)] * dice.randrange(1, 4)
            case _:
                del data[dice.randrange(len(data) + 1) :]
    return bytes(data)


def mutate_disc(sample: bytes, dice: random.Random) -> bytes:
    """Change fields in place, where the structures are, and sometimes cut the end off."""
    data = bytearray(sample)
    places = [at for at in range(FIRST_DESCRIPTOR, len(data), 16) if any(data[at : at + 16])]
    for _ in range(dice.choice((1, 1, 2, 5, 30))):
        at = dice.choice(places) + dice.randrange(16) if places else dice.randrange(len(data))
        match dice.randrange(6):
            case 0 | 1:
                new = bytes([dice.randrange(256)])
            case 2:
                new = bytes([dice.choice(INTERESTING)]) * dice.choice((1, 2, 4, 34))
            case 3:
                new = dice.randrange(1 << dice.choice((8, 16, 32))).to_bytes(4, "little")
            case 4:
                other = dice.choice(places) if places else 0
                new = bytes(data[other : other + dice.randrange(1, 64)])
            case _:
                end = dice.randrange(len(data)) if dice.random() < 0.1 else len(data)
                del data[end:]
                new = b""
        data[at : at + len(new)] = new
        del data[len(sample) :]
    return bytes(data)


class Reader(NamedTuple):
    samples: list[bytes]
    use: Callable[[bytes], object]
    mutate: Mutate = mutate


class Disc(NamedTuple):
    facts: DiscFacts
    view: BytesView


def faults(check: Callable[[BytesView, Tally], Iterator[Fault]]) -> Callable[[bytes], object]:
    return lambda data: list(check(BytesView(data), Tally()))


def use_inf(data: bytes) -> None:
    inf = parse_inf(data)
    installs = dict.fromkeys(model.install for model in all_models(inf))
    list(check_inf(inf, where="x"))
    requirements(inf, installs, InfSystem(is_nt=True, version=(5, 1)))


def use_program(data: bytes) -> None:
    view = BytesView(data)
    list(iter_program_faults(view, Tally()))
    start = find_pe_header(view)
    if start is not None:
        image_ranges(read_portable_executable(view, start), view.size)


def use_floppy(data: bytes) -> None:
    view = BytesView(data)
    floppy = read_fat(view)
    if floppy is not None:
        for name in ("README.TXT", "CONFIG.SYS"):
            floppy.read(name, 1 << 20)


def use_disc(data: bytes) -> None:
    view = BytesView(data)
    facts, found = read_disc(view)
    disc = Disc(facts, view)
    spans = [each.span for each in damage_spans((*found, *check_structure(disc)))]
    entries_touched(facts, spans)
    list(list_entries(facts))
    assert unpack_facts(pack_facts(facts)) == facts
    list(check_contents(disc, report=ContentsReport()))
    for target in TARGETS:
        list(check_disc(facts, target))


def use_raw(data: bytes) -> None:
    with tempfile.NamedTemporaryFile(suffix=".bin") as file:
        file.write(data)
        file.flush()
        audit_raw(Path(file.name), parity=True)
        with open_image(Path(file.name)) as image:
            list(check_structure(image))


def disc_samples() -> list[bytes]:
    """Every disc of the golden damage, sound and damaged, and UDF in blocks of each size."""
    cases = [data for case in GOLDEN.values() for data in (case.sound, case.damaged)]
    udf = [make_udf({"README.TXT": TEXT, "EMPTY": b""}, size) for size in (512, 2048, 4096)]
    return list(dict.fromkeys((*cases, *udf)))


def raw_samples() -> list[bytes]:
    volume = make_iso({"README.TXT": TEXT}, joliet=3).data
    return [mode_1_image(volume), form_1_image(volume), with_subchannel(mode_1_image(volume))]


def zip_sample() -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("TIDE.TXT", TEXT)
        archive.writestr("STORED.TXT", TEXT, zipfile.ZIP_STORED)
    return packed.getvalue()


def catalog_samples() -> list[bytes]:
    return [
        make_catalog(
            [
                Member("lkvx3.inf", bytes(range(size)), version),
                Member("lkvx3.sys", bytes(range(size)), version, is_program=True),
            ],
            extensions=[("HWID1", "pci\\ven_f2c4&dev_0001")],
        )
        for size, version in ((20, 1), (32, 2))
    ]


def readers() -> dict[str, Reader]:
    cabinets = [make_cabinet([{"A.TXT": TEXT}, {"B.TXT": TEXT}]).data]
    cabinets.append(make_cabinet([{"A.TXT": TEXT}], compression=MSZIP).data)
    programs = [make_pe().data, make_pe(wide=True, certificates=bytes(64)).data]
    programs += [make_ne().data, make_le().data]
    floppy = make_floppy({"README.TXT": TEXT, "CONFIG.SYS": b"x"})
    return {
        "cabinet": Reader(cabinets, faults(iter_cabinet_faults)),
        "zip": Reader([zip_sample()], faults(iter_zip_faults)),
        "gzip": Reader([gzip.compress(TEXT, mtime=0)], faults(iter_gzip_faults)),
        "7z": Reader([make_seven_zip_shell().data], faults(iter_seven_zip_faults)),
        "rar": Reader([make_rar({"A": TEXT}).data], faults(iter_rar_faults)),
        "rar 5": Reader([make_rar5({"A": TEXT}).data], faults(iter_rar5_faults)),
        "szdd, kwaj": Reader(
            [make_szdd(TEXT), make_kwaj(TEXT, method=2)], faults(iter_compressed_faults)
        ),
        "program": Reader(programs, use_program),
        "catalog": Reader(catalog_samples(), parse_catalog),
        "cue": Reader([SHEET], lambda data: parse_cue(decode_cue(data))),
        "inf": Reader([inf_text("PCI\\VEN_F2C4&DEV_0001").encode()], use_inf),
        "floppy": Reader([floppy[:40_000]], use_floppy),  # tables, folder and files
        "disc": Reader(disc_samples(), use_disc, mutate_disc),
        "raw": Reader(raw_samples(), use_raw),
    }


def trial(name: str, reader: Reader, inputs: int, seed: int) -> int:
    """Print one line for a reader; returns how many inputs made it raise what it may not."""
    for sample in reader.samples:
        reader.use(sample)  # not refused before anything is wrong
    refused = crashed = 0
    slowest = most = 0.0
    for number in range(inputs):
        dice = random.Random(f"{seed} {name} {number}")
        data = reader.mutate(dice.choice(reader.samples), dice)
        is_measured = number % MEMORY_EVERY == 0
        if is_measured:
            tracemalloc.start()
        start = time.perf_counter()
        try:
            reader.use(data)
        except MediashelfError:
            refused += 1
        except Exception:  # noqa: BLE001
            crashed += 1
            if crashed <= TRACEBACKS_SHOWN:
                print(f"{name}, input {number}, seed {seed}:")
                traceback.print_exc(limit=-3, file=sys.stdout)
        if is_measured:
            most = max(most, tracemalloc.get_traced_memory()[1] / (1 << 20))
            tracemalloc.stop()
        else:
            slowest = max(slowest, time.perf_counter() - start)
    print(
        f"{name:<12} {inputs:>7,} inputs  {refused:>7,} refused  {crashed:>3} tracebacks"
        f"  {slowest * 1000:7.1f} ms  {most:6.1f} MiB at most"
    )
    return crashed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1999)
    parser.add_argument("--reader", default="")
    options = parser.parse_args()
    crashed = sum(
        trial(name, reader, options.inputs, options.seed)
        for name, reader in readers().items()
        if options.reader in ("", name)
    )
    sys.exit(crashed > 0)


if __name__ == "__main__":
    main()
