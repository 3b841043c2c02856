"""Whole discs, byte for byte as they have always been.

The digests are of discs that pycdlib 1.22 wrote from the same plans, before there was a
writer of our own. They have no index page, so that its words are free to change.
"""

from __future__ import annotations

import hashlib
import os
import random
from pathlib import Path

import pytest
from msgspec.structs import replace

from build_trees import DATE, write_tree
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.recipe import BootImage
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing.write import build_disc

WORDS = ["Treiber für Netzwerk", "драйвер", "ドライバー", "ovladač zvuku", "setup", "語" * 60]


def _bytes(seed: int, size: int) -> bytes:
    return random.Random(seed).randbytes(size)


def _deep_and_unicode() -> dict[str, bytes]:
    files = {}
    for number in range(120):
        folders = [f"{WORDS[(number + level) % 6]} {level}" for level in range(number % 14)]
        path = "/".join([*folders, f"{WORDS[number % 6][:40]} version {number}.inf"])
        files[path] = _bytes(number, 7 * number)
    return files | {"README": b"1", "README.1": b"2", "README.C1": b"3"}


def _many() -> dict[str, bytes]:
    return {
        f"package {number % 60:02d}/File number {number}.dat": _bytes(number, number % 50)
        for number in range(3000)
    }


def _folders() -> dict[str, bytes]:
    return {f"A folder with a rather long name {n:04d}/sub/x.txt": b"x" for n in range(300)}


PLAIN = {"FILE.TXT": b"file", "drivers/LARGE.BIN": _bytes(7, (1 << 20) + 1)}
LOADER = b"loader" * 3000
TREES: dict[str, dict[str, bytes]] = {
    "plain": PLAIN,
    "deep and Unicode": _deep_and_unicode(),
    "with a device name": _deep_and_unicode() | {"CON.txt": b"4"},
    "3,000 files": _many(),
    "large path tables": _folders(),
    "empty folders": {"nothing/": b"", "a/b/c/d/e/f/g/h/i/": b"", "empty.txt": b""},
    "equal files": {f"d{n % 4}/same {n}.bin": b"same" * (n // 8 + 1) * 700 for n in range(40)},
    "no files": {},
}
BOOTS: dict[str, bytes] = {
    "no emulation": LOADER,
    "1.2 MB floppy": _bytes(1, 1_228_800),
    "1.44 MB floppy": _bytes(2, 1_474_560),
    "2.88 MB floppy": _bytes(3, 2_949_120),
}
FROZEN = {
    "plain": "9df61836ce4df853cdc887ce37c7e5e92fc4b739536fa7395a17ae9e0cf61ca5",
    "deep and Unicode": "3d3fbab81a70926c74b36aa7ef2e0e3818e215e8da9263bab9211a539cd29c28",
    "with a device name": "31db0b1df947abd8a67631a83fb19e02f00eb8feecebdf1565e06645177f9566",
    "3,000 files": "d2a8a22cc1ec95814eb74721d2854112158faf09e44c0e94da840d922979c77b",
    "large path tables": "11c629b4ae5ecf7573ac80b74b986601b9147a495625db01711a77920a4a17e9",
    "empty folders": "70301213df248c2e30f53486791f07b1adae1ea0d7825e09a7f0a66b3a851602",
    "equal files": "79eb607cb470f3198970f694a7e200fe3c4d437850969f8990cddc636fecb0a4",
    "no files": "7f5d5ae355575582f3dc7559babc6fe3e555e4fc089d9a67b9c143ca7e94a401",
    "no emulation": "26b7ea781baf0d6477661a549cace03e911aa14895105a2eaa856449ec670b94",
    "1.2 MB floppy": "7a260d73eb061b9fd54824e4d12591d07d9b38927a10cb94b9b4c584215cf548",
    "1.44 MB floppy": "b7282a9e299d35192aaf188843327ecf837bafdb4de992cf6c1509d6226c8c55",
    "2.88 MB floppy": "a606131bcfbce1454de6e52df77b13655368322bb23f850ab30abe64c18323d2",
    "dated by the environment": "2c1fa1c3774f5de46f9305cd0daea596119ec36643b0cc46d92509b1b4a7e270",
}


@pytest.mark.parametrize("name", [*TREES, *BOOTS, "dated by the environment"])
def test_the_bytes_of_discs_stay(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if name == "with a device name" and os.name == "nt":
        pytest.skip("CON is a device in Windows")
    boot = None
    if name in BOOTS:
        image = tmp_path / "boot.img"
        image.write_bytes(BOOTS[name])
        os.utime(image, (DATE, DATE))
        boot = BootImage(image)
    if name == "dated by the environment":
        monkeypatch.setenv("SOURCE_DATE_EPOCH", "900000000")
    top = write_tree(tmp_path / "top", TREES.get(name, PLAIN))
    recipe = recipe_from_folders([top], label="Kiosk discs é", boot=boot)
    build_disc(plan_disc(replace(recipe, index=False)), tmp_path / "disc.iso")
    assert hashlib.sha256((tmp_path / "disc.iso").read_bytes()).hexdigest() == FROZEN[name]
