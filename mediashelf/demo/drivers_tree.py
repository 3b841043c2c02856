"""The drivers of the example scenario: every vendor, device and file is invented."""

from __future__ import annotations

import os
import random
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

FILE_DATE = datetime(1999, 6, 12, 10, 0, tzinfo=UTC).timestamp()

# A package's INF comes from the package data; "{random}" files get seeded bytes
# of this many KiB, after a line that says what they are.
PACKAGES: dict[str, tuple[str, dict[str, int]]] = {
    "Larkspur Video": (
        "lkvx3.inf",
        {"LKVX3.DRV": 180, "LKVX3.VXD": 3072, "LKVPANEL.CPL": 96},
    ),
    "Quillon Audio": ("qlaudio.inf", {"QLAUDIO.DRV": 120, "QLAUDIO.VXD": 210}),
    "Ternfield LAN": ("ternlan.inf", {"desktop/TERNLAN.VXD": 64, "server/TERNLAN.SYS": 72}),
    "Mossgate Chipset": ("mossgate.inf", {"MOSSGATE.VXD": 18}),
}

# Names that DOS cannot hold, and that clash once they are cut to eight and three.
_LONG_NAMES: dict[str, str] = {
    "Larkspur Video/Larkspur Video Accelerator release notes.txt": "Modes: 640 x 480 and up.\r\n",
    "Larkspur Video/Larkspur Video Accelerator registration.txt": "Nothing to register.\r\n",
    "Ternfield LAN/ternfield network adapter (first revision).txt": "Blue board.\r\n",
    "Ternfield LAN/ternfield network adapter (second revision).txt": "Green board.\r\n",
    "Handbook/Tide tables, how to read them.txt": "High water is printed bold.\r\n",
    "Handbook/港の潮汐表.txt": "High water, low water.\r\n",
    "Handbook/Πίνακας παλίρροιας.txt": "High water, low water.\r\n",
    "DOS/CDUSB.TXT": "Load CDUSB.SYS in CONFIG.SYS before the CD-ROM redirector.\r\n",
}

_DOS_FILES = {"DOS/CDUSB.SYS": 22, "DOS/TESTLAN.EXE": 31}

# Nine folders below the root: more levels than DOS reads.
_TOO_DEEP = (
    "Handbook/kiosk/cabinet/front/panel/left/lamp/socket/wiring/"
    "Lamp socket wiring, left front panel.txt"
)


def make_drivers(folder: Path) -> None:
    """Write the driver folders below ``folder``; the same bytes and dates every time."""
    for vendor, (inf_name, binaries) in PACKAGES.items():
        text = files("mediashelf.demo").joinpath("data", inf_name).read_text("ascii")
        _write(folder / vendor / inf_name.upper(), text.replace("\n", "\r\n").encode("ascii"))
        for name, kibibytes in binaries.items():
            _write(folder / vendor / name, example_bytes(name, kibibytes * 1024))
    for name, kibibytes in _DOS_FILES.items():
        _write(folder / name, example_bytes(name, kibibytes * 1024))
    for name, text in _LONG_NAMES.items():
        _write(folder / name, text.encode("ascii"))
    _write(folder / _TOO_DEEP, b"Unplug the kiosk first. Red to left, black to right.\r\n")
    # The same handbook page twice: equal files share their place on the disc.
    _write(folder / "Ternfield LAN/desktop/READ ME FIRST.TXT", b"Run the setup once.\r\n")
    _write(folder / "Ternfield LAN/server/READ ME FIRST.TXT", b"Run the setup once.\r\n")


def example_bytes(name: str, size: int) -> bytes:
    """Return ``size`` bytes that depend on ``name`` alone, and say that they are an example."""
    start = f"mediashelf example data for {name}; not a program.\r\n\x1a".encode("ascii")
    return (start + random.Random(name).randbytes(size))[:size]


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    os.utime(path, (FILE_DATE, FILE_DATE))
