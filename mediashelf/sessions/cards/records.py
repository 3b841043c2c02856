"""What on a card was put there by us: the last manifest's files and those of a stopped run.

While a card is prepared, a journal on it names every file before the file gets
its name. Should the run be killed, the next one knows what is ours; everything
else on the card belongs to somebody else and is left alone.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from msgspec import Struct, to_builtins

from mediashelf.errors import InputError, ManifestError, StagingError
from mediashelf.files import PARTIAL_MARK, write_whole
from mediashelf.sessions.manifests.manifest import read_manifest
from mediashelf.sessions.manifests.parts import CardFile
from mediashelf.sessions.manifests.sense import MANIFEST_NAME, comparable_path
from mediashelf.sessions.manifests.typed import FormError, convert_typed
from mediashelf.sessions.manifests.values import Manifest
from mediashelf.sessions.reading_back import digest_or_none

JOURNAL_NAMES = (".mediashelf-staging.json", ".mediashelf-staging-2.json")
"""Written by turns: a card that is pulled while one gets its name still has the other."""

_JOURNAL_FORMAT = "mediashelf-staging"


class CardRecords(Struct, frozen=True):
    """What is on record of a card: the last manifest, and our files that are still there.

    ``files`` are those whose file on the card is a plain file of the recorded
    size; one that has another size by now was replaced by somebody, and is
    theirs. A path is there more than once when a run was stopped just before
    it replaced the file, the latest last. ``was_stopped`` says that the last run did not
    come to its end.
    """

    manifest: Manifest | None = None
    files: tuple[CardFile, ...] = ()
    was_stopped: bool = False

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
    if (path.exists() or path.is_symlink()) and not _is_empty(path):
        try:
            manifest = read_manifest(path)
        except (InputError, ManifestError) as error:
            raise StagingError(
                f"{error}. It is left alone: move it away, or choose another folder for the card"
            ) from error
    journals = filter(None, (_read_journal(card / name) for name in JOURNAL_NAMES))
    noted = [file for one in sorted(journals, key=lambda one: one.number) for file in one.files]
    # The last that was noted of a path is what is there now, and comes last.
    known = dict.fromkeys(reversed([*(manifest.files if manifest else ()), *noted]))
    return CardRecords(
        manifest,
        tuple(file for file in reversed(known) if is_there(card, file)),
        any((card / name).exists() for name in JOURNAL_NAMES),
    )


def is_there(card: Path, file: CardFile) -> bool:
    """Return whether the card has a plain file of this size there; links are never ours.

    So is an empty one: a card that was pulled just after a renaming may hold it.
    """
    path = card / file.path
    if path.is_symlink() or not path.is_file():
        return False
    return path.stat().st_size in (file.size, 0)


def is_untouched(card: Path, file: CardFile) -> bool:
    """Return whether nobody wrote on our file since; an empty one holds nothing of anybody."""
    path = card / file.path
    return is_there(card, file) and (_is_empty(path) or digest_or_none(path) == file.digests)


def _is_empty(path: Path) -> bool:
    return path.is_file() and not path.is_symlink() and path.stat().st_size == 0


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
    """Note what is about to get its name on the card; raises OutputError.

    The older of the two journals is replaced.
    """
    numbers = [
        journal.number if journal is not None else 0
        for journal in (_read_journal(card / name) for name in JOURNAL_NAMES)
    ]
    document = {
        "format": _JOURNAL_FORMAT,
        "version": 1,
        "note": "Left by a run of mediashelf prepare that was stopped; run it again",
        "number": max(numbers) + 1,
        "files": [to_builtins(file) for file in files],
    }
    text = json.dumps(document, indent=2, ensure_ascii=True) + "\n"
    older = JOURNAL_NAMES[numbers.index(min(numbers))]
    write_whole(card / older, text.encode("ascii"))


def remove_journal(card: Path) -> None:
    """Remove the journals once the manifest names everything."""
    for name in JOURNAL_NAMES:
        with suppress(OSError):
            (card / name).unlink(missing_ok=True)


class _Journal(Struct, frozen=True):
    """What a stopped run noted; the higher number is the later one."""

    number: int
    files: tuple[CardFile, ...]


def _read_journal(path: Path) -> _Journal | None:
    try:
        document = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(document, dict) or document.get("format") != _JOURNAL_FORMAT:
        return None
    number = document.get("number", 1)
    if not isinstance(number, int):
        return None
    try:
        return _Journal(number, convert_typed(document.get("files"), tuple[CardFile, ...]))
    except FormError:
        return None
