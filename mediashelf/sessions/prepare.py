"""From a plan to a card: find, check, arrange, copy, confirm, describe."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path

from msgspec import Struct

from mediashelf.building.writing.blocking import IMPOSSIBLE
from mediashelf.errors import BlockedError, OutputError, StagingError
from mediashelf.files import flush_folder
from mediashelf.findings import Finding, Severity
from mediashelf.readability.targets import Target
from mediashelf.sessions.card_space import CardFacts, read_card
from mediashelf.sessions.cards.arrange import arrange
from mediashelf.sessions.cards.lock import HeldCard, hold_card
from mediashelf.sessions.cards.placed import Arrangement, PlacedDisc
from mediashelf.sessions.cards.pulled import TWO_NAMES_RULE, check_pulled_card
from mediashelf.sessions.cards.records import (
    CardRecords,
    is_there,
    is_untouched,
    read_records,
    remove_journal,
)
from mediashelf.sessions.cards.sheets import write_changed, write_sheets
from mediashelf.sessions.cards.staging import stage_discs
from mediashelf.sessions.describe import describe_card, refuse_older_form, with_other_files
from mediashelf.sessions.discs.preflight import CheckedDisc
from mediashelf.sessions.discs.served_image import PlanRecipe
from mediashelf.sessions.manifests.manifest import render_manifest
from mediashelf.sessions.manifests.parts import CardFile
from mediashelf.sessions.manifests.sense import MANIFEST_NAME
from mediashelf.sessions.manifests.values import Manifest
from mediashelf.sessions.manifests.versions import CURRENT
from mediashelf.sessions.plan_check import MoreChecks, look_at_plan
from mediashelf.sessions.plans.resolve import Library
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.text import count_text

OnBytes = Callable[[int], None]
Sheets = Callable[[Manifest], Mapping[str, bytes]]
"""Makes the sheets of a card: name to bytes. They are made elsewhere and passed in."""


class CheckedSession(Struct, frozen=True):
    """Everything that is known before the first byte goes to the card.

    ``findings`` are those about the card and the machine.
    """

    plan: SessionPlan
    held: HeldCard
    facts: CardFacts
    records: CardRecords
    discs: tuple[CheckedDisc, ...]
    arrangement: Arrangement
    findings: tuple[Finding, ...]

    @property
    def card(self) -> Path:
        """The card's folder."""
        return self.held.card

    @property
    def all_findings(self) -> tuple[Finding, ...]:
        """The findings of the discs in order, then those of card and machine."""
        return (*(one for disc in self.discs for one in disc.findings), *self.findings)


class PreparedCard(Struct, frozen=True):
    """A card that is ready; ``tidied`` are the files that were removed from it."""

    session: CheckedSession
    discs: tuple[PlacedDisc, ...]
    manifest: Manifest
    tidied: tuple[CardFile, ...] = ()


@contextmanager
def hold_session(
    plan: SessionPlan,
    card: Path,
    library: Library,
    targets: Mapping[str, Target],
    *,
    tidy: bool = False,
    plan_recipe: PlanRecipe,
    more_checks: MoreChecks = lambda plan, discs: (),
    on_bytes: OnBytes = lambda count: None,
) -> Iterator[CheckedSession]:
    """Check a whole session and hold its card; inside the block it can be staged.

    Nothing on the card changes. A recipe is built in the system's temporary folder when the
    card may have its disc already.
    """
    facts = read_card(card)
    with hold_card(card) as held, _workshop() as workshop:
        discs, about_machine = look_at_plan(
            plan,
            library,
            targets,
            plan_recipe=plan_recipe,
            more_checks=more_checks,
            on_bytes=on_bytes,
        )
        with held.errors():
            held.refuse_other()
            records = read_records(held.folder)
            about_pulling = tuple(check_pulled_card(held.folder, facts, records))
            arrangement = arrange(
                discs,
                held.folder,
                facts,
                records,
                wish=plan.card,
                is_tidied=tidy,
                workshop=workshop,
                on_bytes=on_bytes,
            )
            held.refuse_other()  # else what was arranged is for another folder
        about_card = (
            *_lock_finding(held.is_locked),
            *about_pulling,
            *arrangement.findings,
        )
        findings = (*about_card, *about_machine)
        yield CheckedSession(plan, held, facts, records, discs, arrangement, findings)


def stage_session(
    session: CheckedSession,
    sheets: Sheets,
    *,
    created: str,
    anyway: bool = False,
    tidy: bool = False,
    version: int = CURRENT,
    on_bytes: OnBytes = lambda count: None,
) -> PreparedCard:
    """Put a checked session on its card; the manifest comes last.

    ``created`` is the moment for the manifest (UTC, ``2026-11-25T07:00:00Z``).
    ``version`` is that of the manifest. Raises :class:`BlockedError` when an error was
    found, unless ``anyway``.
    """
    refuse_blocked_session(session, anyway=anyway)
    refuse_older_form(session.plan, session.discs, version)
    card, records = session.held.folder, session.records
    with session.held.errors():
        session.held.refuse_other()
        tidied = tuple(_tidy(session)) if tidy else ()
        kept = tuple(file for file in records.files if file not in tidied)
        staged = stage_discs(session.arrangement.discs, session.held, kept, on_bytes=on_bytes)
        # A file that was renamed is under its old name no longer.
        left = tuple(file for file in kept if is_there(card, file))
        records = CardRecords(records.manifest, left)
        manifest = describe_card(
            session.plan, staged, session.findings, records, created=created, version=version
        )
        try:
            session.held.refuse_other()
            session.held.is_changed = True
            files = tuple(write_sheets(sheets(manifest), card, manifest))
            manifest = with_other_files(manifest, files)
            write_changed(card / MANIFEST_NAME, render_manifest(manifest, version))
        except OutputError as error:
            raise StagingError(
                f"{error}. The images are on the card; free some space and run again to write "
                "their manifest"
            ) from error
        remove_journal(card)
    return PreparedCard(session, tuple(staged), manifest, tidied)


def refuse_blocked_session(session: CheckedSession, *, anyway: bool) -> None:
    """Raise :class:`BlockedError` when an error was found, unless ``anyway``.

    A recipe for an impossible disc, an image that has nothing to serve, and a card
    that must be checked first are refused all the same.
    """
    errors = [one for disc in session.discs for one in disc.blockers]
    errors += (one for one in session.findings if one.severity is Severity.ERROR)
    if errors and not anyway:
        verb = "blocks" if len(errors) == 1 else "block"
        raise BlockedError(
            f"{count_text(len(errors), 'error')} {verb} this session; nothing was copied. Fix "
            "them, or use --anyway to go on and record them in the manifest"
        )
    for one in errors:
        if one.rule == TWO_NAMES_RULE:
            raise BlockedError(f"nothing was copied: {one.where}: {one.message}; {one.remedy}")
        if one.rule in IMPOSSIBLE:
            raise BlockedError(
                f"nothing was copied: {one.where}: {one.message}; no such disc can be built"
            )
    for disc in session.discs:
        if not disc.source.can_be_served:
            raise BlockedError(
                f"nothing was copied: disc {disc.position}, {disc.name}, has nothing that the "
                "emulator could serve; remove it from the plan, or name another source with or = "
            )


@contextmanager
def _workshop() -> Iterator[Path | None]:
    """Give a temporary folder, or None where there is none to be had."""
    folder = None
    with suppress(OSError):
        folder = tempfile.TemporaryDirectory(prefix="mediashelf-", ignore_cleanup_errors=True)
    with folder or nullcontext() as path:
        yield Path(path) if path else None


def _lock_finding(is_locked: bool) -> Iterator[Finding]:
    if not is_locked:
        yield Finding(
            "card-is-locked",
            Severity.NOTE,
            "the card",
            "this file system has no locks, so a second run is not kept from the card",
            "make sure that only one run prepares this card",
        )


def _tidy(session: CheckedSession) -> Iterator[CardFile]:
    """Remove what an earlier session put there and nobody changed since; yield it."""
    folder = session.held.folder
    for file in session.arrangement.obsolete:
        if is_untouched(folder, file):
            session.held.is_changed = True
            with suppress(OSError):
                (folder / file.path).unlink()
                yield file
    # Else a pulled card may show an old name with the bytes of a new image.
    flush_folder(folder)
