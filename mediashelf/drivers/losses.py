"""What became of drivers on their way from the sources to the disc."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.drivers.coverage import Cover, DeviceCover
from mediashelf.drivers.findings import device_label
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.verdict import DriverState, names_text
from mediashelf.findings import Finding, Severity


def check_losses(sources: Survey, disc: Survey) -> Iterator[Finding]:
    """Yield the devices that have a driver in the sources and none on the disc.

    Both surveys are of one target and one machine. A driver that is there, but lacks
    files that it has in the sources, does not count; nor does one that became only a
    generic or a possible one. What the sources lack as well is not lost.
    """
    pairs = zip(sources.covers, disc.covers, strict=True)
    for number, (before, after) in enumerate(pairs, 1):
        there, here = sources.verdict(before), disc.verdict(after)
        if there.state is DriverState.NONE:
            continue
        if here.state is DriverState.NONE:
            place = _place(before)
            message = f"its driver in the sources, {place}, is not on the disc"
            yield _lost(disc, after, number, message)
            continue
        lost = [name for name in here.missing if name not in there.missing]
        if lost:
            message = "cannot be found on the disc, though the sources have it for this driver"
            yield _lost(disc, after, number, f"{names_text(lost)} {message}")


def _place(cover: DeviceCover) -> str:
    if cover.cover is Cover.DECLARED or cover.best is None:
        return cover.declared[0].folder
    return cover.best.package.file.shown_path


def _lost(disc: Survey, cover: DeviceCover, number: int, message: str) -> Finding:
    return Finding(
        "driver-lost-on-disc",
        Severity.ERROR,
        device_label(cover, number),
        message,
        "fix only, skip, or the names of folders and files, so that it is there and is seen",
        target=disc.target,
    )
