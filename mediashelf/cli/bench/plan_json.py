"""What ``plan show`` and ``prepare`` have in common: an option, and how discs look in JSON."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import click

from mediashelf.cli.documents import chosen, plain
from mediashelf.findings import Finding
from mediashelf.sessions.discs.preflight import CheckedDisc

machine_option = click.option(
    "--machine",
    default="",
    metavar="NAME",
    help="Which of the plan's machines, or the name of another one of the kind.",
)


def checked_dict(disc: CheckedDisc) -> dict[str, Any]:
    """Return the keys that a checked disc has in both answers."""
    image = disc.source.image
    return chosen(
        disc,
        *("position", "label", "size", "targets", "passed"),
        erases=disc.may_erase,
        presentation=disc.planned.presentation,
        **{"from": disc.source.file.path},
        track=image.track.number if image and image.track else None,
        padding=image.padding if image else 0,
    )


def findings_by_disc(
    discs: Iterable[CheckedDisc], others: Iterable[Finding]
) -> list[dict[str, Any]]:
    """Return all findings, each with the position that it is about, null for the others."""
    about = [(disc.position, one) for disc in discs for one in disc.findings]
    return [
        {**plain(one), "disc": position}
        for position, one in (*about, *((None, one) for one in others))
    ]
