"""What on a card was put there by us: the last manifest's files and those of a stopped run.

While a card is prepared, a journal on it names every file before the file gets
its name. Should the run be killed, the next one knows what is ours; everything
else on the card belongs to somebody else and is left alone.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from mediashelf.errors import InputError, ManifestError, StagingError
from mediashelf.files import PARTIAL_MARK, write_whole
from mediashelf.sessions.manifest import parse_files, read_manifest, schema
from mediashelf.sessions.manifest_sense import MANIFEST_NAME, comparable_path
from mediashelf.sessions.manifest_values import CardFile, Manifest
from mediashelf.sessions.shape import check_shape

JOURNAL_NAME = ".mediashelf-staging.json"
_JOURNAL_FORMAT = "mediashelf-staging"


@dataclass(frozen=True, slots=True)
class CardRecords:
    """What is on record of a card: the last manifest, and our files that are still there.

    ``files`` are those whose file on the card is a plain file of the recorded
    size; one that has another size by now was replaced by somebody, and is
    theirs. A path stands there more than once when a run was stopped just before
    it replaced the file.
    """

    manifest: Manifest | None = None
    files: tuple[CardFile, ...] = ()

    def at(self, path: str) -> CardFile | None:
        """Return our file that is under ``path`` now, or None."""
        key = comparable_path(path)
        return next((file for file in self.files if comparable_path(file.path) == key), None)


def read_records(card: Path) -> CardRecords:
    """Read the manifest and the journal on a card.

    Raises :class:`StagingError` when there is a ``manifest.json`` that is not
    ours: it must not be overwritten. A journal that cannot be understood counts
    as none, so that its files are treated as somebody else's.
    """
    manifest = None
    path = card / MANIFEST_NAME
    if path.exists() or path.is_symlink():
        try:
            manifest = read_manifest(path)
        except (InputError, ManifestError) as error:
            raise StagingError(
                f"{error}. It is left alone: move it away, or choose another folder for the card"
            ) from error
    noted = dict.fromkeys([*(manifest.files if manifest else ()), *_read_journal(card)])
    return CardRecords(manifest, tuple(file for file in noted if is_there(card, file)))


def is_there(card: Path, file: CardFile) -> bool:
    """Return whether the card has a plain file of this size there; links are never ours."""
    path = card / file.path
    return path.is_file() and not path.is_symlink() and path.stat().st_size == file.size


def leftovers(card: Path) -> list[Path]:
    """Return partial images of runs that were killed.

    Only for who holds the card's lock: then no run is alive that could own them.
    """
    return [
        path
        for path in card.iterdir()
        if path.name.startswith(".")
        and path.name.lstrip(".")[:2].isdecimal()
        and path.name.endswith(PARTIAL_MARK)
    ]


def write_journal(card: Path, files: Iterable[CardFile]) -> None:
    """Note what is about to get its name on the card; raises OutputError."""
    document = {
        "format": _JOURNAL_FORMAT,
        "version": 1,
        "note": "Left by a run of mediashelf prepare that was stopped; run it again",
        "files": [asdict(file) for file in files],
    }
    text = json.dumps(document, indent=2, ensure_ascii=True) + "\n"
    write_whole(card / JOURNAL_NAME, text.encode("ascii"))


def remove_journal(card: Path) -> None:
    """Remove the journal once the manifest names everything."""
    with suppress(OSError):
        (card / JOURNAL_NAME).unlink(missing_ok=True)


def _read_journal(card: Path) -> tuple[CardFile, ...]:
    try:
        document = json.loads((card / JOURNAL_NAME).read_bytes())
    except (OSError, ValueError, RecursionError):
        return ()
    shape = schema()
    if not isinstance(document, dict) or document.get("format") != _JOURNAL_FORMAT:
        return ()
    files = document.get("files")
    if not isinstance(files, list) or any(check_shape(files, shape["$defs"]["files"], root=shape)):
        return ()
    return parse_files(files)
