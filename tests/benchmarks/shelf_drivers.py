"""Ask a library of 50 images with 20,000 driver packages for the drivers of 200 devices.

Usage: python tests/benchmarks/shelf_drivers.py [IMAGES [PACKAGES]]
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "makers"))
sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from made_library import open_library
from make_image import make_iso
from mediashelf.drivers.machines.devices import device_from_ids
from mediashelf.drivers.packages.families import choose_family
from mediashelf.jobs.shelves.answering import ask_shelves
from mediashelf.jobs.shelves.nearest import nearest
from mediashelf.jobs.shelves.recording import look_into_images

PROGRAM = b"MZ" + bytes(58) + b"\x40\0\0\0PE\0\0"
"""The beginning of a driver for Windows, so that none counts as a driver for DOS."""
VENDORS = tuple(0xF100 + number for number in range(200))


def inf(seed: random.Random, number: int) -> bytes:
    """An INF with 8 to 120 entries, as drivers of whole families of boards have."""
    vendor = seed.choice(VENDORS)
    signature = seed.choice(("$CHICAGO$", "$Windows NT$"))
    decoration = seed.choice(("", "", ",NTx86.5.1,NTamd64"))
    sections = ["Models", *(f"Models.{one}" for one in decoration.split(",")[1:])]
    lines = [
        "[Version]", f'Signature="{signature}"', "Class=Net", "Provider=%Maker%",
        f"DriverVer={seed.randint(1, 12):02}/{seed.randint(1, 28):02}/{seed.randint(1998, 2012)},"
        f"5.{number % 60000}.0.1",
        "[Manufacturer]", f"%Maker%=Models{decoration}",
    ]  # fmt: skip
    for section in sections:
        lines.append(f"[{section}]")
        for entry in range(seed.choice((8, 20, 40, 120))):
            chip = f"PCI\\VEN_{vendor:04X}&DEV_{seed.randint(0, 99):04X}"
            board = f"&SUBSYS_{seed.randint(0, 9999):04X}{vendor:04X}" if entry % 2 else ""
            lines.append(f"%Board{entry}%=Install{entry % 4},{chip}{board}")
    for install in range(4):
        lines += [f"[Install{install}]", f"CopyFiles=Files{install}", f"[Files{install}]"]
        lines += [f"F{install}{file}.SYS" for file in range(5)]
    lines += ["[DestinationDirs]", "DefaultDestDir=12", "[SourceDisksNames]", "1=%Maker%"]
    lines += ["[SourceDisksFiles]"]
    lines += [f"F{install}{file}.SYS=1" for install in range(4) for file in range(5)]
    lines += ["[Strings]", 'Maker="Ternfield"']
    lines += [f'Board{entry}="Ternfield board {entry} of many"' for entry in range(120)]
    return "\r\n".join(lines).encode("ascii")


def main() -> None:
    image_count = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    package_count = int(sys.argv[2]) if len(sys.argv) > 2 else 20_000
    seed = random.Random(20_000)
    with tempfile.TemporaryDirectory() as folder, open_library(Path(folder)) as library:
        size = 0
        for image in range(image_count):
            files: dict[str, bytes] = {}
            for number in range(package_count // image_count):
                text = inf(seed, number)
                size += len(text)
                files[f"P{number}/D{image}.INF"] = text
                files |= {f"P{number}/F{one // 5}{one % 5}.SYS": PROGRAM for one in range(20)}
            (library.root / f"{image}.iso").write_bytes(make_iso(files).data)
        began = time.perf_counter()
        library.scan()
        scanned = time.perf_counter()
        place = library.catalogue.place
        before = place.stat().st_size
        busy = time.process_time()
        scan = look_into_images(library.catalogue)
        looked = time.perf_counter()
        busy = time.process_time() - busy
        print(
            f"{scan.package_count:,} packages, INFs of {size / 1e6:,.0f} MB, {image_count} images"
        )
        print(f"scan without packages {scanned - began:.1f} s")
        print(f"packages {looked - scanned:.1f} s, {busy:.1f} s of it CPU")
        library.catalogue.db.execute("PRAGMA wal_checkpoint")
        after = place.stat().st_size
        print(f"catalogue {before / 1e6:,.1f} MB without packages, {after / 1e6:,.1f} with them")
        (rows,) = library.catalogue.db.execute("SELECT count(*) FROM package_models").fetchone()
        print(f"{rows:,} rows of identifiers")
        devices = [
            device_from_ids(
                [f"PCI\\VEN_{vendor:04X}&DEV_{one:04X}&SUBSYS_{one:04X}{vendor:04X}&REV_01"]
            )
            for one, vendor in ((seed.randint(0, 99), seed.choice(VENDORS)) for _ in range(200))
        ]
        for name in ("win9x", "nt5", "nt6"):
            family = choose_family(name)
            began = time.process_time()
            answer = ask_shelves(library.catalogue, family, name, devices)
            asked = time.process_time()
            none = [cover for cover in answer.survey.covers if cover.best is None]
            for cover in none:
                nearest(library.catalogue, family, cover.device)
            print(
                f"{name}: 200 devices in {asked - began:.2f} s CPU, {len(answer.images):,} "
                f"packages name them; what comes near for {len(none)} in "
                f"{time.process_time() - asked:.2f} s CPU"
            )


if __name__ == "__main__":
    main()
