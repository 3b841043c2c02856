"""From cards to the catalogue: a session is recorded when it is prepared, or first seen."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from mediashelf.catalogue.bench.session_names import named_session, sessions_of
from mediashelf.catalogue.bench.session_reading import sessions
from mediashelf.catalogue.bench.session_rows import BenchSession, PreparedSession, SessionDisc
from mediashelf.catalogue.bench.session_store import record_session, session_of_card
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.errors import CatalogueError, CatalogueTooNewError, InputError
from mediashelf.sessions.manifests.manifest import read_manifest
from mediashelf.sessions.manifests.sense import MANIFEST_NAME
from mediashelf.sessions.manifests.values import Manifest

if TYPE_CHECKING:
    from mediashelf.sessions.prepare import PreparedCard


def keep_prepared(catalogue_path: Path | None, prepared: PreparedCard) -> str | None:
    """Record a session that was just put on its card.

    The card is ready whatever comes of this: for a catalogue that cannot be
    written, return what to tell the person.
    """
    card = prepared.session.card
    sources = {
        one.disc.position: one.disc.source.file.path
        for one in prepared.discs
        if not one.disc.source.file.is_built
    }
    try:
        with open_catalogue(catalogue_path, create=True) as catalogue:
            record_session(catalogue, _prepared(prepared.manifest, card, sources))
    except (CatalogueError, CatalogueTooNewError) as error:
        return (
            f"The card is ready, but its session could not be recorded: {error}. Later on, "
            f"mediashelf session note --session {card} records it."
        )
    return None


def is_card(name: str | None) -> bool:
    """Return whether a name is the folder of a prepared card."""
    if name is None:
        return False
    with suppress(OSError):  # a name that is too long for any file
        return (Path(name) / MANIFEST_NAME).is_file()
    return False


def find_session(
    catalogue: Catalogue, name: str | None, *, machine: str = "", may_record: bool = False
) -> BenchSession:
    """Return the session that a name or a card's folder means; by default the one prepared last.

    With a ``machine`` only its sessions count. With ``may_record``, a card that was
    prepared elsewhere is recorded by its manifest. Raises :class:`InputError` when
    there is no such session, and what reading a manifest raises.
    """
    known = sessions(catalogue)
    if machine and known:
        known = sessions_of(known, machine)
    if name is not None and is_card(name):
        prepared = _prepared(read_manifest(Path(name) / MANIFEST_NAME), Path(name), {})
        session = session_of_card(catalogue, prepared, known if machine else None)
        if session is not None:
            return session
        if may_record and not machine:
            return record_session(catalogue, prepared)
        raise InputError(
            f"{name}: no session is on record for this card; the first note about it records one"
        )
    if name is not None:
        return named_session(known, name)
    if not known:
        raise InputError(
            "no session is on record yet; mediashelf prepare records one, and so does naming a "
            "prepared card with --session CARD"
        )
    return known[0]


def _prepared(manifest: Manifest, card: Path, sources: Mapping[int, Path]) -> PreparedSession:
    return PreparedSession(
        name=manifest.session.name,
        machine=manifest.session.machine,
        card=card.resolve(),
        made_at=manifest.created,
        discs=tuple(
            SessionDisc(
                position=disc.position,
                code=disc.code,
                path=disc.path,
                label=disc.label,
                purpose=disc.purpose,
                targets=disc.targets,
                size=disc.size,
                xxh3_128=disc.digests.xxh3_128,
                sha256=disc.digests.sha256,
                source=sources.get(disc.position),
            )
            for disc in manifest.discs
        ),
    )
