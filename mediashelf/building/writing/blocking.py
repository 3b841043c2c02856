"""Which findings keep a disc from being built."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from mediashelf.errors import BlockedError
from mediashelf.findings import Finding, Severity, iter_runs
from mediashelf.text import count_text

IMPOSSIBLE = frozenset({"file-too-large", "too-many-folders", "beyond-reading-back"})
"""Rules whose errors no wish can override: such a disc cannot be written down."""


def blocking(findings: Iterable[Finding], *, anyway: bool = False) -> list[Finding]:
    """Return the findings that keep a disc from being built: the errors.

    With ``anyway`` only those count that make the disc impossible.
    """
    return [
        finding
        for run in iter_runs(findings)
        if run.severity is Severity.ERROR and (not anyway or run.rule in IMPOSSIBLE)
        for finding in run
    ]


def refuse_blocked(blockers: Sequence[Finding]) -> None:
    """Raise :class:`BlockedError` when there is anything that keeps a disc from being built."""
    if not blockers:
        return
    first = blockers[0]
    way_out = (
        "This cannot be overridden"
        if any(finding.rule in IMPOSSIBLE for finding in blockers)
        else "Fix what is wrong, or use --anyway"
    )
    errors = count_text(len(blockers), "error")
    raise BlockedError(
        f"{errors} block{'s' if len(blockers) == 1 else ''} the disc; nothing was built. "
        f"First: {first.where}: {first.message}. {way_out}"
    )
