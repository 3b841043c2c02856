"""The bytes of images inside compressed files and archives, known by their digests."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, NamedTuple

from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import keep_text, kept_number
from mediashelf.errors import InputError
from mediashelf.integrity.fixity.digests import Digester

if TYPE_CHECKING:
    from mediashelf.trees.as_image import WrappedImage

_IMAGES = frozenset({".iso", ".img", ".ima", ".bin", ".udf", ".dsk", ".flp", ".vfd"})
_WRAPPINGS = frozenset(
    {".gz", ".bz2", ".xz", ".lzma", ".zip", ".imz", ".7z", ".tar", ".tgz", ".tbz", ".txz", ".rar"}
)
_MOST = 100  # members of one archive that are read
_CHUNK = 1 << 20


class BytesInside(NamedTuple):
    """An image in an archive, or with an empty name what a compressed file holds."""

    name: str
    size: int
    digest: str


def digest_inside(image: WrappedImage) -> Iterator[BytesInside]:
    """Yield the digest of what is compressed; of a ZIP archive, of each member named as an image.

    What does not come out whole has none: an audit of its contents says why.
    """
    tree = image.tree
    if tree.expanded is not None:
        view = tree.expanded
        pieces = (view.read(at, _CHUNK) for at in range(0, view.size, _CHUNK))
        yield _digest("", pieces)
        return
    from mediashelf.trees.zips.archive import ZipTree  # most images are no archives

    if not isinstance(tree, ZipTree):
        return
    named = (one for one in tree.members if PurePosixPath(one.name.lower()).suffix in _IMAGES)
    wanted = [one for one in named if one.is_file and one.unreadable is None]
    for member in wanted[:_MOST]:
        try:
            yield _digest(member.path, tree.stream(member))
        except InputError:
            continue


def _digest(name: str, pieces: Iterable[bytes]) -> BytesInside:
    digester = Digester(block_size=0)
    for piece in pieces:
        digester.update(piece)
    digests = digester.finish()
    return BytesInside(name, digests.size, digests.whole["xxh3_128"])


def keep_inside(db: sqlite3.Connection, image_id: int, found: Sequence[BytesInside]) -> None:
    """Keep what was found; what was known of the image before is forgotten already."""
    db.executemany(
        "INSERT OR IGNORE INTO bytes_inside (image_id, name, size, digest) VALUES (?, ?, ?, ?)",
        [(image_id, keep_text(one.name), kept_number(one.size), one.digest) for one in found],
    )


def is_wrapping_name(path: str) -> bool:
    """Tell whether a file is a compressed file or an archive by the end of its name."""
    return PurePosixPath(path.lower()).suffix in _WRAPPINGS


def wrapped_ids(db: sqlite3.Connection) -> set[int]:
    """Return the images of which the file is compressed: nobody can serve it as it is."""
    return {one for (one,) in db.execute("SELECT image_id FROM bytes_inside WHERE name = x''")}


def ids_with_inside(db: sqlite3.Connection) -> frozenset[int]:
    """Return the images of which something inside is known."""
    return frozenset(one for (one,) in db.execute("SELECT DISTINCT image_id FROM bytes_inside"))


@reads_catalogue
def contents_inside(db: sqlite3.Connection) -> dict[int, list[str]]:
    """Return, for each image that has some, the contents inside as ``content_key`` names them."""
    found: dict[int, list[str]] = {}
    for image_id, size, digest in db.execute("SELECT image_id, size, digest FROM bytes_inside"):
        found.setdefault(image_id, []).append(f"{size} {digest}")
    return found
