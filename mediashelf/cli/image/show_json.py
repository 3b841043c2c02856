"""The JSON form of ``show``: one entry a line, so that 100,000 of them can be streamed."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from json.encoder import encode_basestring_ascii as quoted
from typing import TYPE_CHECKING, Any

from mediashelf.building.recipes.capacity import EMULATED_DRIVE, NAMED
from mediashelf.cli.documents import chosen, document
from mediashelf.cli.image.show_tree import woven
from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.shared_column import SharedColumn
from mediashelf.formats.volume import FLAG_HIDDEN, BootFacts, Extent, VolumeFacts, parse_record_date
from mediashelf.image import DiscImage
from mediashelf.readability.identity.installers import iter_installers
from mediashelf.readability.identity.summary import summarise
from mediashelf.text import is_plain

if TYPE_CHECKING:
    from mediashelf.catalogue.rows import ImageRow

_VOLUME = (
    *("kind", "label", "detail", "block_size", "block_count", "identifiers", "joliet_level"),
    *("is_enhanced", "entries_read", "is_complete"),
)
_BOOT_ENTRY = (
    *("section", "platform_id", "is_bootable", "media_type", "load_segment", "system_type"),
    *("sector_count", "load_lba", "image_size"),
)


def json_pieces(
    image: DiscImage,
    volumes: tuple[VolumeFacts, ...],
    row: ImageRow | None,
    copies: Sequence[ImageRow],
) -> Iterator[str]:
    """Yield the document in pieces; together they are one JSON object, and one entry a line."""
    facts = image.facts
    head = document(
        "show",
        image=image.path,
        size=facts.size,
        looks_raw=facts.looks_raw,
        tracks=_tracks(image) if facts.looks_raw else [],
        capacity=[
            chosen(one, "name", "sectors", percent=round(one.percent_of(facts.size), 2))
            for one in (*NAMED.values(), EMULATED_DRIVE)
        ],
        boot=None if facts.boot is None else _boot(facts.boot),
        disc=summarise(facts),
        installers=iter_installers(facts),
        record=None if row is None else _record(row),
        copies=_copies(copies),
        findings=image.findings,
    )
    yield f'{_dump(head)[:-1]}, "volumes": [\n'
    tails = SharedColumn(_tails)
    for number, volume in enumerate(volumes, 1):
        yield f'{_dump(_volume(volume))[:-1]}, "entries": ['
        is_first = True
        for folder in iter_folders(volume.entries):
            text = _entries(folder, tails.of(folder))
            yield text[1:] if is_first else text
            is_first = False
        yield "\n]}" + (",\n" if number < len(volumes) else "\n")
    yield "]}\n"


# What follows is loaded only for those that have it.


def _tracks(image: DiscImage) -> list[dict[str, Any]]:
    from mediashelf.cli.image.show_tracks import tracks_json

    return tracks_json(image.path)


def _record(row: ImageRow) -> Mapping[str, Any]:
    from mediashelf.cli.library.catalogue_rows import image_dict

    return image_dict(row)


def _copies(rows: Sequence[ImageRow]) -> list[dict[str, Any]]:
    if not rows:
        return []
    from mediashelf.cli.library.catalogue_rows import copies_list

    return copies_list(rows)


def _dump(value: dict[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=True)


def _volume(volume: VolumeFacts) -> dict[str, Any]:
    return chosen(
        volume,
        *_VOLUME,
        created=volume.created or None,
        modified=volume.modified or None,
        udf_revision=udf_revision_text(volume) or None,
    )


def udf_revision_text(volume: VolumeFacts) -> str:
    """Return ``1.02`` for the recorded 0x0102, or the empty string."""
    if volume.udf_revision is None:
        return ""
    return f"{volume.udf_revision >> 8:x}.{volume.udf_revision & 0xFF:02x}"


def _entries(folder: Folder, tails: Sequence[str]) -> str:
    """Return entries as JSON, each after a comma; by hand, as a disc can have 100,000 of them."""
    start = f',\n{{"path": {quoted(folder.path)[:-1]}/'
    names, identifiers = _quoted(folder.names), _quoted(folder.identifiers)
    return woven(start, names, '", "identifier": "', identifiers, tails)


def _tails(folder: Folder) -> list[str]:
    """Return what comes after the names of each entry of a folder."""
    kinds: Iterable[str]
    if len(set(folder.flags)) == len(set(folder.dates)) == 1 and not folder.has_folders:
        kinds = [_kind(0, folder.flags[0], folder.dates[0])] * len(folder.names)
    else:
        kinds = map(_kind, folder.are_folders, folder.flags, folder.dates)
    if folder.extents is not None:
        columns = zip(folder.sizes, kinds, map(_places, folder.extents), strict=True)
        return [
            f'", "size": {size}, {kind}, "extents": [{places}]}}' for size, kind, places in columns
        ]
    return [
        f'", "size": {size}, {kind}, "extents": [{{"lba": {lba}, "size": {size}}}]}}'
        if size
        else f'", "size": 0, {kind}, "extents": []}}'
        for size, kind, lba in zip(folder.sizes, kinds, folder.lbas, strict=True)
    ]


def _quoted(texts: Sequence[str]) -> Sequence[str]:
    """Return what stands between the quotes of each text in JSON."""
    together = "".join(texts)
    if is_plain(together) and '"' not in together and "\\" not in together:
        return texts
    return [quoted(text)[1:-1] for text in texts]


def _places(extents: tuple[Extent, ...]) -> str:
    return ", ".join([f'{{"lba": {lba}, "size": {length}}}' for lba, length, _ in extents])


@lru_cache(maxsize=4096)  # most entries of a disc share few dates
def _kind(is_directory: int, flags: int, date: bytes) -> str:
    return (
        f'"is_directory": {"true" if is_directory else "false"}, '
        f'"is_hidden": {"true" if flags & FLAG_HIDDEN else "false"}, '
        f'"modified": {_moment(date)}'
    )


def _moment(date: bytes) -> str:
    modified = parse_record_date(date)
    return f'"{modified.isoformat()}"' if modified is not None else "null"


def _boot(boot: BootFacts) -> dict[str, Any]:
    return {
        "catalog_lba": boot.catalog_lba,
        "id": boot.id_text,
        "checksum_is_valid": boot.checksum_is_valid,
        "entries": [chosen(entry, *_BOOT_ENTRY) for entry in boot.entries],
    }
