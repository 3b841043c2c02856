"""The parts that a card's manifest is made of; its schema is generated from these classes."""

from __future__ import annotations

from typing import Annotated

from msgspec import Struct

from mediashelf.sessions.manifests.fields import (
    Attribute,
    BootMethod,
    BootPlatform,
    CardPath,
    MadeHow,
    SeverityWord,
    Size,
    Text,
    says,
)


class FileDigests(Struct, frozen=True):
    """Digests of a whole file, in lower-case hexadecimal.

    XXH3 is quick on a small board; SHA-256 can be compared with anybody's list.
    """

    xxh3_128: Annotated[
        str,
        says(
            "XXH3, 128 bits (canonical big-endian form, seed 0).",
            pattern="^[0-9a-f]{32}$",
            max_length=32,
        ),
    ]
    sha256: Annotated[str, says("SHA-256.", pattern="^[0-9a-f]{64}$", max_length=64)]


class CardFile(Struct, frozen=True):
    """A file that was put on the card, just as it was put there."""

    path: CardPath
    size: Annotated[Size, says("Bytes in the file.")]
    digests: Annotated[FileDigests, says("Digests of the bytes that were put there.")]


class LunWrite(Struct, frozen=True):
    """A write into an attribute of the lun's folder.

    Linux mass-storage function, ABI document configfs-usb-gadget-mass-storage.
    """

    attribute: Annotated[Attribute, says("The attribute's file name in the lun's folder.")]
    value: Annotated[
        Text,
        says(
            "The text to write, followed by one newline, in a single write. The value of file is "
            "the disc's path: join it to the folder that holds the manifest, and write the "
            "absolute path."
        ),
    ]


class BootWay(Struct, frozen=True):
    """One way to boot that the disc's boot catalog offers (El Torito 1.0)."""

    method: Annotated[BootMethod, says("How the boot image is presented.")]
    platform: Annotated[BootPlatform, says("The firmware that it is for.")]


class OpenFinding(Struct, frozen=True):
    """A finding that was not resolved; equal ones are one row with a count."""

    rule: Annotated[Text, says("The rule's id.")]
    severity: Annotated[SeverityWord, says("How much it matters.")]
    target: Annotated[Text, says("The one target that it holds for, or an empty text.")]
    where: Annotated[Text, says("The first place that was found.")]
    count: Annotated[int, says("How many places there are.", ge=1)]
    message: Annotated[Text, says("What was found there.")]
    remedy: Annotated[Text, says("What to do about it.")]
    source: Annotated[Text, says("Where the limit comes from, or that it is common practice.")]


class Origin(Struct, frozen=True):
    """What the image on the card was made of."""

    how: Annotated[
        MadeHow,
        says(
            "copied: the image holds the bytes of the file name. converted: it holds the user "
            "data of a data track of the raw file name, 2,048 bytes a sector. built: it was built "
            "as the recipe name says, or around the image name of a boot floppy."
        ),
    ]
    name: Annotated[Text, says("The name of that file, without its folder; for people.")]
    size: Annotated[Size | None, says("Bytes in that file; null for a built image.")]
    digests: Annotated[
        FileDigests | None,
        says(
            "Digests of that file, which for a converted or padded image are not those of the "
            "image; null for a built image."
        ),
    ]
    padding: Annotated[
        Size,
        says(
            "Bytes of zeros at the end of the image that were added because the kernel refuses "
            "or cuts the image without them; 0 for none."
        ),
    ] = 0


class Contents(Struct, frozen=True):
    """A glance at what is inside; for people."""

    files: Annotated[Size, says("Number of files.")]
    folders: Annotated[Size, says("Number of folders.")]
    top: Annotated[
        tuple[Text, ...],
        says(
            "Names in the top folder, as the long-name tree has them where there is one; at most "
            "24, folders first and with a / at the end.",
            max_length=24,
        ),
    ]
