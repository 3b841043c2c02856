"""From checked and staged discs to the card's manifest."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, cast

from msgspec.structs import replace

from mediashelf import __version__
from mediashelf.findings import Finding
from mediashelf.sessions.cards.placed import PlacedDisc
from mediashelf.sessions.cards.records import CardRecords
from mediashelf.sessions.discs.glance import boot_ways, glance
from mediashelf.sessions.discs.preflight import CheckedDisc
from mediashelf.sessions.emulator import (
    EJECT,
    block_size,
    drive_names,
    is_served_whole,
    lun_settings,
    served_blocks,
)
from mediashelf.sessions.manifests.disc import ManifestDisc
from mediashelf.sessions.manifests.fields import SeverityWord
from mediashelf.sessions.manifests.manifest import parse_manifest, render_manifest
from mediashelf.sessions.manifests.parts import CardFile, LunWrite, OpenFinding, Origin
from mediashelf.sessions.manifests.sense import comparable_path
from mediashelf.sessions.manifests.values import Manifest, ManifestSession
from mediashelf.sessions.manifests.versions import CURRENT, start_before_3
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.text import printable

_LONGEST_TEXT = 2000
_LONGEST_NAME = 240


def describe_card(
    plan: SessionPlan,
    staged: Sequence[PlacedDisc],
    findings: Iterable[Finding],
    records: CardRecords,
    *,
    created: str,
    version: int = CURRENT,
) -> Manifest:
    """Return the manifest of a card on which every disc is in place, without its other files.

    ``findings`` are those about the card and the machine. When nothing but the
    moment differs from the manifest that is on the card, its moment is kept; what an
    earlier ``version`` of the form cannot say makes no difference.
    """
    discs = tuple(_disc(one) for one in staged)
    used = {comparable_path(disc.path) for disc in discs}
    earlier = {
        comparable_path(file.path): file
        for file in records.files
        if comparable_path(file.path) not in used
    }
    manifest = Manifest(
        created=created,
        created_by=f"mediashelf {__version__}",
        session=ManifestSession(_text(plan.name), _text(plan.machine.name)),
        start=plan.start,
        eject=(LunWrite("file", EJECT.removesuffix("\n")),),
        forced_eject=(LunWrite("forced_eject", "1"),),
        drive=_drive(plan),
        discs=discs,
        open_findings=condense(findings, worst_first=False),
        earlier_files=tuple(sorted(earlier.values(), key=lambda file: file.path)),
    )
    last = records.manifest
    written = parse_manifest(render_manifest(manifest, version))
    if last is not None and _says_the_same(written, last):
        return replace(manifest, created=last.created)
    return manifest


def refuse_older_form(plan: SessionPlan, discs: Iterable[CheckedDisc], version: int) -> None:
    """Raise :class:`ManifestError` when an earlier version of the form cannot say the session."""
    if version < 3:
        known = [
            {
                "position": disc.position,
                "erases": disc.may_erase,
                "presentation": disc.planned.presentation,
                "servable": is_served_whole(disc.size, disc.planned.presentation),
            }
            for disc in discs
        ]
        start_before_3(plan.start, known)


def with_other_files(manifest: Manifest, files: Sequence[CardFile]) -> Manifest:
    """Return the manifest with its sheets, which then no longer count as an earlier session's."""
    names = {comparable_path(file.path) for file in files}
    earlier = tuple(
        file for file in manifest.earlier_files if comparable_path(file.path) not in names
    )
    return replace(manifest, other_files=tuple(files), earlier_files=earlier)


def condense(findings: Iterable[Finding], *, worst_first: bool = True) -> tuple[OpenFinding, ...]:
    """Return findings as rows for people and the manifest, equal rules counted.

    Without ``worst_first`` they stay in the order in which a person acts on
    them, and only those that say the same are one row: there are few of them.
    """
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for finding in findings:
        key = (finding.rule, finding.severity.word, finding.target)
        groups.setdefault(key if worst_first else (*key, finding.message), []).append(finding)
    rows = list(groups.values())
    if worst_first:
        rows.sort(key=lambda group: -group[0].severity)
    return tuple(
        OpenFinding(
            rule=_text(group[0].rule),
            severity=cast(SeverityWord, group[0].severity.word),
            target=_text(group[0].target),
            where=_text(group[0].where),
            count=len(group),
            message=_text(group[0].message),
            remedy=_text(group[0].remedy),
            source=_text(group[0].source),
        )
        for group in rows
    )


def _drive(plan: SessionPlan) -> tuple[LunWrite, ...]:
    vendor, product = plan.drive
    if not (vendor or product):
        return ()
    return (LunWrite("inquiry_string", drive_names(vendor, product)),)


def _disc(placed: PlacedDisc) -> ManifestDisc:
    disc, file = placed.disc, placed.file
    contents = glance(disc.source.facts)
    return ManifestDisc(
        position=disc.position,
        code=placed.code,
        repeats=disc.repeats,
        path=placed.path,
        label=_text(disc.label),
        purpose=_text(disc.planned.purpose),
        expect=_text(disc.planned.expect),
        size=file.size,
        presentation=disc.planned.presentation,
        servable=is_served_whole(file.size, disc.planned.presentation),
        block_size=cast(Literal[2048, 512], block_size(disc.planned.presentation)),
        served_blocks=served_blocks(file.size, disc.planned.presentation),
        erases=disc.may_erase,
        digests=file.digests,
        confirmed=placed.confirmed,
        origin=_origin(placed),
        lun=tuple(
            LunWrite(attribute, value)
            for attribute, value in lun_settings(placed.path, disc.planned.presentation)
        ),
        boot=boot_ways(disc.source.facts),
        targets=disc.targets,
        passed=disc.passed,
        after=disc.planned.after_positions,
        contents=replace(
            contents,
            top=tuple(_text(name, _LONGEST_NAME) for name in contents.top),
        ),
        open_findings=condense(disc.findings),
    )


def _origin(placed: PlacedDisc) -> Origin:
    source = placed.disc.source
    image = source.image
    if image is None:
        return Origin("built", _text(source.file.path.name, _LONGEST_NAME), None, None)
    return Origin(
        how="copied" if image.track is None else "converted",
        name=_text(image.path.name, _LONGEST_NAME),
        size=image.stamp.size if image.stamp is not None else None,
        digests=placed.original,
        padding=image.padding,
    )


def _says_the_same(manifest: Manifest, last: Manifest) -> bool:
    """Leave out what is filled in later or differs by the moment alone."""
    return replace(last, other_files=(), earlier_files=(), created="") == replace(
        manifest, other_files=(), earlier_files=(), created=""
    )


def _text(text: str, most: int = _LONGEST_TEXT) -> str:
    """Return text that the manifest's form allows, whatever a disc or a plan calls itself."""
    shown = printable(text)
    return shown if len(shown) <= most else f"{shown[: most - 1]}…"
