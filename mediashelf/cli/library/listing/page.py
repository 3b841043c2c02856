"""``mediashelf list --report``: the library as one page."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.cli.progress import progress
from mediashelf.cli.render import tell
from mediashelf.cli.report_file import CREATED_BY, moment_text, write_report
from mediashelf.jobs.library.listing import Wanted
from mediashelf.text import count_text


def write_library_page(
    path: Path,
    catalogue: Catalogue,
    rows: Sequence[ImageRow],
    wanted: Wanted,
    *,
    with_files: bool,
    quiet: bool,
) -> None:
    """Write the page of these images; what did not fit on it is told."""
    from mediashelf.jobs.library.library_page import library_page  # with the rules of all targets

    page, left_out = library_page(
        catalogue,
        rows,
        created=moment_text(),
        created_by=CREATED_BY,
        scope=_scope(wanted),
        targets_folder=wanted.targets_folder,
        with_files=with_files,
        progress=partial(progress, quiet=quiet),
    )
    write_report(path, page)
    if left_out:
        tell(
            f"The names in {count_text(left_out, 'image')} had no room on the page, which says "
            "so; search them with: mediashelf find"
        )
    if not quiet:
        tell(f"Report: {path}")


def _scope(wanted: Wanted) -> str:
    """Return the filters in words."""
    filters = (
        ("shelf", wanted.shelf),
        ("volumes", wanted.kind),
        ("label", wanted.label),
        ("name", wanted.name),
        ("tag", wanted.tag),
        ("state", wanted.state),
        ("read by", ", ".join(wanted.target_names)),
    )
    said = [f"{name} {value}" for name, value in filters if value]
    return f"Only {'; '.join(said)}" if said else ""
