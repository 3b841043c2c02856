"""Limits of targets: which ones exist, what values they take, what each one means.

A limit is one row of a target's file: a value and where it comes from. The rules
read their thresholds from these rows; a rule whose row a target does not have
says nothing about that target.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple, cast

from msgspec import Struct

from mediashelf.findings import Severity
from mediashelf.formats.volume import VolumeKind

LimitValue = int | bool | str | tuple[int, ...] | tuple[str, ...]

UNPUBLISHED = ("common practice", "from memory", "quoted elsewhere")
"""How a source begins when what it says was not read in print; it then yields notes only."""

BOOT_MEDIA = {
    "no-emulation": 0,
    "floppy-1.2MB": 1,
    "floppy-1.44MB": 2,
    "floppy-2.88MB": 3,
    "hard-disk": 4,
}
"""Our words for the boot media types of El Torito 1.0, figure 3."""

BOOT_PLATFORMS = {"x86": 0, "powerpc": 1, "mac": 2, "efi": 0xEF}
"""Our words for platform ids: El Torito 1.0, figure 2; 0xEF is UEFI firmware."""

TREE_KINDS = {kind.value: kind for kind in (VolumeKind.ISO9660, VolumeKind.JOLIET, VolumeKind.UDF)}
"""The naming trees that a target may prefer; Rock Ridge only renames the ISO 9660 one."""


class Limit(Struct, frozen=True):
    """One row of a target: what it reads, where that is written, and how much it matters.

    ``severity`` is None where the rule's own severity holds.
    """

    key: str
    value: LimitValue
    source: str
    severity: Severity | None = None

    @property
    def is_published(self) -> bool:
        """False when the source itself says that the limit was not read where it is published."""
        return not self.source.lower().startswith(UNPUBLISHED)

    def severity_of(self, usual: Severity) -> Severity:
        """Return how much breaking this limit matters; an unpublished one is never over a note."""
        if not self.is_published:
            return Severity.NOTE
        return self.severity or usual

    def number(self) -> int:
        """The value of a limit that is a whole number."""
        assert isinstance(self.value, int)
        return self.value

    def text(self) -> str:
        """The value of a limit that is text."""
        assert isinstance(self.value, str)
        return self.value

    def words(self) -> tuple[str, ...]:
        """The values of a limit that is a list of texts."""
        assert isinstance(self.value, tuple)
        return cast("tuple[str, ...]", self.value)

    def numbers(self) -> tuple[int, ...]:
        """The values of a limit that is a list of whole numbers."""
        assert isinstance(self.value, tuple)
        return tuple(map(int, self.value))


class Shape(NamedTuple):
    """What a limit's value must look like: words for people, and a reader.

    ``read`` returns the value, or None when it does not have this shape.
    """

    words: str
    read: Callable[[object], LimitValue | None]


class LimitKind(NamedTuple):
    """One limit that a target may have: the form of its value and what it means."""

    shape: Shape
    meaning: str


def _read_number(value: object) -> int | None:
    if not isinstance(value, int) or isinstance(value, bool) or value < 1:
        return None
    return value


def _read_yes(value: object) -> bool | None:
    return True if value is True else None


def _read_text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None


def _read_revision(value: object) -> str | None:
    return value if isinstance(value, str) and re.fullmatch(r"[1-9]\.[0-9]{2}", value) else None


def _read_numbers(value: object) -> tuple[int, ...] | None:
    if not isinstance(value, list):
        return None
    numbers = tuple(number for number in map(_read_number, value) if number is not None)
    return numbers if numbers and len(numbers) == len(value) else None


def _read_texts(value: object) -> tuple[str, ...] | None:
    if not isinstance(value, list):
        return None
    texts = tuple(text for text in map(_read_text, value) if text is not None)
    return texts if texts and len(texts) == len(value) else None


def _choice(*words: str) -> Shape:
    return Shape(
        " or ".join(f'"{word}"' for word in words),
        lambda value: value if isinstance(value, str) and value in words else None,
    )


def _choices(words: tuple[str, ...]) -> Shape:
    def read(value: object) -> tuple[str, ...] | None:
        texts = _read_texts(value)
        return texts if texts and set(texts) <= set(words) else None

    return Shape("a list of " + ", ".join(f'"{word}"' for word in words), read)


_NUMBER = Shape("a whole number above 0", _read_number)
_YES = Shape("true (leave the limit out where it does not hold)", _read_yes)
_TEXT = Shape("text that is not empty", _read_text)
_REVISION = Shape('a UDF revision such as "1.50"', _read_revision)
_NUMBERS = Shape("a list of whole numbers above 0", _read_numbers)
_TEXTS = Shape("a list of texts", _read_texts)

LIMIT_KINDS: dict[str, LimitKind] = {
    # What it reads at all
    "trees": LimitKind(
        _choices(tuple(TREE_KINDS)), "naming trees that it reads, the preferred one first"
    ),
    "first_phase": LimitKind(_TEXT, "the system whose limits hold in the first phase of its setup"),
    "block_sizes": LimitKind(_NUMBERS, "logical block sizes in bytes"),
    "udf_newest": LimitKind(_REVISION, "newest UDF revision that any member reads"),
    "udf_common": LimitKind(_REVISION, "newest UDF revision that every member reads"),
    "udf_by_some": LimitKind(_YES, "some members read UDF, and others do not"),
    "tree_share": LimitKind(
        _NUMBER, "percent of a disc's bytes that its tree should account for beside UDF"
    ),
    "joliet_wanted": LimitKind(_YES, "shows long names only from a Joliet tree"),
    "ignores_rockridge": LimitKind(_YES, "does not see Rock Ridge names"),
    # Booting
    "boot_media": LimitKind(_choices(tuple(BOOT_MEDIA)), "boot media types that start its setup"),
    "boot_platforms": LimitKind(
        _choices(tuple(BOOT_PLATFORMS)), "boot platforms that start its setup"
    ),
    # Sizes
    "file_size": LimitKind(_NUMBER, "largest file in bytes"),
    "section_size": LimitKind(_NUMBER, "largest file section in bytes"),
    "single_section": LimitKind(_YES, "a file must be one section"),
    "shown_volume_size": LimitKind(_NUMBER, "largest volume size in bytes that it can report"),
    # Labels
    "label_length": LimitKind(_NUMBER, "characters of the label that it shows"),
    "iso_label_characters": LimitKind(_TEXT, "characters of an ISO 9660 label"),
    "joliet_label_length": LimitKind(_NUMBER, "characters of a Joliet label"),
    # Trees and paths
    "iso_depth": LimitKind(_NUMBER, "directory levels of the ISO 9660 tree, the root included"),
    "path_length": LimitKind(_NUMBER, "characters of a whole path, drive and colon included"),
    "folder_path_length": LimitKind(_NUMBER, "characters of a directory's path, without drive"),
    "joliet_path_size": LimitKind(_NUMBER, "bytes of a whole path in the Joliet tree"),
    "record_order": LimitKind(_choice("ascii"), "order of records that its search relies on"),
    # Names
    "iso_name_form": LimitKind(_choice("8.3"), "form of names in the ISO 9660 tree"),
    "iso_name_length": LimitKind(_NUMBER, "characters of a name in the ISO 9660 tree"),
    "iso_name_characters": LimitKind(_TEXT, "characters of names in the ISO 9660 tree"),
    "iso_capitals": LimitKind(_YES, "needs capitals in the ISO 9660 tree"),
    "joliet_name_length": LimitKind(_NUMBER, "characters of a name in the Joliet tree"),
    "joliet_forbidden": LimitKind(_TEXT, "characters that Joliet forbids in names"),
    "ucs2": LimitKind(_YES, "names are UCS-2: one 16-bit unit a character"),
    "name_length": LimitKind(_NUMBER, "characters of a name in any tree"),
    "forbidden_characters": LimitKind(_TEXT, "characters that make a name impossible to open"),
    "forbidden_endings": LimitKind(_TEXT, "characters that a name must not end with"),
    "forbidden_beginnings": LimitKind(_TEXT, "characters that a name must not begin with"),
    "plain_names": LimitKind(_YES, "letters outside ASCII depend on the system's code page"),
    "reserved_names": LimitKind(_TEXTS, "device names, which no entry may have"),
    "reserved_stems": LimitKind(_TEXTS, "device names that are taken with any extension too"),
    "tilde_letters": LimitKind(_TEXT, "letters that a ~ tail of an 8.3 name must not have"),
    "short_name_fault": LimitKind(_YES, "makes wrong short names for Joliet names in 8.3 form"),
    "distinct_paths": LimitKind(_YES, "two entries of one directory need two names"),
    "distinct_ignoring_case": LimitKind(_YES, "takes names that differ only in case for one"),
}
