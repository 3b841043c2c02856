"""From the words of a plan to files: which image or recipe each disc is.

The catalogue is a stranger here. Whoever has one passes a :class:`Library`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from mediashelf.errors import SessionPlanError
from mediashelf.integrity.fixity.comparing import FixityRecord
from mediashelf.sessions.plans.session_plan import DiscSource, PlanDisc, SessionPlan, SourceKind
from mediashelf.text import count_text

_SHOWN = 4


@dataclass(frozen=True, slots=True)
class KnownImage:
    """What the catalogue knows of one image file; ``is_here`` is False for an unplugged shelf."""

    path: Path
    label: str
    record: FixityRecord | None = None
    is_here: bool = True


class Library(Protocol):
    """The questions that a session asks the catalogue."""

    def find(self, text: str) -> Sequence[KnownImage]:
        """Return the images that these words mean."""
        ...

    def record(self, path: Path) -> FixityRecord | None:
        """Return what is on record of the file at ``path``."""
        ...


class NoLibrary:
    """Knows nothing: for plans that name files only."""

    def find(self, text: str) -> Sequence[KnownImage]:
        return ()

    def record(self, path: Path) -> FixityRecord | None:
        return None


@dataclass(frozen=True, slots=True)
class Candidate:
    """One file that a disc may come from; ``path`` is a recipe where ``is_recipe``."""

    source: DiscSource
    path: Path
    is_recipe: bool
    record: FixityRecord | None = None


@dataclass(frozen=True, slots=True)
class ResolvedDisc:
    """A plan's disc with the files it may come from, best first; there is at least one.

    ``position`` counts the order of use from 1. ``absent`` says why sources
    before the first candidate were passed over.
    """

    disc: PlanDisc
    position: int
    candidates: tuple[Candidate, ...]
    after: tuple[int, ...] = ()
    absent: tuple[str, ...] = ()


def resolve_plan(plan: SessionPlan, library: Library) -> list[ResolvedDisc]:
    """Find the files of every disc; nothing is opened.

    Raises one :class:`SessionPlanError` that names every disc that cannot be found.
    """
    positions = {disc.number: place for place, disc in enumerate(plan.discs, start=1)}
    resolved: list[ResolvedDisc] = []
    problems: list[str] = []
    for disc in plan.discs:
        candidates: list[Candidate] = []
        absent: list[str] = []
        for source in (disc.source, *disc.alternatives):
            try:
                candidates.append(_candidate(source, plan.folder, library))
            except _AbsentError as problem:
                absent.append(f"{source}: {problem}")
        if candidates:
            after = tuple(sorted(positions[number] for number in disc.after_numbers))
            resolved.append(
                ResolvedDisc(disc, positions[disc.number], tuple(candidates), after, tuple(absent))
            )
        else:
            problems.append(f"disc {disc.number}: {'; '.join(absent)}")
    if problems:
        raise SessionPlanError("\n".join(problems))
    return resolved


class _AbsentError(Exception):
    """Why one source leads to no file; never leaves this module."""


def _candidate(source: DiscSource, folder: Path, library: Library) -> Candidate:
    if source.kind is SourceKind.FIND:
        image = _found(source.text, library)
        return Candidate(source, image.path, False, image.record)
    path = folder / source.text
    if not path.is_file():
        problem = "is not a file" if path.exists() else "does not exist"
        raise _AbsentError(f"{path} {problem}")
    if source.kind is SourceKind.RECIPE:
        return Candidate(source, path, True)
    return Candidate(source, path, False, library.record(path))


def _found(text: str, library: Library) -> KnownImage:
    """Return the one image that is meant; copies of one image count as one."""
    found = list(library.find(text))
    if not found:
        raise _AbsentError("no image in the catalogue has these words in its label or path")
    here = [image for image in found if image.is_here and image.path.is_file()]
    if not here:
        raise _AbsentError(
            f"{found[0].path} is on a shelf that is not plugged in, or was moved; "
            "plug it in or scan again"
        )
    if len({_identity(image) for image in here}) > 1:
        shown = ", ".join(str(image.path) for image in here[:_SHOWN])
        more = ", …" if len(here) > _SHOWN else ""
        raise _AbsentError(
            f"{count_text(len(here), 'image')} that differ have these words: {shown}{more}; "
            "add words, or name one by image = "
        )
    return here[0]


def _identity(image: KnownImage) -> str:
    digests: Mapping[str, str] = image.record.digests if image.record else {}
    return digests.get("xxh3_128") or str(image.path)
