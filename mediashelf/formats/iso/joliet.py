"""The Joliet tree: its escape sequences, names, characters and order (Joliet specification 1)."""

from __future__ import annotations

import re

from mediashelf.formats.fields import decode_wide
from mediashelf.formats.iso.directories.record_columns import DirectoryRecord, RecordColumns
from mediashelf.formats.iso.identifiers import OrderKey, log_first_descent, order_key
from mediashelf.formats.iso.naming import REPLACEMENT, Directory, Named, usable_names
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.text import count_text

_ESCAPE_SEQUENCES = {b"%/@": 1, b"%/C": 2, b"%/E": 3}  # SVD Escape Sequences Field

_FORBIDDEN = re.compile(r"[\x00-\x1f*/:;?\\]")  # Allowed Character Set
_FORBIDDEN_ASCII = bytes(code for code in range(128) if _FORBIDDEN.match(chr(code)))
ALLOWED = "no control characters, no * / : ; ? \\"


def detect_joliet_level(escape_sequences: bytes) -> int | None:
    """Return the UCS-2 level (1 to 3) that a descriptor's escape sequences announce, or None."""
    return _ESCAPE_SEQUENCES.get(escape_sequences[:3])


def find_forbidden(text: str) -> str:
    """Return the characters of a decoded text that Joliet forbids, each once and in order.

    U+FFFD is among them: it is what bytes became that are not a character.
    """
    return "".join(sorted({*_FORBIDDEN.findall(text), *re.findall(REPLACEMENT, text)}))


class JolietNaming:
    """Names in 16-bit characters, most significant byte first."""

    mark = " (joliet)"
    checks_records = True

    def __init__(self, log: ProblemLog) -> None:
        self._log = log

    def name_all(self, directory: Directory, data: bytes, records: RecordColumns) -> Named:
        """Return names without version ``;1``; discs both carry and omit it."""
        together = decode_wide(b"\0/".join(records.identifiers))
        if together.count("/") == max(len(records) - 1, 0):
            identifiers = together.split("/") if records else []
            bare = f"{together}/".replace(".;1/", "/").replace(";1/", "/")[:-1]
            # Mostly there are no versions, and one list is enough.
            names = identifiers if bare == together else bare.split("/")
        else:
            identifiers = [decode_wide(each) for each in records.identifiers]
            names = [
                identifier.removesuffix(";1").removesuffix(".")
                if identifier.endswith(".;1")
                else identifier.removesuffix(";1")
                for identifier in identifiers
            ]
        return Named(records, identifiers, usable_names(directory, records, names, self._log))

    def judge(self, directory: Directory, named: Named) -> None:
        """Log forbidden characters, and records in neither byte order nor that of ECMA-119 9.3."""
        together = "".join(named.names)
        # Of plain text it is known in a tenth of the time.
        raw = together.encode("ascii") if together.isascii() else None
        if raw.translate(None, _FORBIDDEN_ASCII) != raw if raw else _FORBIDDEN.search(together):
            _log_characters(directory, named, self._log)
        if REPLACEMENT in together:
            _log_half_characters(directory, named, self._log)
        identifiers = named.records.identifiers
        if list(identifiers) != sorted(identifiers):
            keys = [_order_key(record) for record in named.records]
            log_first_descent(directory, named, keys, self._log)

    def finish(self) -> None:
        """Nothing: each directory was judged by itself."""


def _order_key(record: DirectoryRecord) -> OrderKey:
    """Return the order of ECMA-119 9.3 over 16-bit characters, filled with zeros."""
    # UTF-8 keeps the order of code points.
    return order_key(decode_wide(record.identifier).encode(), record.flags, filler=b"\0")


def _log_characters(directory: Directory, named: Named, log: ProblemLog) -> None:
    strange = [index for index, name in enumerate(named.names) if _FORBIDDEN.search(name)]
    first = strange[0]
    log.add(
        "joliet-characters",
        directory.where,
        f"{len(strange):,} of {len(named.names):,} names have characters that Joliet forbids, "
        f"first {named.names[first]!r}",
        offset=directory.offset + named.records[first].at,
        found=repr("".join(sorted(set(_FORBIDDEN.findall(named.names[first]))))),
        expected=ALLOWED,
    )


def _log_half_characters(directory: Directory, named: Named, log: ProblemLog) -> None:
    """Log names whose bytes are not 16-bit characters: an odd number, or half of a pair."""
    broken = [record for record in named.records if not _is_text(record.identifier)]
    if broken:
        log.add(
            "joliet-characters",
            directory.where,
            f"{count_text(len(broken), 'name')} with bytes that are not 16-bit characters",
            offset=directory.offset + broken[0].at,
            found=broken[0].identifier.hex(" "),
            expected="two bytes a character",
        )


def _is_text(identifier: bytes) -> bool:
    try:
        identifier.decode("utf-16-be")
    except UnicodeDecodeError:
        return False
    return True
