"""A plan to begin with: every image of a shelf as a commented table, in a likely order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from msgspec import Struct

from mediashelf.errors import InputError
from mediashelf.sessions.manifests.parts import BootWay
from mediashelf.sessions.plans.session_plan import MAX_DISCS
from mediashelf.tables.paths import can_be_written, path_from
from mediashelf.text import printable, size_text, toml_quoted


class DraftDisc(Struct, frozen=True):
    """One image for a draft; ``problem`` says why it cannot be used, or is empty.

    ``must_pad`` is True for one that the emulator refuses or cuts as it is.
    """

    path: Path
    label: str
    size: int
    boot: tuple[BootWay, ...] = ()
    problem: str = ""
    is_raw: bool = False
    must_pad: bool = False


def draft_plan(
    discs: Iterable[DraftDisc], folder: Path, *, name: str, machine: str, targets: Sequence[str]
) -> str:
    """Return the text of a plan that names every disc; discs that boot come first.

    Paths are relative to ``folder``, where the plan will be. A disc with a
    problem, or one too many for a plan, is there as a comment, so that nothing
    is forgotten silently. Raises :class:`InputError` for a name that TOML cannot contain.
    """
    for given in (name, machine):
        if not can_be_written(given):
            raise InputError(
                f"the name {printable(given)} is not valid UTF-8, which a plan cannot contain; "
                "give another"
            )
    lines = [*_head(name, machine, targets)]
    usable = 0
    for disc in sorted(discs, key=lambda disc: (not disc.boot, str(disc.path))):
        problem = disc.problem
        text = path_from(disc.path, folder)
        if not problem and not can_be_written(text):
            problem = "its name is not valid UTF-8, which a plan cannot contain; rename the file"
        if not problem and usable == MAX_DISCS:
            problem = f"a plan has at most {MAX_DISCS} discs"
        usable += not problem
        lines += ["", *_disc(disc, text, problem)]
    if not usable:
        lines += ["", "# No image can be used as it is. Add discs like this:", *_example()]
    return "\n".join(lines) + "\n"


def _head(name: str, machine: str, targets: Sequence[str]) -> Iterator[str]:
    yield "# A session plan. Put the discs in the order of use and remove what is not needed;"
    yield "# then: mediashelf plan show FILE, and mediashelf prepare FILE --to CARD"
    yield f"name = {toml_quoted(name)}"
    names = ", ".join(toml_quoted(target) for target in targets)
    yield f"targets = [{names}]  # the systems that must read them"
    yield ""
    yield "[machine]"
    yield f"name = {toml_quoted(machine)}"
    yield '# memory = "256MB"        # what is said here is checked against what the systems need'
    yield '# disk = "40GB"'
    yield '# disk_mode = "ide"       # ide, ahci or raid'
    yield '# firmware = "bios"       # bios or uefi'
    yield "# usb_boot = true         # does the firmware start from a USB CD-ROM drive?"
    yield '# processor = "450 MHz"    # its clock, in MHz or GHz'
    yield "# processor_bits = 32     # 16, 32 or 64"
    yield '# devices = "lspci.txt"   # output of lspci -nnvmm, or several files in [ ]'
    yield "# settings = []           # what to set in the firmware, a line each"
    yield "# [[machine.part]]        # each card or drive: what, where, jumpers, device"
    yield ""
    yield "# [[step]]                # what to do beside the discs: do, system, before or after a"
    yield "#                         # disc, partitions = [{ system, filesystem, size, note }]"
    yield "# [drive]                 # its names in the firmware's boot menu: vendor, product"
    yield ""
    yield "[card]"
    yield '# filesystem = "fat32"'
    yield '# capacity = "4GB"'


def _disc(disc: DraftDisc, text: str, problem: str) -> Iterator[str]:
    label = f"{disc.label}, " if disc.label else ""
    boots = f"boots: {', '.join(way.method for way in disc.boot)}" if disc.boot else "does not boot"
    yield f"# {printable(label)}{size_text(disc.size)}, {boots}"
    if problem:
        yield f"# left out: {printable(problem)}"
        yield f"# {printable(text)}"
        return
    yield "[[disc]]"
    yield f"image = {toml_quoted(text)}"
    if disc.is_raw:
        yield "# raw: its data track is converted on the way to the card"
    if disc.must_pad:
        yield "pad = true                # zeros are added on the card: the emulator needs them"
    if disc.boot:
        yield "# erases = false          # when it asks before it erases; else it counts as erasing"
    yield 'purpose = ""'
    yield '# expect = ""             # what the screen should show'
    yield "# after = []              # discs that must come before, by image or name"


def _example() -> Iterator[str]:
    yield "# [[disc]]"
    yield '# image = "system.iso"'
    yield '# purpose = "Install the system"'
    yield "# [[disc]]"
    yield '# floppy = "boot.ima"    # the image of a boot floppy becomes a disc that starts so'
