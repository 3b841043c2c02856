"""A card's manifest as a value; its schema is generated from these classes."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Struct

from mediashelf.sessions.manifests.disc import ManifestDisc
from mediashelf.sessions.manifests.fields import MOST_ROWS, WRITES, Moment, Start, Text, says
from mediashelf.sessions.manifests.parts import CardFile, LunWrite, OpenFinding


class ManifestSession(Struct, frozen=True):
    """What the session is for; for people."""

    name: Annotated[Text, says("The session's name.")]
    machine: Annotated[Text, says("The machine to be set up, or an empty text.")]


class Manifest(Struct, frozen=True, kw_only=True):
    """What an emulated drive presents in one bench session: discs, order and settings.

    The manifest is beside the images on the
    card as manifest.json, in UTF-8. Every key that is listed here is present, even
    where its value is empty or null; keys that begin with x- are free for the use of
    others and are passed over. A reader refuses a version that it does not know.
    Version 2 added code, origin and the areas of contents to a disc. Version 3 added
    presentation, servable, block_size, served_blocks and erases in the place of
    blocks, and the words of start; it has no areas. Version 4 added drive.

    There is one drive. A second one would save no change of discs, since a machine
    starts from one, and setup programs that see several ask for their disc in the other
    (Microsoft KB Q129299). Which disc to try when another fails is a person's choice.
    """

    format: Annotated[
        Literal["mediashelf-card"], says("Says that this JSON file is a card manifest.")
    ] = "mediashelf-card"
    version: Annotated[
        Literal[4],
        says(
            "The version of this form. It grows with every change that an older reader could "
            "misunderstand."
        ),
    ] = 4
    created: Annotated[
        Moment,
        says(
            "When the session was prepared, in UTC (ISO 8601). Preparing the same card again "
            "without a change keeps the moment."
        ),
    ]
    created_by: Annotated[Text, says("The program that wrote the manifest, with its version.")]
    session: Annotated[ManifestSession, says("What the session is for; for people.")]
    start: Annotated[
        Start,
        says(
            "What the drive presents when the board starts, which it does with the PC where the PC "
            "feeds it. A position: always that disc. none: nothing, until a person chooses. last: "
            "the disc that was presented last, unless that one erases, then nothing; disc 1 when "
            "no disc was presented yet. The last one is kept in the file last-disc.txt beside the "
            "manifest, or elsewhere where the card cannot be written, and is written before the "
            "disc is presented: its position, a space, its code and a newline. Where these are not "
            "a disc of this manifest, nothing is presented."
        ),
    ]
    eject: Annotated[
        tuple[LunWrite, ...],
        says(
            "What to write, in this order, into the lun's folder to take the disc out. While the "
            "host holds the drive's door locked, the kernel answers EBUSY: ask the host to let go "
            "and try again. An empty value is not an empty write: the newline is what takes the "
            "disc out.",
            **WRITES,
        ),
    ]
    forced_eject: Annotated[
        tuple[LunWrite, ...],
        says(
            "What to write to take the disc out although the host has locked the door. Only for a "
            "host that hangs or was switched off: a host that is reading gets read errors.",
            **WRITES,
        ),
    ]
    drive: Annotated[
        tuple[LunWrite, ...],
        says(
            "What to write into the lun's folder once, before the gadget is bound: the names by "
            "which the boot menu of a firmware and the systems show the drive, so that a person "
            "can tell it from the machine's own. inquiry_string has 8 characters for a vendor, 16 "
            "for a product and 4 for a release. A host asks when the drive is connected. Empty "
            "for the kernel's own names.",
            max_length=16,
        ),
    ]
    discs: Annotated[
        tuple[ManifestDisc, ...],
        says(
            "The discs in the order of use. To swap, eject, then write the next disc's lun "
            "settings. A host notices a swap within about a second, and an eject only when it "
            "next asks. An image must not be changed while it is presented.",
            min_length=1,
            max_length=99,
        ),
    ]
    open_findings: Annotated[
        tuple[OpenFinding, ...],
        says(
            "What was found about the card or the machine and not resolved when the session was "
            "prepared, in the order in which a person acts on it.",
            max_length=MOST_ROWS,
        ),
    ] = ()
    other_files: Annotated[
        tuple[CardFile, ...],
        says(
            "Files other than images that belong to this session, such as the run sheet. An "
            "emulator passes them over.",
            max_length=MOST_ROWS,
        ),
    ] = ()
    earlier_files: Annotated[
        tuple[CardFile, ...],
        says(
            "Files that an earlier session put on this card and that this one does not use. An "
            "emulator passes them over.",
            max_length=MOST_ROWS,
        ),
    ] = ()

    @property
    def images(self) -> tuple[CardFile, ...]:
        """Each image file once, in the order of first use."""
        return tuple(disc.file for disc in self.discs if disc.repeats is None)

    @property
    def files(self) -> tuple[CardFile, ...]:
        """Every file that this tool put on the card, but the manifest itself."""
        return (*self.images, *self.other_files, *self.earlier_files)
