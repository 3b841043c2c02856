"""What check says of one disc, as the documented JSON shape.

``command`` and ``version``, then ``inputs``, one object each:
``input``, ``kind`` (image, folder, recipe), ``size`` in bytes, ``label``,
``is_complete`` (the trees could be read whole), ``targets`` (one object each with
``target``, ``verdict``, and the counts ``errors``, ``warnings``, ``notes``), and
``findings``, each with all fields of a finding and ``about``: ``structure`` (of an
image), ``plan`` (of a folder or recipe), ``emulator``, ``target`` or ``drivers`` (what
the machine of a recipe finds on its disc).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from mediashelf.cli.documents import Each, plain
from mediashelf.findings import Finding, Severity, iter_runs
from mediashelf.jobs.discs.checking import CheckedSource
from mediashelf.readability.targets import Target


def input_document(answer: CheckedSource) -> Mapping[str, Any]:
    """Return all of an answer; its findings, which may be many, are made when they are written."""
    facts = answer.facts
    return {
        "input": answer.path,
        "kind": answer.kind,
        "size": facts.size,
        "label": next((volume.label for volume in facts.volumes), ""),
        "is_complete": all(volume.is_complete for volume in facts.volumes),
        "targets": [_verdict_document(answer, *one) for one in answer.targets],
        "findings": Each(
            {"about": about, **plain(item)} for about, found in answer.parts for item in found
        ),
    }


def _verdict_document(
    answer: CheckedSource, target: Target, findings: Sequence[Finding]
) -> Mapping[str, Any]:
    counts: Counter[Severity] = Counter()
    for run in iter_runs(findings):
        counts[run.severity] += len(run)
    return {
        "target": target.name,
        "verdict": answer.verdict(findings).value,
        "errors": counts[Severity.ERROR],
        "warnings": counts[Severity.WARNING],
        "notes": counts[Severity.NOTE],
    }
