"""Identifiers of the ISO 9660 tree: characters, names and order (ECMA-119 7.4 to 7.6, 9.3)."""

from __future__ import annotations

from mediashelf.formats.directory_records import Record
from mediashelf.formats.fields import D_CHARACTERS, SEPARATORS
from mediashelf.formats.naming import Directory, Named, usable_names
from mediashelf.formats.structure_rules import ProblemLog

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

    def name_all(self, directory: Directory, data: bytes, records: list[Record]) -> Named:
        """Return names without version ``;1`` and without the dot of an empty extension.

        Bytes outside ASCII are read as Latin-1, so that different identifiers
        stay different.
        """
        together = b"/".join([record.identifier for record in records]).decode("latin-1")
        if together.count("/") == max(len(records) - 1, 0):
            identifiers = together.split("/") if records else []
            bare = f"{together}/".replace(";1/", "/").replace("./", "/")
            names = bare[:-1].split("/") if records else []
        else:
            identifiers = [record.identifier.decode("latin-1") for record in records]
            names = [identifier.removesuffix(";1").removesuffix(".") for identifier in identifiers]
        return Named(records, identifiers, usable_names(directory, records, names, self._log))

    def check(self, directory: Directory, named: Named, log: ProblemLog) -> None:
        """Log characters outside 7.4.1 and records that are not in the order of 9.3."""
        identifiers = [record.identifier for record in named.records]
        together = b"/".join(identifiers)
        is_clean = not together.translate(None, _LEGAL + b"/")
        if not is_clean and not self._is_enhanced:
            _log_characters(directory, named.records, log)
        is_sorted = identifiers == sorted(identifiers)
        if is_sorted and (not is_clean or _plain_order_suffices(together)):
            # With characters that 7.4.1 does not know, byte order is as good an answer.
            return
        keys = [order_key(record.identifier, record.flags) for record in named.records]
        log_first_descent(directory, named, keys, log)


def _plain_order_suffices(together: bytes) -> bool:
    """Whether the order of bytes is the order of 9.3 for these identifiers, joined by ``/``.

    It is when every version is 1 and stands behind a dot.
    """
    versions = together.count(b";")
    return versions == together.count(b".") == (together + b"/").count(b";1/")


def log_first_descent(
    directory: Directory, named: Named, keys: list[OrderKey], log: ProblemLog
) -> None:
    """Log the first record that sorts before the one in front of it, and how many do."""
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


def _log_characters(directory: Directory, records: list[Record], log: ProblemLog) -> None:
    strange = [record for record in records if record.identifier.translate(None, _LEGAL)]
    first = strange[0]
    others = bytes(sorted(set(first.identifier.translate(None, _LEGAL))))
    log.add(
        "identifier-characters",
        directory.where,
        f"{len(strange):,} of {len(records):,} identifiers hold characters outside A-Z 0-9 _, "
        f"first {first.identifier.decode('latin-1')!r}",
        offset=directory.offset + first.at,
        found=repr(others.decode("latin-1")),
        expected="A-Z 0-9 _ with one dot and a version",
    )
