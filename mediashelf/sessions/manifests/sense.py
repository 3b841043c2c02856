"""What has a manifest's shape but makes no sense."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator

from mediashelf.sessions.emulator import (
    INQUIRY_SIZE,
    block_size,
    is_served_whole,
    lun_settings,
    served_blocks,
)
from mediashelf.sessions.manifests.disc import ManifestDisc
from mediashelf.sessions.manifests.parts import LunWrite
from mediashelf.sessions.manifests.values import Manifest

MANIFEST_NAME = "manifest.json"
LAST_DISC_NAME = "last-disc.txt"
"""Where an emulator keeps which disc it presented last."""


def comparable_path(path: str) -> str:
    """Return the form in which two paths that FAT cannot tell apart are equal.

    FAT compares names without regard to case; composed and decomposed accents
    are taken for equal as well, since some systems store one for the other.
    """
    return unicodedata.normalize("NFC", path).casefold()


def iter_contradictions(manifest: Manifest) -> Iterator[str]:
    """Yield every contradiction as a sentence that begins with its place."""
    discs = manifest.discs
    for expected, disc in enumerate(discs, start=1):
        place = f"discs[{expected - 1}]"
        if disc.position != expected:
            yield f"{place}.position is {disc.position}, expected {expected}"
        yield from (f"{place}.{problem}" for problem in _serving_problems(disc))
        if not set(disc.passed) <= set(disc.targets):
            yield f"{place}.passed names a target that targets does not"
        if any(position >= expected for position in disc.after):
            yield f"{place}.after names a disc that does not come before"
        yield from (f"{place}.lun {problem}" for problem in _lun_problems(disc))
        yield from (f"{place}.origin {problem}" for problem in _origin_problems(disc))
        if disc.repeats is not None:
            yield from (f"{place}.repeats {problem}" for problem in _repeat_problems(disc, discs))
    codes = [disc.code for disc in discs if disc.repeats is None]
    yield from (f"code {code!r} belongs to two discs" for code in sorted(_doubles(codes)))
    yield from (f"drive {problem}" for problem in _drive_problems(manifest.drive))
    if isinstance(manifest.start, int) and manifest.start > len(discs):
        yield f"start is {manifest.start}, expected a position up to {len(discs)}"
    yield from _path_problems(manifest)


def _doubles(codes: list[str]) -> set[str]:
    return {code for code in codes if codes.count(code) > 1}


def _serving_problems(disc: ManifestDisc) -> Iterator[str]:
    for key, found, expected in (
        ("block_size", disc.block_size, block_size(disc.presentation)),
        ("served_blocks", disc.served_blocks, served_blocks(disc.size, disc.presentation)),
        ("servable", disc.servable, is_served_whole(disc.size, disc.presentation)),
    ):
        if found != expected:
            yield f"{key} is {str(found).lower()}, expected {str(expected).lower()}"


def _lun_problems(disc: ManifestDisc) -> Iterator[str]:
    *settings, last = disc.lun
    if last != LunWrite("file", disc.path):
        yield "does not end with file and the disc's path"
    written = {write.attribute: write.value for write in settings}
    if len(written) < len(settings) or "file" in written:
        yield "writes an attribute twice"
    for attribute, value in lun_settings(presentation=disc.presentation):
        if written.get(attribute) != value:
            yield f"does not set {attribute} to {value} before file"


def _drive_problems(writes: tuple[LunWrite, ...]) -> Iterator[str]:
    for write in writes:
        if write.attribute != "inquiry_string":
            yield f"writes {write.attribute}, expected inquiry_string alone"
        elif not (write.value.isascii() and len(write.value) <= INQUIRY_SIZE.value):
            yield f"has names of more than {INQUIRY_SIZE.value} characters, or not in ASCII"
    if len(writes) > 1:
        yield "writes its names twice"


def _origin_problems(disc: ManifestDisc) -> Iterator[str]:
    origin = disc.origin
    if origin.padding > disc.size:
        yield f"has a padding of {origin.padding}, more than the whole image"
    if (origin.digests is None, origin.size is None) != ((origin.how == "built"),) * 2:
        yield "must have size and digests of its file, unless it was built"
    elif origin.how == "copied" and origin.size != disc.size - origin.padding:
        yield f"has a size of {origin.size}, expected {disc.size - origin.padding}"
    elif origin.how == "copied" and not origin.padding and origin.digests != disc.digests:
        yield "has other digests than the copy"


def _repeat_problems(disc: ManifestDisc, discs: tuple[ManifestDisc, ...]) -> Iterator[str]:
    assert disc.repeats is not None
    if disc.repeats >= disc.position or disc.repeats > len(discs):
        yield f"is {disc.repeats}, which does not come before"
        return
    first = discs[disc.repeats - 1]
    if first.repeats is not None or first.file != disc.file or first.code != disc.code:
        yield f"is {disc.repeats}, but that is another image or a repeat itself"


def _path_problems(manifest: Manifest) -> Iterator[str]:
    seen = {comparable_path(MANIFEST_NAME): MANIFEST_NAME}
    for file in manifest.files:
        key = comparable_path(file.path)
        other = seen.get(key)
        if other == file.path:
            yield f"path {file.path!r} is used twice"
        elif other is not None:
            yield f"paths {other!r} and {file.path!r} are one file on a card that ignores case"
        seen[key] = file.path
