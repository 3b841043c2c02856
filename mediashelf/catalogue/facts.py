"""Disc facts as a small blob, so that rules can be asked about images that are not here.

The form is JSON, deflated. The entries' fields are kept column by column, which
packs several times better than row by row. Fields that a later version adds are
left out of older blobs and get their defaults.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import fields
from typing import Any

from mediashelf.formats.volume import (
    BootEntry,
    BootFacts,
    DiscFacts,
    Entry,
    Extent,
    VolumeFacts,
    VolumeKind,
)

_FAST = 1  # the level: four times as fast as the usual one, a fifth larger


def pack_facts(facts: DiscFacts) -> bytes:
    """Return the facts of a disc as a blob, without loss."""
    plain = _plain(facts)
    plain["volumes"] = [_plain_volume(volume) for volume in facts.volumes]
    if facts.boot is not None:
        plain["boot"] = _plain(facts.boot)
        plain["boot"]["entries"] = [_plain(entry) for entry in facts.boot.entries]
    # ASCII escapes carry lone surrogates, which UTF-8 would refuse.
    return zlib.compress(json.dumps(plain, separators=(",", ":")).encode("ascii"), _FAST)


def unpack_facts(packed: bytes) -> DiscFacts:
    """Return what :func:`pack_facts` packed."""
    plain = json.loads(zlib.decompress(packed))
    boot = plain["boot"]
    if boot is not None:
        boot["entries"] = tuple(BootEntry(**_known(BootEntry, entry)) for entry in boot["entries"])
        plain["boot"] = BootFacts(**_known(BootFacts, boot))
    plain["volumes"] = tuple(_volume(volume) for volume in plain["volumes"])
    plain["sessions"] = tuple(plain.get("sessions", (0,)))
    return DiscFacts(**_known(DiscFacts, plain))


def _plain(value: Any) -> dict[str, Any]:
    return {field.name: getattr(value, field.name) for field in fields(value)}


def _known(kind: Any, plain: dict[str, Any]) -> dict[str, Any]:
    """Leave out what this version of the program does not know."""
    names = {field.name for field in fields(kind)}
    return {name: value for name, value in plain.items() if name in names}


def _plain_volume(volume: VolumeFacts) -> dict[str, Any]:
    plain = _plain(volume)
    columns: dict[str, Any] = {}
    if volume.entries:
        columns = dict(zip(Entry._fields, zip(*volume.entries, strict=True), strict=True))
        columns["date"] = [date.hex() for date in columns["date"]]
    plain["entries"] = columns
    return plain


def _volume(plain: dict[str, Any]) -> VolumeFacts:
    plain["kind"] = VolumeKind(plain["kind"])
    plain["entries"] = tuple(_entries(plain["entries"]))
    return VolumeFacts(**_known(VolumeFacts, plain))


def _entries(columns: dict[str, list[Any]]) -> list[Entry]:
    if not columns:
        return []
    columns["date"] = [bytes.fromhex(date) for date in columns["date"]]
    columns["extents"] = [
        tuple(Extent(*extent) for extent in extents) for extents in columns["extents"]
    ]
    names = [name for name in Entry._fields if name in columns]
    rows = zip(*(columns[name] for name in names), strict=True)
    return [Entry(**dict(zip(names, row, strict=True))) for row in rows]
