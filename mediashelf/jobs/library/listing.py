"""Which images on record fit all that was asked for."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from fnmatch import translate
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

from mediashelf.catalogue.rows import RECORDED, ImageRow, Presence
from mediashelf.catalogue.store import Catalogue
from mediashelf.catalogue.summaries import knows_all, summaries_of, summaries_of_sets
from mediashelf.findings import Severity, worst
from mediashelf.formats.disc_summary import DiscSummary
from mediashelf.integrity.fixity.states import State
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.text import fold

if TYPE_CHECKING:
    from mediashelf.readability.targets import Target


class Wanted(Struct, frozen=True):
    """What images are to have; None stands for anything. Each of the targets must read them.

    ``name`` is a part of the path, or with ``*`` or ``?`` a pattern for the file's name.
    """

    shelf: str | None = None
    kind: str | None = None
    label: str | None = None
    state: str | None = None
    target_names: Sequence[str] = ()
    targets_folder: Path | None = None
    name: str | None = None
    tag: str | None = None


class ListedImage(Struct, frozen=True):
    """An image on record with what its disc says of itself; the keeper's word goes first."""

    row: ImageRow
    summary: DiscSummary

    @property
    def set_name(self) -> str:
        """What the set is called that the disc is of."""
        words = self.row.description
        return words.set_name or ("" if words.set_number else self.summary.set_name)

    @property
    def set_place(self) -> tuple[int, int]:
        """Its number in the set and how many discs that has; zeros where nothing is known."""
        words = self.row.description
        if words.set_number:
            return words.set_number, words.set_size
        return self.summary.set_number, self.summary.set_size

    @property
    def set_text(self) -> str:
        """The place in the set as people read it: ``Kiosk, disc 2 of 3``."""
        number, size = self.set_place
        if not size:
            return ""
        return ", ".join(filter(None, [self.set_name, f"disc {number} of {size}"]))


_UNASKED = DiscSummary()


def iter_images(
    catalogue: Catalogue,
    wanted: Wanted,
    *,
    with_discs: bool = True,
    with_digests: bool = True,
    progress: Progress = no_progress,
) -> Iterator[ListedImage]:
    """Yield the images that :func:`list_on_record` does, with what each disc is.

    Of a large catalogue some thousands are in memory at once, unless targets are asked for.
    Without ``with_discs`` only the place in a set is told, where that is remembered: what
    was recorded by an earlier version is then not worked out now. Without ``with_digests``
    too, the rows have no digests.
    """
    with_digests = with_digests or with_discs
    if with_discs and not knows_all(catalogue):
        complete(catalogue, list_on_record(catalogue, wanted, with_digests=True), (), progress)
    sets = None if with_discs else summaries_of_sets(catalogue)
    some = (
        iter([list_on_record(catalogue, wanted, progress, with_digests=with_digests)])
        if wanted.target_names
        else _iter_on_record(catalogue, wanted, with_digests=with_digests)
    )
    for rows in some:
        known = summaries_of(catalogue, rows) if sets is None else sets
        yield from [ListedImage(row, known.get(row.id, _UNASKED)) for row in rows]


def list_images(
    catalogue: Catalogue, wanted: Wanted, *, progress: Progress = no_progress
) -> list[ListedImage]:
    """Return what :func:`iter_images` yields."""
    return list(iter_images(catalogue, wanted, progress=progress))


class SetGap(Struct, frozen=True):
    """A set of which discs are not there: their numbers."""

    name: str
    size: int
    missing: tuple[int, ...]


class SetGaps:
    """Finds the sets among images of which a disc is not among them.

    Only discs of sets that have a name are known to belong together. An image whose file
    is missing does not fill its place.
    """

    def __init__(self) -> None:
        self._sets: dict[tuple[str, int], set[int]] = {}
        self._names: dict[tuple[str, int], str] = {}

    def look_at(self, image: ListedImage) -> None:
        """Take an image into account."""
        number, size = image.set_place
        if size and image.set_name:
            key = (fold(image.set_name), size)
            self._names.setdefault(key, image.set_name)
            found = self._sets.setdefault(key, set())
            if image.row.presence is not Presence.MISSING:
                found.add(number)

    def look_through(self, images: Iterable[ListedImage]) -> Iterator[ListedImage]:
        """Yield the images, each of which is looked at."""
        for image in images:
            self.look_at(image)
            yield image

    def __iter__(self) -> Iterator[SetGap]:
        """Yield what is lacking of those that were looked at."""
        for key, found in sorted(self._sets.items()):
            missing = tuple(number for number in range(1, key[1] + 1) if number not in found)
            if missing:
                yield SetGap(self._names[key], key[1], missing)


def name_filter(text: str) -> Callable[[str], bool]:
    """Return what tells whether a path fits: it has the text, or its last part the pattern."""
    wanted = fold(text)
    if "*" not in wanted and "?" not in wanted:
        return lambda path: wanted in fold(path)
    fits = re.compile(translate(wanted.replace("[", "[[]"))).match
    return lambda path: fits(fold(path.rpartition("/")[2])) is not None


_GOOD = frozenset({RECORDED, State.SOUND.value, State.UNRECORDED.value})


def is_wrong(row: ImageRow | None) -> bool:
    """Tell whether an image is known not to be good or not to be there; one that is away may be."""
    if row is None or row.is_acknowledged:
        return False
    return row.presence is Presence.MISSING or row.verdict not in _GOOD


def reaches_systems(row: ImageRow) -> bool:
    """Tell whether a system gets this disc as it was made: nothing is known to be wrong with it,
    and the emulator serves it whole. The list, its page and ``check`` of a shelf go by this.
    """
    return not is_wrong(row) and is_served(row)


def is_served(row: ImageRow) -> bool:
    """Tell whether the emulator serves an image whole."""
    from mediashelf.sessions.emulator import check_lun  # asked where a target is

    return worst(check_lun(row.size, looks_raw=row.looks_raw)) is not Severity.ERROR


def list_on_record(
    catalogue: Catalogue,
    wanted: Wanted,
    progress: Progress = no_progress,
    *,
    with_digests: bool = True,
) -> list[ImageRow]:
    """Return the images by shelf and path; none is opened.

    With targets only those that each of them can read, that the emulator serves whole,
    and that are not known to be wrong, unless their state is asked for.
    """
    is_asked = with_digests or bool(wanted.target_names)
    some = _iter_on_record(catalogue, wanted, with_digests=is_asked)
    rows = list(chain.from_iterable(some))
    if not wanted.target_names:
        return rows
    # Loaded only where a target is asked for: its rules take longer than most answers.
    from mediashelf.catalogue.readable import readable_by
    from mediashelf.readability.targets import load_targets, pick_targets

    targets = pick_targets(wanted.target_names, load_targets(wanted.targets_folder))
    fits_target = reaches_systems if wanted.state is None else is_served
    rows = [row for row in rows if fits_target(row)]
    complete(catalogue, rows, targets, progress)
    return readable_by(catalogue, rows, targets)


def _iter_on_record(
    catalogue: Catalogue, wanted: Wanted, *, with_digests: bool
) -> Iterator[list[ImageRow]]:
    """Yield the images by shelf and path, some thousands at once; no target is asked."""
    fits = None if wanted.name is None else name_filter(wanted.name)
    tag = None if wanted.tag is None else fold(wanted.tag)
    for rows in catalogue.iter_images(
        shelf=wanted.shelf,
        kind=wanted.kind,
        label=wanted.label,
        state=wanted.state,
        with_digests=with_digests,
    ):
        if fits is not None:
            rows = [row for row in rows if fits(row.path)]
        if tag is not None:
            rows = [row for row in rows if tag in map(fold, row.description.tags)]
        yield rows


def complete(
    catalogue: Catalogue,
    rows: Sequence[ImageRow],
    targets: Sequence[Target],
    progress: Progress = no_progress,
) -> None:
    """Work out what is not remembered of images: what they are, and which targets read them."""
    if not targets and knows_all(catalogue):
        return
    from mediashelf.catalogue.questions.worked_out import rows_to_work_out, work_out

    lacking = rows_to_work_out(catalogue, rows, targets)
    if lacking:
        label = "who reads these images" if targets else "what these discs are"
        with progress(label, total=len(lacking), unit="image") as on_image:
            work_out(catalogue, lacking, targets, on_image)
