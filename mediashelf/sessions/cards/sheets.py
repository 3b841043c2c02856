"""The small files beside the images: sheets for people, and writing only what differs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path

from mediashelf.files import write_whole
from mediashelf.sessions.cards.names import CardNames, numbered
from mediashelf.sessions.cards.records import CardRecords, is_untouched, write_journal
from mediashelf.sessions.manifests.parts import CardFile
from mediashelf.sessions.manifests.values import Manifest
from mediashelf.sessions.reading_back import digest_bytes


def write_sheets(sheets: Mapping[str, bytes], card: Path, manifest: Manifest) -> Iterator[CardFile]:
    """Write the sheets and yield them; one that somebody wrote on stays as it is."""
    ours = [*manifest.images, *manifest.earlier_files]
    untouched = tuple(
        file
        for file in manifest.earlier_files
        if any(file.path.startswith(name.partition(".")[0]) for name in sheets)
        and is_untouched(card, file)
    )
    names = CardNames(card, CardRecords(None, untouched))
    for name, data in sheets.items():
        stem, _, suffix = name.rpartition(".")
        path = names.take(numbered(stem, f".{suffix}"))
        file = CardFile(path, len(data), digest_bytes(data))
        ours.append(file)
        write_journal(card, ours)
        write_changed(card / file.path, data)
        yield file


def write_changed(path: Path, data: bytes) -> None:
    """Write a small file, unless it says so already."""
    with suppress(OSError):
        if path.read_bytes() == data:
            return
    write_whole(path, data)
