"""Disc facts as a small blob, so that rules can be asked about images that are not here.

The form is JSON, deflated. The entries' fields are kept column by column, which
packs several times better than row by row. Fields that a later version adds are
left out of older blobs and get their defaults.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from itertools import chain, islice
from operator import attrgetter
from typing import Any

import msgspec
from msgspec.structs import asdict

from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.volume import (
    BootEntry,
    BootFacts,
    DiscFacts,
    Entry,
    Extent,
    VolumeFacts,
    VolumeKind,
)

_AT_ONCE = 2_000  # entries that become text together
_FEW = 20
_FAST = 1  # the level: four times as fast as the usual one, a fifth larger


def pack_facts(facts: DiscFacts) -> bytes:
    """Return the facts of a disc as a blob, without loss."""
    packer = zlib.compressobj(_FAST)
    packed = [packer.compress(piece) for piece in _iter_json(facts)]
    return b"".join((*packed, packer.flush()))


def _iter_json(facts: DiscFacts) -> Iterator[bytes]:
    """Yield the JSON text in pieces: of a million entries it takes several times their memory."""
    plain = asdict(facts)
    if facts.boot is not None:
        plain["boot"] = asdict(facts.boot)
        plain["boot"]["entries"] = [asdict(entry) for entry in facts.boot.entries]
    del plain["volumes"]
    if sum(len(volume.entries) for volume in facts.volumes) <= _AT_ONCE:
        yield _json({**plain, "volumes": [_plain_volume(volume) for volume in facts.volumes]})
        return
    yield _json(plain)[:-1] + b',"volumes":['
    for number, volume in enumerate(facts.volumes):
        fields_alone = asdict(volume)
        del fields_alone["entries"]
        yield (b"," if number else b"") + _json(fields_alone)[:-1] + b',"entries":{'
        for column, name in enumerate(Entry._fields if volume.entries else ()):
            yield (b"," if column else b"") + _json(name) + b":["
            values = _iter_column(volume.entries, name)
            start = 0
            while part := list(islice(values, _AT_ONCE)):
                yield (b"," if start else b"") + _json(part)[1:-1]
                start += len(part)
            yield b"]"
        yield b"}}"
    yield b"]}"


def _plain_volume(volume: VolumeFacts) -> dict[str, Any]:
    """Return a volume with its few entries."""
    plain = asdict(volume)
    entries = plain.pop("entries")
    folders = list(iter_folders(entries)) if entries else []
    plain["entries"] = {
        name: list(chain.from_iterable(map(_COLUMNS[name], folders)))
        for name in (Entry._fields if folders else ())
    }
    return plain


def _iter_column(entries: Sequence[Entry], name: str) -> Iterator[Any]:
    """Yield one field of each entry, for JSON."""
    column = _COLUMNS[name]
    return chain.from_iterable(column(folder) for folder in iter_folders(entries))


def _dates(folder: Folder) -> Iterator[str]:
    dates = folder.dates
    if len(dates) < _FEW:
        return map(bytes.hex, dates)
    texts = {date: date.hex() for date in set(dates)}  # most entries share few dates
    return map(texts.__getitem__, dates)


def _extents(folder: Folder) -> Iterable[Any]:
    """Return the extents of each entry; nobody makes values of them before they are text."""
    if folder.extents is not None:
        return folder.extents
    pairs = zip(folder.lbas, folder.sizes, strict=True)
    return [((lba, size, 0),) if size else () for lba, size in pairs]


_TRUTHS = (False, True)

_COLUMNS: dict[str, Callable[[Folder], Iterable[Any]]] = {
    "path": Folder.iter_paths,
    "identifier": attrgetter("identifiers"),
    "size": attrgetter("sizes"),
    "is_directory": lambda folder: map(_TRUTHS.__getitem__, folder.are_folders),
    "extents": _extents,
    "date": _dates,
    "flags": attrgetter("flags"),
    "record_offset": attrgetter("record_offsets"),
}

_quick_json = msgspec.json.Encoder().encode
_ascii_json = json.JSONEncoder(separators=(",", ":")).encode


def _json(value: Any) -> bytes:
    """Return a value as JSON in ASCII: its escapes carry lone surrogates, which UTF-8 refuses."""
    with suppress(UnicodeEncodeError):
        text = _quick_json(value)
        if text.isascii() and b"\x7f" not in text:
            return text  # the same bytes, in a fifth of the time
    return _ascii_json(value).encode("ascii")


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


def _known(kind: Any, plain: dict[str, Any]) -> dict[str, Any]:
    """Leave out what this version of the program does not know."""
    names = kind.__struct_fields__
    return {name: value for name, value in plain.items() if name in names}


def _volume(plain: dict[str, Any]) -> VolumeFacts:
    plain["kind"] = VolumeKind(plain["kind"])
    plain["entries"] = tuple(_entries(plain["entries"]))
    return VolumeFacts(**_known(VolumeFacts, plain))


def _entries(columns: dict[str, list[Any]]) -> list[Entry]:
    if not columns:
        return []
    dates = {date: bytes.fromhex(date) for date in set(columns["date"])}
    columns["date"] = [dates[date] for date in columns["date"]]
    columns["extents"] = [
        (Extent(*extents[0]),) if len(extents) == 1 else tuple(Extent(*one) for one in extents)
        for extents in columns["extents"]
    ]
    names = [name for name in Entry._fields if name in columns]
    rows = zip(*(columns[name] for name in names), strict=True)
    if len(names) == len(Entry._fields):  # what the program of today packed
        return list(map(Entry._make, rows))
    return [Entry(**dict(zip(names, row, strict=True))) for row in rows]
