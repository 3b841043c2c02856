"""An image that has the bytes of another one: names that were exchanged, or a copy over it."""

from __future__ import annotations

from msgspec.structs import replace

from mediashelf.catalogue.auditing.same_bytes import SameBytes
from mediashelf.catalogue.auditing.values import AuditResult
from mediashelf.catalogue.rows import ImageRow
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.fixity.states import State

_STATES = (State.DECAYED, State.CHANGED, State.TRUNCATED)


def with_others_bytes(same_bytes: SameBytes, result: AuditResult) -> AuditResult:
    """Say so where the bytes that differ from the record are those on record of another image.

    Two files of one size and date may exchange their names without a trace in either;
    nothing of that has decayed.
    """
    row, verdict, digests = result.job.row, result.verdict, result.reading.digests
    if row is None or digests is None or not digests.size or verdict.is_confirmed:
        return result
    if verdict.state not in _STATES:
        return result
    alike = (each for one in digests.whole.values() for each in same_bytes.of(one))
    other = next((each for each in alike if each.id != row.id), None)
    if other is None:
        return result
    place = f"{other.shelf}: {other.path}"
    message = f"its bytes are those on record of {place}"
    remedy = "if it should be that image, mediashelf scan --accept makes it so; else restore it"
    if _has_bytes(other, row):
        message = f"this image and {place} have each other's bytes: their names were exchanged"
        remedy = "give them their names back, or make it so: mediashelf scan --accept, with both"
    finding = Finding("name-of-its-bytes", Severity.ERROR, result.job.where, message, remedy)
    findings = (finding, *verdict.findings[1:])  # instead of what was said of the difference
    verdict = replace(verdict, state=State.CHANGED, findings=findings, spans=())
    return replace(result, verdict=verdict, touched=(), entry_count=0)


def _has_bytes(other: ImageRow, row: ImageRow) -> bool:
    """Tell whether the file of another image has the bytes on record of this one."""
    algorithm, digest = next(iter(row.digests.items()))
    try:
        found = digest_file(other.file, algorithms=(algorithm,))
    except InputError:
        return False
    return found.whole[algorithm] == digest
