"""The card: its file system, its room, and what fits on it.

Limits are rows of data. What a file system may hold is known by its name in the
plan or by the kernel's name for it; a name that is in no row sets no limits.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from msgspec import Struct

from mediashelf.errors import StagingError
from mediashelf.findings import Finding, Severity
from mediashelf.sessions.mounts import mount_of
from mediashelf.text import size_text

SPARE_SIZE = 1 << 20
"""Bytes kept free for the manifest, the run sheets and the folder's own growth."""

_FAT_SIZE = "from memory: a FAT directory entry has 32 bits for a file's size"


class CardKind(NamedTuple):
    """One kind of file system; ``kernel_names`` are its types in Linux's mountinfo.

    ``max_file_size`` is in bytes, None where the emulator's own limit is far below.
    """

    name: str
    kernel_names: tuple[str, ...]
    max_file_size: int | None = None
    source: str = ""


CARD_KINDS = (
    # The kernel calls every FAT vfat or msdos; the limit is the same for each.
    CardKind("fat32", ("vfat", "msdos"), (1 << 32) - 1, _FAT_SIZE),
    CardKind("fat16", (), (1 << 32) - 1, _FAT_SIZE),
    CardKind("exfat", ("exfat",)),
    CardKind("ntfs", ("ntfs", "ntfs3")),
    CardKind("ext4", ("ext4", "ext3", "ext2")),
    CardKind("f2fs", ("f2fs",)),
    CardKind("btrfs", ("btrfs",)),
    CardKind("xfs", ("xfs",)),
)

_SHORT_NAMES_TYPE = "msdos"
_TELL_NOTHING = ("fuse", "fuseblk")
"""What Linux calls any file system whose driver is a program, such as NTFS and exFAT of some."""

CARD_KIND_NAMES = tuple(kind.name for kind in CARD_KINDS)


class CardFacts(Struct, frozen=True):
    """What a card's folder stands on; sizes in bytes.

    ``size`` and ``free`` are 0 where its driver does not tell.
    ``kind`` is None for a file system that no row knows. ``type_name`` is the
    kernel's name for it and ``device`` what is mounted, both empty where the system
    does not tell. A file takes up whole units of ``unit`` bytes.
    """

    kind: CardKind | None
    type_name: str
    size: int
    free: int
    unit: int
    device: str = ""

    @property
    def is_fat(self) -> bool:
        """Whether it is a FAT, which keeps no journal of its own."""
        return self.kind is not None and _is_fat(self.kind)

    def room_for(self, size: int) -> int:
        """Return the bytes that a file of ``size`` bytes takes up."""
        return -(-size // self.unit) * self.unit


def _is_fat(kind: CardKind) -> bool:
    return kind.name.startswith("fat")


def fat_check(device: str) -> str:
    """Return what to do about a FAT card that was pulled, or that Linux found damaged."""
    return (
        "if the card was pulled out, unmount it and check it, on Linux with: "
        f"fsck.fat -a {device or 'DEVICE'}"
    )


def read_card(folder: Path) -> CardFacts:
    """Look at the file system under a card's folder; nothing is written.

    Raises :class:`StagingError` when the folder is not there, is not a folder, or
    cannot be written to.
    """
    if not folder.is_dir():
        problem = "is not a folder" if folder.exists() else "does not exist"
        raise StagingError(f"{folder}: {problem}; plug the card in, or create the folder first")
    try:
        if hasattr(os, "statvfs"):
            status = os.statvfs(folder)
            unit = status.f_frsize or status.f_bsize or 512
            size, free = status.f_blocks * unit, status.f_bavail * unit
        else:
            usage = shutil.disk_usage(folder)
            size, free, unit = usage.total, usage.free, 4096
    except OSError as error:
        raise StagingError(f"{folder}: cannot be opened: {error.strerror or error}") from error
    mount = mount_of(folder)
    # A driver outside the kernel may have its own name after a dot; the rest tells nothing.
    name = mount.type_name.removeprefix("fuse.").removeprefix("fuseblk.")
    kind = next((row for row in CARD_KINDS if name in row.kernel_names), None)
    if mount.is_read_only or not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        damaged = f"; {fat_check(mount.device)}" if kind is not None and _is_fat(kind) else ""
        raise StagingError(
            f"{folder}: cannot be written to; check the card's lock switch, how it is mounted, "
            f"and the folder's permissions{damaged}"
        )
    return CardFacts(kind, mount.type_name, size, free, max(1, unit), mount.device)


def kind_named(name: str) -> CardKind | None:
    """Return the row of this name, or None."""
    return next((row for row in CARD_KINDS if row.name == name), None)


def check_card_kind(
    kind: CardKind, files: Sequence[tuple[str, int]], *, is_planned: bool
) -> Iterator[Finding]:
    """Yield what ``files`` (name and size) are too large for on this kind of card."""
    which = "the plan's card" if is_planned else "this card"
    for name, size in files:
        if kind.max_file_size is not None and size > kind.max_file_size:
            yield Finding(
                "card-holds-file",
                Severity.ERROR,
                name,
                f"the image has {size:,} bytes; {which} is {kind.name}, where a file has at most "
                f"{kind.max_file_size:,}",
                "format the card as exfat or ext4, if the emulator's board can read it",
                kind.source,
                found=str(size),
                expected=f"at most {kind.max_file_size}",
            )


def check_card_is_planned(card: CardFacts, planned: CardKind | None) -> Iterator[Finding]:
    """Yield a finding when the card's file system is another than the plan says."""
    is_known = bool(card.kind or card.type_name) and card.type_name not in _TELL_NOTHING
    if planned is not None and is_known and card.kind is not planned:
        if planned.name == "fat16" and card.is_fat:
            return  # the kernel's name is the same for both
        yield Finding(
            "card-is-as-planned",
            Severity.NOTE,
            "the card",
            f"the plan's card is {planned.name}, this folder is on {card.type_name}",
            "check that the card is mounted there, or correct [card] filesystem in the plan",
            found=card.type_name,
            expected=planned.name,
        )


def check_card_names(card: CardFacts) -> Iterator[Finding]:
    """Yield what keeps our names from standing on the card as the manifest says them."""
    if card.type_name == _SHORT_NAMES_TYPE:
        yield Finding(
            "card-holds-names",
            Severity.ERROR,
            "the card",
            f"it is mounted as {_SHORT_NAMES_TYPE}, where names are cut to eight and three "
            "characters, so the names in the manifest would not be found",
            "mount it as vfat, which is the same kind of card with long names",
            "from memory: Linux's driver msdos keeps no long names",
            found=card.type_name,
            expected="vfat",
        )


def check_card_room(
    needed: int, card: CardFacts, *, planned_size: int | None, total: int
) -> Iterator[Finding]:
    """Yield what does not fit: ``needed`` bytes on the card as it is, ``total`` as it is planned.

    ``needed`` is what must be free for a while as well; ``total`` is everything
    that the session puts on a card of ``planned_size`` bytes.
    """
    if planned_size is not None and total + SPARE_SIZE > planned_size:
        yield Finding(
            "planned-card-is-large-enough",
            Severity.ERROR,
            "[card] capacity",
            f"the session needs {size_text(total + SPARE_SIZE)}, the plan's card has "
            f"{size_text(planned_size)}",
            "plan a larger card, or prepare two cards with half of the discs each",
            found=str(planned_size),
            expected=f"at least {total + SPARE_SIZE}",
        )
    if card.size and needed + SPARE_SIZE > card.free:
        yield Finding(
            "card-has-room",
            Severity.ERROR,
            "the card",
            f"{size_text(needed + SPARE_SIZE)} must be free, {size_text(card.free)} are",
            "make room on the card; --tidy removes what earlier sessions put there",
            found=str(card.free),
            expected=f"at least {needed + SPARE_SIZE}",
        )


WRITE_SPEED = 10 * 1024 * 1024
READ_SPEED = 20 * 1024 * 1024
"""Bytes a second of a slow card (from memory: ten million written is the usual promise)."""


def copying_seconds(size: int) -> int:
    """Return about how long a slow card takes to write ``size`` bytes and to give them back."""
    return -(-size // WRITE_SPEED) + -(-size // READ_SPEED)
