"""The page of a whole library: one file that searches, filters and sorts without a network.

Its rows are data, of which the script shows as many as a person looks at. Without the
script the same images are a plain list.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import groupby

from markupsafe import Markup
from msgspec import Struct

from mediashelf.catalogue.questions.same_disc import SameDisc
from mediashelf.catalogue.rows import STATES, ImageRow
from mediashelf.integrity.fixity.comparing import WORST_FIRST
from mediashelf.integrity.fixity.states import STATE_WORDS
from mediashelf.reports.allowance import shorten
from mediashelf.reports.library.file_names import PackedNames
from mediashelf.reports.library.packing import FIELDS, ListedDisc, Tables, packed_rows, safe_json
from mediashelf.reports.pages import render_page

_RANKS = {state.value: rank for rank, state in enumerate(WORST_FIRST)}


class ShelfPart(Struct, frozen=True):
    """The images of one shelf, for the plain list."""

    name: str
    root: str
    size: int
    images: tuple[ImageRow, ...]


def library_html(
    rows: Sequence[ImageRow],
    systems: Mapping[str, str],
    discs: Mapping[int, ListedDisc],
    *,
    created: str,
    created_by: str,
    scope: str = "",
    same_discs: Sequence[SameDisc] = (),
    names: PackedNames | None = None,
) -> str:
    """Return the page of these images, which come by shelf and path.

    ``systems`` maps names of targets to their titles; ``discs`` says what is known of each
    image's disc, by its id, and which of the systems read it, in that order. ``scope`` says
    in words which images were asked for, ``same_discs`` are those that look like one disc,
    and ``names`` are those of the files inside, where they are to be searched too.
    """
    tables = Tables()
    alike = {
        each.id: number
        for number, same in enumerate(same_discs, 1)
        for each in (same.first, *(other.image for other in same.others))
    }
    packed = list(packed_rows(rows, discs, alike, tables))
    lists = tables.as_lists()
    roots = {row.shelf: str(row.root) for row in rows}
    texts = {
        name: [shorten(text) for text in texts] for name, texts in lists.items() if name != "copies"
    }
    texts["root"] = [shorten(roots.get(shelf, "")) for shelf in lists.get("shelf", [])]
    words = {state: STATE_WORDS.get(state, state) for state in STATES}
    ranks = {state: _RANKS.get(state, len(_RANKS)) for state in STATES}
    content = {
        "fields": FIELDS,
        "tables": texts,
        "systems": list(systems.items()),
        "state_words": words,
        "state_ranks": ranks,
        "names": None if names is None else names.counts(),
        "images": packed,
    }
    return render_page(
        "library.html",
        data=Markup(safe_json(content)),  # escaped for its element there
        blocks=[] if names is None else [Markup(block) for block in names.blocks],
        shelves=_shelf_parts(rows),
        image_count=len(rows),
        total_size=sum(row.size for row in rows),
        states=[
            (word, count)
            for (_, word), count in sorted(
                Counter((row.state, row.state_word) for row in rows).items(),
                key=lambda pair: ranks[pair[0][0]],
            )
        ],
        scope=scope,
        created=created.replace("T", " ").replace("Z", " UTC"),
        created_by=created_by,
    )


def _shelf_parts(rows: Sequence[ImageRow]) -> list[ShelfPart]:
    parts = []
    for name, group in groupby(rows, key=lambda row: row.shelf):
        images = tuple(group)
        parts.append(ShelfPart(name, str(images[0].root), sum(row.size for row in images), images))
    return parts
