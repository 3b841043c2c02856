"""What a card's manifest says, as values; each field is described in ``manifest.schema.json``."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FileDigests:
    """Digests of a whole file, in lower-case hexadecimal."""

    xxh3_128: str
    sha256: str


@dataclass(frozen=True, slots=True)
class CardFile:
    """A file that was put on the card; ``path`` is relative, its parts joined by ``/``."""

    path: str
    size: int
    digests: FileDigests


@dataclass(frozen=True, slots=True)
class LunWrite:
    """One write into an attribute of the lun's folder; a newline follows ``value``."""

    attribute: str
    value: str


@dataclass(frozen=True, slots=True)
class BootWay:
    """One way to boot: how the boot image is presented, and the firmware it is for."""

    method: str
    platform: str


@dataclass(frozen=True, slots=True)
class OpenFinding:
    """Equal findings as one row; ``where`` is the first of ``count`` places."""

    rule: str
    severity: str
    target: str
    where: str
    count: int
    message: str
    remedy: str
    source: str


@dataclass(frozen=True, slots=True)
class Origin:
    """What the image on the card was made of.

    ``how`` is ``copied``, ``converted`` or ``built``; ``padding`` counts zeros that
    were added behind the image. Size and digests are those of the file ``name``,
    None for a disc that was built.
    """

    how: str
    name: str
    size: int | None
    digests: FileDigests | None
    padding: int = 0


@dataclass(frozen=True, slots=True)
class SpaceShare:
    """A file of a disc, or a folder with all that is below it, by the bytes of its files.

    The name of a folder ends in ``/``; an empty name stands for all the smaller ones
    beside the named.
    """

    name: str
    size: int
    files: int
    inside: tuple[SpaceShare, ...] = ()


@dataclass(frozen=True, slots=True)
class Contents:
    """A glance at what a disc holds; ``areas`` share out the bytes of its files."""

    files: int
    folders: int
    top: tuple[str, ...]
    areas: tuple[SpaceShare, ...] = ()


@dataclass(frozen=True, slots=True)
class ManifestDisc:
    """One disc; the fields are those of the schema, where each is described."""

    position: int
    code: str
    repeats: int | None
    path: str
    label: str
    purpose: str
    expect: str
    size: int
    blocks: int
    digests: FileDigests
    confirmed: str
    origin: Origin
    lun: tuple[LunWrite, ...]
    boot: tuple[BootWay, ...]
    targets: tuple[str, ...]
    passed: tuple[str, ...]
    after: tuple[int, ...]
    contents: Contents
    open_findings: tuple[OpenFinding, ...]

    @property
    def file(self) -> CardFile:
        """The image as a file on the card."""
        return CardFile(self.path, self.size, self.digests)


@dataclass(frozen=True, slots=True)
class ManifestSession:
    """What the session is for."""

    name: str
    machine: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """A whole manifest, version 2."""

    created: str
    created_by: str
    session: ManifestSession
    start: int
    eject: tuple[LunWrite, ...]
    forced_eject: tuple[LunWrite, ...]
    discs: tuple[ManifestDisc, ...]
    open_findings: tuple[OpenFinding, ...] = ()
    other_files: tuple[CardFile, ...] = ()
    earlier_files: tuple[CardFile, ...] = ()

    @property
    def images(self) -> tuple[CardFile, ...]:
        """Each image file once, in the order of first use."""
        return tuple(disc.file for disc in self.discs if disc.repeats is None)

    @property
    def files(self) -> tuple[CardFile, ...]:
        """Every file that this tool put on the card, but the manifest itself."""
        return (*self.images, *self.other_files, *self.earlier_files)
