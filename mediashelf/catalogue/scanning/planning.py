"""What a scan is to read: the walk of each shelf compared with what is on record.

Light to load: most scans find nothing to read. Of an image on record no more is asked than
that takes; see :mod:`mediashelf.catalogue.records.stamps`.
"""

from __future__ import annotations

import os
from collections import ChainMap
from collections.abc import Callable, Collection, Mapping, Sequence
from itertools import chain
from typing import TYPE_CHECKING, Any

from mediashelf.catalogue import images
from mediashelf.catalogue.history import Happening, keep
from mediashelf.catalogue.records.stamps import UNREAD, ImageOnRecord, known_images, stamps_of
from mediashelf.catalogue.rows import Presence, ShelfRow, utc_now
from mediashelf.catalogue.scanning.other_folder import other_folder
from mediashelf.catalogue.scanning.presence import Absences, FileSystems
from mediashelf.catalogue.scanning.scan_plan import Job, ScanPlan, ShelfPlan
from mediashelf.catalogue.scanning.walk import SeenImage, Walk, walk_folder
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue

if TYPE_CHECKING:
    pass


def plan_scan(
    catalogue: Catalogue,
    shelves: Sequence[ShelfRow],
    on_shelf: Callable[[ShelfRow], None] = lambda shelf: None,
) -> ScanPlan:
    """Walk the shelves, record which images are here, missing or away, and name what to read.

    ``on_shelf`` is called before each, as a share may take its time. A shelf that cannot be
    walked does not keep the others from it.
    """
    file_systems = FileSystems()
    plan = ScanPlan()
    for shelf in shelves:
        on_shelf(shelf)
        stamps = stamps_of(catalogue.db, shelf)
        others = known_images(catalogue.db, shelf, besides=stamps)
        other = _other_folder(catalogue, shelf, stamps, others, file_systems)
        left = stamps.copy()
        try:
            walk = Walk(problem=other)
            if not other:
                on_record = ChainMap[str, Any](left, others)
                walk = walk_folder(shelf.root, file_systems, on_record, left)
        except OSError as error:
            walk, left = Walk(problem=error.strerror or str(error)), stamps
        unchanged = stamps.keys() - left.keys() if left else stamps
        known = known_images(catalogue.db, shelf, besides=unchanged) if left else others
        shelf_plan = _plan_shelf(catalogue, shelf, known, walk, file_systems)
        shelf_plan.is_other = bool(other)
        plan.shelves.append(shelf_plan)
    return plan


def _other_folder(
    catalogue: Catalogue,
    shelf: ShelfRow,
    stamps: Collection[str],
    known: Mapping[str, ImageOnRecord],
    file_systems: FileSystems,
) -> str:
    """Say that another folder is in the shelf's place: asked only where no image is found."""
    here = (path for path, image in known.items() if image.presence != Presence.MISSING)
    if any(os.path.lexists(shelf.root / path) for path in chain(stamps, here)):
        return ""
    return other_folder(catalogue.db, shelf.root, catalogue.images(shelf=shelf.name), file_systems)


def _plan_shelf(
    catalogue: Catalogue,
    shelf: ShelfRow,
    known: dict[str, ImageOnRecord],
    walk: Walk,
    file_systems: FileSystems,
) -> ShelfPlan:
    plan = ShelfPlan(
        shelf,
        away=walk.problem,
        is_refused=walk.is_refused,
        unchanged=walk.unchanged,
        unread_folders=walk.unread_folders,
        links=walk.links,
        others=walk.others,
    )
    found = [(place, place) for place in walk.unchanged_on]
    updates: list[tuple[str, str, int]] = []  # presence, file system, id
    news: list[tuple[int, Happening]] = []
    to_read: list[tuple[SeenImage, int | None]] = []
    for path, seen in walk.images.items():
        row = known.get(path)
        if row is None or _must_be_read(row, seen):
            to_read.append((seen, None if row is None else row.id))
            continue
        if row.is_waiting:
            plan.waiting.append(path)
        else:
            plan.unchanged += 1
        found.append((row.file_system, seen.file_system))
        if row.presence != Presence.HERE:
            plan.returned.append(path)
        if row.presence == Presence.MISSING:
            news.append((row.id, Happening.RETURNED))
        if row.presence != Presence.HERE or row.file_system != seen.file_system:
            updates.append((Presence.HERE.value, seen.file_system, row.id))
    absences = Absences(shelf.root, file_systems, found)
    for path, row in known.items():
        if path in walk.images:
            continue
        presence, file_system = absences.judge(path, row.file_system)
        unread = _unread_around(path, walk.unread_folders)
        if unread:
            plan.unread_counts[unread] = plan.unread_counts.get(unread, 0) + 1
        if walk.problem or unread:
            presence, file_system = Presence.AWAY, row.file_system
        if presence is Presence.AWAY:
            plan.away_count += 1
        elif row.presence == Presence.MISSING:
            plan.missing_before += 1
        else:
            plan.missing.append(path)
            news.append((row.id, Happening.MISSING))
        if (presence, file_system) != (row.presence, row.file_system):
            updates.append((presence.value, file_system, row.id))
    if not walk.problem and plan.away_count and not walk.images and not walk.unchanged:
        plan.away = "another file system is in its place, with none of its images"
    ids = [one for _, one in to_read if one is not None]
    rows = images.by_ids(catalogue.db, ids) if ids else {}
    plan.jobs = [
        Job(shelf, seen, None if image_id is None else rows[image_id]) for seen, image_id in to_read
    ]
    _write_presence(catalogue, shelf, updates, news, is_here=not plan.away)
    return plan


def _must_be_read(known: ImageOnRecord, seen: SeenImage) -> bool:
    return (
        known.size != seen.size
        or known.mtime_ns != seen.mtime_ns
        or known.verdict in UNREAD
        or not known.has_digests
    )


def _unread_around(path: str, unread_folders: dict[str, str]) -> str:
    return next((one for one in unread_folders if path.startswith(f"{one}/")), "")


def _write_presence(
    catalogue: Catalogue,
    shelf: ShelfRow,
    updates: list[tuple[str, str, int]],
    news: list[tuple[int, Happening]],
    *,
    is_here: bool,
) -> None:
    with transaction(catalogue.db):
        for image_id, happening in news:
            keep(catalogue.db, image_id, happening, "scan")
        catalogue.db.executemany(
            "UPDATE images SET presence = ?, file_system = ? WHERE id = ?", updates
        )
        if is_here:
            catalogue.db.execute(
                "UPDATE shelves SET scanned_at = max(coalesce(scanned_at, ''), ?) WHERE id = ?",
                [utc_now(), shelf.id],
            )
