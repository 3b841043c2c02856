"""``show --report``: a page about an image, and what a machine finds on it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from mediashelf.cli.render import NOT_LOOKED_AT
from mediashelf.cli.report_file import CREATED_BY, moment_text, write_report
from mediashelf.drivers.device_table import device_rows
from mediashelf.image import DiscImage
from mediashelf.jobs.images.examining import examine_image
from mediashelf.readability.targets import Target
from mediashelf.reports.disc.page import DiscSubject, disc_html
from mediashelf.reports.disc.tables import Coverage


def write_image_page(
    path: Path, image: DiscImage, targets: Sequence[Target], machine_path: Path | None
) -> None:
    """Write the page of an open image: for each target who reads it, and what drives the machine.

    Raises :class:`InputError` for a machine's file that cannot be read, and
    :class:`OutputError`.
    """
    examined = examine_image(image, targets, machine_path)
    subject = DiscSubject(
        name=str(image.path),
        facts=image.facts,
        findings=examined.findings,
        state=f"structures read; {NOT_LOOKED_AT}"
        if machine_path is None
        else "structures and driver texts read; contents of other files not read",
        verdicts=examined.verdicts,
        coverage=[Coverage(one.target, tuple(device_rows(one))) for one in examined.surveys],
    )
    write_report(path, disc_html(subject, created=moment_text(), created_by=CREATED_BY))
