"""The keeper's word on findings of recorded images: known, and why; or no longer so."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.catalogue.auditing.names import recorded_image
from mediashelf.catalogue.images import findings_on_record
from mediashelf.catalogue.records.acknowledged import acknowledge, acknowledged_of, take_back
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import InputError


def acknowledge_findings(
    catalogue: Catalogue, names: Sequence[str], rules: Sequence[str], why: str
) -> None:
    """Acknowledge findings of these rules that the last scan or audit had of each image.

    Raises :class:`InputError` for a rule that was not found, or an image without a record,
    and acknowledges nothing then.
    """
    rows = [recorded_image(catalogue, name) for name in names]
    for row in rows:
        _require_record(row)
        found = {finding.rule for finding in findings_on_record(catalogue.db, row.id)}
        for rule in rules:
            if rule not in found:
                raise InputError(
                    f"{row.where}: has no finding {rule!r} on record (findings: "
                    f"{', '.join(sorted(found)) or 'none'})"
                )
    with transaction(catalogue.db):
        for row in rows:
            for rule in rules:
                acknowledge(catalogue.db, row, rule, why)


def take_back_findings(catalogue: Catalogue, names: Sequence[str], rules: Sequence[str]) -> None:
    """Let findings count again; raises :class:`InputError` where none was acknowledged."""
    rows = [recorded_image(catalogue, name) for name in names]
    with transaction(catalogue.db):
        for row in rows:
            known = acknowledged_of(catalogue.db, row.id)
            for rule in rules:
                if not take_back(catalogue.db, row.id, rule):
                    raise InputError(
                        f"{row.where}: {rule!r} was not acknowledged (acknowledged: "
                        f"{', '.join(sorted(known)) or 'none'})"
                    )


def _require_record(row: ImageRow) -> None:
    if not row.digests or row.waiting is not None:
        reason = "its bytes differ from the record" if row.digests else "it has no record"
        raise InputError(
            f"{row.where}: {reason}; a finding is acknowledged for recorded bytes alone"
        )
