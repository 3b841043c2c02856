"""Is Rock Ridge there, and does the root announce it as it must (SP and ER)?"""

from __future__ import annotations

import re
from typing import NamedTuple

from mediashelf.formats.fields import View
from mediashelf.formats.iso.directories.directory_records import (
    DirectoryRecords,
    Geometry,
    system_use_of,
)
from mediashelf.formats.iso.directories.record_parsing import parse_directory
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.rockridge.system_use import SystemUseReader
from mediashelf.formats.volume import SECTOR_SIZE, Extent

_SHARING = b"SP\x07\x01\xbe\xef"  # SUSP 1.12, 5.3: all of SP but the bytes to skip
_XA_SIZE = 14
_ENOUGH_RECORDS = 64  # of the root, to know by whether there is Rock Ridge at all

# Entries that only Rock Ridge has; one of them, or ER, beside SP is enough.
_TELLING = frozenset((b"ER", b"RR", b"PX", b"TF", b"NM"))
# The same as they begin in a field: signature, a length that they can have, version 1.
_TRACE = re.compile(
    rb"RR\x05\x01|PX[\x24\x2c]\x01|(?:NM|TF)[\x05-\xf0]\x01|ER[\x10-\xf8]\x01", re.S
)

# RRIP 1.12, 4.3, and what earlier and later texts call it.
_IDENTIFIERS = ("RRIP_1991A", "IEEE_P1282", "IEEE_1282")


class RockRidgeFacts(NamedTuple):
    """How many bytes of each system use field belong to somebody else, and the name in ER."""

    skip: int
    identifier: str


def first_records(data: bytes, geometry: Geometry, count: int = 2) -> DirectoryRecords:
    """Return the records that a directory begins with: two are its self and parent record."""
    return parse_directory(
        data, offset=0, where="", geometry=geometry, log=ProblemLog(), max_records=count
    )


def detect_rock_ridge(
    view: View, root: Extent, geometry: Geometry, log: ProblemLog
) -> RockRidgeFacts | None:
    """Return how to read Rock Ridge, or None when the root's self record does not announce it.

    Readers look for SP there alone, so without it they show the short names: that
    is logged when the records have entries of Rock Ridge all the same.
    """
    offset = root.lba * geometry.block_size
    data = view.read(offset, SECTOR_SIZE)
    if _SHARING not in data and not _TRACE.search(data.rstrip(b"\0")):
        return None  # as on most discs
    records = first_records(data, geometry, _ENOUGH_RECORDS)
    first = records.self_record
    use = announcing_field(system_use_of(data, first)) if first is not None else b""
    others = [record for record in (records.parent_record, *records.children) if record is not None]
    fields = [system_use_of(data, record) for record in others]
    if not use.startswith(_SHARING) or len(use) < 7:
        if _TRACE.search(use) or any(map(_TRACE.search, fields)):
            log.add(
                "rockridge-announcement",
                "/ (rockridge)",
                "records have Rock Ridge entries, but the root does not announce them (SP), so "
                "systems show the short names and miss moved directories",
                offset=offset,
                found=use[:7].hex(" ") or "no system use field",
                expected=f"{_SHARING.hex(' ')} and the number of bytes to skip",
            )
        return None
    identifier, is_telling = "", False
    # What is wrong with these entries is logged when the tree is read.
    for signature, body in SystemUseReader(view, geometry.block_size, ProblemLog()).entries(
        use, "", 0
    ):
        is_telling |= signature in _TELLING
        if signature == b"ER" and len(body) > 4:
            identifier = body[4 : 4 + body[0]].decode("latin-1")
    if not is_telling:
        return None
    skip = _usable_skip(use[6], fields, offset, log)
    if identifier not in _IDENTIFIERS:
        log.add(
            "rockridge-extension",
            "/ (rockridge)",
            "the root does not name the extension that its entries belong to (ER)",
            offset=offset,
            found=repr(identifier) if identifier else "no ER",
            expected=", ".join(_IDENTIFIERS),
        )
    return RockRidgeFacts(skip, identifier)


def announcing_field(use: bytes) -> bytes:
    """Return the field from SP on: on a CD-XA disc 14 other bytes stand before it.

    As the Linux kernel 6.12 looks for it (fs/isofs/rock.c).
    """
    return use[_XA_SIZE:] if use.startswith(_SHARING, _XA_SIZE) else use


def _usable_skip(skip: int, fields: list[bytes], offset: int, log: ProblemLog) -> int:
    """Return the bytes to skip: another number than recorded where only that leads to entries."""
    traces = [trace.start() for trace in map(_TRACE.search, fields) if trace is not None]
    if not traces or any(_begins_an_entry(field[skip:]) for field in fields):
        return skip
    likely = max(set(traces), key=traces.count)
    log.add(
        "rockridge-announcement",
        "/ (rockridge)",
        "SP names a wrong number of bytes to skip, so systems miss the entries of Rock Ridge",
        offset=offset,
        found=f"{skip:,} bytes",
        expected=f"{likely:,} bytes",
    )
    return likely


def _begins_an_entry(field: bytes) -> bool:
    return len(field) >= 4 and field[:2].isalnum() and field[:2].isupper() and field[2] >= 4
