"""From the words of a plan to files: which image or recipe each disc is.

The catalogue is a stranger here. Whoever has one passes a :class:`Library`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Protocol

from msgspec import Struct

from mediashelf.errors import SessionPlanError
from mediashelf.integrity.fixity.comparing import FixityRecord
from mediashelf.sessions.plans.plan_disc import DiscSource, SourceKind
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.text import count_text

_SHOWN = 4


class KnownImage(Struct, frozen=True):
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


class SourceFile(Struct, frozen=True):
    """One file that a disc may come from: an image, a recipe, or a boot floppy's image."""

    source: DiscSource
    path: Path
    record: FixityRecord | None = None

    @property
    def is_built(self) -> bool:
        """Whether the disc is built for the card."""
        return self.source.kind.is_built


class Sources(Struct, frozen=True):
    """The files that a disc may come from, best first; there is at least one.

    ``absent`` says why sources before the first file were passed over.
    """

    files: tuple[SourceFile, ...]
    absent: tuple[str, ...] = ()


def resolve_plan(plan: SessionPlan, library: Library) -> list[Sources]:
    """Find the files of every disc, in the order of use; nothing is opened.

    Raises one :class:`SessionPlanError` that names every disc that cannot be found.
    """
    resolved: list[Sources] = []
    problems: list[str] = []
    for disc in plan.discs:
        files: list[SourceFile] = []
        absent: list[str] = []
        for source in (disc.source, *disc.alternatives):
            try:
                files.append(_source_file(source, plan.folder, library))
            except _AbsentError as problem:
                absent.append(f"{source}: {problem}")
        resolved.append(Sources(tuple(files), tuple(absent)))
        if not files:
            problems.append(f"disc {disc.number}: {'; '.join(absent)}")
    if problems:
        raise SessionPlanError(*problems)
    return resolved


class _AbsentError(Exception):
    """Why one source leads to no file; never leaves this module."""


def _source_file(source: DiscSource, folder: Path, library: Library) -> SourceFile:
    if source.kind is SourceKind.FIND:
        image = _found(source.text, library)
        return SourceFile(source, image.path, image.record)
    path = folder / source.text
    if not path.is_file():
        problem = "is not a file" if path.exists() else "does not exist"
        raise _AbsentError(f"{path} {problem}")
    if source.kind.is_built:
        return SourceFile(source, path)
    return SourceFile(source, path, library.record(path))


def _found(text: str, library: Library) -> KnownImage:
    """Return the one image that is meant; copies of one image count as one."""
    found = list(library.find(text))
    if not found:
        raise _AbsentError("no image in the catalogue has these words in its label or path")
    here = [image for image in found if image.is_here and image.path.is_file()]
    if not here:
        raise _AbsentError(
            f"{found[0].path} is on a shelf that is not connected, or was moved; "
            "connect the shelf or scan again"
        )
    if len({_identity(image) for image in here}) > 1:
        shown = ", ".join(str(image.path) for image in here[:_SHOWN])
        more = ", …" if len(here) > _SHOWN else ""
        raise _AbsentError(
            f"{count_text(len(here), 'image')} that differ match these words: {shown}{more}; "
            'narrow the search, or name one: image = "…"'
        )
    return here[0]


def _identity(image: KnownImage) -> str:
    digests: Mapping[str, str] = image.record.digests if image.record else {}
    return digests.get("xxh3_128") or str(image.path)
