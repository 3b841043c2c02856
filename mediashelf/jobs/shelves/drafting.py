"""A recipe that takes from the library exactly what drives a machine's devices."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct, field

from mediashelf.catalogue.packages.asking import RecordedPackage, more_of
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.drivers.candidates import Candidate
from mediashelf.drivers.findings import device_title
from mediashelf.drivers.machines.reading import read_machines
from mediashelf.drivers.packages.families import choose_family
from mediashelf.drivers.verdict import summary_text
from mediashelf.files import write_whole
from mediashelf.findings import Finding
from mediashelf.jobs.discs.recipe_options import RecipeOptions
from mediashelf.jobs.driver_families import needed_family
from mediashelf.jobs.shelves.kept import image_name
from mediashelf.jobs.shelves.machine import LibraryAnswer, TargetAnswer, cover_machine
from mediashelf.jobs.shelves.nearest import NearKind
from mediashelf.readability.targets import Target, pick_targets
from mediashelf.tables.paths import path_from
from mediashelf.text import count_text, printable, toml_quoted

MOST_NAMED = 60
"""Files of one package that a recipe names; of one with more the whole folder is taken."""

DEVICES_NAMED = 4

_SPECIAL = re.compile(r"[\[*?]")
_NOT_FOR_A_NAME = re.compile(r'[\x00-\x1f\x7f"*/:<>?\\|]+')


class TakenSource(Struct):
    """One folder of an image or archive with what is taken of it.

    ``only`` are paths below it, empty where all of it is taken. ``uses`` say what for, and
    ``named`` are the identifiers that a package without an INF names in its own files.
    """

    place: str
    to: str
    only: dict[str, None] = field(default_factory=dict)
    about: list[str] = field(default_factory=list)
    uses: dict[str, None] = field(default_factory=dict)
    named: dict[str, None] = field(default_factory=dict)


class ShelfDraft(Struct, frozen=True):
    """The text of a recipe, and what it takes."""

    text: str
    sources: tuple[TakenSource, ...]


class DraftedFromShelves(Struct, frozen=True):
    """The recipe, and what was found of the machine's devices."""

    draft: ShelfDraft
    summaries: tuple[str, ...]
    findings: tuple[Finding, ...]


def draft_for_machine(
    catalogue: Catalogue,
    options: RecipeOptions,
    known: Mapping[str, Target],
    output: Path | None,
) -> DraftedFromShelves:
    """Ask the library for a machine and draft the recipe; it is written to ``output``, if any.

    ``known`` are all targets. Raises :class:`OutputError` when the file exists or cannot
    be written, and what reading a machine's files raises.
    """
    machine = read_machines(options.machines)
    picked = pick_targets(options.targets, known)
    judged = [(target, choose_family(needed_family(target))) for target in picked]
    answer = cover_machine(catalogue, machine, judged)
    folder = (output.parent if output is not None else Path()).absolute()
    label = options.label or "DRIVERS"
    draft = draft_from_shelves(catalogue, answer, options.machines, label, folder)
    if output is not None:
        write_whole(output, draft.text.encode("utf-8"), replace=False)
    summaries = (
        f"{target.survey.target}: {summary_text(target.survey.verdicts)}"
        for target in answer.targets
    )
    return DraftedFromShelves(draft, tuple(summaries), answer.findings)


def draft_from_shelves(
    catalogue: Catalogue,
    answer: LibraryAnswer,
    machines: Sequence[Path],
    label: str,
    folder: Path,
) -> ShelfDraft:
    """Return a recipe whose paths count from ``folder``; ``machines`` are the machine's files."""
    sources = _Sources(catalogue)
    for target in answer.targets:
        for index in range(len(target.survey.covers)):
            sources.take(target, index)
    taken = tuple(sources.by_place.values())
    return ShelfDraft("\n".join(_lines(taken, answer, machines, label, folder)) + "\n", taken)


class _Sources:
    """Gathers what is taken, one source for each folder of an image."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        self.by_place: dict[str, TakenSource] = {}
        self.used: set[str] = set()

    def take(self, target: TargetAnswer, index: int) -> None:
        """Take the package that a device gets, or those that it may get, and DOS packages."""
        cover = target.survey.covers[index]
        use = f"{target.survey.target}: {index + 1} {device_title(cover)}"
        for candidate in cover.candidates[:1] or cover.possible:
            self._take_inf(target, candidate, use)
        for near in target.near.get(index, ()):
            is_dos = near.kind is NearKind.BY_HAND and near.package.kind == "dos"
            if is_dos and not target.survey.family.takes_infs:
                self._take_dos(near.image, near.package, cover.device.main_id, use)

    def _take_inf(self, target: TargetAnswer, candidate: Candidate, use: str) -> None:
        found = target.answer.found[candidate.package]
        image = target.answer.images[candidate.package][0]
        assert found.facts is not None
        more = more_of(self.catalogue.db, [found.id])[found.id]
        files = [_split(path)[1] for path in more.files]
        root = _common_folder(files)
        name = found.path.rpartition("/")[2].rpartition(".")[0]
        source = self._source(image, _split(found.path)[0], root, found.facts.class_name, name)
        if found.path not in source.about:
            source.about.append(found.path)
            below = [path.removeprefix(root) for path in files]
            source.only.update(dict.fromkeys(below))
        source.uses[use] = None

    def _take_dos(self, image: ImageRow, found: RecordedPackage, chip: str, use: str) -> None:
        container, folder = _split(found.path)
        folder = folder.rstrip("/")
        name = folder.rpartition("/")[2] or Path(image.path).stem
        source = self._source(image, container, folder, "DOS", name)
        if found.path not in source.about:
            source.about.append(found.path)
            if not folder and found.other is not None:
                source.only.update(dict.fromkeys(f"/{file}" for file in found.other.files))
        source.uses[use] = None
        source.named[chip] = None

    def _source(
        self, image: ImageRow, container: str, folder: str, kind: str, name: str
    ) -> TakenSource:
        place = f"{image_name(image)}:{container}{folder or '/'}"
        if place not in self.by_place:
            self.by_place[place] = TakenSource(place, self._free(kind, name))
        return self.by_place[place]

    def _free(self, kind: str, name: str) -> str:
        """Return a place on the disc that no other source has."""
        parts = [_NOT_FOR_A_NAME.sub("_", part).strip(" .") for part in (kind, name)]
        stem = "/" + "/".join(part for part in parts if part) if any(parts) else "/Drivers"
        place, number = stem, 1
        while place.lower() in self.used:
            number += 1
            place = f"{stem}{number}"
        self.used.add(place.lower())
        return place


def _split(path: str) -> tuple[str, str]:
    """Return the archive that a path is in, with a colon, and the path from its root."""
    container, colon, rest = path.rpartition(":/")
    return (f"{container}:", f"/{rest}") if colon else ("", path)


def _common_folder(files: Iterable[str]) -> str:
    """Return the innermost folder that holds all files; empty for the root."""
    split = [path.split("/")[:-1] for path in files]
    common = split[0]
    for parts in split[1:]:
        length = 0
        while length < min(len(common), len(parts)) and common[length] == parts[length]:
            length += 1
        common = common[:length]
    return "/".join(common)


def _lines(
    sources: Sequence[TakenSource],
    answer: LibraryAnswer,
    machines: Sequence[Path],
    label: str,
    folder: Path,
) -> Iterator[str]:
    yield "# Drivers from the library, each the best that it has for a device. Next:"
    yield "#   mediashelf build FILE -o DISC.iso"
    yield "#   mediashelf drivers DISC.iso -m MACHINE -t TARGET"
    yield f"label = {toml_quoted(label)}"
    targets = ", ".join(toml_quoted(target.survey.target) for target in answer.targets)
    yield f"targets = [{targets}]"
    paths = ", ".join(toml_quoted(path_from(path, folder)) for path in machines)
    yield f"machine = {paths if len(machines) == 1 else f'[{paths}]'}"
    for target in answer.targets:
        survey = target.survey
        yield f"# {survey.target}: {summary_text(survey.verdicts)}"
        for number, cover in enumerate(survey.covers, 1):
            words = survey.verdict(cover).words
            yield f"#   {number} {printable(device_title(cover))}: {printable(words)}"
    for source in sources:
        yield ""
        yield from _source_lines(source)


def _source_lines(source: TakenSource) -> Iterator[str]:
    for path in source.about:
        yield f"# {printable(path)}"
    uses = list(source.uses)
    yield from (f"#   for {printable(use)}" for use in uses[:DEVICES_NAMED])
    if uses[DEVICES_NAMED:]:
        yield f"#   and {count_text(len(uses) - DEVICES_NAMED, 'more device')}"
    yield "[[folder]]"
    yield f"from = {toml_quoted(source.place)}"
    yield f"to = {toml_quoted(source.to)}"
    if 0 < len(source.only) <= MOST_NAMED:
        yield "only = ["
        yield from (f"    {toml_quoted(_pattern(path))}," for path in source.only)
        yield "]"
    if source.named:
        listed = ", ".join(toml_quoted(text) for text in source.named)
        yield "# Its own files name these chips. If it drives them, say so:"
        yield f"# provides = [{listed}]"
        yield '# provides_for = ["dos"]'


def _pattern(path: str) -> str:
    """Return a pattern that fits this path alone."""
    return _SPECIAL.sub(lambda match: f"[{match[0]}]", path)
