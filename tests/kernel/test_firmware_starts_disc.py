"""Discs that boot are started by a real BIOS, SeaBIOS in QEMU, from IDE and USB optical drives.

A boot program of ours prints to the serial port what it finds where only a whole image,
loaded as the boot catalog says, can have it: in the last sector of an emulated floppy,
read by INT 13h, or at the end of the sectors that are loaded without emulation.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from build_trees import write_tree
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.recipe import BootImage
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing.write import build_disc

pytestmark = pytest.mark.kernel

# 16-bit code, assembled by hand. All segments are zero, and the stack is below 7C00.
_START = bytes.fromhex("31c0 8ed8 8ec0 8ed0 bc007c")
# AX 0201: read one sector to 7E00; CX 4F12, DH 1: track 79, sector 18, the second side.
_READ_LAST_SECTOR = bytes.fromhex("b80102 bb007e b9124f b601 cd13 be007e")
_POINT_TO_END_OF_LOAD = bytes.fromhex("bed083")  # SI: 7C00 and 2,000 bytes
# Send the text at SI through the port at 3F8, then end the machine through port F4.
_PRINT = bytes.fromhex(
    "ac 84c0 7410 50 bafd03 ec a820 74fb 58 baf803 ee ebeb b000 baf400 ee f4 ebfd"
)

FLOPPY_TEXT = b"last sector of the floppy"
LOADED_TEXT = b"end of the loaded sectors"


def floppy_image() -> bytes:
    boot_sector = (_START + _READ_LAST_SECTOR + _PRINT).ljust(510, b"\0") + b"\x55\xaa"
    return boot_sector.ljust(1_474_560 - 512, b"\xf6") + FLOPPY_TEXT.ljust(512, b"\0")


def loader_image() -> bytes:
    """Return four sectors of 512 bytes: what is loaded unless a recipe says otherwise."""
    program = (_START + _POINT_TO_END_OF_LOAD + _PRINT).ljust(2000, b"\0")
    return program + LOADED_TEXT.ljust(48, b"\0")


DRIVES = {
    "IDE": ["-device", "ide-cd,drive=disc,bootindex=0"],
    "USB": ["-device", "qemu-xhci", "-device", "usb-storage,drive=disc,bootindex=0"],
}


def printed_by(disc: Path, drive: list[str]) -> bytes:
    """Start a machine from the disc and return what came through its serial port."""
    done = subprocess.run(
        [
            *("qemu-system-i386", "-machine", "pc,accel=tcg", "-m", "32", "-nodefaults"),
            *("-display", "none", "-serial", "stdio", "-monitor", "none", "-no-reboot"),
            *("-device", "isa-debug-exit,iobase=0xf4,iosize=1"),
            *("-drive", f"if=none,id=disc,file={disc},format=raw,media=cdrom,readonly=on"),
            *drive,
        ],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=300,
        check=False,
    )
    return done.stdout


@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize(
    ("image", "text"), [(floppy_image(), FLOPPY_TEXT), (loader_image(), LOADED_TEXT)]
)
def test_a_bios_starts_the_disc(image: bytes, text: bytes, drive: str, tmp_path: Path) -> None:
    if shutil.which("qemu-system-i386") is None:
        pytest.skip("needs qemu-system-i386 (Debian: qemu-system-x86)")
    boot = tmp_path / "boot.img"
    boot.write_bytes(image)
    top = write_tree(tmp_path / "top", {"README.TXT": b"read me"})
    build_disc(plan_disc(recipe_from_folders([top], boot=BootImage(boot))), tmp_path / "disc.iso")
    assert printed_by(tmp_path / "disc.iso", DRIVES[drive]) == text
