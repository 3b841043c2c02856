"""What a disc is, at the head of ``show``: by its own word, and by the keeper's."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from mediashelf.cli.image.show_text import say_pair
from mediashelf.cli.render import say_wrapped
from mediashelf.formats.disc_summary import DiscSummary
from mediashelf.image import DiscImage
from mediashelf.readability.identity.installers import iter_installers
from mediashelf.readability.identity.summary import summarise
from mediashelf.text import count_text

if TYPE_CHECKING:
    from mediashelf.catalogue.rows import ImageRow


def say_identity(image: DiscImage, row: ImageRow | None, copies: Sequence[ImageRow]) -> None:
    """Print the name, what the disc is, and what is on record of it, where there is anything."""
    say_wrapped(image.path.name)
    summary = summarise(image.facts)
    for label, text in _lines(summary):
        say_pair(label, text)
    for found in iter_installers(image.facts):
        say_pair("installer", f"{found.family}, by the files in {found.folder} ({found.source})")
    if row is None:
        return
    # Loaded only for an image on record.
    from mediashelf.cli.keeping.described_text import copy_lines, description_lines, published_lines
    from mediashelf.jobs.library.listing import is_wrong

    why = "; mediashelf audit says why" if is_wrong(row) else ""  # the findings here may not
    say_pair("on record", f"{row.where}: {row.state_word}{why}")
    if row.acknowledged:
        known = count_text(row.acknowledged, "finding")
        say_pair(
            "known",
            f"{known} acknowledged for the bytes on record; what the bytes are now is not read "
            "here, so all findings are shown: mediashelf audit compares them",
        )
    for line in (*published_lines(row), *description_lines(row), *copy_lines(copies)):
        label, _, text = line.partition(": ")
        say_pair(label, text)


def _lines(summary: DiscSummary) -> list[tuple[str, str]]:
    number, size = summary.set_number, summary.set_size
    name = f'"{summary.set_name}", ' if summary.set_name else ""
    pairs = [
        ("starts by", ", ".join(summary.boot)),
        ("names in", ", ".join(summary.scripts)),
        ("effective", summary.effective.replace("T", " ").replace("+00:00", " UTC")),
        ("volume set", f"{name}disc {number} of {size}" if size else ""),
    ]
    return [(label, text) for label, text in pairs if text]
