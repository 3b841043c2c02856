"""What ``mediashelf mend`` takes from the catalogue: the image, its record, its tree."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from msgspec import Struct

from mediashelf.catalogue import images
from mediashelf.catalogue.auditing.names import AuditJob, plan_audit
from mediashelf.catalogue.auditing.recording import confirm_record
from mediashelf.catalogue.history import Happening, keep
from mediashelf.catalogue.questions.copies import find_copies
from mediashelf.catalogue.records.earlier import records_of
from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity, worst
from mediashelf.formats.volume import DiscFacts
from mediashelf.image import open_image
from mediashelf.integrity.fixity.values import FixityRecord
from mediashelf.integrity.mending.values import Mending, MendOutcome
from mediashelf.integrity.structure.damage import TouchedEntry, count_hidden, entries_touched
from mediashelf.text import count_text


class Reference(Struct, frozen=True):
    """What an image is verified by: a record, and whose it is.

    ``is_earlier`` is True for one that was replaced since.
    """

    row: ImageRow
    record: FixityRecord
    is_earlier: bool = False

    @property
    def where(self) -> str:
        """The image of the record, for people."""
        return f"{self.row.shelf}: {self.row.path}"


class Touched(Struct, frozen=True):
    """The entries where bytes were mended, and where they stay unknown."""

    mended: tuple[TouchedEntry, ...] = ()
    open: tuple[TouchedEntry, ...] = ()
    entry_count: int = 0


def find_image(catalogue: Catalogue, name: str) -> AuditJob:
    """Return the image that a name means: a file, or the end of the path of a recorded image."""
    if Path(name).is_dir():
        raise InputError(f"{name}: is a folder; name one image")
    jobs = plan_audit(catalogue, [name])
    if len(jobs) != 1:
        raise InputError(f"{name}: is a shelf of {count_text(len(jobs), 'image')}; name one image")
    return jobs[0]


def refuse_absent(catalogue: Catalogue, job: AuditJob) -> None:
    """Raise for an image without a file: say what is known of it, and what to do."""
    row = job.row
    if job.presence is Presence.HERE or row is None:
        return
    if job.presence is Presence.AWAY:
        raise InputError(
            f"{job.where}: its shelf is not here ({job.other_folder or row.root}); connect it first"
        )
    record = images.fixity_record(catalogue.db, row)
    known = f"its record of {row.recorded_at[:10]} is kept" if record is not None else ""
    copies = find_copies(catalogue, row, record) if record is not None else []
    equal = [one for one in copies if one.key_digest == row.key_digest and not one.waiting]
    if equal:
        todo = f"copy the file back from {equal[0].where}, which has the same bytes on record"
    elif record is not None:
        todo = (
            "put it back, or scan if it was moved; from a damaged copy: mediashelf mend COPY "
            f"--as {shlex.quote(row.where)} -o MENDED.iso"
        )
    else:
        todo = "nothing is on record to make it again by; put it back, or scan if it was moved"
    raise InputError(f"{job.where}: is missing: {'; '.join(filter(None, [known, todo]))}")


def find_reference(
    catalogue: Catalogue,
    job: AuditJob,
    copies: Sequence[Path],
    as_name: str | None,
    as_of: str | None,
) -> Reference | None:
    """Return what is on record: as said with --as and --as-of, of the image, or of a copy."""
    if as_name is not None or as_of is not None:
        name = as_name if as_name is not None else job.where
        row = find_image(catalogue, as_name).row if as_name is not None else job.row
        reference = _recorded(catalogue, row)
        if row is None or reference is None:
            raise InputError(f"{name}: has no recorded digest to verify by")
        return reference if as_of is None else _earlier(catalogue, row, name, as_of)
    own = _recorded(catalogue, job.row)
    if own is not None:
        return own
    found: dict[bytes, Reference] = {}
    for copy in copies:
        reference = _recorded(catalogue, catalogue.image_by_path(copy))
        if reference is not None:
            found.setdefault(reference.record.blocks, reference)
    if len(found) > 1:
        places = "; ".join(reference.where for reference in found.values())
        raise InputError(
            f"the copies are on record with different digests ({places}); say with --as which is "
            "the right one"
        )
    return next(iter(found.values()), None)


def _recorded(catalogue: Catalogue, row: ImageRow | None) -> Reference | None:
    record = images.fixity_record(catalogue.db, row) if row is not None else None
    return Reference(row, record) if row is not None and record is not None else None


def _earlier(catalogue: Catalogue, row: ImageRow, name: str, as_of: str) -> Reference:
    """Return the record that was in force on a day, or at a moment."""
    first, last = _period(as_of)
    known = records_of(catalogue.db, row)
    fitting = [each for each in known if each.was_in_force(first, last)]
    if len(fitting) == 1:
        return Reference(row, fitting[0].record, is_earlier=bool(fitting[0].replaced_at))
    if not fitting:
        raise InputError(
            f"{name}: nothing was on record then; its first record is of "
            f"{known[0].record.recorded_at}"
        )
    moments = ", ".join(each.record.recorded_at for each in fitting)
    raise InputError(
        f"{name}: {len(fitting)} records were in force on {as_of}, recorded {moments}; name one "
        "by its moment"
    )


def _period(as_of: str) -> tuple[str, str]:
    """Return the first and last second that a day or moment in UTC means."""
    try:
        moment = datetime.fromisoformat(as_of)
    except ValueError as error:
        raise InputError(
            f"--as-of {as_of!r}: is not a date such as 2026-11-25, nor a moment such as "
            "2026-11-25T18:30:00Z"
        ) from error
    if len(as_of) <= len("2026-11-25"):
        return moment.strftime("%Y-%m-%dT00:00:00Z"), moment.strftime("%Y-%m-%dT23:59:59Z")
    if moment.tzinfo is not None:
        moment = moment.astimezone(UTC)
    text = moment.strftime("%Y-%m-%dT%H:%M:%SZ")
    return text, text


def record_findings(reference: Reference | None) -> list[Finding]:
    """The record of an image that was damaged already confirms the damage."""
    if reference is None:
        return []
    if reference.row.errors and not reference.is_earlier:
        errors = count_text(reference.row.errors, "error")
        known = (
            f"it had {errors} inside when its digest was recorded, and the digest confirms these"
        )
    elif worst(reference.record.damage_inside) is Severity.ERROR:
        known = "an audit found damage inside these bytes, and the digest on record confirms it"
    else:
        return []
    return [
        Finding(
            "record-is-of-sound-image",
            Severity.WARNING,
            reference.where,
            f"{known} as well",
            remedy="if a sound image is on record, verify by that one with --as",
        )
    ]


def _facts(catalogue: Catalogue, reference: Reference | None, result: Mending) -> DiscFacts | None:
    """Return the tree as recorded, since that of a damaged image may be damaged itself."""
    if not result.parts or result.in_bytes:
        return None
    is_own = reference is not None and not reference.is_earlier
    facts = images.facts_of(catalogue.db, reference.row.id) if reference and is_own else None
    if facts is not None:
        return facts
    path = result.output if result.is_written and result.output is not None else result.image
    try:
        with open_image(path) as opened:
            return opened.facts
    except InputError:
        return None  # what cannot be read to the end is told by the findings


def find_touched(catalogue: Catalogue, reference: Reference | None, result: Mending) -> Touched:
    """Return the entries where bytes were mended, or stay unknown."""
    facts = _facts(catalogue, reference, result)
    if facts is None or facts.looks_raw:
        return Touched()
    mended = entries_touched(facts, result.mended_spans)
    still_open = entries_touched(facts, result.open_spans)
    count = max((len(volume.entries) for volume in facts.volumes), default=0)
    return Touched(mended, still_open, count + count_hidden({*mended, *still_open}))


def keep_mending(
    catalogue: Catalogue, job: AuditJob, reference: Reference | None, result: Mending
) -> None:
    """Add to the history of a recorded image that it was mended, how surely, and where to.

    In its own place it was read back and proved, so that it is confirmed with that.
    """
    if job.row is None or not result.is_written or not catalogue.can_write:
        return
    is_own = reference is not None and reference.row.id == job.row.id and not reference.is_earlier
    in_place = result.output is not None and result.output.resolve() == job.path.resolve()
    surety = {
        MendOutcome.PROVED: "proved by the digest on record",
        MendOutcome.VOTED: "by a vote, not proved",
        MendOutcome.INCOMPLETE: "in part",
    }[result.outcome]
    with transaction(catalogue.db):
        keep(catalogue.db, job.row.id, Happening.MENDED, "mend", f"{surety}: {result.output}")
        if is_own and in_place and result.outcome is MendOutcome.PROVED:
            confirm_record(catalogue.db, job.row, job.path.stat().st_mtime_ns)
            keep(catalogue.db, job.row.id, Happening.CONFIRMED, "mend")
