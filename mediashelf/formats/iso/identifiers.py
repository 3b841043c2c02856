"""Identifiers of the ISO 9660 tree: characters, names and order (ECMA-119 7.4 to 7.6, 9.3)."""

from __future__ import annotations

import re
from collections.abc import Sequence

from mediashelf.formats.fields import D_CHARACTERS, SEPARATORS
from mediashelf.formats.iso.directories.record_columns import DirectoryRecord, RecordColumns
from mediashelf.formats.iso.naming import Directory, Named, usable_names
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.text import count_text

_CONTROL = re.compile(rb"[\x00-\x1f\x7f]")
_LEGAL = bytes(D_CHARACTERS | SEPARATORS)
_WIDTH = 222  # the longest identifier that a record can hold

OrderKey = tuple[bytes, bytes, int, int]


def order_key(identifier: bytes, flags: int = 0, *, filler: bytes = b" ") -> OrderKey:
    """Return what 9.3 sorts records by.

    Name and then extension, shorter ones filled on the right; then the higher
    version and the associated file first.
    """
    bare, _, version = identifier.partition(b";")
    name, _, extension = bare.partition(b".")
    number = int(version) if version.isdigit() else 0
    return name.ljust(_WIDTH, filler), extension.ljust(_WIDTH, filler), -number, -(flags & 4)


class Iso9660Naming:
    """Names of the primary tree, or of an enhanced one (version-2 descriptor)."""

    def __init__(self, log: ProblemLog, *, is_enhanced: bool = False) -> None:
        self.mark = " (enhanced)" if is_enhanced else ""
        self.checks_records = True
        self._is_enhanced = is_enhanced
        self._log = log
        # Identifiers with other characters, and where the first of them is.
        self._strange_count = 0
        self._first_strange: tuple[Directory, DirectoryRecord] | None = None

    def name_all(self, directory: Directory, data: bytes, records: RecordColumns) -> Named:
        """Return names without version ``;1`` and without the dot of an empty extension.

        Bytes outside ASCII are read as Latin-1, so that different identifiers
        stay different.
        """
        together = b"/".join(records.identifiers).decode("latin-1")
        if together.count("/") == max(len(records) - 1, 0):
            identifiers = together.split("/") if records else []
            bare = f"{together}/".replace(";1/", "/").replace("./", "/")
            names = bare[:-1].split("/") if records else []
        else:
            identifiers = [each.decode("latin-1") for each in records.identifiers]
            names = [identifier.removesuffix(";1").removesuffix(".") for identifier in identifiers]
        return Named(records, identifiers, usable_names(directory, records, names, self._log))

    def judge(self, directory: Directory, named: Named) -> None:
        """Log records that are not in the order of 9.3; count characters outside 7.4.1."""
        identifiers = named.records.identifiers
        together = b"/".join(identifiers)
        is_clean = not together.translate(None, _LEGAL + b"/")
        if not is_clean:
            self._count_strange(directory, named.records)
        if is_clean:
            if _is_plain(together) and _is_ascending(_without_versions(together)):
                return
        elif _is_ascending(identifiers):
            # With characters that 7.4.1 does not know, byte order is as good an answer.
            return
        keys = [order_key(record.identifier, record.flags) for record in named.records]
        log_first_descent(directory, named, keys, self._log)

    def _count_strange(self, directory: Directory, records: RecordColumns) -> None:
        strange = [record for record in records if record.identifier.translate(None, _LEGAL)]
        self._strange_count += len(strange)
        unnamable = [record for record in strange if _CONTROL.search(record.identifier)]
        if unnamable:
            self._log_control(directory, unnamable)
        if self._first_strange is None:
            self._first_strange = directory, strange[0]

    def _log_control(self, directory: Directory, records: list[DirectoryRecord]) -> None:
        first = records[0]
        self._log.add(
            "identifier-usable",
            directory.where,
            f"{count_text(len(records), 'name')} with control characters, first "
            f"{first.identifier.decode('latin-1')!r}",
            offset=directory.offset + first.at,
            found=repr(first.identifier.decode("latin-1")),
            expected="a name without control characters",
        )

    def finish(self) -> None:
        """Log characters outside 7.4.1 once for the tree: discs that have them have many."""
        if self._first_strange is None or self._is_enhanced:
            return
        directory, record = self._first_strange
        others = set(record.identifier.translate(None, _LEGAL))
        identifier = record.identifier.decode("latin-1")
        self._log.add(
            "identifier-characters",
            directory.where,
            f"{count_text(self._strange_count, 'identifier')} in the tree with characters outside "
            f"A-Z 0-9 _, first {identifier!r}",
            offset=directory.offset + record.at,
            found=repr(bytes(sorted(others)).decode("latin-1")),
            expected="A-Z 0-9 _ with one dot and a version",
        )


def _is_plain(together: bytes) -> bool:
    """Whether every version is 1 and every dot parts a name from an extension before one.

    The identifiers are joined by ``/``. Without their versions they are in the order
    of 9.3 when they are in that of bytes: the dot, and the end of an identifier like
    the spaces that fill it, sort before every character of a name. With
    them they are not: ``README.1;1`` would sort before ``README.;1``.
    """
    versions = together.count(b";")
    return versions == together.count(b".") == (together + b"/").count(b";1/")


def _without_versions(together: bytes) -> list[bytes]:
    return (together + b"/").replace(b";1/", b"/")[:-1].split(b"/")


def _is_ascending(identifiers: Sequence[bytes]) -> bool:
    return list(identifiers) == sorted(identifiers)


def log_first_descent(
    directory: Directory, named: Named, keys: list[OrderKey], log: ProblemLog
) -> None:
    """Log the first record that sorts before its predecessor, and how many do."""
    descents = [index for index in range(1, len(keys)) if keys[index] < keys[index - 1]]
    if not descents:
        return
    first = descents[0]
    log.add(
        "record-order",
        directory.where,
        f"records are not in order, first at {named.identifiers[first]!r}"
        + (f" and {len(descents) - 1:,} more" if len(descents) > 1 else ""),
        offset=directory.offset + named.records[first].at,
        found=f"{named.identifiers[first]!r} after {named.identifiers[first - 1]!r}",
        expected="ascending names and extensions, descending versions",
    )
