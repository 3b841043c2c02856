"""Make the example scenario: a workshop revives a 1999 tide-table kiosk for an exhibition.

Everything in it is invented, and made from code and a few texts, so that two runs
give the same bytes.
"""

from __future__ import annotations

import os
import shutil
from importlib.resources import files
from pathlib import Path

from msgspec import Struct

from mediashelf.demo.drivers_tree import FILE_DATE, example_bytes, make_drivers
from mediashelf.demo.floppy import make_boot_floppy
from mediashelf.errors import OutputError
from mediashelf.formats.raw.sectors import encode_mode_1
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.jobs.discs.building import build_recipe
from mediashelf.jobs.discs.recipe_options import find_recipe
from mediashelf.jobs.discs.recipe_plan import plan_recipe
from mediashelf.readability.targets import load_targets, pick_targets

MARK = ".mediashelf-demo"
"""A folder with this file in it was made by us and may be made anew."""

_BAD_SECTOR = 200
_OF_ONE_DISC = ("Larkspur Video", "Ternfield LAN", "Mossgate Chipset")
_TEXTS = ("devices.txt", "driver-disc.toml", "session.toml")


class Scenario(Struct, frozen=True):
    """Where the parts of the scenario are."""

    folder: Path

    @property
    def library(self) -> Path:
        """The shelf with the workshop's images."""
        return self.folder / "library"

    @property
    def system_disc(self) -> Path:
        """A sound, bootable image."""
        return self.library / "kiosk-system.iso"

    @property
    def attic_copy(self) -> Path:
        """A copy of the system disc that decays after it was recorded."""
        return self.library / "kiosk-system (attic copy).iso"

    @property
    def slides(self) -> Path:
        """An image whose copying was cut short."""
        return self.library / "exhibition-slides.iso"

    @property
    def sounds_sheet(self) -> Path:
        """The cue sheet of a raw image with one bad sector."""
        return self.library / "harbour-sounds.cue"

    @property
    def drawer(self) -> Path:
        """A second shelf, with the discs that came with the kiosk's parts."""
        return self.folder / "drawer"

    @property
    def card(self) -> Path:
        """The emulator's card."""
        return self.folder / "card"


def make_scenario(folder: Path) -> Scenario:
    """Write the scenario into ``folder``, which must be new, empty, or made by us before.

    Raises OutputError when the folder holds anything else: it is not ours to clear.
    """
    _claim(folder)
    scenario = Scenario(folder)
    scenario.library.mkdir()
    scenario.drawer.mkdir()
    scenario.card.mkdir()
    make_drivers(folder / "drivers")
    for name in _TEXTS:
        text = files("mediashelf.demo").joinpath("data", name).read_text("utf-8")
        (folder / name).write_text(text, "utf-8")
    _make_images(scenario)
    return scenario


def decay(scenario: Scenario) -> None:
    """Let one block of the attic copy rot: its bytes change, its size and date do not."""
    path = scenario.attic_copy
    before = path.stat()
    with path.open("r+b") as image:
        image.seek(3 * 1024 * 1024 + 4096)
        block = image.read(512)
        image.seek(-len(block), os.SEEK_CUR)
        image.write(bytes(byte ^ 0x55 for byte in block))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def restore_slides(scenario: Scenario) -> None:
    """Put back the whole image of the slides, as a second copying would."""
    shutil.copyfile(scenario.folder / "originals" / "exhibition-slides.iso", scenario.slides)


def _claim(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is a file; name a new folder for the example")
    if folder.is_dir() and any(folder.iterdir()):
        if not (folder / MARK).is_file():
            raise OutputError(
                f"{folder}: is not empty and was not made by this command; name a new folder"
            )
        _clear(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / MARK).write_text("Made by `mediashelf demo`, which may remove this folder.\n")
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made: {error.strerror}") from error


def _clear(folder: Path) -> None:
    """Remove what is in a folder of ours; the mark stays, so that a stop leaves it ours."""
    for path in folder.iterdir():
        if path.name == MARK:
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()


def _make_images(scenario: Scenario) -> None:
    originals = scenario.folder / "originals"
    originals.mkdir()
    system = originals / "system"
    _file(system / "SETUP.EXE", example_bytes("SETUP.EXE", 2 << 20))
    for number in range(1, 5):
        name = f"KIOSK{number}.CAB"
        _file(system / "FILES" / name, example_bytes(name, 1 << 20))
    _file(system / "READ THIS FIRST.TXT", b"This disc is an example. It installs nothing.\r\n")
    _file(
        originals / "boot.img",
        make_boot_floppy("Example boot disc of the tide-table kiosk. It installs nothing."),
    )
    _build(originals, "system", "KIOSK_SYSTEM", scenario.system_disc, 'boot = "boot.img"\n')
    shutil.copyfile(scenario.system_disc, scenario.attic_copy)

    slides = originals / "slides"
    for number in range(1, 9):
        name = f"Slide {number}, the harbour at high water.bmp"
        _file(slides / name, example_bytes(name, 256 << 10))
    whole = _build(originals, "slides", "SLIDES", originals / "exhibition-slides.iso")
    # Somebody pulled the stick too early: the last third never arrived.
    scenario.slides.write_bytes(whole.read_bytes()[: whole.stat().st_size * 2 // 3])

    # The disc of the sound card has the file that the folder of drivers lacks.
    for name, vendors in (("sound-card", ["Quillon Audio"]), ("parts", _OF_ONE_DISC)):
        for vendor in vendors:
            shutil.copytree(scenario.folder / "drivers" / vendor, originals / name / vendor)
        if name == "sound-card":
            synth = originals / name / "Quillon Audio" / "QLSYNTH.VXD"
            _file(synth, example_bytes("QLSYNTH.VXD", 88 << 10))
        _build(originals, name, name.upper().replace("-", "_"), scenario.drawer / f"{name}.iso")

    sounds = originals / "sounds"
    for number in range(1, 5):
        name = f"Foghorn {number}.wav"
        _file(sounds / name, example_bytes(name, 160 << 10))
    data = _build(originals, "sounds", "SOUNDS", originals / "sounds.iso").read_bytes()
    raw = bytearray(
        b"".join(
            encode_mode_1(data[at : at + SECTOR_SIZE], at // SECTOR_SIZE)
            for at in range(0, len(data), SECTOR_SIZE)
        )
    )
    for at in range(_BAD_SECTOR * 2352 + 700, _BAD_SECTOR * 2352 + 712):  # a short scratch
        raw[at] ^= 0xFF
    (scenario.library / "harbour-sounds.bin").write_bytes(raw)
    scenario.sounds_sheet.write_text(
        'FILE "harbour-sounds.bin" BINARY\n  TRACK 01 MODE1/2352\n    INDEX 01 00:00:00\n', "ascii"
    )


def _build(originals: Path, name: str, label: str, output: Path, extra: str = "") -> Path:
    recipe = originals / f"{name}.toml"
    text = (
        f'label = "{label}"\ntargets = ["win9x"]\n{extra}\n[[folder]]\nfrom = "{name}"\nto = "/"\n'
    )
    _file(recipe, text.encode("ascii"))
    found = find_recipe([recipe])
    build_recipe(plan_recipe(found, pick_targets(found.targets, load_targets())), output)
    return output


def _file(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    os.utime(path, (FILE_DATE, FILE_DATE))
