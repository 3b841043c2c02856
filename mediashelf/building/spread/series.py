"""Several discs from one recipe: units spread over them, and a plan for each disc."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import islice

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.building.naming.names import iso_label
from mediashelf.building.naming.trees import KnownNames, name_trees
from mediashelf.building.pages.disc_pages import (
    DiscPages,
    DriverTable,
    Note,
    PagesSize,
    Series,
    SeriesDisc,
    SeriesPart,
)
from mediashelf.building.pages.html_page import render_html
from mediashelf.building.pages.page_text import note_lines, series_lines, series_title
from mediashelf.building.planning.disc_plan import DiscPlan, plan_listing
from mediashelf.building.planning.folder_paths import folder_paths
from mediashelf.building.planning.listing import Listing
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.spread.finding_units import find_units
from mediashelf.building.spread.fitting import refuse_too_large, that_fit
from mediashelf.building.spread.measuring import Measure
from mediashelf.building.spread.packing import pack
from mediashelf.building.spread.room import DiscRoom
from mediashelf.building.spread.subset import share_on_disc, subset
from mediashelf.building.spread.units import Unit
from mediashelf.collector import collector_paused
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.document import InfKind
from mediashelf.formats.volume import SECTOR_SIZE

_HEADINGS = 100  # bytes of lines between the parts of the index
_MOST_TRIES = 8  # each keeps more free for the index of all discs


class DiscSeries(Struct, frozen=True):
    """A recipe spread over discs, planned one by one.

    ``units`` are what each disc holds. ``findings`` are those of the sources and of the
    spreading; each plan has those of its own disc.
    """

    recipe: Recipe
    listing: Listing
    units: tuple[tuple[Unit, ...], ...]
    findings: tuple[Finding, ...]
    plans: tuple[DiscPlan, ...] = ()

    @property
    def content_size(self) -> int:
        """Bytes that are read from the sources; read-back reads as many again."""
        return sum(plan.content_size for plan in self.plans)


def plan_series(
    recipe: Recipe,
    listing: Listing,
    *,
    together: Iterable[Collection[str]] = (),
    kinds: Mapping[str, InfKind] | None = None,
    reserve: int = 0,
) -> DiscSeries:
    """Spread what was listed over discs of the recipe's capacity.

    ``together`` names files (by host path on the disc) that must not be parted, and
    ``kinds`` tells what INFs are, where that is known.
    ``reserve`` are bytes to keep free on each page of each disc for tables that
    :func:`with_tables` adds. Raises :class:`BuildError` for a package that no disc
    holds, naming its largest files.
    """
    whole = find_units(listing, recipe.folders, together=together, kinds=kinds)
    if listing.boot is not None:
        whole.insert(0, Unit((), 0, -1, (), (), True, has_boot=True))
    size = _pages_size(recipe, whole, reserve)
    equal = [file.own.equal_to for file in listing.files]  # each disc has its own first of them
    for _ in range(_MOST_TRIES):
        for file, first in zip(listing.files, equal, strict=True):
            file.own.equal_to = first
        series = _spread(recipe, listing, whole, size)
        refuse_too_large(recipe, series.units, series.plans, size, reserve)
        over = max(plan.layout.used_sectors for plan in series.plans) - recipe.capacity.sectors
        if over <= 0:
            break
        # Units were taken apart, and the index of all discs names each piece.
        size = size._replace(text=size.text + over * SECTOR_SIZE)
    return series


def _spread(recipe: Recipe, listing: Listing, whole: list[Unit], size: PagesSize) -> DiscSeries:
    """Return the series where ``size`` is kept free on the pages of each disc."""
    measure = Measure(recipe, listing, size)
    units, alone = [], []
    for unit, measured in that_fit(whole, measure):
        units.append(unit)
        alone.append(measured)
    room = DiscRoom(measure, units, alone)
    packed = pack(room.items(), room.open_disc, room.least_discs())
    discs = packed or [()]  # sources without anything: one empty disc
    chosen = tuple(tuple(units[number] for number in disc) for disc in discs)
    findings = (*listing.findings, *_taken_apart(whole, chosen))
    return with_tables(DiscSeries(recipe, listing, chosen, findings), names=measure.names)


def with_tables(
    series: DiscSeries,
    tables: Sequence[DriverTable] = (),
    *,
    names: KnownNames | None = None,
) -> DiscSeries:
    """Return the series with these tables, and an index of all discs, on the pages of each.

    ``names`` are those that are known of folders.
    """
    listings = [subset(series.listing, units) for units in series.units]
    for listing in listings:
        share_on_disc(listing)
    count = len(listings)
    discs: tuple[SeriesDisc, ...] = ()
    if count > 1:  # the pages tell of every disc, so all are named before any is planned
        discs = tuple(
            SeriesDisc(
                numbered_name(series.recipe.label, number, count),
                tuple(_parts(listing, units, names)),
            )
            for number, (listing, units) in enumerate(zip(listings, series.units, strict=True), 1)
        )
    with collector_paused():  # all of it lives
        plans = tuple(
            plan_listing(
                series.recipe,
                listing,
                DiscPages(tuple(tables), Series(number, discs) if discs else None),
                names,
            )
            for number, listing in enumerate(listings, 1)
        )
    return replace(series, plans=plans)


def numbered_name(label: str, number: int, count: int) -> str:
    """Return how people name one disc of a series; the only one has the label alone."""
    return f"{label} {number}" if count > 1 else label


def file_names(label: str, count: int) -> list[str]:
    """Return the names of the images: ``harbour_drivers-1.iso`` and so on."""
    stem = file_stem(label)
    width = len(str(count))
    if count == 1:
        return [f"{stem}.iso"]
    return [f"{stem}-{number:0{width}}.iso" for number in range(1, count + 1)]


def file_stem(label: str) -> str:
    """Return what the names of a series' images begin with."""
    return iso_label(label).lower()


def _parts(
    listing: Listing, units: Iterable[Unit], names: KnownNames | None
) -> Iterator[SeriesPart]:
    """Yield what a disc holds, under the names that it has there."""
    pieces = [piece for unit in units if not unit.has_boot for piece in unit.pieces or (unit,)]
    trees = name_trees(listing.root, (), names)  # our own pages give way to what is listed
    tops = dict.fromkeys(piece.top for piece in pieces)
    paths = dict(zip(tops, folder_paths(listing, trees, tops), strict=True))
    trees.let_go()
    parts: dict[SeriesPart, int] = {}  # files of one folder that may be parted are one part
    for piece in pieces:
        short, long = paths[piece.top]
        part = SeriesPart(short, long, 0, bool(piece.folders))
        parts[part] = parts.get(part, 0) + piece.size
    yield from (part._replace(size=size) for part, size in parts.items())


def _pages_size(recipe: Recipe, units: Sequence[Unit], reserve: int) -> PagesSize:
    """Return the most bytes that notes and an index of all discs take, and ``reserve``.

    As if every unit had a disc of its own and stood on this one as well.
    """
    parts = tuple(
        SeriesPart("/XXXXXXXX" * max(len(piece.top), 1), piece.name, unit.size, False)
        for unit in units
        for piece in unit.pieces or (unit,)
    )
    bare = SeriesDisc(numbered_name(recipe.label, 10 * len(units), 2), ())
    series = Series(1, (bare._replace(parts=parts), *([bare] * len(units))))
    notes = [
        Note("/XXXXXXXX" * max(len(one.to), 1), "/" + "/".join(one.to), one.notes)
        for one in recipe.folders
        if one.notes
    ]
    lines = (series_title(series), *series_lines(series), *note_lines(notes))
    text = sum(len(line) + 2 for line in lines)
    html = len(render_html(recipe.label, DiscPages((), series), notes, "INDEX_2.TXT"))
    return PagesSize(text + reserve + _HEADINGS, html + reserve)


def _taken_apart(whole: Iterable[Unit], discs: Sequence[Sequence[Unit]]) -> Iterator[Finding]:
    """Yield the folders that are not packages and ended up on several discs."""
    disc_of = {
        id(file): number
        for number, units in enumerate(discs, start=1)
        for unit in units
        for file in islice(unit.iter_files(), 1)  # stands for all of its unit
    }
    for unit in whole:
        found = (disc_of.get(id(file)) for file in unit.iter_files())
        numbers = sorted(set(filter(None, found)))
        if len(numbers) > 1:
            named = ", ".join(map(str, numbers))
            yield Finding(
                "folder-on-several-discs",
                Severity.NOTE,
                unit.name,
                f"no disc holds it whole, so its folders are on discs {named}",
                "nothing, if what is in it does not belong together",
            )
