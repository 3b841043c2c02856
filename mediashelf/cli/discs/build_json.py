"""Plans, discs and series as the documented JSON shape.

::

    {"command": "build", "version": 2, "dry_run", "anyway",
     "label", "long_label", "date", "targets": {target: phrase}, "size", "sectors",
     "capacity": {"name", "sectors", "size", "percent"}, "folder_count", "file_count",
     "source_size", "shared_size", "boot": {…} or null,
     "files": [{"short_path", "long_path", "source" or null, "size", "is_renamed",
                "is_shared", "sha256" or null}, …],
     "machine": {…} or null, "drivers": [{"target", "devices", "packages", …}, …],
     "findings": […], "built": {"path", "size"} or null}

With ``--spread`` all from ``label`` to ``files``, and ``built``, stands once for each
disc, under ``discs``, where each has its ``number`` and ``packages`` (``short_path``,
``long_path``, ``size``, ``is_whole``) as well. ``machine`` and ``drivers`` are those of
``drivers --json``: its ``machine`` and ``targets``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mediashelf.building.planning.boot import PlannedBoot
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.writing.write import BuiltDisc
from mediashelf.cli.discs.driver_json import document as driver_document
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.jobs.build_work import BuildWork


def document(
    work: BuildWork, built: Sequence[BuiltDisc], *, is_dry_run: bool, anyway: bool
) -> dict[str, Any]:
    """Return the whole answer; ``built`` is empty when nothing was."""
    payload: dict[str, Any] = {
        "command": "build",
        "version": 2,
        "dry_run": is_dry_run,
        "anyway": anyway,
    }
    discs: Sequence[BuiltDisc | None] = built or [None] * len(work.plans)
    documents = [
        _disc(plan, verdicts, disc)
        for plan, verdicts, disc in zip(work.plans, work.verdicts, discs, strict=True)
    ]
    if work.series is None:
        payload |= documents[0]
    else:
        payload["discs"] = [
            {"number": number, **one, "packages": _packages(work.plans[number - 1], number)}
            for number, one in enumerate(documents, start=1)
        ]
    return payload | _drivers(work) | {"findings": [one.as_dict() for one in work.findings]}


def _disc(plan: DiscPlan, verdicts: Mapping[str, str], built: BuiltDisc | None) -> dict[str, Any]:
    capacity = plan.capacity
    digests = built.digests if built is not None else {}
    return {
        "label": plan.label.short,
        "long_label": plan.label.long,
        "date": plan.made.isoformat(),
        "targets": dict(verdicts),
        "size": plan.size,
        "sectors": plan.size // SECTOR_SIZE,
        "capacity": {
            "name": capacity.name,
            "sectors": capacity.sectors,
            "size": capacity.size,
            "percent": round(capacity.percent_of(plan.size), 2),
        },
        "folder_count": plan.folder_count,
        "file_count": len(plan.files),
        "source_size": plan.source_size,
        "shared_size": plan.shared_size,
        "boot": _boot(plan.boot),
        "files": [
            {
                "short_path": file.short_path,
                "long_path": file.long_path,
                "source": file.source or None,
                "size": file.size,
                "is_renamed": file.is_renamed,
                "is_shared": file.is_shared,
                "sha256": digests.get(file.long_path),
            }
            for file in plan.files
        ],
        "built": None if built is None else {"path": str(built.path), "size": built.size},
    }


def _packages(plan: DiscPlan, number: int) -> list[dict[str, Any]]:
    series = plan.pages.series
    return [part._asdict() for part in series.discs[number - 1].parts] if series else []


def _drivers(work: BuildWork) -> dict[str, Any]:
    drivers = work.drivers
    if drivers is None:
        return {"machine": None, "drivers": []}
    whole = driver_document(drivers.surveys, drivers.machine, (), ())
    return {"machine": whole["machine"], "drivers": whole["targets"]}


def _boot(boot: PlannedBoot | None) -> dict[str, Any] | None:
    if boot is None:
        return None
    return {
        "image": boot.content.path,
        "media_type": boot.media_type,
        "load_sectors": boot.load_sectors,
    }
