"""Which findings keep a disc from being built."""

from __future__ import annotations

from collections.abc import Iterable

from mediashelf.errors import BlockedError
from mediashelf.findings import Finding, Findings, Severity, at_least
from mediashelf.text import count_text

IMPOSSIBLE = frozenset({"file-too-large", "too-many-folders", "beyond-reading-back"})
"""Rules whose errors no wish can override: such a disc cannot be written down."""


def blocking(findings: Iterable[Finding], *, anyway: bool = False) -> Findings:
    """Return the findings that keep a disc from being built: the errors.

    With ``anyway`` only those count that make the disc impossible.
    """
    errors = at_least(findings, Severity.ERROR).runs
    return Findings(run for run in errors if not anyway or run.rule in IMPOSSIBLE)


def refuse_blocked(blockers: Findings) -> None:
    """Raise :class:`BlockedError` when there is anything that keeps a disc from being built."""
    if not blockers:
        return
    first = next(iter(blockers))
    way_out = (
        "This cannot be overridden"
        if any(run.rule in IMPOSSIBLE for run in blockers.runs)
        else "Fix what is wrong, or use --anyway"
    )
    errors = count_text(len(blockers), "error")
    raise BlockedError(
        f"{errors} block{'s' if len(blockers) == 1 else ''} the disc; nothing was built. "
        f"First: {first.where}: {first.message}. {way_out}"
    )
