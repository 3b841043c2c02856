"""Does it matter which release of a family is installed? Compared over all its releases."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from mediashelf.drivers.coverage import Cover, DeviceCover
from mediashelf.drivers.findings import device_label
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.packages.families import choose_family
from mediashelf.drivers.packages.finding import PackagesFound
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.surveying import cover_devices
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.rules import driver_page


def check_releases(
    survey: Survey, founds: Sequence[tuple[PackageTree, PackagesFound]], devices: Sequence[Device]
) -> Iterator[Finding]:
    """Yield devices that get another package, or none, with another release of the family."""
    family = survey.family
    others = {}
    for release in family.releases:
        if release == family.system.version:
            continue
        other = choose_family(family.name, release=release, architecture=family.system.architecture)
        others[f"{release[0]}.{release[1]}"] = cover_devices(founds, other, devices)
    for index, cover in enumerate(survey.covers):
        differing = {
            release: covers[index]
            for release, covers in others.items()
            if _outcome(covers[index]) != _outcome(cover)
        }
        if differing:
            yield _finding(survey, cover, index + 1, differing)


def _outcome(cover: DeviceCover) -> tuple[Cover, str, str]:
    best = cover.best
    return cover.cover, best.package.path if best else "", best.offer.install if best else ""


def _finding(
    survey: Survey, cover: DeviceCover, number: int, differing: dict[str, DeviceCover]
) -> Finding:
    parts = []
    for release, other in differing.items():
        best = other.best
        got = f"{best.package.path} [{best.offer.install}]" if best else "no driver"
        parts.append(f"{got} with {release}")
    has_less = cover.cover is Cover.DRIVER and any(
        other.cover is not Cover.DRIVER for other in differing.values()
    )
    return Finding(
        "driver-differs-by-release",
        Severity.WARNING if has_less else Severity.NOTE,
        device_label(cover, number),
        f"it gets {', '.join(parts)}",
        "name the release that will be installed with --release",
        driver_page("INF Manufacturer section"),
        target=survey.target,
    )
