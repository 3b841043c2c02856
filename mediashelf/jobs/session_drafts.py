"""A plan to begin with, from the images of a shelf."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from mediashelf.catalogue.images import facts_of
from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.files import write_whole
from mediashelf.integrity.fixity.states import State
from mediashelf.jobs.library.listing import is_wrong
from mediashelf.jobs.session_library import files_of_sheets
from mediashelf.readability.targets import load_targets, pick_targets
from mediashelf.sessions.discs.glance import boot_ways
from mediashelf.sessions.discs.ways_out import padding_of
from mediashelf.sessions.plans.draft import DraftDisc, draft_plan
from mediashelf.text import count_text


def begin_plan(
    shelf: str | None,
    output: Path | None,
    *,
    name: str,
    machine: str,
    target_names: Sequence[str],
    catalogue_path: Path | None,
    targets_folder: Path | None,
) -> tuple[str, list[DraftDisc]]:
    """Return the text of a plan with every image of a shelf, and the discs in it.

    It is written to ``output``, which must not exist, unless that is None.
    """
    pick_targets(target_names, load_targets(targets_folder))
    folder = (output.parent if output is not None else Path()).absolute()
    with open_catalogue(catalogue_path) as catalogue:
        discs = list(_drafts(catalogue, catalogue.images(shelf=shelf)))
    text = draft_plan(discs, folder, name=name, machine=machine, targets=target_names)
    if output is not None:
        write_whole(output, text.encode("utf-8"), replace=False)
    return text, discs


def _drafts(catalogue: Catalogue, rows: Sequence[ImageRow]) -> Iterator[DraftDisc]:
    first_of: dict[str, ImageRow] = {}
    sheets = files_of_sheets(rows)
    for row in rows:
        facts = facts_of(catalogue.db, row.id)
        boot = boot_ways(facts) if facts is not None else ()
        problem = _problem(row)
        digest = row.digests.get("xxh3_128", "")
        if not problem and row.file in sheets:
            problem = f"a part of {sheets[row.file]}"
        if not problem and digest:
            first = first_of.setdefault(digest, row)
            problem = f"the same bytes as {first.path}" if first is not row else ""
        is_raw = row.looks_raw or row.is_sheet
        # What a raw image is too small for shows when it is converted.
        must_pad = not is_raw and padding_of(row.size) > 0
        yield DraftDisc(row.file, row.label, row.size, boot, problem, is_raw, must_pad)


def _problem(row: ImageRow) -> str:
    if row.presence is not Presence.HERE:
        return f"{row.presence.value} when last scanned"
    if row.problem:
        return row.problem
    is_raw = row.looks_raw or row.is_sheet  # every sector is judged when it is converted
    if row.errors and not is_raw:
        return f"{count_text(row.errors, 'error')} inside; see mediashelf audit"
    if is_raw and row.errors and row.state == State.DAMAGED:
        return ""
    return f"{row.state_word}; see mediashelf audit" if is_wrong(row) else ""
