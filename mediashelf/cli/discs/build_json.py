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

With ``--spread`` all from ``label`` to ``files``, and ``built``, is there once for each
disc, under ``discs``, where each has its ``number`` and ``packages`` (``short_path``,
``long_path``, ``size``, ``is_whole``) as well. ``machine`` and ``drivers`` are those of
``drivers --json``: its ``machine`` and ``targets``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from mediashelf.building.planning.boot import PlannedBoot
from mediashelf.building.planning.disc_plan import DiscPlan, PlannedFile
from mediashelf.building.writing.write import BuiltDisc
from mediashelf.cli.discs.driver_json import machine_json, survey_json
from mediashelf.cli.documents import Each, chosen, document
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.jobs.discs.recipe_plan import JudgedPlan, PlannedRecipe


def build_document(
    work: PlannedRecipe, built: Sequence[BuiltDisc], *, is_dry_run: bool, anyway: bool
) -> dict[str, Any]:
    """Return the whole answer; ``built`` is empty when nothing was."""
    results: Sequence[BuiltDisc | None] = built or [None] * len(work.discs)
    discs = [_disc(judged, one) for judged, one in zip(work.discs, results, strict=True)]
    drivers = work.drivers
    return document(
        "build",
        version=2,  # version 1 claimed how few discs are possible
        dry_run=is_dry_run,
        anyway=anyway,
        **(discs[0] if work.series is None else _series(work, discs)),
        machine=machine_json(drivers.machine) if drivers is not None else None,
        drivers=[survey_json(one) for one in drivers.surveys] if drivers is not None else [],
        findings=Each(work.findings),
    )


def _series(work: PlannedRecipe, discs: Sequence[dict[str, Any]]) -> dict[str, Any]:
    return {
        "discs": [
            {"number": number, **one, "packages": _packages(work.plans[number - 1], number)}
            for number, one in enumerate(discs, start=1)
        ],
    }


def _disc(judged: JudgedPlan, built: BuiltDisc | None) -> dict[str, Any]:
    plan = judged.plan
    digests = built.digests if built is not None else {}
    return {
        "label": plan.label.short,
        "long_label": plan.label.long,
        "date": plan.made,
        "targets": judged.verdicts,
        "size": plan.size,
        "sectors": plan.size // SECTOR_SIZE,
        "capacity": chosen(
            plan.capacity,
            *("name", "sectors", "size"),
            percent=round(plan.capacity.percent_of(plan.size), 2),
        ),
        "folder_count": plan.folder_count,
        "file_count": plan.file_count,
        "source_size": plan.source_size,
        "shared_size": plan.shared_size,
        "boot": None if plan.boot is None else _boot(plan.boot),
        "files": Each(_file(file, digests.get(file.long_path)) for file in plan.files),
        "built": None if built is None else chosen(built, "path", "size"),
    }


def _file(file: PlannedFile, sha256: str | None) -> dict[str, Any]:
    return {
        "short_path": file.short_path,
        "long_path": file.long_path,
        "source": file.source or None,
        **chosen(file, "size", "is_renamed", "is_shared"),
        "sha256": sha256,
    }


def _packages(plan: DiscPlan, number: int) -> tuple[Any, ...]:
    series = plan.pages.series
    return series.discs[number - 1].parts if series else ()


def _boot(boot: PlannedBoot) -> dict[str, Any]:
    return {"image": boot.content.path, **chosen(boot, "media_type", "load_sectors")}
