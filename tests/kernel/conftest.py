"""The virtual machine of these tests: packages are downloaded and unpacked once."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

import virtual_machine

Boot = Callable[..., str]


@pytest.fixture(scope="session")
def boot(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    """Boots the machine with a guest's program and a card's folder; returns what it printed.

    A FAT32 file system is left beside the card's folder, as ``fat32.img``.
    """
    missing = virtual_machine.missing_programs()
    if missing:
        pytest.skip(f"not on this machine: {', '.join(missing)}")
    work = tmp_path_factory.mktemp("machine")
    try:
        virtual_machine.download(work)
    except (OSError, subprocess.SubprocessError) as error:
        pytest.skip(f"the packages cannot be had: {error}")
    kernel, initial = virtual_machine.make_initial_system(work)

    def boot_once(program: str, card: Path, *, seconds: float) -> str:
        image = work / "card.img"
        virtual_machine.make_card_image(card, image)
        fat32 = card.parent / "fat32.img"
        virtual_machine.make_fat32_image(card, fat32)
        return virtual_machine.run(kernel, initial, image, program, fat32=fat32, seconds=seconds)

    return boot_once
