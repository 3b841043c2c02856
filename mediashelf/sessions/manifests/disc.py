"""One disc of a manifest as a value; the schema is generated from it."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Struct

from mediashelf.sessions.emulator import Presentation
from mediashelf.sessions.manifests.fields import (
    BARS_NEWLINE,
    MOST_ROWS,
    WRITES,
    CardPath,
    Confirmed,
    Position,
    Size,
    Text,
    distinct,
    says,
)
from mediashelf.sessions.manifests.parts import (
    BootWay,
    CardFile,
    Contents,
    FileDigests,
    LunWrite,
    OpenFinding,
    Origin,
)

_FIRST_POSITION = Annotated[int, says("", ge=1, le=98)]


class ManifestDisc(Struct, frozen=True):
    """One disc."""

    position: Annotated[
        Position, says("The disc's place in the order of use: 1, 2, 3 … without a gap.")
    ]
    code: Annotated[
        str,
        says(
            "A short code for people: a letter, a digit, a letter, none of which is easily taken "
            "for another. It is in the image's file name and on the sheets. No two images of a "
            "manifest share one; a disc that is presented again keeps its code.",
            pattern="^[A-Z][0-9][A-Z]" + BARS_NEWLINE,
            max_length=3,
        ),
    ]
    repeats: Annotated[
        _FIRST_POSITION | None,
        says(
            "The position of the disc that is presented here a second time; path, size and "
            "digests are the same. Null for a disc that appears for the first time."
        ),
    ]
    path: CardPath
    label: Annotated[Text, says("The volume's label, or an empty text.")]
    purpose: Annotated[Text, says("What the disc is for, in the planner's words.")]
    expect: Annotated[Text, says("What the machine should show, in the planner's words.")]
    size: Annotated[Size, says("Bytes in the image file.")]
    presentation: Annotated[
        Presentation,
        says(
            "What the host sees: optical for a CD-ROM drive, disk for a read-only USB disk, which "
            "only a hybrid image is good for: one with a partition table before its volume."
        ),
    ]
    servable: Annotated[
        bool,
        says(
            "Whether the kernel serves every whole block of the image. False where it refuses the "
            "image, and where it cuts it: present it only if a person asks for it, and say so."
        ),
    ]
    block_size: Annotated[
        Literal[2048, 512], says("Bytes of a block as the host sees it, by the presentation.")
    ]
    served_blocks: Annotated[
        int,
        says(
            "Blocks of block_size bytes that the host sees; 0 for an image that the kernel "
            "refuses.",
            ge=0,
            le=(2**53 - 1) // 512,
        ),
    ]
    erases: Annotated[
        bool,
        says(
            "Whether the disc may erase disks by itself when a machine starts from it: as the "
            "planner says, else whether it boots. After it was used once, never present it "
            "without being asked to by a person."
        ),
    ]
    digests: Annotated[FileDigests, says("Digests of the whole image file.")]
    confirmed: Annotated[
        Confirmed,
        says(
            "How the copy on the card was compared with these digests after it was written: "
            "device when it was read back from the card itself, cache when the system could not "
            "be shown to have let go of its copy in memory."
        ),
    ]
    origin: Annotated[Origin, says("What the image was made of.")]
    lun: Annotated[
        tuple[LunWrite, ...],
        says(
            "What to write into the lun's folder, in this order, to present the disc. The block "
            "size and the limits are chosen when file is written, so file is last. ro must stay "
            "1: a drive with cdrom 1 and ro 0 lets the host write into the image.",
            **WRITES,
        ),
    ]
    boot: Annotated[
        tuple[BootWay, ...],
        says(
            "The ways to boot that the disc's boot catalog offers (El Torito 1.0), the initial "
            "entry first. Empty when the disc does not boot.",
            max_length=64,
        ),
    ]
    targets: Annotated[
        tuple[Text, ...],
        distinct(
            "The targets that the disc was checked for: the operating-system families that must "
            "read it.",
            100,
        ),
    ]
    passed: Annotated[
        tuple[Text, ...], distinct("Those of the targets for which no error was found.", 100)
    ]
    after: Annotated[
        tuple[Position, ...],
        distinct("Positions of discs that must have been used before this one.", 99),
    ]
    contents: Annotated[Contents, says("A glance at what is inside; for people.")]
    open_findings: Annotated[
        tuple[OpenFinding, ...],
        says(
            "What was found about this disc and not resolved when the session was prepared; "
            "worst first.",
            max_length=MOST_ROWS,
        ),
    ]

    @property
    def file(self) -> CardFile:
        """The image as a file on the card."""
        return CardFile(self.path, self.size, self.digests)
