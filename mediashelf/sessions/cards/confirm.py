"""Does a card hold what its manifest says?

Runs on the emulator's board before a session, so it needs nothing beside the
standard library and the digests.
"""

from __future__ import annotations

import os
import stat
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from mediashelf.errors import InputError
from mediashelf.files import PARTIAL_MARK
from mediashelf.findings import Finding, Severity
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.sessions.cards.records import JOURNAL_NAMES
from mediashelf.sessions.emulator import check_lun
from mediashelf.sessions.manifests.parts import CardFile, FileDigests
from mediashelf.sessions.manifests.sense import LAST_DISC_NAME, MANIFEST_NAME, comparable_path
from mediashelf.sessions.manifests.values import Manifest
from mediashelf.system import FOLDERS_OF_SYSTEMS
from mediashelf.text import count_text, printable

_SHOWN_NAMES = 8
_ALGORITHMS = ("xxh3_128", "sha256")  # as FileDigests has them


def check_card(
    manifest: Manifest,
    folder: Path,
    *,
    read_contents: bool = True,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Iterator[Finding]:
    """Yield a finding for everything on the card in ``folder`` that is not as the manifest says.

    Images that are absent, lead off the card, have another size or another
    digest, or that the emulator cannot serve, are errors; files beside them are
    notes. With ``read_contents`` false nothing is read, so damage that keeps the
    size stays unseen. The card is read past the system's memory of it where the
    system allows.
    """
    journal = next((name for name in JOURNAL_NAMES if (folder / name).exists()), None)
    if journal is not None:
        yield Finding(
            "card-is-finished",
            Severity.WARNING,
            journal,
            "the last run of prepare on this card was stopped",
            "run the same `mediashelf prepare` again; it continues where it stopped",
        )
    presentations = {disc.path: disc.presentation for disc in manifest.discs}
    for image in manifest.images:
        path_bytes = len(os.fsencode((folder / image.path).absolute()))
        yield from check_lun(
            image.size,
            path_bytes=path_bytes,
            where=image.path,
            presentation=presentations[image.path],
        )
        yield from _check_image(image, folder, read_contents, on_bytes)
    for file in manifest.other_files:
        yield from _check_other(file, folder)
    yield from _check_extra(manifest, folder)


def _check_image(
    image: CardFile, folder: Path, read_contents: bool, on_bytes: Callable[[int], None]
) -> Iterator[Finding]:
    prepare_again = "run `mediashelf prepare` for this card again; good copies are kept"
    path = folder / image.path
    problem = _place_problem(path, folder)
    if problem:
        rule, message = problem
        yield Finding(rule, Severity.ERROR, image.path, message, prepare_again)
        return
    found = path.stat().st_size
    if found != image.size:
        yield Finding(
            "card-size-agrees",
            Severity.ERROR,
            image.path,
            f"the file has {found:,} bytes, the manifest says {image.size:,}",
            prepare_again,
            found=str(found),
            expected=str(image.size),
        )
        return
    if not read_contents:
        return
    try:
        digests = digest_file(
            path, algorithms=_ALGORITHMS, block_size=0, on_bytes=on_bytes, past_cache=True
        )
    except InputError as error:
        yield Finding(
            "card-is-readable",
            Severity.ERROR,
            image.path,
            f"the file cannot be read back from the card: {error}",
            "do not trust this card; prepare another one",
        )
        return
    found_both, expected_both = _both(digests.whole), image.digests
    if found_both == expected_both:
        return
    if expected_both.xxh3_128 == found_both.xxh3_128 or expected_both.sha256 == found_both.sha256:
        message = "one of its two digests in the manifest is wrong, so the manifest was changed"
        remedy = prepare_again
    else:
        message = "the bytes on the card differ from those that were written"
        remedy = f"{prepare_again}; if it happens twice, the card is failing"
    yield Finding(
        "card-digest-agrees",
        Severity.ERROR,
        image.path,
        message,
        remedy,
        found=f"{found_both.xxh3_128}, SHA-256 {found_both.sha256}",
        expected=f"{expected_both.xxh3_128}, SHA-256 {expected_both.sha256}",
    )


def _both(whole: Mapping[str, str]) -> FileDigests:
    return FileDigests(*(whole[name] for name in _ALGORITHMS))


def _place_problem(path: Path, folder: Path) -> tuple[str, str] | None:
    """Return the rule and message when ``path`` is not a regular file on the card."""
    # realpath, unlike Path.resolve, does not raise for a loop of links.
    if not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder)):
        return "card-path-stays-on-card", "a symbolic link in its path leads off the card"
    try:
        mode = path.stat().st_mode
    except OSError as error:
        return "card-file-is-there", f"the file cannot be found: {error.strerror or error}"
    if not stat.S_ISREG(mode):
        return "card-file-is-regular", "this name is not a regular file"
    return None


def _check_other(file: CardFile, folder: Path) -> Iterator[Finding]:
    message = _other_problem(file, folder)
    if not message:
        return
    yield Finding(
        "card-other-file-agrees",
        Severity.NOTE,
        file.path,
        message,
        "nothing, if you changed it: the emulator does not need it",
    )


def _other_problem(file: CardFile, folder: Path) -> str:
    path = folder / file.path
    if _place_problem(path, folder):
        return "the file is no longer there"
    try:
        if path.stat().st_size == file.size:
            digests = digest_file(path, algorithms=_ALGORITHMS, block_size=0)
            if _both(digests.whole) == file.digests:
                return ""
    except (InputError, OSError) as error:
        return f"the file cannot be read: {error}"
    return "the file has changed since it was put there"


def _check_extra(manifest: Manifest, folder: Path) -> Iterator[Finding]:
    """Look only into folders that the manifest's files are in; a card can hold anything else."""
    known = {comparable_path(file.path) for file in manifest.files}
    known |= {comparable_path(name) for name in (MANIFEST_NAME, LAST_DISC_NAME, *JOURNAL_NAMES)}
    known |= set(map(comparable_path, FOLDERS_OF_SYSTEMS))
    parents = {file.path.rpartition("/")[0] for file in manifest.files}
    inner = {comparable_path(part) for parent in parents for part in _with_ancestors(parent)}
    extra: list[str] = []
    partial: list[str] = []
    for parent in sorted(parents | {""}):
        for name in _names(folder / parent):
            path = f"{parent}/{name}" if parent else name
            if name.endswith(PARTIAL_MARK):
                partial.append(path)
            elif comparable_path(path) not in known | inner:
                extra.append(path)
    earlier = [file.path for file in manifest.earlier_files if (folder / file.path).is_file()]
    tidy = "`mediashelf prepare --tidy` removes them, if you need the space"
    yield from _some("card-earlier-files", earlier, "of an earlier session", tidy)
    yield from _some("card-partial-files", partial, "of a run that was stopped", tidy)
    are_folders = Counter((folder / path).is_dir() for path in extra)
    words = {"file": are_folders[False], "folder": are_folders[True]}
    what = " and ".join(count_text(count, word) for word, count in words.items() if count)
    remedy = "nothing; they are yours"
    yield from _some("card-extra-files", extra, "not in the manifest", remedy, counted=what)


def _some(
    rule: str, names: list[str], what: str, remedy: str, *, counted: str = ""
) -> Iterator[Finding]:
    if names:
        shown = ", ".join(printable(name) for name in names[:_SHOWN_NAMES])
        more = ", …" if len(names) > _SHOWN_NAMES else ""
        counted = counted or count_text(len(names), "file")
        message = f"the card holds {counted} {what}: {shown}{more}"
        yield Finding(rule, Severity.NOTE, names[0], message, remedy)


def _with_ancestors(path: str) -> Iterator[str]:
    while path:
        yield path
        path = path.rpartition("/")[0]


def _names(folder: Path) -> list[str]:
    try:
        return sorted(path.name for path in folder.iterdir())
    except OSError:
        return []  # an absent folder is reported with the image that should be in it
