"""What one source of a disc is: a planned disc, or an image, and what it becomes on the card."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from msgspec import Struct

from mediashelf.findings import Finding
from mediashelf.formats.volume import DiscFacts
from mediashelf.sessions.discs.boot_floppy import CdStart
from mediashelf.sessions.discs.served_bytes import ServedBytes
from mediashelf.sessions.manifests.parts import FileDigests
from mediashelf.sessions.plans.resolve import SourceFile

if TYPE_CHECKING:  # most discs are not built for the session
    from mediashelf.building.planning.disc_plan import DiscPlan


class SessionRecipe(Struct, frozen=True):
    """A planned disc with what was found on it.

    Errors in ``findings`` block the session; ``told`` is for the person to know and
    blocks nothing.
    """

    plan: DiscPlan
    findings: tuple[Finding, ...]
    told: tuple[Finding, ...] = ()


PlanRecipe = Callable[[SourceFile], SessionRecipe]
"""Plans the disc of a recipe or a boot floppy, and raises what reading it raises."""


class ServedImage(Struct, frozen=True):
    """A file that was looked at with the wishes of a disc.

    ``facts`` are those of the disc as it is served. ``findings`` hold for every
    target. ``image`` is None for a recipe, which has a ``disc_plan``, and for what
    cannot be served at all. ``digests`` are those of the image as it is served and
    ``original`` those of the file that it comes from, where they were read.
    ``cd_start`` tells of the boot floppy inside, None where there is none. ``told``
    is what a recipe's plan tells and what blocks nothing. ``only_64_bit`` tells of a
    setup program that is for 64-bit processors.
    """

    file: SourceFile
    facts: DiscFacts
    findings: tuple[Finding, ...]
    image: ServedBytes | None = None
    digests: FileDigests | None = None
    original: FileDigests | None = None
    cd_start: CdStart | None = None
    disc_plan: DiscPlan | None = None
    told: tuple[Finding, ...] = ()
    only_64_bit: bool = False

    @property
    def can_be_served(self) -> bool:
        """Whether there is anything that could be put on a card."""
        return self.image is not None or self.disc_plan is not None
