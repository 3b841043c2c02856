"""A disc that is built for a session; it is planned elsewhere, the same for every command."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from msgspec import Struct

from mediashelf.findings import Finding
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
