"""Which naming tree of a disc a volume is; for whoever needs no more than the words."""

from __future__ import annotations

from enum import StrEnum


class VolumeKind(StrEnum):
    """Which naming tree of a disc this is."""

    ISO9660 = "iso9660"
    JOLIET = "joliet"
    ROCKRIDGE = "rockridge"
    UDF = "udf"
    FLOPPY = "floppy"
    ARCHIVE = "archive"

    @property
    def words(self) -> str:
        """What people call it."""
        return _KIND_WORDS[self]


_KIND_WORDS = {
    VolumeKind.ISO9660: "ISO 9660",
    VolumeKind.JOLIET: "Joliet",
    VolumeKind.ROCKRIDGE: "Rock Ridge",
    VolumeKind.UDF: "UDF",
    VolumeKind.FLOPPY: "FAT",
    VolumeKind.ARCHIVE: "archive",
}
DISC_KINDS = (VolumeKind.ISO9660, VolumeKind.JOLIET, VolumeKind.ROCKRIDGE, VolumeKind.UDF)
"""The trees that a disc can have."""
