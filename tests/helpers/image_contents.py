"""Files with checksums of their own, and what is found of them in an image."""

from __future__ import annotations

import gzip
import hashlib
import random
from pathlib import Path

from make_files import (
    MSZIP,
    make_cabinet,
    make_kwaj,
    make_le,
    make_mz,
    make_ne,
    make_pe,
    make_rar,
    make_rar5,
    make_seven_zip_shell,
    make_szdd,
)
from mediashelf.findings import Finding
from mediashelf.image import open_image
from mediashelf.integrity.inside.contents import ContentsReport, check_contents

TEXT = b"high water at the harbour " * 60
CABINET = make_cabinet([{"TIDE.TXT": TEXT, "CHART.BIN": random.Random(5).randbytes(40_000)}])
SETUP_CABINET = make_cabinet([{"IN.SYS": TEXT}], compression=MSZIP)
SELF_EXTRACTING = make_pe(overlay=SETUP_CABINET.data)
FILES = {
    "DRIVERS/DATA1.CAB": CABINET.data,
    "DRIVERS/SETUP.EXE": SELF_EXTRACTING.data,
    "DRIVERS/LKVX3.VXD": make_le().data,
    "DRIVERS/QL16.DRV": make_ne().data,
    "DRIVERS/LKVX3.DL_": make_szdd(TEXT),
    "DRIVERS/TERN.DL_": make_kwaj(TEXT, method=2),
    "DOS/QLSET.EXE": make_mz(),
    "PACKED/OLD.RAR": make_rar({"A": TEXT}).data,
    "PACKED/NEW.RAR": make_rar5({"A": TEXT}).data,
    "PACKED/DATA.7Z": make_seven_zip_shell().data,
    "PACKED/CHART.GZ": gzip.compress(TEXT, mtime=0),
    "README.TXT": TEXT,
    "EMPTY": b"",
}
LONG_NAMES = {"DRIVERS/DATA1.CAB": "Larkspur data.cab"}


def check(data: bytes, folder: Path) -> tuple[list[Finding], ContentsReport]:
    path = folder / "disc.iso"
    path.write_bytes(data)
    report = ContentsReport()
    with open_image(path) as image:
        return list(check_contents(image, report=report)), report


def listed(files: dict[str, bytes], algorithm: str) -> bytes:
    return "".join(
        f"{hashlib.new(algorithm, data).hexdigest()}  {name}\n" for name, data in files.items()
    ).encode()
